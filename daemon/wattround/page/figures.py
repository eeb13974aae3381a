"""How figures are written on the page."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

from wattround.config.kinds import duration_text
from wattround.money.amount import cell_text
from wattround.pictures.ink import plain

LEAST_GIVEN_WH = 5.0
"""What is written as 0.01 kWh."""
WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
MONTHS = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September", "October", "November",
    "December",
)  # fmt: skip
"""English like the rest of the page, whatever the locale."""


def local(at_ms: int, zone: ZoneInfo) -> datetime:
    """An instant on the clock on the wall."""
    return datetime.fromtimestamp(at_ms / 1000, UTC).astimezone(zone)


def day_text(at_ms: int, zone: ZoneInfo) -> str:
    """A day in full: Wednesday, 10 June 2026."""
    at = local(at_ms, zone)
    return f"{WEEKDAYS[at.weekday()]}, {at.day} {MONTHS[at.month - 1]} {at.year}"


def moment_text(at_ms: int, zone: ZoneInfo) -> str:
    """A day and time: 10 Jun 2026, 14:05."""
    at = local(at_ms, zone)
    return f"{at.day} {MONTHS[at.month - 1][:3]} {at.year}, {at:%H:%M}"


def ago_text(span_ms: float) -> str:
    """How long ago: now, 3 min ago."""
    return "now" if span_ms < 2000 else f"{duration_text(int(span_ms))} ago"


def watts_cell(watts: float | None) -> str:
    """Watts in a column: whole, or nothing known."""
    return "\N{EN DASH}" if watts is None else f"{round(watts):d}".replace("-", "\N{MINUS SIGN}")


def kwh_cell(energy_wh: float) -> str:
    """Energy in a column."""
    return f"{energy_wh / 1000:.2f}"


def money_cell(meter: Mapping[str, Any]) -> str:
    """What a meter has taken today, in money; nothing for what makes or stores."""
    if meter["role"] in ("generation", "storage"):
        return ""
    return cell_text(Decimal(meter["today_cost"]), meter["today_unpriced_wh"])


def named(names: Sequence[str], labels: Mapping[str, str]) -> str:
    """Meters as people call them."""
    return ", ".join(labels.get(name, plain(name)) for name in names)


def is_quiet(meter: Mapping[str, Any]) -> bool:
    """Whether nothing is heard of a meter that should be."""
    return meter["watts_w"] is None and not (meter["computed"] and meter["age_s"] is None)


def gives(meter: Mapping[str, Any]) -> bool:
    """Whether it gave anything back that shows; a clamp's noise does not."""
    return bool(meter["today_out_wh"] >= LEAST_GIVEN_WH)


def live_cells(meter: Mapping[str, Any]) -> list[str]:
    """What changes from second to second: watts, level, energy, energy given, money."""
    return [
        watts_cell(meter["watts_w"]), meter["level"] or "", kwh_cell(meter["today_in_wh"]),
        kwh_cell(meter["today_out_wh"]) if gives(meter) else "", money_cell(meter),
    ]  # fmt: skip
