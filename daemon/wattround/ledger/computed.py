"""Minutes of computed meters: made again, in the same commit, whenever a minute of a part changes."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator, Mapping

from wattround.ledger.totals import place
from wattround.metering.formula import Formula, combined_minute
from wattround.metering.minute import Minute

OF_MINUTE = """
    SELECT minute, meter, in_uwh, out_uwh, covered_ms, peak_milliw, low_milliw, origin FROM minute
    WHERE place IN (SELECT value FROM json_each(?))
"""


class ComputedRows:
    """Knows which minutes are to be computed: late readings, counters and amendments all touch a part's minute."""

    def __init__(self) -> None:
        self._formulas: dict[str, Formula] = {}
        self._ids: Mapping[str, int] = {}
        self._made_of: dict[int, list[str]] = {}
        self.stale: set[tuple[int, str]] = set()

    def configure(self, formulas: Iterable[Formula], ids: Mapping[str, int]) -> None:
        """Take up formulas, or new numbers of meters."""
        self._formulas = {formula.name: formula for formula in formulas}
        self.renumber(ids)

    def renumber(self, ids: Mapping[str, int]) -> None:
        """Meters have got numbers. One without a row yet has none; what is made of it waits."""
        self._ids = ids
        self._made_of = {}
        for name, formula in self._formulas.items():
            for part, _ in formula.terms:
                if part in ids:
                    self._made_of.setdefault(ids[part], []).append(name)

    def touched(self, minute: int, meter: int) -> None:
        """A measured minute has changed."""
        for name in self._made_of.get(meter, ()):
            self.stale.add((minute, name))

    def rows(self, db: sqlite3.Connection, stale: Iterable[tuple[int, str]]) -> Iterator[Minute]:
        """The minutes that can be computed now."""
        for minute, name in sorted(stale):
            found = self._minute(db, minute, self._formulas[name])
            if found is not None:
                yield found

    def _minute(self, db: sqlite3.Connection, minute: int, formula: Formula) -> Minute | None:
        numbered = {self._ids[part]: part for part, _ in formula.terms if part in self._ids}
        places = str([place(minute, number) for number in numbered])
        rows = {numbered[meter]: Minute(numbered[meter], minute, *values)
                for _, meter, *values in db.execute(OF_MINUTE, (places,))}  # fmt: skip
        return combined_minute(formula, rows)

    def span(self, db: sqlite3.Connection, name: str, from_minute: int, to_minute: int) -> Iterator[Minute]:
        """All of a computed meter's minutes in [from_minute, to_minute)."""
        formula = self._formulas[name]
        numbered = {self._ids[part]: part for part, _ in formula.terms if part in self._ids}
        numbers = ", ".join(map(str, numbered)) or "NULL"
        at, rows = -1, dict[str, Minute]()
        for minute, meter, *values in db.execute(
            "SELECT minute, meter, in_uwh, out_uwh, covered_ms, peak_milliw, low_milliw, origin FROM minute"
            f" WHERE place >= ? AND place < ? AND meter IN ({numbers}) ORDER BY place",
            (place(from_minute), place(to_minute)),
        ).fetchall():
            if minute != at:
                if (found := combined_minute(formula, rows)) is not None:
                    yield found
                at, rows = minute, {}
            rows[numbered[meter]] = Minute(numbered[meter], minute, *values)
        if (found := combined_minute(formula, rows)) is not None:
            yield found
