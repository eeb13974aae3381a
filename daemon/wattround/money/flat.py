"""One price for every kilowatt-hour bought."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal

UWH_PER_KWH = 1_000_000_000


@dataclass(frozen=True)
class FlatTariff:
    """Money for energy at one price; cost = kWh x rate."""

    price_per_kwh: Decimal
    currency: str

    def cost(self, energy_uwh: int) -> Decimal:
        """Exact cost of an energy in microwatt-hours, not rounded."""
        return self.price_per_kwh * energy_uwh / UWH_PER_KWH

    def cost_per_day(self, watts: float) -> Decimal:
        """Cost of a steady draw over 24 hours."""
        return self.price_per_kwh * Decimal(repr(watts)) * 24 / 1000

    def text(self, amount: Decimal) -> str:
        """An amount as people write it, to the hundredth: "0.42 EUR"."""
        return f"{amount.quantize(Decimal('0.01'), ROUND_HALF_UP)} {self.currency}"
