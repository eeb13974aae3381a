"""Sums over pieces of time that each have one price: whole hours from the hour totals, cut ones from minutes.

The connection is read-only, so the pieces lie in temporary tables of its own, in memory.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import NamedTuple

from wattround.ledger.past import Past
from wattround.ledger.totals import place

HOUR_MS = 3_600_000
TABLES = (
    "CREATE TEMP TABLE whole (hour INTEGER PRIMARY KEY, price REAL, kind INTEGER)",
    "CREATE TEMP TABLE cut (begin INTEGER PRIMARY KEY, ending INTEGER, price REAL, kind INTEGER)",
    "CREATE TEMP TABLE bad (hour INTEGER PRIMARY KEY)",
    "CREATE TEMP TABLE threshold (meter INTEGER PRIMARY KEY, active INTEGER, standby INTEGER)",
    "CREATE TEMP TABLE mixed (hour, meter, active, standby, PRIMARY KEY (hour, meter)) WITHOUT ROWID",
    f"CREATE TEMP TABLE sixty AS SELECT column1 AS at FROM (VALUES {', '.join(f'({at})' for at in range(60))})",
)
HOURS = "whole CROSS JOIN main.hour AS h ON h.hour = whole.hour"
MINUTES = "cut CROSS JOIN minute_row ON place >= begin AND place < ending"
CUTS = "SELECT begin, ending, price FROM cut"
BAD_HOURS = " UNION ALL SELECT (hour * 60) << 16, (hour * 60 + 60) << 16, price FROM bad JOIN whole USING (hour)"
ESTIMATED = "CASE WHEN origin & 4 THEN in_uwh + out_uwh ELSE 0 END"

# The watts of a row stand at two levels, so long at its lowest and so long at its peak, so that the energy fits: as
# they do for the histograms of `spread`. Amounts are mW, ms and uWh.
LEVELS = """
    SELECT meter, total(running),
           total(CASE WHEN peak IS NULL OR peak < active
                      THEN (running = 0 AND in_uwh * 3600 >= standby * covered) * in_uwh
                      WHEN low >= active THEN 0
                      ELSE (low >= standby) * low * (covered - running) / 3600 END), sum(covered)
    FROM (SELECT *, CASE WHEN peak IS NULL THEN (in_uwh * 3600 >= active * covered) * covered
                         WHEN low >= active THEN covered
                         WHEN peak < active THEN 0
                         ELSE min(covered, max(0, (in_uwh * 3600.0 - low * covered) / (peak - low))) END AS running
          FROM ({rows}))
    GROUP BY meter
"""
MINUTE_ROWS = (
    "SELECT {meter} AS meter, in_uwh, 60000 - uncovered_ms AS covered, peak_milliw AS peak, max(0, low_milliw) AS low,"
    " active, standby FROM {rows} WHERE uncovered_ms < 60000 AND origin & 4 = 0"
)
CUT_LEVELS = LEVELS.format(
    rows=MINUTE_ROWS.format(meter="place & 65535", rows=f"{MINUTES} JOIN threshold ON meter = place & 65535")
)
MIXED_LEVELS = LEVELS.format(
    rows=MINUTE_ROWS.format(
        meter="mixed.meter",
        rows="mixed CROSS JOIN sixty CROSS JOIN minute_row ON place = (mixed.hour * 60 + at) * 65536 + mixed.meter",
    )
)
OF_HOURS = f"{HOURS} JOIN threshold ON threshold.meter = h.meter"
HOUR_LEVELS = LEVELS.format(
    rows="SELECT h.meter, in_uwh, covered_ms AS covered, peak_milliw AS peak, max(0, low_milliw) AS low, active,"
    f" standby FROM {OF_HOURS} WHERE covered_ms > 0 AND estimated_uwh = 0"
)
# an hour that was at one level all the time: its minutes say the same
PURE = (
    "(covered_ms > 0 AND estimated_uwh = 0 AND peak_milliw IS NOT NULL AND (low_milliw >= active"
    " OR (peak_milliw < active AND (max(0, low_milliw) >= standby OR peak_milliw < standby))))"
)
PURE_LEVELS = HOUR_LEVELS.replace("WHERE covered_ms > 0 AND estimated_uwh = 0", f"WHERE {PURE}")
FILL_MIXED = f"INSERT INTO mixed SELECT h.hour, h.meter, active, standby FROM {OF_HOURS} WHERE NOT {PURE}"


class Kept(NamedTuple):
    """What the ledger has.

    Its first minute and the one after the last; the first hour that still has its minutes, the last that is totalled.
    """

    begin: int
    end: int
    minutes_from_hour: int
    newest_hour: int


class Piece(NamedTuple):
    """Minutes [begin, end) in the so-manieth span of one price; `hour`: the whole hour that it is.

    `kind` is what sums are asked for by.
    """

    begin: int
    end: int
    hour: int | None
    span: int
    kind: int = 0

    @property
    def key(self) -> tuple[bool, int]:
        """What it is known by: among hours, or among cut pieces."""
        return (True, self.hour) if self.hour is not None else (False, place(self.begin))


class Flow(NamedTuple):
    """What the house's sources had in a piece, in microwatt-hours; `supplies`: how many of them were heard."""

    supply_in: int
    supply_out: int
    generated: int
    charged: int
    discharged: int
    supplies: int

    @property
    def consumed(self) -> int:
        """What was taken for all other purposes; see `metering.consumption`."""
        return self.supply_in - self.supply_out + self.generated - self.charged + self.discharged


