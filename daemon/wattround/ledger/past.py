"""What rules are rehearsed on: hours and minutes of chosen meters, and what was heard of presence and signals.

Every query is short and fetched whole: a transaction held open would keep the daemon's log from being folded in.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Collection, Iterable, Mapping, Sequence
from pathlib import Path
from typing import NamedTuple

from wattround.ledger.reader import Reader
from wattround.ledger.totals import hours, place
from wattround.ledger.words import words

STRETCH_HOURS = 24


class HourTotal(NamedTuple):
    """One meter's hour: energy in microwatt-hours, covered milliseconds, peak and low in milliwatts."""

    in_uwh: int
    out_uwh: int
    covered_ms: int
    peak_milliw: int | None
    low_milliw: int | None


Row = tuple[int, int, int, int, int | None, int | None]
"""Of a minute: the minute, in, out (uWh), covered ms, peak, low (mW). A plain tuple: there may be millions."""


class Outline(NamedTuple):
    """One meter's whole hour, without its rows: on which side of some bounds (mW) each of its 60 minutes lay.

    `lows`, `peaks`: by bound, a bit for each minute whose lowest or highest watts were at or above it.
    `above_minutes`, `above_uwh`: how many minutes lay wholly at or above another bound, and what they took.
    """

    lows: Mapping[float, int]
    peaks: Mapping[float, int]
    above_minutes: int
    above_uwh: int


Word = tuple[int, str, str, str]
"""What was heard: when, kind (person or signal), of whom, what."""
HourTotals = Mapping[int, Mapping[str, HourTotal]]
"""By hour, then by meter."""


