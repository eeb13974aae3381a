"""A report in words: what people read of it, on a terminal as on a page."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from wattround.analysis.profile import Profile
from wattround.analysis.report import HOUR_MS, Report, Row
from wattround.metering.localtime import instant_ms, local_date
from wattround.money.amount import cell_text

UWH_PER_KWH = 1e9
WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")


def headline(found: Report, zone: ZoneInfo) -> str:
    """What it is about."""
    house = found.settings.house
    return f"{house.name or house.id}: {days_text(found, zone)}; money in {house.currency}."


def days_text(found: Report | Profile, zone: ZoneInfo) -> str:
    """The local days, and how far the last one goes where it is not whole."""
    of = found.account if isinstance(found, Report) else found
    first, last = local_date(of.from_ms, zone), local_date(of.to_ms - 1, zone)
    count = (last - first).days + 1
    days = f"{first} to {last}, {count} days" if count > 1 else f"{first}"
    whole = instant_ms(last + timedelta(days=1), 0, zone) == of.to_ms
    return days if whole else f"{days}, so far until {datetime.fromtimestamp(of.to_ms / 1000, zone):%H:%M}"


def cells(found: Report, row: Row) -> Iterator[str]:
    """A row as it is shown: name, kWh, money, a month, share, ran, standby, a year, covered."""
    signs = "  " * row.depth
    yield f"{signs}{row.label}" + (" (part)" if row.kind == "part" else "")
    yield f"{row.kwh}"
    yield cell_text(row.money, row.unpriced_uwh)
    yield f"{row.per_month}" if row.money or not row.unpriced_uwh else "?"
    yield f"{100 * row.uwh / found.total.uwh:.1f} %" if found.total.uwh else ""
    use = row.use if row.use is not None and row.use.known_ms else None
    yield f"{use.running_ms / HOUR_MS:.1f} h" if use else ""
    yield f"{use.standby_uwh / UWH_PER_KWH:.2f}" if use else ""
    yield f"{found.standby_per_year(row)}" if use else ""
    yield "" if row.covered_ms is None else f"{100 * row.covered_ms / found.elapsed_ms:.1f} %"


def lines(found: Report, currency: str) -> Iterator[str]:
    """What is said under the rows: the bill, sources, the base load, where figures are from, notes."""
    own, flow = found.account, found.account.flow
    bill = f"The bill for these days: energy {own.energy}"
    bill += f", standing charges {own.standing}" if own.standing else ""
    bill += f", credit {own.credit}" if own.credit else ""
    yield f"{bill}: {own.total} {currency}."
    if flow.generated or flow.supply_out:
        made, out = flow.generated / UWH_PER_KWH, flow.supply_out / UWH_PER_KWH
        used = f", {max(0.0, made - out):.2f} of it used here" if made > 0 else ""
        share = f" ({100 * max(0.0, 1 - out / made):.0f} %)" if made > 0 else ""
        yield f"Bought {flow.supply_in / UWH_PER_KWH:.2f} kWh, generated {made:.2f}{used}{share}, gave back {out:.2f}."
    if flow.charged or flow.discharged:
        yield f"Stored {flow.charged / UWH_PER_KWH:.2f} kWh, took {flow.discharged / UWH_PER_KWH:.2f} from storage."
    if found.base is not None:
        share = f", {100 * found.base.uwh / found.total.uwh:.0f} % of all" if found.total.uwh > 0 else ""
        yield (
            f"Base load {found.base.watts:.0f} W (lowest hour between 0 and 6, median of {found.base.nights}"
            f" night{'s' if found.base.nights > 1 else ''}): {found.base.uwh / UWH_PER_KWH:.2f} kWh{share}."
        )
    yield f"Running and standby (kWh, and money a year) are from {'minutes' if found.by_minute else 'hour totals'}."
    for note in found.notes:
        yield f"Note: {note}."