class Sum(NamedTuple):
    """Energy of a meter, time covered, and money without rounding (`unpriced_uwh` has none)."""

    in_uwh: int = 0
    out_uwh: int = 0
    covered_ms: int = 0
    estimated_uwh: int = 0
    money: float = 0.0
    unpriced_uwh: int = 0

    @property
    def net_uwh(self) -> int:
        """In less out."""
        return self.in_uwh - self.out_uwh

    def plus(self, other: Sum) -> Sum:
        """Both together."""
        return Sum(*(mine + theirs for mine, theirs in zip(self, other, strict=True)))  # type: ignore[arg-type]


class Net(NamedTuple):
    """Signed energy, its money, and what of it has no known price."""

    uwh: int = 0
    money: float = 0.0
    unpriced_uwh: int = 0

    def plus(self, other: Net, sign: int = 1) -> Net:
        """Both together; `sign` -1: less the other."""
        return Net(*(mine + sign * theirs for mine, theirs in zip(self, other, strict=True)))  # type: ignore[arg-type]


class Use(NamedTuple):
    """How long a load ran, its energy on standby, and the time of which that is known."""

    running_ms: float
    standby_uwh: float
    known_ms: int


class Tally(Past):
    """A read-only look at one stretch of time, cut into pieces."""

    def __init__(self, folder: Path, house: str) -> None:
        super().__init__(folder, house)
        self._db.execute("PRAGMA temp_store = MEMORY")
        for table in TABLES:
            self._db.execute(table)
        self._hours: dict[int, Sum] = {}
        self._holes: dict[int, set[int]] | None = None
        self._heard: set[str] = set()
        self._all_hours: set[int] = set()

    def kept(self) -> Kept | None:
        """How far the ledger reaches; None while it is empty."""
        span = self.span()
        first, newest = (self._db.execute(f"SELECT {end}(hour) FROM hour").fetchone()[0] for end in ("min", "max"))
        if first is None:
            return None if span is None else Kept(*span, span[0] // 60, -1)
        begin, end = span or (first * 60, newest * 60 + 60)
        return Kept(min(first * 60, begin), end, -(-begin // 60) if begin > first * 60 else first, newest)

    # -- pieces -----------------------------------------------------------------------------------

    def look_at(self, pieces: Iterable[Piece]) -> None:
        """Take up the pieces of another stretch of time; they have no prices yet."""
        found = list(pieces)
        for table in ("whole", "cut"):
            self._db.execute(f"DELETE FROM {table}")
        self._db.executemany(
            "INSERT INTO whole VALUES (?, NULL, ?)", [(each.hour, each.kind) for each in found if each.hour is not None]
        )
        self._db.executemany(
            "INSERT INTO cut VALUES (?, ?, NULL, ?)",
            [(place(each.begin), place(each.end), each.kind) for each in found if each.hour is None],
        )
        self._hours, self._holes, self._heard = {}, None, set()
        self._all_hours = {each.hour for each in found if each.hour is not None}

    def flows(self, sources: tuple[Sequence[str], Sequence[str], Sequence[str]]) -> dict[tuple[bool, int], Flow]:
        """What supplies, generators and storages had in each piece that has any of them."""
        supplies, makers, stores = (_listed(self._numbers(names)) for names in sources)
        sums = (
            f"sum((meter IN ({supplies})) * in_uwh), sum((meter IN ({supplies})) * out_uwh),"
            f" sum((meter IN ({makers})) * (in_uwh - out_uwh)), sum((meter IN ({stores})) * in_uwh),"
            f" sum((meter IN ({stores})) * out_uwh), count(DISTINCT CASE WHEN meter IN ({supplies}) THEN meter END)"
        ).replace("IN (NULL)", "IN ()")
        mine = f"meter IN ({supplies}, {makers}, {stores})"
        whole = f"SELECT whole.hour, {sums} FROM {HOURS} WHERE {mine} GROUP BY whole.hour"
        cut = f"SELECT begin, {sums} FROM (SELECT *, place & 65535 AS meter FROM {MINUTES}) WHERE {mine} GROUP BY begin"
        found = {(True, key): Flow(*values) for key, *values in self._db.execute(whole)}
        return found | {(False, key): Flow(*values) for key, *values in self._db.execute(cut)}

    def price(self, prices: Mapping[tuple[bool, int], float | None]) -> None:
        """Say what a microwatt-hour of each piece costs; None: that cannot be told."""
        for table, column, is_hour in (("whole", "hour", True), ("cut", "begin", False)):
            self._db.executemany(
                f"UPDATE {table} SET price = ? WHERE {column} = ?",
                [
                    (price, key)
                    for (of_hours, key), price in prices.items()
                    if of_hours == is_hour and price is not None
                ],
            )

    # -- sums -------------------------------------------------------------------------------------

    def meter_sums(self) -> dict[str, Sum]:
        """Energy and money of each meter that has any rows in the pieces."""
        names = {number: name for name, (number, _) in self.meters().items()}
        self._hours = {
            number: Sum(*values) for number, *values in self._summed("h.meter", HOURS, "covered_ms", "estimated_uwh")
        }
        found = dict(self._hours)
        for number, *values in self._summed("place & 65535", MINUTES, "60000 - uncovered_ms", ESTIMATED):
            found[number] = found.get(number, Sum()).plus(Sum(*values))
        mine = {names[number]: total for number, total in found.items() if number in names}
        self._heard = set(mine)
        return mine

    def by_kind(self, name: str) -> dict[int, Sum]:
        """Energy and money of one meter, by kind of piece."""
        number = self._ids.get(name, -1)
        found: dict[int, Sum] = {}
        parts = (
            self._summed("kind", HOURS, "covered_ms", "estimated_uwh", f"h.meter = {number}"),
            self._summed("kind", MINUTES, "60000 - uncovered_ms", ESTIMATED, f"place & 65535 = {number}"),
        )
        for kind, *values in (row for part in parts for row in part):
            found[kind] = found.get(kind, Sum()).plus(Sum(*values))
        return found

    def _summed(self, key: str, rows: str, covered: str, estimated: str, where: str = "1") -> list[tuple[int, ...]]:
        return self._db.execute(
            f"SELECT {key}, sum(in_uwh), sum(out_uwh), sum({covered}), sum({estimated}),"
            " total((in_uwh - out_uwh) * price), sum((price IS NULL) * (in_uwh - out_uwh))"
            f" FROM {rows} WHERE {where} GROUP BY 1"
        ).fetchall()

    def uses(self, active_w: Mapping[str, tuple[float, float]], *, by_minute: bool) -> dict[str, Use]:
        """Running time and standby energy of meters with thresholds (active, standby).

        By the minutes of the pieces, or by their hours. Energy that a counter spread over a gap is left out: nothing is
        known of the watts there.
        """
        self._db.execute("DELETE FROM threshold")
        self._db.executemany(
            "INSERT INTO threshold VALUES (?, ?, ?)",
            [
                (self._ids[name], *(round(1000 * each) for each in watts))
                for name, watts in active_w.items()
                if name in self._ids
            ],
        )
        self._db.execute("DELETE FROM mixed")
        if by_minute:
            self._db.execute(FILL_MIXED)
        names = {number: name for name, number in self._ids.items()}
        found: dict[str, Use] = {}
        for query in (CUT_LEVELS, *((PURE_LEVELS, MIXED_LEVELS) if by_minute else (HOUR_LEVELS,))):
            for number, *values in self._db.execute(query):
                before = found.get(names[number], Use(0.0, 0.0, 0))
                found[names[number]] = Use(*map(sum, zip(before, values, strict=True)))
        return found

    def hours_of(self, names: Sequence[str]) -> dict[int, list[tuple[int, str, int, int, int]]]:
        """Totals of these meters in the pieces, by hour: hour, meter, in, out, covered milliseconds."""
        numbered = self._numbers(names)
        found: dict[int, list[tuple[int, str, int, int, int]]] = {}
        for hour, number, *values in self._db.execute(
            f"SELECT h.hour, meter, in_uwh, out_uwh, covered_ms FROM {HOURS} WHERE meter IN ({_listed(numbered)})"
        ):
            found.setdefault(hour, []).append((hour, numbered[number], *values))
        return found

    # -- remainders -------------------------------------------------------------------------------

    def left_over(self, signs: Mapping[str, int], *, by_minute: bool) -> Net | None:
        """Signed net energy of meters over the time that all of them cover, after `meter_sums`.

        Of an hour that one of them covers in part, the minutes are looked at, or (not `by_minute`) nothing counts.
        None where one of them was not heard at all.
        """
        if not signs.keys() <= self._heard:
            return None
        mine = {self._ids[name]: sign for name, sign in signs.items()}
        if self._holes is None:
            self._holes = self._find_holes()
        bad: set[int] = set()
        for number in mine:
            bad |= self._holes.get(number, self._all_hours)
        found = Net()
        for number, sign in mine.items():
            of = self._hours.get(number, Sum())
            found = found.plus(Net(of.net_uwh, of.money, of.unpriced_uwh), sign)
        self._db.execute("DELETE FROM bad")
        self._db.executemany("INSERT INTO bad VALUES (?)", [(hour,) for hour in bad])
        minus = _listed(number for number, sign in mine.items() if sign < 0)
        signed = f"sum(CASE WHEN meter IN ({minus}) THEN out_uwh - in_uwh ELSE in_uwh - out_uwh END) AS net"
        of_bad = (
            f"SELECT {signed}, price FROM bad CROSS JOIN whole USING (hour) CROSS JOIN main.hour AS h"
            f" ON h.hour = bad.hour WHERE meter IN ({_listed(mine)}) GROUP BY bad.hour"
        )
        looked_at = CUTS + (BAD_HOURS if by_minute else "")
        of_minutes = (
            f"SELECT {signed}, price FROM (SELECT place >> 16 AS minute, place & 65535 AS meter, in_uwh, out_uwh, price"
            f" FROM ({looked_at}) CROSS JOIN minute_row ON place >= begin AND place < ending WHERE uncovered_ms <= 0)"
            f" WHERE meter IN ({_listed(mine)}) GROUP BY minute HAVING count(*) = {len(mine)}"
        )
        return found.plus(self._net(of_bad), -1).plus(self._net(of_minutes))

    def _net(self, rows: str) -> Net:
        query = (
            f"SELECT coalesce(sum(net), 0), total(net * price), coalesce(sum((price IS NULL) * net), 0) FROM ({rows})"
        )
        return Net(*self._db.execute(query).fetchone())

    def _find_holes(self) -> dict[int, set[int]]:
        """Hours that each meter does not cover whole."""
        found: dict[int, set[int]] = {number: set() for number in self._hours}
        for number, hour in self._db.execute(f"SELECT meter, whole.hour FROM {HOURS} WHERE covered_ms < {HOUR_MS}"):
            found[number].add(hour)
        rows = self._db.execute(f"SELECT count(*) FROM {HOURS} WHERE meter IN ({_listed(found)})").fetchone()[0]
        if rows == len(found) * len(self._all_hours):
            return found
        short = self._db.execute(
            "SELECT hour FROM (SELECT whole.hour AS hour, count(meter) AS heard FROM whole LEFT JOIN main.hour AS h"
            f" ON h.hour = whole.hour AND meter IN ({_listed(found)}) GROUP BY whole.hour) WHERE heard < ?",
            (len(found),),
        ).fetchall()
        self._db.execute("DELETE FROM bad")
        self._db.executemany("INSERT INTO bad VALUES (?)", short)
        missing = {number: {hour for (hour,) in short} for number in found}
        for number, hour in self._db.execute("SELECT meter, bad.hour FROM bad CROSS JOIN main.hour AS h USING (hour)"):
            if number in missing:
                missing[number].discard(hour)
        return {number: hours | missing.get(number, set()) for number, hours in found.items()}


def _listed(numbers: Iterable[int]) -> str:
    return ", ".join(str(int(number)) for number in numbers) or "NULL"
