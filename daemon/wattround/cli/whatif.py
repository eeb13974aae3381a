"""`wattround whatif`: what is asked for, and its page on the terminal."""

from __future__ import annotations

import shlex
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from zoneinfo import ZoneInfo

from rich.console import Console
from rich.table import Table
from rich.text import Text

from wattround.analysis.naming import no_load
from wattround.analysis.periods import Days, WrongPeriod, chosen, clipped
from wattround.analysis.whatif.answer import Answer, Outcome, answer
from wattround.analysis.whatif.asking import Asked, WrongQuestion, change_of, kind_of, price_of
from wattround.analysis.whatif.cautions import HEAT, KEEP_ON, MADE_UP, UNAWARE
from wattround.analysis.whatif.home import HOUR_MS, Home
from wattround.analysis.whatif.ranking import Ranking, Suggestion, ranking
from wattround.analysis.whatif.yearly import FEWEST_DAYS, SEED, YEAR_WEEKS, Payback, Year, cents
from wattround.config.model import Settings
from wattround.ledger.slices import Slices
from wattround.metering.localtime import instant_ms, local_date
from wattround.metering.minute import MINUTE_MS
from wattround.money.amount import cell_text, to_cents

WIDTH = 100
UWH_PER_KWH = 1e9
DEFAULT_DAYS = 365
SHOWN, SHOWN_FROM = 20, Decimal(1)
"""The most suggestions on a page, and what they come to in a year at least."""


@dataclass(frozen=True, slots=True)
class When:
    """The days that were asked for."""

    period: str = ""
    first: date | None = None
    last: date | None = None

    @property
    def words(self) -> str:
        """As they stand in a command."""
        parts = {"--period": self.period, "--from": self.first, "--to": self.last}
        return "".join(f" {option} {value}" for option, value in parts.items() if value)


def find(settings: Settings, load: str, asked: Asked, when: When, now_ms: int) -> Answer | Ranking:
    """One change of one load; or, without a load, what is worth doing first.

    Raises:
        WrongQuestion: for a change that makes no sense, or no such load.
        WrongPeriod: if the days make no sense, or the ledger has nothing of them.
        NoLedger: if there is no ledger.
        sqlite3.Error: if it cannot be read.
    """
    price = price_of(asked)
    if load:
        kind_of(asked)
    elif asked != Asked():
        raise WrongQuestion("expected the name of a load before what would change; without any of it, all are listed")
    slices = Slices(Path(settings.ledger.folder), settings.house.id)
    try:
        home = Home.of(slices, settings)
        if load and (trouble := no_load(load, home.meters)):
            raise WrongQuestion(f"LOAD: {trouble}")
        span = _span(slices.span() if load else slices.hour_span(), MINUTE_MS if load else HOUR_MS)
        from_ms, to_ms = clipped(_days(when, span, home.zone, now_ms), *span, home.zone)
        if load:
            return answer(home, load, change_of(asked, home, load, (from_ms, to_ms)), (from_ms, to_ms), price)
        return ranking(home, from_ms, to_ms)
    finally:
        slices.close()


def _span(kept: tuple[int, int] | None, unit_ms: int) -> tuple[int, int]:
    if kept is None:
        raise WrongPeriod("the ledger has no minutes yet: let the daemon run for some days")
    return kept[0] * unit_ms, kept[1] * unit_ms


def _days(when: When, span: tuple[int, int], zone: ZoneInfo, now_ms: int) -> Days:
    """Those that were asked for; else the last year of the ledger."""
    today = local_date(now_ms, zone)
    if when != When():
        return chosen(when.period, when.first, when.last, today)
    last = min(today, local_date(span[1] - 1, zone))
    return Days(last - timedelta(days=DEFAULT_DAYS - 1), last)


# -- for a person ---------------------------------------------------------------------------------


def show(found: Answer | Ranking, file: Path, when: When) -> None:
    """Print it; without colours where it is not a terminal."""
    console = Console(highlight=False)
    if not console.is_terminal:
        console.width = WIDTH
    if isinstance(found, Ranking):
        _show_ranking(console, found, file, when)
    else:
        _show_answer(console, found)


