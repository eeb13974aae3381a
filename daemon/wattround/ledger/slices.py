"""What a change is worked out from: one load's minutes by what it was doing, and hours of all loads summed by day.

The connection is read-only, so what hours are worth lies in temporary tables of its own, in memory.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from pathlib import Path
from typing import NamedTuple

from wattround.ledger.past import Past
from wattround.ledger.totals import place

HOUR_MS = 3_600_000
STRETCH_HOURS = 4
STRETCHES = 24 // STRETCH_HOURS

# The watts of a row stand at two levels, so long at its lowest and so long at its peak, so that the energy fits: as
# they do for a report. Nothing is known of the watts of energy that a counter spread over a gap. In mW, ms and uWh.
# The limits limit nothing: without them SQLite works each figure out anew wherever it is used.
DOING = """
    SELECT *, in_uwh - rest AS used, CASE WHEN heard = 0 THEN 0
        WHEN running > 0 AND running < covered THEN (low >= standby) * rest
        ELSE (running = 0 AND in_uwh * 3600 >= standby * covered) * in_uwh END AS idle
    FROM (SELECT *, CASE WHEN heard = 0 OR running <= 0 THEN in_uwh WHEN running >= covered THEN 0
                         ELSE min(in_uwh, low * (covered - running) / 3600) END AS rest
          FROM (SELECT *, CASE WHEN heard = 0 THEN 0
                               WHEN peak IS NULL THEN (in_uwh * 3600 >= active * covered) * covered
                               WHEN low >= active THEN covered
                               WHEN peak < active THEN 0
                               ELSE min(covered, max(0, (in_uwh * 3600.0 - low * covered) / (peak - low))) END
                       AS running
                FROM ({rows} LIMIT -1) LIMIT -1) LIMIT -1)
"""
MINUTES = f"""
    WITH RECURSIVE wanted (at) AS (SELECT :first UNION ALL SELECT at + 65536 FROM wanted WHERE at + 65536 < :stop)
    SELECT place >> 16, in_uwh, covered, heard, CAST(running AS INTEGER), CAST(used AS INTEGER), CAST(idle AS INTEGER)
    FROM ({
    DOING.format(
        rows="SELECT place, in_uwh, 60000 - uncovered_ms AS covered, peak_milliw AS peak, max(0, low_milliw) AS low,"
        " (origin & 4 = 0) * (60000 - uncovered_ms) AS heard, :active AS active, :standby AS standby"
        " FROM wanted CROSS JOIN minute_row ON place = at"
    )
})
"""
EXCHANGES = """
    WITH RECURSIVE wanted (at) AS (SELECT :first UNION ALL SELECT at + 65536 FROM wanted WHERE at + 65536 < :stop)
    SELECT at >> 16, sum((kind = 0) * in_uwh), sum((kind = 0) * out_uwh),
           sum(CASE kind WHEN 1 THEN in_uwh WHEN 2 THEN out_uwh ELSE 0 END), sum(kind = 0)
    FROM wanted CROSS JOIN source CROSS JOIN minute_row ON place = at + source.meter GROUP BY at
"""
TABLES = (
    "CREATE TEMP TABLE source (meter INTEGER PRIMARY KEY, kind INTEGER)",
    (
        "CREATE TEMP TABLE worth (hour INTEGER PRIMARY KEY, day INTEGER, price REAL, target REAL, inside REAL,"
        " night REAL, away REAL)"
    ),
    "CREATE TEMP TABLE limits (meter INTEGER PRIMARY KEY, active INTEGER, standby INTEGER)",
)
OF_HOURS = DOING.format(
    rows="SELECT h.meter, worth.*, in_uwh, covered_ms AS covered, peak_milliw AS peak, max(0, low_milliw) AS low,"
    " (estimated_uwh = 0) * covered_ms AS heard, active, standby"
    " FROM worth CROSS JOIN main.hour AS h USING (hour) JOIN limits ON limits.meter = h.meter"
)
# priced energy, its money, and energy that has no price
PRICED = "total({0} * (price IS NOT NULL)), total({0} * price), total({0} * (price IS NULL))"
BY_DAY = (
    "SELECT meter, day, total(in_uwh), sum(covered), "
    + ", ".join(PRICED.format(what) for what in ("idle", "in_uwh * night", "in_uwh * away", "used"))
    + ", total(used * (1 - inside) * (price IS NOT NULL AND target IS NOT NULL)),"
    " total(used * (1 - inside) * (price - target)), total(used * (1 - inside) * (price IS NULL OR target IS NULL)),"
    " total(running * (1 - inside)), total((covered - running) * inside)"
    f" FROM ({OF_HOURS}) GROUP BY meter, day"
)
# Nobody switches a load in every stretch of the day and night: what does so on most days goes by itself.
MOVES = f"""
    SELECT meter, min(days), min(CAST(moved AS REAL) / days)
    FROM (SELECT meter, stretch % {STRETCHES} AS part, count(*) AS days, sum(moved) AS moved
          FROM (SELECT h.meter, h.hour / {STRETCH_HOURS} AS stretch,
                       max(coalesce(peak_milliw > 1.5 * max(0, low_milliw) + 3000, 0)) AS moved
                FROM main.hour AS h JOIN limits ON limits.meter = h.meter
                WHERE h.hour >= ? AND h.hour < ? AND covered_ms >= 0.8 * {HOUR_MS} GROUP BY 1, 2)
          GROUP BY 1, 2)
    GROUP BY meter HAVING count(*) = {STRETCHES}
