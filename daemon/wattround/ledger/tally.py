"""Sums over pieces of time that each have one price: whole hours from the hour totals, cut ones from minutes.

The connection is read-only, so the pieces lie in temporary tables of its own, in memory.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from itertools import chain
from pathlib import Path
from typing import NamedTuple

from wattround.ledger import summing as sql
from wattround.ledger.past import Past
from wattround.ledger.totals import place
from wattround.metering.minute import MINUTE_MS

HOUR_MS = 3_600_000
MOSTLY = 0.9
"""A meter that has rows of fewer hours is away for long."""


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

    running_ms: float = 0.0
    standby_uwh: float = 0.0
    known_ms: int = 0

    def plus(self, other: Use) -> Use:
        """Both together."""
        return Use(*(mine + theirs for mine, theirs in zip(self, other, strict=True)))  # type: ignore[arg-type]


class _Added(NamedTuple):
    """So many rows of a meter."""

    sum: Sum = Sum()
    use: Use = Use()
    rows: int = 0


class _Holes(NamedTuple):
    """Hours in which pieces lie that a meter covers in part, and those of which it has no row."""

    partly: set[int]
    never: set[int]


NONE = _Added()


class Tally(Past):
    """A read-only look at one stretch of time, cut into pieces."""

    def __init__(self, folder: Path, house: str) -> None:
        super().__init__(folder, house)
        # what the daemon writes meanwhile stays unseen: all sums are of the same instant
        self._db.execute("BEGIN")
        for table in sql.TABLES:
            self._db.execute(table)
        self.look_at(())

    def kept(self) -> Kept | None:
        """How far the ledger reaches; None while it is empty."""
        span = self.span()
        first, newest = (self._db.execute(f"SELECT {end}(hour) FROM hour").fetchone()[0] for end in ("min", "max"))
        if first is None:
            return None if span is None else Kept(*span, span[0] // 60, -1)
        begin, end = span or (newest * 60 + 60, newest * 60 + 60)
        return Kept(min(first * 60, begin), end, -(-begin // 60) if begin > first * 60 else first, newest)

    # -- pieces -----------------------------------------------------------------------------------

    def look_at(self, pieces: Iterable[Piece]) -> None:
        """Take up the pieces of another stretch of time; they have no prices yet."""
        found = list(pieces)
        cut = [(place(each.begin), place(each.end), None, each.kind) for each in found if each.hour is None]
        self._refill("whole", [(each.hour, None, each.kind) for each in found if each.hour is not None])
        self._refill("cut", cut)
        self._all_hours = {each.hour for each in found if each.hour is not None}
        spans = (range(each.begin // 60, -(-each.end // 60)) for each in found if each.hour is None)
        self._cut_hours = set(chain.from_iterable(spans))
        self._all_short = all(each.end - each.begin <= 60 for each in found)
        self._cut_ms = sum((each.end - each.begin) * MINUTE_MS for each in found if each.hour is None)
        self._hours: dict[int, _Added] = {}
        self._cut: dict[int, _Added] = {}
        self._holes: dict[int, _Holes] | None = None

    def flows(self, sources: tuple[Sequence[str], Sequence[str], Sequence[str]]) -> dict[tuple[bool, int], Flow]:
        """What supplies, generators and storages had in each piece that has any of them."""
        numbers = [(self._ids[name], kind) for kind, names in enumerate(sources) for name in names if name in self._ids]
        self._refill("source", [(number, kind == 0, kind == 1, kind == 2) for number, kind in numbers])
        few = 4 * len(numbers) < len(self._ids)
        hours, cut = (sql.FEW_FLOWS, sql.FEW_CUT_FLOWS) if few else (sql.MANY_FLOWS, sql.MANY_CUT_FLOWS)
        found = {(True, key): Flow(*values) for key, *values in self._db.execute(hours)}
        if not self._all_short:
            cut = sql.MANY_CUT_FLOWS
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

    def _refill(self, table: str, rows: Sequence[tuple[object, ...]]) -> None:
        self._db.execute(f"DELETE FROM {table}")
        if rows:
            self._db.executemany(f"INSERT INTO {table} VALUES ({', '.join('?' * len(rows[0]))})", rows)

    def _pick(self, hours: Iterable[int]) -> None:
        self._refill("picked", [(hour,) for hour in sorted(hours)])

    # -- sums -------------------------------------------------------------------------------------

    def meter_sums(self) -> dict[str, Sum]:
        """Energy and money of each meter that has any rows in the pieces."""
        return self.sums_and_uses({}, by_minute=False)[0]

    def sums_and_uses(
        self, active_w: Mapping[str, tuple[float, float]], *, by_minute: bool
    ) -> tuple[dict[str, Sum], dict[str, Use]]:
        """The same, with running time and standby energy of meters that have thresholds (active, standby).

        Those by the minutes of the pieces, or by their hours. Energy that a counter spread over a gap is left out:
        nothing is known of the watts there.
        """
        limits = {name: [round(1000 * each) for each in watts] for name, watts in active_w.items()}
        nobody = [None, None]
        self._refill("threshold", [(number, *limits.get(name, nobody)) for name, number in self._ids.items()])
        self._hours = self._added(sql.SUM_PURE_HOURS if by_minute else sql.SUM_HOURS)
        self._cut = self._added(sql.SUM_CUT)
        minutes = self._in_mixed_hours() if by_minute else {}
        sums: dict[str, Sum] = {}
        uses: dict[str, Use] = {}
        for name, number in self._ids.items():
            hours, cut = self._hours.get(number, NONE), self._cut.get(number, NONE)
            if hours.rows or cut.rows:
                sums[name] = hours.sum.plus(cut.sum)
            if name in limits:
                uses[name] = cut.use.plus(hours.use).plus(minutes.get(number, Use()))
        return sums, uses

    def _added(self, statement: str) -> dict[int, _Added]:
        self._db.execute("DELETE FROM sums")
        self._db.execute(statement)
        return {
            number: _Added(Sum(*values[:6]), Use(*values[6:9]), values[9])
            for number, *values in self._db.execute("SELECT * FROM sums")
        }

    def _in_mixed_hours(self) -> dict[int, Use]:
        """By the minutes of hours in which a load was at several levels."""
        self._db.execute("DELETE FROM mixed")
        self._db.execute(sql.FILL_MIXED)
        found: dict[int, Use] = {}
        for number, *values in self._db.execute(sql.MIXED):
            found[number] = found.get(number, Use()).plus(Use(*values))
        return found

    def by_kind(self, name: str) -> dict[int, Sum]:
        """Energy and money of one meter, by kind of piece."""
        found: dict[int, Sum] = {}
        for rows in sql.BY_KIND:
            for kind, *values in self._db.execute(rows, (self._ids.get(name, -1),)):
                found[kind] = found.get(kind, Sum()).plus(Sum(*values))
        return found

    def hours_of(self, names: Sequence[str], hours: Iterable[int]) -> dict[int, list[tuple[int, str, int, int, int]]]:
        """Totals of these meters in some hours, of those that are whole pieces: hour, meter, in, out, covered ms."""
        numbered = self._numbers(names)
        self._refill("member", [(number, 1) for number in numbered])
        self._pick(self._all_hours.intersection(hours))
        found: dict[int, list[tuple[int, str, int, int, int]]] = {}
        for hour, number, *values in self._db.execute(sql.HOURS_OF):
            found.setdefault(hour, []).append((hour, numbered[number], *values))
        return found

    # -- remainders -------------------------------------------------------------------------------

    def left_over(self, signs: Mapping[str, int], *, by_minute: bool) -> Net | None:
        """Signed net energy of meters over the time that all of them cover, after their sums.

        Of an hour that one of them covers in part, the minutes are looked at, or (not `by_minute`) nothing counts.
        None where one of them was not heard at all.
        """
        mine = {self._ids[name]: sign for name, sign in signs.items() if name in self._ids}
        if len(mine) < len(signs) or not mine.keys() <= self._hours.keys() | self._cut.keys():
            return None
        if self._holes is None:
            self._holes = self._find_holes()
        self._refill("member", list(mine.items()))
        holes = [self._holes[number] for number in mine]
        partly, never = (set[int]().union(*of) for of in zip(*holes, strict=True))
        whole, cut = (partly | never) & self._all_hours, (partly | never) & self._cut_hours
        found = self._together(mine, self._hours).plus(self._net(sql.OF_HOURS_PICKED, whole), -1)
        if by_minute:
            found = found.plus(self._net(sql.OF_MINUTES_PICKED, whole - never))
        # cut pieces but for the minutes, in hours that are not covered whole, that not all have
        return found.plus(self._together(mine, self._cut)).plus(self._net(sql.OF_MINUTES_CUT, cut), -1)

    @staticmethod
    def _together(signs: Mapping[int, int], added: Mapping[int, _Added]) -> Net:
        found = Net()
        for number, sign in signs.items():
            of = added.get(number, NONE).sum
            found = found.plus(Net(of.net_uwh, of.money, of.unpriced_uwh), sign)
        return found

    def _net(self, query: str, hours: Iterable[int]) -> Net:
        self._pick(hours)
        return Net(*self._db.execute(query).fetchone())

    def _find_holes(self) -> dict[int, _Holes]:
        """Those of each meter that was heard; an hour that is not totalled yet counts as one without a row."""
        covered = {
            number: self._hours.get(number, NONE).sum.covered_ms + self._cut.get(number, NONE).sum.covered_ms
            for number in self._hours.keys() | self._cut.keys()
        }
        found = {number: _Holes(set(), set()) for number in covered}
        in_all_ms = len(self._all_hours) * HOUR_MS + self._cut_ms
        if all(each == in_all_ms for each in covered.values()):
            return found
        hours = self._all_hours | self._cut_hours
        # one that is away for long is looked for in every hour; the others where not all of them are there
        seldom = {number for number, each in covered.items() if each < MOSTLY * in_all_ms}
        often = covered.keys() - seldom
        self._pick(hours)
        for number, hour in self._db.execute(sql.PARTLY):
            if number in found:
                found[number].partly.add(hour)
        self._refill("member", [(number, 1) for number in often])
        heard = dict(self._db.execute(sql.HEARD).fetchall())
        self._find_missing(found, seldom)
        self._pick(hour for hour in hours if heard.get(hour, 0) < len(often))
        self._find_missing(found, often)
        return found

    def _find_missing(self, found: Mapping[int, _Holes], numbers: Collection[int]) -> None:
        self._refill("member", [(number, 1) for number in numbers])
        for number, hour in self._db.execute(sql.MISSING):
            found[number].never.add(hour)