def _house(home: Home) -> str:
    return home.settings.house.name or home.settings.house.id


def days_text(from_ms: int, to_ms: int, zone: ZoneInfo) -> str:
    """The local days, and how far the last one goes where it is not whole."""
    first, last = local_date(from_ms, zone), local_date(to_ms - 1, zone)
    count = (last - first).days + 1
    days = f"{first} to {last}, {count} days" if count > 1 else f"{first}"
    whole = instant_ms(last + timedelta(days=1), 0, zone) == to_ms
    return days if whole else f"{days}, so far until {datetime.fromtimestamp(to_ms / 1000, zone):%H:%M}"


def _show_answer(console: Console, of: Answer) -> None:
    currency = of.home.settings.house.currency
    days = days_text(of.from_ms, of.to_ms, of.home.zone)
    console.print(Text(f"{_house(of.home)}, {of.home.label(of.load)}: {of.change.title}."))
    console.print(Text(f"{days}; heard for {100 * of.covered_share:.1f} % of the time; money in {currency}."))
    console.print()
    console.print(_table(of))
    console.print()
    for line in _lines(of):
        console.print(Text(line), soft_wrap=False)


def _table(of: Answer) -> Table:
    grid = Table(box=None, pad_edge=False, header_style="underline", padding=(0, 2, 0, 0))
    names = ["Would have saved", "kWh", "Money", "A year: kWh", "Money", "Range"]
    for at, name in enumerate(names):
        grid.add_column(name, justify="right" if at else "left", no_wrap=True, overflow="ellipsis")
    for each in of.outcomes:
        saved = each.saved
        grid.add_row(
            each.variant.name or "in all", f"{saved.uwh / UWH_PER_KWH:.2f}",
            cell_text(saved.amount, saved.unpriced_uwh), _kwh(each.uwh.mean), _money(each.money.mean),
            range_text(each.money),
        )  # fmt: skip
    return grid


def _kwh(uwh: float | None) -> str:
    return "" if uwh is None else f"{round(uwh / UWH_PER_KWH, 1) + 0.0:.1f}"


def _money(amount: float | None) -> str:
    return "" if amount is None else f"{cents(amount)}"


def range_text(of: Year) -> str:
    """The least and the most of a year."""
    return "?" if of.least is None else f"{cents(of.least)} to {cents(of.most)}"


def payback_text(of: Payback) -> str:
    """Years until it pays, with their range; or that it never does."""
    if of.years is None:
        return "never pays" if of.least is None else f"never pays; at best in {of.least:.1f} years"
    if of.least is None:
        return f"pays in {of.years:.1f} years"
    return f"pays in {of.years:.1f} years ({of.least:.1f} to {'never' if of.most is None else f'{of.most:.1f}'})"


def _lines(of: Answer) -> Iterator[str]:
    taken = of.taken_uwh / UWH_PER_KWH
    saved = of.outcomes[0].saved.uwh if len(of.outcomes) == 1 else 0
    share = f"; {100 * saved / of.taken_uwh:.1f} % of that would not have been used" if saved > 0 else ""
    yield f"It used {taken:.2f} kWh in this time{share}."
    for each in of.outcomes:
        if of.price is not None and each.payback is not None:
            which = f", {each.variant.name}" if each.variant.name else ""
            yield f"{to_cents(of.price)}{which}: {payback_text(each.payback)}."
    yield range_note(of.outcomes[0].money.unit, of.outcomes[0].money.seen)
    yield _priced(of.outcomes)
    for each in of.outcomes:
        for note in each.variant.notes:
            yield f"Note: {each.variant.name}: {note}." if each.variant.name else f"Note: {note}."
    for note in of.notes:
        yield f"Note: {note}."
    for caution in of.cautions:
        yield f"Caution: {caution}"


