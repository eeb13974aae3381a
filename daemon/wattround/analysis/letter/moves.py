"""The loads that moved most against the week before, and why, as far as the house's own books know."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from decimal import Decimal
from typing import NamedTuple

from wattround.analysis.comparison import Change, changes, leaves
from wattround.analysis.letter import alike
from wattround.analysis.letter.past import Pages
from wattround.analysis.letter.strips import by_day, strips
from wattround.analysis.letter.told import Move
from wattround.analysis.letter.week import kwh
from wattround.analysis.report import Report, Row
from wattround.analysis.reporting.watts import load_signs
from wattround.core.change import Change as Entered
from wattround.ledger.batch import EpisodeRow
from wattround.metering.localtime import local_date
from wattround.money.amount import NOTHING
from wattround.pictures.grain import day_text

MOST = 3
LEAST_KWH = Decimal("0.1")
"""A smaller difference is no move."""
HEARD_ENOUGH = 0.9
SHARE = 0.25
"""Of the difference that waste or weather must account for to be a reason (common practice, no source)."""
LEAST_K = 1.0


class Moved(NamedTuple):
    """A load, its row now and what it had before (scaled to the same length)."""

    row: Row
    label: str
    then: Change

    @property
    def kwh(self) -> Decimal:
        """More than then."""
        return self.row.kwh - (self.then.kwh or NOTHING)

    @property
    def money(self) -> Decimal:
        """More than then."""
        return self.row.money - (self.then.money or NOTHING)


def moved(found: Report, before: Report) -> list[Moved]:
    """Loads that have none within them, the ones that moved most first."""
    then = changes(found, before)
    all_of = [
        Moved(row, label, then.get((row.kind, row.name), Change(None, None)))
        for row, label in leaves(found.total)
        if row.kind == "load"
    ]
    most = [each for each in all_of if abs(each.kwh) >= LEAST_KWH]
    return sorted(most, key=lambda each: (-abs(each.money), -abs(each.kwh), each.label))[:MOST]


class Reasons:
    """Why loads moved: how they were heard, their episodes, what people changed, the weather."""

    def __init__(
        self, pages: Pages, reports: tuple[Report, Report], episodes: Sequence[EpisodeRow], entered: Sequence[Entered]
    ) -> None:
        self._pages, (self._found, self._before) = pages, reports
        self._episodes, self._entered = episodes, entered
        self._old = {row.name: row for row in self._before.total.walk()}

    def of(self, moved: Moved, took_wh: alike.Figures) -> Iterator[str]:
        """All that is known."""
        yield from self._hearing(moved)
        yield from self._waste(moved)
        yield from self._changes(moved)
        yield from self._weather(moved, took_wh)

    def _hearing(self, moved: Moved) -> Iterator[str]:
        then, now = (
            row.covered_ms / of.elapsed_ms
            for row, of in ((self._old.get(moved.row.name, moved.row), self._before), (moved.row, self._found))
            if row.covered_ms is not None
        )
        if min(then, now) < HEARD_ENOUGH:
            yield (
                f"It was heard {100 * then:.0f} % of the week before and {100 * now:.0f} % of this one: some of this"
                " may be a change of hearing."
            )

    def _waste(self, moved: Moved) -> Iterator[str]:
        zone, edges = self._pages.look.scene.zone, (self._pages.before, self._pages.week)
        mine = [each for each in self._episodes if each.load == moved.row.name]
        then, now = ([each for each in mine if local_date(each.began_ms, zone) in set(days)] for days in edges)
        was_wh, is_wh = (sum(each.waste_uwh for each in some) / 1e6 for some in (then, now))
        if (is_wh - was_wh) * _way(moved) >= SHARE * 1000 * abs(float(moved.kwh)):
            rules = ", ".join(sorted({each.rule for each in (now if is_wh > was_wh else then)}))
            yield (
                f"Episodes ({rules}): {len(now)} that began this week wasted {kwh(is_wh)} kWh,"
                f" {len(then)} the week before {kwh(was_wh)}."
            )

    def _changes(self, moved: Moved) -> Iterator[str]:
        zone, days = self._pages.look.scene.zone, {*self._pages.before, *self._pages.week}
        for each in self._entered:
            if moved.row.name not in each.on:
                continue
            made = local_date(each.at_ms, zone)
            ended = None if each.until_ms is None else local_date(each.until_ms, zone)
            if made in days:
                yield f'It was changed on {day_text(made)}: "{each.name}".'
            if ended in days and ended is not None:
                yield f'"{each.name}" was taken back on {day_text(ended)}.'

    def _weather(self, moved: Moved, took_wh: alike.Figures) -> Iterator[str]:
        pages, before = self._pages, self._pages.before[0]
        now_c, then_c = pages.mean_c(pages.week), pages.mean_c(pages.before)
        if now_c is None or then_c is None or abs(now_c - then_c) < LEAST_K:
            return
        expected = [
            [alike.expected(day, before, took_wh, pages.outdoor_c) for day in days]
            for days in (pages.before, pages.week)
        ]
        sums = [[each.mean_wh for each in of if each is not None and each.by == "temperature"] for of in expected]
        if any(len(of) < len(pages.week) for of in sums):
            return
        apart_wh = sum(sums[1]) - sum(sums[0])
        if apart_wh * _way(moved) >= SHARE * 1000 * abs(float(moved.kwh)):
            side, more = ("warmer" if now_c > then_c else "colder"), ("more" if apart_wh > 0 else "less")
            yield (
                f"It was {abs(now_c - then_c):.1f} degrees {side}: on days like these it took {kwh(abs(apart_wh))} kWh"
                f" {more} before than on days like the week before's."
            )


def moves(pages: Pages, some: Sequence[Moved], reasons: Reasons) -> Iterator[Move]:
    """Each load that moved, with its week."""
    wanted = {each.row.name: load_signs(pages.look.scene, each.row.name) for each in some}
    took_wh = pages.by_day(wanted)
    drawn = strips(pages, list(wanted.values()))
    for each, (of, says) in zip(some, drawn, strict=True):
        mine = took_wh[each.row.name]
        why = list(reasons.of(each, mine)) or ["No reason is known."]
        days = f"kWh by day: {by_day(pages.week, mine)}; {says}."
        money = f"{each.money:+}" if not each.row.unpriced_uwh else "?"
        yield Move(each.label, f"{each.kwh:+}", money, why, of, days)


def _way(moved: Moved) -> int:
    return 1 if moved.kwh > 0 else -1
