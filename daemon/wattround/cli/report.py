"""`wattround report`: what is asked for, and its page on the terminal."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from decimal import Decimal
from difflib import get_close_matches
from pathlib import Path
from typing import NamedTuple
from zoneinfo import ZoneInfo

from rich.console import Console
from rich.table import Table
from rich.text import Text

from wattround.analysis.periods import DAY, Days, WrongPeriod, against, chosen
from wattround.analysis.profile import Profile, mean_w, money, profile
from wattround.analysis.report import DAY_MS, HOUR_MS, Report, Row, Scene, report
from wattround.config.model import Settings
from wattround.ledger.tally import Kept, Tally
from wattround.metering.localtime import instant_ms, local_date
from wattround.metering.minute import MINUTE_MS
from wattround.money.amount import cell_text, to_cents

WIDTH = 100
UWH_PER_KWH = 1e9
WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")


@dataclass(frozen=True, slots=True)
class Asked:
    """What a person asked for."""

    period: str = ""
    first: date | None = None
    last: date | None = None
    against: str = ""
    load: str = ""


class Found(NamedTuple):
    """The report, the one to compare it with, or a load's profile."""

    zone: ZoneInfo
    report: Report | None
    before: Report | None
    profile: Profile | None
    currency: str


def find(settings: Settings, asked: Asked, now_ms: int) -> Found:
    """Everything that was asked for, worked out before anything is written.

    Raises:
        WrongPeriod: if the days make no sense, the ledger has nothing of them, or there is no such load.
        NoLedger: if there is no ledger.
        sqlite3.Error: if it cannot be read.
    """
    zone = ZoneInfo(settings.house.time_zone)
    days = chosen(asked.period, asked.first, asked.last, local_date(now_ms, zone))
    tally = Tally(Path(settings.ledger.folder), settings.house.id)
    try:
        kept = tally.kept()
        if kept is None:
            raise WrongPeriod("the ledger has no minutes yet: let the daemon run for some days")
        scene = Scene.of(tally, settings)
        span = _clipped(days, kept, zone)
        if asked.load:
            _known(asked.load, scene)
            return Found(zone, None, None, profile(scene, asked.load, *span, kept), settings.house.currency)
        before = _clipped(against(asked.against, days), kept, zone) if asked.against else None
        found = report(scene, *span, kept)
        compared = report(scene, *before, kept) if before else None
        return Found(zone, found, compared, None, settings.house.currency)
    finally:
        tally.close()


def _clipped(days: Days, kept: Kept, zone: ZoneInfo) -> tuple[int, int]:
    """From the begin of the first day that the ledger has some of, to the end of the last one, or of the ledger."""
    begin_ms, end_ms = kept.begin * MINUTE_MS, kept.end * MINUTE_MS
    first = max(days.first, local_date(begin_ms, zone))
    from_ms = instant_ms(first, 0, zone)
    to_ms = min(end_ms, instant_ms(days.last + DAY, 0, zone))
    if from_ms >= to_ms:
        has = f"{local_date(begin_ms, zone)} to {local_date(end_ms - 1, zone)}"
        asked = f"{days.first} to {days.last}" if days.number > 1 else f"{days.first}"
        raise WrongPeriod(f"nothing is kept of {asked}; the ledger has {has}")
    return from_ms, to_ms


def _known(load: str, scene: Scene) -> None:
    if load in scene.loads:
        return
    if load in scene.meters:
        raise WrongPeriod(f'--load: "{load}" is a {scene.meters[load].role}, not a load')
    near = get_close_matches(load, scene.loads, 1)
    hint = f" (did you mean {near[0]}?)" if near else f"; its loads are {', '.join(sorted(scene.loads)) or 'none yet'}"
    raise WrongPeriod(f'--load: found "{load}"; expected the name of a load of this house{hint}')


# -- comparison -----------------------------------------------------------------------------------


class Change(NamedTuple):
    """What a row had in the other period, scaled to the length of this one; None: it was not there."""

    kwh: Decimal | None
    money: Decimal | None


def changes(found: Report, before: Report | None) -> Mapping[tuple[str, str], Change]:
    """What each row had before, by kind and name. Periods of the same number of days are not scaled."""
    if before is None:
        return {}
    scale = Decimal(1)
    if round(found.elapsed_ms / DAY_MS) != round(before.elapsed_ms / DAY_MS) or found.elapsed_ms < DAY_MS:
        scale = Decimal(found.elapsed_ms) / before.elapsed_ms
    return {
        (row.kind, row.name): Change(to_cents(row.kwh * scale), to_cents(row.money * scale))
        for row in before.total.walk()
    }


