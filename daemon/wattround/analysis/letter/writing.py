"""A week's letter, written from the ledger on a connection of its own: as text, and as a page that says the same."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

from wattround.analysis.comparison import bridge
from wattround.analysis.letter.books import savings, unseen, waste, worth_doing
from wattround.analysis.letter.moves import LEAST_KWH, Reasons, moved, moves
from wattround.analysis.letter.page import page
from wattround.analysis.letter.past import Pages
from wattround.analysis.letter.text import text
from wattround.analysis.letter.told import Told
from wattround.analysis.letter.week import NO_WEEK_BEFORE, Total
from wattround.analysis.periods import WrongPeriod
from wattround.analysis.report import Report, report
from wattround.analysis.reporting.changed import compared
from wattround.analysis.reporting.inquiry import Asked, Look, looking
from wattround.analysis.reporting.words import WEEKDAYS
from wattround.config.model import Settings
from wattround.core.book import entries
from wattround.core.change import Change
from wattround.core.letters import monday_of, newest_whole
from wattround.ledger.reader import NoLedger
from wattround.metering.localtime import instant_ms, local_date
from wattround.money.amount import cell_text
from wattround.pictures.grain import day_text
from wattround.pictures.ink import plain

CANNOT_BE_WRITTEN = (WrongPeriod, NoLedger, sqlite3.Error, ValueError)
"""What `told` raises, each with words for people."""


class Letter(NamedTuple):
    """A letter as it is sent: the ISO week, a line, a text, and a page."""

    week: str
    title: str
    body: str
    html: str


def written(
    settings: Settings,
    week: str,
    now_ms: int,
    *,
    due_ms: int | None = None,
    is_over: Callable[[], bool] = lambda: False,
) -> Letter:
    """The letter of an ISO week such as "2026-W12"; raises what `told` does.

    `due_ms`: when it was due, for one that is late. `is_over`: that it is not wanted any more, which ends it with an
    sqlite3.Error.
    """
    found = told(settings, week, now_ms, due_ms=due_ms, is_over=is_over)
    return Letter(found.week, found.title, text(found), page(found))


def told(
    settings: Settings,
    week: str,
    now_ms: int,
    *,
    due_ms: int | None = None,
    is_over: Callable[[], bool] = lambda: False,
) -> Told:
    """What there is to say of a week.

    Raises:
        WrongPeriod: if it is still to come, or the ledger has nothing of it.
        NoLedger: if there is no ledger.
        ValueError: if there is no such week, or the book cannot be read.
        sqlite3.Error: if the ledger cannot be read.
    """
    first, zone = monday_of(week), ZoneInfo(settings.house.time_zone)
    if first > local_date(now_ms, zone):
        raise WrongPeriod(f"the week {week} is still to come; the last whole one is {newest_whole(now_ms, zone)}")
    with looking(settings, Asked(first=first, last=first + timedelta(days=6)), now_ms) as look:
        look.scene.tally.end_when(is_over)
        found = _told(settings, week, look, due_ms, is_over)
    return Told(*map(_plain, found))


def _told(settings: Settings, week: str, look: Look, due_ms: int | None, is_over: Callable[[], bool]) -> Told:
    first, tally = look.days.first, look.scene.tally
    pages, found = Pages.of(look, first), report(look.scene, *look.span, look.kept)
    before, _ = compared(look, "")
    total = Total(pages, found, before)
    begin_ms, end_ms = (instant_ms(day, 0, look.scene.zone) for day in (first, first + timedelta(days=7)))
    wasted, waste_says = waste(tally, begin_ms, end_ms)
    some = moved(found, before) if before else []
    last_week_ms = instant_ms(pages.before[0], 0, look.scene.zone)
    drawn = []
    if before is not None:
        episodes = tally.episodes(last_week_ms, end_ms)
        reasons = Reasons(pages, (found, before), episodes, list(entries(tally.book, Change).values()))
        drawn = list(moves(pages, some, reasons))
    house = settings.house
    return Told(
        house.name or house.id, week, first, pages.week[-1], house.currency, _title(found, before, pages),
        _late(due_ms, look.scene.zone), list(total.sums()), list(total.says()), drawn,
        "" if some else f"No load moved by as much as {LEAST_KWH} kWh." if before else NO_WEEK_BEFORE,
        wasted, waste_says, list(savings(tally, end_ms)), list(worth_doing(settings, pages, is_over)),
        list(unseen(pages, found)),
    )  # fmt: skip


def _title(found: Report, before: Report | None, pages: Pages) -> str:
    """The week in a line: what a person sees who does not open it."""
    total, house = found.total, found.settings.house
    of = bridge(found, before).total.kwh if before else None
    more = "" if of is None else f", {abs(of)} kWh {'more' if of > 0 else 'less'}"
    money = cell_text(total.money, total.unpriced_uwh)
    days = f"{day_text(pages.week[0])} to {day_text(pages.week[-1])}"
    return f"{house.name or house.id}, {days}: {total.kwh} kWh, {money} {house.currency}{more}"


def _late(due_ms: int | None, zone: ZoneInfo) -> str:
    if due_ms is None:
        return ""
    due = datetime.fromtimestamp(due_ms / 1000, zone)
    return (
        f"This letter is late: it was due on {WEEKDAYS[due.weekday()]}, {day_text(due.date())}, at {due:%H:%M}, and"
        " nobody was there to send it."
    )


def _plain(found: Any) -> Any:
    """The same with nothing in its texts that could break a line, a header or a page."""
    if isinstance(found, str):
        return plain(found)
    if isinstance(found, tuple) and hasattr(found, "_fields"):
        return type(found)(*map(_plain, found))
    return [_plain(each) for each in found] if isinstance(found, list) else found