"""


class Bounds(NamedTuple):
    """Watts from which a load is in use, and from which it stands by."""

    active_w: float
    standby_w: float


Doing = tuple[int, int, int, int, int, int, int]
"""Of a minute: the minute; in (uWh); ms covered, and of those in which the watts are known; ms in use, energy in use,
energy on standby (uWh). A plain tuple: there may be half a million."""
Flows = tuple[int, int, int, int, int]
"""Of a minute: the minute; what supplies delivered and took back, what was made (uWh); how many supplies were heard."""


class Worth(NamedTuple):
    """An hour: its local day, the marginal price of a microwatt-hour, and the price where use would move to.

    Shares of the hour: inside the time that use would move to, by night, while nobody is home.
    """

    hour: int
    day: int
    price: float | None
    target: float | None
    inside: float
    night: float
    away: float


class Amount(NamedTuple):
    """Energy with a price, its money, and energy without."""

    uwh: float = 0.0
    money: float = 0.0
    unpriced_uwh: float = 0.0


class DayOf(NamedTuple):
    """One load's day: all it took, and what of it was standby, by night, while nobody was home, in use, out of place.

    `moving`: use outside the time that it would move to, and what that would save; `moving_ms` how long that was, and
    `room_ms` how long it was not in use inside.
    """

    day: int
    in_uwh: float
    covered_ms: int
    idle: Amount
    night: Amount
    away: Amount
    used: Amount
    moving: Amount
    moving_ms: float
    room_ms: float


class Slices(Past):
    """A read-only look at what loads were doing."""

    def __init__(self, folder: Path, house: str) -> None:
        super().__init__(folder, house)
        self._db.execute("PRAGMA temp_store = MEMORY")
        for table in TABLES:
            self._db.execute(table)

    def hour_span(self) -> tuple[int, int] | None:
        """The first totalled hour since 1970, and the one after the last; None while there is none."""
        first, last = (self._db.execute(f"SELECT {end}(hour) FROM hour").fetchone()[0] for end in ("min", "max"))
        return None if first is None else (int(first), int(last) + 1)

    # -- one load, by the minute ------------------------------------------------------------------

    def doing(self, name: str, bounds: Bounds, from_minute: int, to_minute: int) -> list[Doing]:
        """Minutes of a load in [from_minute, to_minute) that were covered in part at least."""
        if name not in self._ids:
            return []
        number = self._ids[name]
        values = {"first": place(from_minute, number), "stop": place(to_minute), **_milliwatts(bounds)}
        return self._db.execute(MINUTES, values).fetchall()

    def set_sources(self, supplies: Sequence[str], generators: Sequence[str], storages: Sequence[str]) -> None:
        """Whose energies `exchanges` adds up."""
        self._db.execute("DELETE FROM source")
        rows = [
            (self._ids[name], kind)
            for kind, names in enumerate((supplies, generators, storages))
            for name in names
            if name in self._ids
        ]
        self._db.executemany("INSERT INTO source VALUES (?, ?)", rows)

    def exchanges(self, from_minute: int, to_minute: int) -> list[Flows]:
        """What the house bought, gave back and made in each minute of [from_minute, to_minute)."""
        values = {"first": place(from_minute), "stop": place(to_minute)}
        return self._db.execute(EXCHANGES, values).fetchall()

    # -- all loads, by the hour -------------------------------------------------------------------

    def by_day(self, bounds: Mapping[str, Bounds], hours: Iterable[Worth]) -> dict[str, list[DayOf]]:
        """Days of these loads, in order, over these hours."""
        self._limit(bounds)
        self._db.execute("DELETE FROM worth")
        self._db.executemany("INSERT INTO worth VALUES (?, ?, ?, ?, ?, ?, ?)", hours)
        numbered = self._numbers(bounds)
        found: dict[str, list[DayOf]] = {}
        for number, day, in_uwh, covered, *sums in self._db.execute(BY_DAY).fetchall():
            idle, night, away, used, moving = (Amount(*sums[at : at + 3]) for at in range(0, 15, 3))
            found.setdefault(numbered[number], []).append(
                DayOf(day, in_uwh, covered, idle, night, away, used, moving, *sums[15:])
            )
        for days in found.values():
            days.sort()
        return found

    def self_moving(
        self, bounds: Mapping[str, Bounds], from_hour: int, to_hour: int, least_days: int, share: float
    ) -> set[str]:
        """Loads whose watts moved in every four hours of the day, on such a share of at least so many days."""
        self._limit(bounds)
        numbered = self._numbers(bounds)
        return {
            numbered[number]
            for number, days, moved in self._db.execute(MOVES, (from_hour, to_hour)).fetchall()
            if days >= least_days and moved >= share
        }

    def _limit(self, bounds: Mapping[str, Bounds]) -> None:
        self._db.execute("DELETE FROM limits")
        rows = [(number, _milliwatts(bounds[name])) for number, name in self._numbers(bounds).items()]
        self._db.executemany(
            "INSERT INTO limits VALUES (?, ?, ?)", [(number, each["active"], each["standby"]) for number, each in rows]
        )

    def outs(self, names: Collection[str], from_hour: int, to_hour: int) -> int:
        """Microwatt-hours that these meters gave in [from_hour, to_hour)."""
        numbers = ", ".join(str(int(number)) for number in self._numbers(names)) or "NULL"
        row = self._db.execute(
            f"SELECT coalesce(sum(out_uwh), 0) FROM hour WHERE hour >= ? AND hour < ? AND meter IN ({numbers})",
            (from_hour, to_hour),
        ).fetchone()
        return int(row[0])


def _milliwatts(bounds: Bounds) -> dict[str, int]:
    return {"active": round(1000 * bounds.active_w), "standby": round(1000 * bounds.standby_w)}