# -- for a person ---------------------------------------------------------------------------------


def show(found: Found) -> None:
    """Print it; without colours where it is not a terminal."""
    console = Console(highlight=False)
    if not console.is_terminal:
        console.width = WIDTH
    if found.profile is not None:
        _show_profile(console, found.profile, found)
    if found.report is None:
        return
    console.print(Text(_headline(found.report, found.zone)))
    console.print(_table(found.report))
    if found.before is not None:
        console.print()
        console.print(Text(f"Against {_days(found.before, found.zone)}{_scaled(found.report, found.before)}:"))
        console.print(_compared(found.report, found.before))
    console.print()
    for line in _lines(found.report, found.currency):
        console.print(Text(line), soft_wrap=False)


def _headline(found: Report, zone: ZoneInfo) -> str:
    house = found.settings.house
    return f"{house.name or house.id}: {_days(found, zone)}; money in {house.currency}."


def _days(found: Report | Profile, zone: ZoneInfo) -> str:
    """The local days, and how far the last one goes where it is not whole."""
    of = found.account if isinstance(found, Report) else found
    first, last = local_date(of.from_ms, zone), local_date(of.to_ms - 1, zone)
    count = (last - first).days + 1
    days = f"{first} to {last}, {count} days" if count > 1 else f"{first}"
    whole = instant_ms(last + timedelta(days=1), 0, zone) == of.to_ms
    return days if whole else f"{days}, so far until {datetime.fromtimestamp(of.to_ms / 1000, zone):%H:%M}"


def _table(found: Report) -> Table:
    grid = Table(box=None, pad_edge=False, header_style="underline", padding=(0, 2, 0, 0))
    for name in ("Load", "kWh", "Money", "A month", "Share", "Ran", "Standby", "A year", "Covered"):
        grid.add_column(name, justify="left" if name == "Load" else "right", no_wrap=True, overflow="ellipsis")
    for row in found.total.walk():
        grid.add_row(*_cells(found, row), style={"total": "bold", "load": "", "part": "dim"}.get(row.kind, "italic"))
    return grid


def _cells(found: Report, row: Row) -> Iterator[str]:
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


def _compared(found: Report, before: Report) -> Table:
    grid = Table(box=None, pad_edge=False, header_style="underline", padding=(0, 2, 0, 0))
    for name in ("Load", "kWh then", "now", "more", "Money then", "now", "more"):
        grid.add_column(name, justify="left" if name == "Load" else "right", no_wrap=True, overflow="ellipsis")
    then = changes(found, before)
    for row in found.total.walk():
        was = then.get((row.kind, row.name))
        kwh, amount = (was.kwh, was.money) if was else (None, None)
        grid.add_row(
            "  " * row.depth + row.label, _text(kwh), f"{row.kwh}", _more(row.kwh, kwh), _text(amount), f"{row.money}",
            _more(row.money, amount), style="bold" if row.kind == "total" else "",
        )  # fmt: skip
    return grid


def _text(of: Decimal | None) -> str:
    return "" if of is None else f"{of}"


def _more(now: Decimal, then: Decimal | None) -> str:
    return "" if then is None else f"{now - then:+}"


def _scaled(found: Report, before: Report) -> str:
    return (
        ", scaled to the same length" if round(found.elapsed_ms / DAY_MS) != round(before.elapsed_ms / DAY_MS) else ""
    )


def _lines(found: Report, currency: str) -> Iterator[str]:
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


# -- a load's profile -----------------------------------------------------------------------------


def _show_profile(console: Console, of: Profile, found: Found) -> None:
    console.print(Text(f"{of.label}: {_days(of, found.zone)}; mean watts by hour and weekday, local time."))
    grid = Table(box=None, pad_edge=False, header_style="underline", padding=(0, 2, 0, 0))
    for name in ("Hour", *WEEKDAYS, "All days", "kWh", found.currency):
        grid.add_column(name, justify="right")
    week, day = range(7), range(24)
    for label, hours in (*((f"{hour:02}", range(hour, hour + 1)) for hour in day), ("All", day)):
        cells = [mean_w(of.over([weekday], hours)) for weekday in week]
        total = of.over(week, hours)
        grid.add_row(
            label, *map(_watts, cells), _watts(mean_w(total)), f"{total.net_uwh / UWH_PER_KWH:.2f}",
            cell_text(money(total), total.unpriced_uwh), style="bold" if label == "All" else "",
        )  # fmt: skip
    console.print(grid)


def _watts(of: float | None) -> str:
    return "" if of is None else f"{of:.0f}" if abs(of) >= 10 else f"{of:.1f}"
