"""Prices by the clock on the wall: by time of day, weekday, season and holiday."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from itertools import pairwise
from typing import NamedTuple
from zoneinfo import ZoneInfo

from wattround.metering.localtime import instant_ms, local_date
from wattround.metering.minute import MINUTE_MS
from wattround.money.price import Piece, Rate

DAY_MINUTES = 1440
REACH_DAYS = 2
"""A window may begin late on one day ("29:00") and end a day later: the day after next still has a part of it."""

MonthDay = tuple[int, int]


class Band(NamedTuple):
    """A price for some hours. `begins` and `ends` are minutes after midnight of the day that owns the window.

    Weekdays, season (both its days included) and holidays are those of that day: the evening owns its night.
    """

    name: str
    per_kwh: Decimal
    begins: int = 0
    ends: int = DAY_MINUTES
    weekdays: frozenset[int] | None = None
    season: tuple[MonthDay, MonthDay] | None = None
    holidays: bool | None = None

    @property
    def is_rest(self) -> bool:
        """Whether it is for whatever no other band is for."""
        return self[2:] == (0, DAY_MINUTES, None, None, None)

    def is_of(self, day: date, holidays: frozenset[date]) -> bool:
        """Whether a day has its window."""
        if self.weekdays is not None and day.weekday() not in self.weekdays:
            return False
        if self.holidays is not None and self.holidays != (day in holidays):
            return False
        if self.season is None:
            return True
        first, last = self.season
        here = (day.month, day.day)
        return first <= here <= last if first <= last else here >= first or here <= last


class _Part(NamedTuple):
    """A part of a day, in minutes of the clock on the wall."""

    begins: int
    ends: int
    rate: Rate


@dataclass(frozen=True, slots=True)
class Bands:
    """Bands that leave no time to none and none to two; one without conditions takes the rest."""

    bands: tuple[Band, ...]
    holidays: frozenset[date] = frozenset()

    def rate(self, day: date, minute: int) -> Rate:
        """The rate when the clock shows so many minutes after midnight of a day."""
        rest = Rate("", None)
        for band in self.bands:
            if band.is_rest:
                rest = Rate(band.name, band.per_kwh)
                continue
            for back in range(REACH_DAYS + 1):
                if band.begins <= minute + back * DAY_MINUTES < band.ends and band.is_of(
                    day - timedelta(days=back), self.holidays
                ):
                    return Rate(band.name, band.per_kwh)
        return rest

    def pieces(self, from_ms: int, to_ms: int, zone: ZoneInfo) -> Iterator[Piece]:
        """Day by day. What the clock shows twice in autumn has its price twice."""
        day = local_date(from_ms, zone)
        begin = instant_ms(day, 0, zone)
        while begin < to_ms:
            following = day + timedelta(days=1)
            end = instant_ms(following, 0, zone)
            for piece in self._of_day(day, (begin, end), (max(begin, from_ms), min(end, to_ms)), zone):
                if piece.to_ms > from_ms and piece.from_ms < to_ms:
                    yield Piece(max(piece.from_ms, from_ms), min(piece.to_ms, to_ms), piece.rate)
            day, begin = following, end

    def _of_day(self, day: date, whole: tuple[int, int], asked: tuple[int, int], zone: ZoneInfo) -> Iterator[Piece]:
        """Pieces of a day that hold at least what is asked of it."""
        parts = self._parts(day)
        begin, end = whole
        if end - begin == DAY_MINUTES * MINUTE_MS:
            for part in parts:
                yield Piece(begin + part.begins * MINUTE_MS, begin + part.ends * MINUTE_MS, part.rate)
            return
        # the clock is changed today: minute by minute, by what it shows
        for at_ms in range(asked[0] - (asked[0] - begin) % MINUTE_MS, asked[1], MINUTE_MS):
            shown = datetime.fromtimestamp(at_ms / 1000, UTC).astimezone(zone)
            minute = shown.hour * 60 + shown.minute
            rate = next(part.rate for part in parts if part.begins <= minute < part.ends)
            yield Piece(at_ms, min(at_ms + MINUTE_MS, end), rate)

    def _parts(self, day: date) -> list[_Part]:
        edges = {edge % DAY_MINUTES for band in self.bands for edge in (band.begins, band.ends)}
        cuts = sorted({0, DAY_MINUTES, *edges})
        return [_Part(cut, following, self.rate(day, cut)) for cut, following in pairwise(cuts)]
