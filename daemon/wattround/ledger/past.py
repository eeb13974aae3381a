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


class HourTotal(NamedTuple):
    """One meter's hour: energy in microwatt-hours, covered milliseconds, peak and low in milliwatts."""

    in_uwh: int
    out_uwh: int
    covered_ms: int
    peak_milliw: int | None
    low_milliw: int | None


Row = tuple[int, int, int, int, int | None, int | None, int]
"""Of a minute: the minute, in, out (uWh), covered ms, peak, low (mW), the meter's number. A plain tuple: there may be
millions."""
Word = tuple[int, str, str, str]
"""What was heard: when, kind (person or signal), of whom, what."""
HourTotals = Mapping[int, Mapping[str, HourTotal]]
"""By hour, then by meter."""


class Past(Reader):
    """A read-only look at what was, for those who go through all of it."""

    def __init__(self, folder: Path, house: str) -> None:
        super().__init__(folder, house)
        self._ids = {name: number for name, (number, _) in self.meters().items()}

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
        # each minute by its key: to pass over the rows of all other meters would take longer
        first = place(from_hour * 60, self._ids[name])
        return self._db.execute(
            "WITH RECURSIVE wanted (at) AS (SELECT ?1 UNION ALL SELECT at + 65536 FROM wanted WHERE at + 65536 < ?2)"
            " SELECT place >> 16, in_uwh, out_uwh, 60000 - uncovered_ms, peak_milliw, low_milliw, place & 65535"
            " FROM wanted CROSS JOIN minute_row ON place = at",
            (first, place(to_hour * 60)),
        ).fetchall()

    def rows_of_many(self, names: Sequence[str], from_hour: int, to_hour: int) -> dict[str, list[Row]]:
        """The same of several meters: for two or more it is faster to pass over all rows once."""
        numbered = self._numbers(names)
        rows = self._db.execute(
            "SELECT place >> 16, in_uwh, out_uwh, 60000 - uncovered_ms, peak_milliw, low_milliw, place & 65535"
            f" FROM minute_row WHERE place >= ? AND place < ? AND place & 65535 IN ({_listed(numbered)})"
            " ORDER BY place",
            (place(from_hour * 60), place(to_hour * 60)),
        ).fetchall()
        found: dict[str, list[Row]] = {name: [] for name in names}
        if len(rows) == len(numbered) * (to_hour - from_hour) * 60:
            # nothing is missing: they take turns
            for at, number in enumerate(sorted(numbered)):
                found[numbered[number]] = rows[at :: len(numbered)]
            return found
        for row in rows:
            found[numbered[row[6]]].append(row)
        return found

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
        wanted = set(names)
        rows = self._db.execute(
            "SELECT at_ms, kind, name, value FROM signal_word WHERE at_ms >= ? AND at_ms < ? AND house = ?"
            " ORDER BY at_ms",
            (from_ms, to_ms, self.house),
        ).fetchall()
        return [row for row in rows if (row[1], row[2]) in wanted]

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