class Past(Reader):
    """A read-only look at what was, for those who go through all of it."""

    def __init__(self, folder: Path, house: str) -> None:
        super().__init__(folder, house)
        self._folder = folder
        self._ids = {name: number for name, (number, _) in self.meters().items()}
        self._db.execute("PRAGMA temp_store = MEMORY")  # first: a change of it drops the tables there are
        # the minutes of a stretch, by how far their keys lie ahead: faster than counting anew at each query
        self._db.execute(
            "CREATE TEMP TABLE stretch (hour INTEGER, ahead INTEGER, bit INTEGER, PRIMARY KEY (hour, ahead))"
            " WITHOUT ROWID"
        )
        self._db.executemany(
            "INSERT INTO temp.stretch VALUES (?, ?, ?)",
            [(at // 60, place(at), 1 << at % 60) for at in range(STRETCH_HOURS * 60)],
        )

    def another(self) -> Past:
        """The same on a connection of its own, for another thread."""
        return Past(self._folder, self.house)

    def newest_hour(self) -> int:
        """The last hour since 1970 that has been totalled; -1 before the first."""
        newest = self._db.execute("SELECT max(hour) FROM hour").fetchone()[0]
        return -1 if newest is None else int(newest)

    def totals(self, names: Collection[str], from_hour: int, to_hour: int) -> dict[int, dict[str, HourTotal]]:
        """Totals of these meters in [from_hour, to_hour)."""
        numbered = self._numbers(names)
        found: dict[int, dict[str, HourTotal]] = {hour: {} for hour in range(from_hour, to_hour)}
        for hour, meter, *values in self._db.execute(
            "SELECT hour, meter, in_uwh, out_uwh, covered_ms, peak_milliw, low_milliw FROM hour"
            f" WHERE hour >= ? AND hour < ? AND meter IN ({_listed(numbered)})",
            (from_hour, to_hour),
        ):
            found[hour][numbered[meter]] = HourTotal(*values)
        return found

    def rows(self, name: str, from_hour: int, to_hour: int) -> list[Row]:
        """Minutes of one meter in [from_hour, to_hour), in order."""
        if name not in self._ids:
            return []
        rows: list[Row] = []
        for begin in range(from_hour, to_hour, STRETCH_HOURS):
            # each minute by its key: to pass over the rows of all other meters would take longer
            rows += self._db.execute(
                "SELECT place >> 16, in_uwh, out_uwh, 60000 - uncovered_ms, peak_milliw, low_milliw"
                " FROM temp.stretch CROSS JOIN minute_row ON place = ?1 + ahead WHERE hour < ?2",
                (place(begin * 60, self._ids[name]), min(STRETCH_HOURS, to_hour - begin)),
            ).fetchall()
        return rows

    def outlines(
        self, name: str, cuts_milliw: Sequence[float], above_milliw: float, from_hour: int, to_hour: int
    ) -> dict[int, Outline]:
        """How one meter went through the hours of [from_hour, to_hour) that are covered whole."""
        found: dict[int, Outline] = {}
        sides = ", ".join(f"sum((low_milliw >= ?{at}) * bit), sum((peak_milliw >= ?{at}) * bit)"
                          for at in range(4, len(cuts_milliw) + 4))  # fmt: skip
        for begin in range(from_hour, to_hour, STRETCH_HOURS) if name in self._ids else ():
            for hour, minutes, energy_uwh, *masks in self._db.execute(
                f"SELECT hour, sum(low_milliw >= ?3), sum((low_milliw >= ?3) * in_uwh), {sides}"
                " FROM temp.stretch CROSS JOIN minute_row ON place = ?1 + ahead WHERE hour < ?2 GROUP BY hour"
                " HAVING count(low_milliw) = 60 AND count(peak_milliw) = 60 AND sum(uncovered_ms) = 0",
                (
                    place(begin * 60, self._ids[name]),
                    min(STRETCH_HOURS, to_hour - begin),
                    above_milliw,
                    *cuts_milliw,
                ),
            ):
                lows, peaks = dict(zip(cuts_milliw, masks[::2], strict=True)), masks[1::2]
                found[begin + hour] = Outline(lows, dict(zip(cuts_milliw, peaks, strict=True)), minutes, energy_uwh)
        return found

    def picked_rows(self, name: str, minutes: Iterable[int]) -> list[Row]:
        """Some minutes of one meter, in order."""
        if name not in self._ids:
            return []
        places = json.dumps([place(minute, self._ids[name]) for minute in minutes])
        return self._db.execute(
            "SELECT place >> 16, in_uwh, out_uwh, 60000 - uncovered_ms, peak_milliw, low_milliw"
            " FROM json_each(?) CROSS JOIN minute_row ON place = value",
            (places,),
        ).fetchall()

    def pooled_hours(self, names: Collection[str], from_hour: int, to_hour: int, *, net: bool) -> dict[int, int]:
        """Microwatt-hours that these meters took together in each hour; `net`: less what they gave."""
        rows = self._db.execute(
            f"SELECT hour, sum(in_uwh - {int(net)} * out_uwh) FROM hour"
            f" WHERE hour >= ? AND hour < ? AND meter IN ({_listed(self._numbers(names))}) GROUP BY hour",
            (from_hour, to_hour),
        )
        return dict(rows.fetchall())

    def pooled_minutes(self, names: Collection[str], hour: int, *, net: bool) -> dict[int, int]:
        """The same for the minutes of one hour."""
        rows = self._db.execute(
            f"SELECT place >> 16, sum(in_uwh - {int(net)} * out_uwh) FROM minute_row WHERE place >= ? AND place < ?"
            f" AND place & 65535 IN ({_listed(self._numbers(names))}) GROUP BY place >> 16",
            (place(hour * 60), place(hour * 60 + 60)),
        )
        return dict(rows.fetchall())

    def heard_minutes(self, from_hour: int, to_hour: int) -> set[int]:
        """Minutes of [from_hour, to_hour) in which any meter at all was heard."""
        rows = self._db.execute(
            "SELECT DISTINCT place >> 16 FROM minute_row WHERE place >= ? AND place < ?",
            (place(from_hour * 60), place(to_hour * 60)),
        )
        return {minute for (minute,) in rows}

    def night_hours(self, from_hour: int, to_hour: int) -> list[tuple[int, str, int, int, int]]:
        """Totals of all meters in [from_hour, to_hour): hour, meter, in, out, covered milliseconds."""
        return hours(self._db, self.house, from_hour, to_hour)

    def words(self, names: Iterable[tuple[str, str]], from_ms: int, to_ms: int) -> list[Word]:
        """What was heard of these people and signals (kind, name) in [from_ms, to_ms), in order of time."""
        return words(self._db, self.house, names, from_ms, to_ms)

    def first_words(self) -> dict[tuple[str, str], int]:
        """Since when there is word of each person and signal (kind, name)."""
        rows = self._db.execute(
            "SELECT kind, name, min(at_ms) FROM signal_word WHERE house = ? GROUP BY kind, name", (self.house,)
        )
        return {(kind, name): at_ms for kind, name, at_ms in rows}

    def captured(self) -> list[str]:
        """Names of meters that a pattern has captured, as the daemon last saved them."""
        row = self._db.execute("SELECT body FROM state WHERE house = ? AND kind = 'house'", (self.house,)).fetchone()
        return [] if row is None else list(json.loads(zlib.decompress(row[0])).get("patterns", ()))

    def _numbers(self, names: Collection[str]) -> dict[int, str]:
        return {self._ids[name]: name for name in names if name in self._ids}


def _listed(numbered: Mapping[int, str]) -> str:
    return ", ".join(str(int(number)) for number in numbered) or "NULL"
