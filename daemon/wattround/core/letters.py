"""Which weekly letter is due, and what becomes of one that was written: exactly one for each week.

Which week had its letter is saved in the same commit as the letter's messages, so neither a kill nor a clock that is
set makes two of one, or none.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import date, timedelta
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

from wattround.config.kinds import WEEKDAYS
from wattround.config.letter import WeeklyLetter
from wattround.config.model import Settings
from wattround.core.ownclock import CLOCK_IS_SET_MS
from wattround.ledger.batch import Batch, Message
from wattround.metering.localtime import instant_ms, local_date

KIND = "letter"
"""Of the ledger's saved state: the last week that had its letter."""
LATE_MS = 3_600_000
"""A letter that comes later than this says so."""
MOST_CHARACTERS = 200_000
WEEK = timedelta(days=7)


class Due(NamedTuple):
    """A week's letter, and when it is to go out."""

    week: str
    due_ms: int


def week_of(day: date) -> str:
    """The ISO 8601 week that holds a day, such as "2026-W12"; later weeks are greater."""
    year, number, _ = day.isocalendar()
    return f"{year}-W{number:02}"


def monday_of(week: str) -> date:
    """The first day of a week.

    Raises:
        ValueError: for what is no week.
    """
    year, _, number = week.partition("-W")
    try:
        if len(week) == 8 and len(year) == 4 and week.isascii() and (year + number).isdecimal():
            return date.fromisocalendar(int(year), int(number), 1)
    except ValueError:
        pass
    raise ValueError("a week such as 2026-W12 (ISO 8601)")


def newest_whole(now_ms: int, zone: ZoneInfo) -> str:
    """The last week that is over."""
    return week_of(local_date(now_ms, zone) - WEEK)


def newest(letter: WeeklyLetter, now_ms: int, zone: ZoneInfo) -> Due:
    """The last week whose letter's hour has come."""
    today = local_date(now_ms, zone)
    monday = today - timedelta(days=today.weekday())
    while True:
        due_ms = instant_ms(monday + timedelta(days=WEEKDAYS.index(letter.day)), letter.at, zone)
        monday -= WEEK
        if due_ms <= now_ms:
            return Due(week_of(monday), due_ms)


class Letters:
    """What the core knows of letters. `last`: the last week that had one, or that was before there were any."""

    def __init__(self, saved: Mapping[str, Any] | None) -> None:
        self.last: str | None = None if saved is None else saved["week"]

    def due(self, settings: Settings, now_ms: int, batch: Batch) -> Due | None:
        """The letter that is to be written now. Where there never was one, that of the running week is the first."""
        if settings.letter is None or now_ms < CLOCK_IS_SET_MS:
            return None
        found = newest(settings.letter, now_ms, ZoneInfo(settings.house.time_zone))
        if self.last is None:
            self._had(found.week, batch)
        return found if self.last is not None and found.week > self.last else None

    def put(self, letter: Any, settings: Settings, now_ms: int, batch: Batch, *, scheduled: bool) -> list[str]:
        """Put a letter (`week`, `title`, `body`, `html`) into the batch for each of its channels; their names.

        One that is scheduled goes out once for each week: none of its channels, if it has gone already.

        Raises:
            ValueError: with a reason, if it cannot be sent.
        """
        week, title, body, html = _checked(letter)
        if settings.letter is None:
            raise ValueError("there is no [letter] in the daemon's settings, so it has no channels")
        if scheduled:
            if self.last is not None and week <= self.last:
                return []
            self._had(week, batch)
        facts = json.dumps({"event": "letter", "house": settings.house.id, "week": week, "html": html})
        channels = [each.name for each in settings.channels if each.name in settings.letter.channels]
        batch.messages += [Message(name, now_ms, title, body, facts) for name in channels]
        return channels

    def _had(self, week: str, batch: Batch) -> None:
        self.last = week
        batch.states[KIND] = {"week": week}


def _checked(letter: Any) -> tuple[str, str, str, str]:
    match letter:
        case {"week": str() as week, "title": str() as title, "body": str() as body, "html": str() as html}:
            monday_of(week)
            if len(title) + len(body) + len(html) <= MOST_CHARACTERS:
                return week, title, body, html
    raise ValueError(f"expected a letter's week, title, body and html, of at most {MOST_CHARACTERS} characters")
