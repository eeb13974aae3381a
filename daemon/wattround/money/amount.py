"""Amounts of money: exact until they are written down, and then as an invoice writes them."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import ROUND_FLOOR, ROUND_HALF_UP, Decimal

UWH_PER_KWH = 1_000_000_000
CENT = Decimal("0.01")
NOTHING = Decimal(0)


def cost(per_kwh: Decimal, energy_uwh: int) -> Decimal:
    """Money for microwatt-hours at a price, not rounded (Decimal carries 28 digits)."""
    return per_kwh * energy_uwh / UWH_PER_KWH


def to_cents(amount: Decimal) -> Decimal:
    """An amount as an invoice has it: to the hundredth, half up (away from zero)."""
    return amount.quantize(CENT, ROUND_HALF_UP)


def amount_text(amount: Decimal, currency: str) -> str:
    """An amount as people write it: "0.42 EUR"."""
    return f"{to_cents(amount)} {currency}"


def cell_text(amount: Decimal, unknown: float) -> str:
    """An amount in a table; with a question mark for energy that has no known price."""
    if not unknown:
        return f"{to_cents(amount)}"
    return f"{to_cents(amount)} + ?" if amount else "?"


def apportion(amount: Decimal, weights: Sequence[int]) -> list[Decimal]:
    """An amount of whole cents split by weights into whole cents that add up to it.

    Each part is rounded down; the cents left over go to those that lost most by it, the first ones of equals.

    Raises:
        ValueError: for negative weights, or an amount that is to be split by none.
    """
    total = sum(weights)
    if any(weight < 0 for weight in weights) or (total == 0 and amount):
        raise ValueError("weights of at least zero, some of them more")
    if not total:
        return [to_cents(NOTHING)] * len(weights)
    whole = to_cents(amount)
    exact = [whole * weight / total for weight in weights]
    parts = [part.quantize(CENT, ROUND_FLOOR) for part in exact]
    left = int((whole - sum(parts)) / CENT)
    for at in sorted(range(len(parts)), key=lambda at: parts[at] - exact[at])[:left]:
        parts[at] += CENT
    return parts
