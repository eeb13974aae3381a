"""Rows for the archive, as InfluxDB line protocol. SQLite makes the text: that takes a third of what Python would.

Measurement `wattround_minute`; tags `house`, `meter`, `role`; float fields `in_wh`, `out_wh`, `covered_s`,
`peak_w`, `low_w` (absent where only a counter was heard), `estimated` (1 where a counter's energy was spread over
a gap). The timestamp is the minute's begin, in milliseconds.
"""

from __future__ import annotations

import sqlite3

from wattround.ledger.batch import ArchiveRow
from wattround.ledger.totals import place
from wattround.metering.minute import ESTIMATED, MINUTE_MS

MEASUREMENT = "wattround_minute"
MOST_REVISIONS = 998
"""Milliseconds of a second that are left to tell them apart."""
_TAG_ESCAPES = str.maketrans({",": r"\,", "=": r"\=", " ": r"\ ", "\n": r"\ ", "\r": r"\ "})


def _decimals(column: str, places: int) -> str:
    """SQL for the arguments of '%d.%0Nd': a whole number that is not negative, with so many decimal places."""
    return f"{column} / {10**places}, {column} % {10**places}"


TIME = f"minute.minute * {MINUTE_MS} + :newest * (1 + min(coalesce(revision, 0), {MOST_REVISIONS}))"
SIGNED = (
    "printf(',%s_w=%s%d.%03d', '{0}', iif({0}_milliw < 0, '-', ''), abs({0}_milliw) / 1000, abs({0}_milliw) % 1000)"
)
LINE = f"""
    CASE WHEN low_milliw >= 0 AND out_uwh = 0 AND covered_ms = {MINUTE_MS} AND origin & {ESTIMATED} = 0
    THEN printf(
        '%sin_wh=%d.%06d,out_wh=0.0,covered_s=60.0,estimated=0.0,peak_w=%d.%03d,low_w=%d.%03d %d', begin,
        {_decimals("in_uwh", 6)}, {_decimals("peak_milliw", 3)}, {_decimals("low_milliw", 3)}, {TIME}
    )
    ELSE printf(
        '%sin_wh=%d.%06d,out_wh=%d.%06d,covered_s=%d.%03d,estimated=%d.0%s %d', begin,
        {_decimals("in_uwh", 6)}, {_decimals("out_uwh", 6)}, {_decimals("covered_ms", 3)}, origin & {ESTIMATED} <> 0,
        iif(low_milliw IS NULL, '', {SIGNED.format("peak")} || {SIGNED.format("low")}), {TIME}
    ) END
"""
"""A row's line, most of them by the short way. Numbers have all their decimals: read as floats they are what the
division would give."""


def escape_tag(text: str) -> str:
    """A tag's key or value: comma, equals sign and space are escaped; a line break cannot be and becomes a space.

    Names do not end in a backslash, which would escape what follows: the router takes none that contains one.
    """
    return text.translate(_TAG_ESCAPES)


def series(house: str, meter: str, role: str) -> str:
    """Measurement and tags. An empty tag value is not allowed: the tag is left out."""
    tags = (("house", house), ("meter", meter), ("role", role))
    return MEASUREMENT + "".join(f",{key}={escape_tag(value)}" for key, value in tags if value)


class Lines:
    """A house's rows as lines, behind the archive's cursor or amended since.

    With `newest_wins` a line's time is one millisecond after the minute's begin plus the row's revision: for databases
    that keep the newest sample of an interval, and not the last one written for one time.
    """

    def __init__(self, connection: sqlite3.Connection, house: str) -> None:
        self._db, self._house = connection, house
        self._named = False

    def renamed(self) -> None:
        """Meters, or their roles, are others than before."""
        self._named = False

    def next_rows(self, after: tuple[int, int], upto_minute: int, most: int, *, newest_wins: bool) -> list[ArchiveRow]:
        """Rows behind the archive's cursor (minute, meter number), in order."""
        return self._rows(
            "minute LEFT JOIN reship USING (minute, meter)",
            "place > :after AND place < :before ORDER BY place LIMIT :most",
            {"after": place(*after), "before": place(upto_minute + 1), "most": most, "newest": newest_wins},
        )

    def amended_rows(self, most: int, *, newest_wins: bool) -> list[ArchiveRow]:
        """Rows that changed after they were shipped."""
        return self._rows(
            "reship CROSS JOIN minute ON minute.place = (reship.minute << 16) + reship.meter",
            "pending LIMIT :most",
            {"most": most, "newest": newest_wins},
        )

    def _rows(self, tables: str, where: str, values: dict[str, object]) -> list[ArchiveRow]:
        """`tables` and `where` are constants of this file."""
        self._name()
        rows = self._db.execute(
            f"SELECT minute.minute, minute.meter, coalesce(revision, 0), {LINE}"
            f" FROM {tables} JOIN temp.series ON series.meter = minute.meter WHERE {where}",
            values,
        )
        make = tuple.__new__  # half of what the type itself takes to make one
        return [make(ArchiveRow, row) for row in rows]

    def _name(self) -> None:
        """What a line begins with, by meter."""
        if self._named:
            return
        self._db.execute("CREATE TEMP TABLE IF NOT EXISTS series (meter INTEGER PRIMARY KEY, begin TEXT NOT NULL)")
        meters = self._db.execute("SELECT id, name, role FROM meter WHERE house = ?", (self._house,)).fetchall()
        self._db.executemany(
            "INSERT OR REPLACE INTO temp.series VALUES (?, ?)",
            [(number, f"{series(self._house, name, role)} ") for number, name, role in meters],
        )
        self._named = True

    def behind(self, after: tuple[int, int]) -> tuple[int, int]:
        """How many rows wait for the archive: new ones, amended ones."""
        mine = "JOIN meter ON meter.id = meter WHERE house = ?"
        fresh = self._db.execute(f"SELECT count(*) FROM minute {mine} AND place > ?", (self._house, place(*after)))
        amended = self._db.execute(f"SELECT count(*) FROM reship {mine} AND pending", (self._house,))
        return fresh.fetchone()[0], amended.fetchone()[0]