def range_note(unit: str, seen: int) -> str:
    """Where a range of a year comes from."""
    if unit == "week" and seen >= YEAR_WEEKS:
        return (
            f"Range: nine in ten of the years that can be put together from its own {seen} weeks, four at a time (seed"
            f" {SEED})."
        )
    if unit == "week":
        return (
            f"Range: {seen} weeks of a year were seen; each of the others may be as little as the least of them, or as"
            " much as the most: their season is not known."
        )
    if seen >= FEWEST_DAYS:
        return (
            f"Range: only {seen} days were seen. A year is that pace, and each other day may be like the least or the"
            " most of them: the season is not known."
        )
    return "A year is this pace, from too few days for a range: the season is not known."


def _priced(outcomes: Sequence[Outcome]) -> str:
    if any(each.is_rebilled for each in outcomes):
        marginal = " / ".join(f"{to_cents(each.saved.marginal)}" for each in outcomes)
        return (
            "The changed minutes were billed again: the change is so large that it crosses what was bought, or a block."
            f" At marginal prices alone it would be {marginal}."
        )
    return "At what each minute's watt-hours would have saved (marginal price); billing them again says the same."


# -- what is worth doing first --------------------------------------------------------------------


def _show_ranking(console: Console, of: Ranking, file: Path, when: When) -> None:
    currency = of.home.settings.house.currency
    console.print(Text(f"{_house(of.home)}: {days_text(of.from_ms, of.to_ms, of.home.zone)}."))
    shown = [each for each in of.suggestions if (cents(each.money.mean) or 0) >= SHOWN_FROM][:SHOWN]
    if shown:
        console.print(Text(f"What each change would save in a year, at this pace, by itself; money in {currency}."))
        console.print()
        for line in _table_lines(of, shown, file, when):
            console.print(line, soft_wrap=True)  # a command must stay whole
        console.print()
    for text in _ranking_lines(of, len(shown), currency):
        console.print(Text(text), soft_wrap=False)


def _table_lines(of: Ranking, shown: Sequence[Suggestion], file: Path, when: When) -> Iterator[Text]:
    """Two lines for each: figures, and the command that shows it."""
    rows = [
        ("", "Load", "Change", "kWh a year", "Money", "Range"),
        *(
            (f"{at}", of.home.label(each.load), each.title, _kwh(each.uwh.mean) if each.uwh.mean else "",
             _money(each.money.mean), range_text(each.money) + _less_seen(each, of))
            for at, each in enumerate(shown, 1)
        ),
    ]  # fmt: skip
    widths = [max(len(row[at]) for row in rows) for at in range(6)]
    for at, row in enumerate(rows):
        cells = [
            cell.ljust(width) if place in (1, 2) else cell.rjust(width)
            for place, (cell, width) in enumerate(zip(row, widths, strict=True))
        ]
        yield Text("  ".join(cells), style="underline" if at == 0 else "")
        if at:
            yield Text(" " * (widths[0] + 2) + command(shown[at - 1], file, when), style="dim")


def _less_seen(each: Suggestion, of: Ranking) -> str:
    """Where less is known of a load than of others."""
    unit, seen = each.money.unit, each.money.seen
    return "" if (unit, seen) == of.seen else f" ({seen} {unit}{'' if seen == 1 else 's'})"


def command(of: Suggestion, file: Path, when: When) -> str:
    """The command that shows one change by itself."""
    return f"wattround whatif {shlex.quote(of.load)} {of.option} -f {shlex.quote(str(file))}{when.words}"


def _ranking_lines(of: Ranking, shown: int, currency: str) -> Iterator[str]:
    left = len(of.suggestions) - shown
    if not of.suggestions:
        yield "Nothing was found that would save anything."
    if left:
        yield f"{left} more: less than {SHOWN_FROM} {currency} a year each, or further down; --json has all."
    if of.suggestions:
        yield (
            "By the hour, at marginal prices; the command below each goes by the minute, bills again, takes --price."
            " Changes of one load overlap: do not add them up."
        )
        yield range_note(*of.seen)
    for reason, names in of.left_out.items():
        yield f"Left out, because {reason}: {', '.join(names)}."
    for note in of.notes:
        yield f"Note: {note}."
    for caution in (KEEP_ON, UNAWARE, MADE_UP, HEAT):
        yield f"Caution: {caution}"
