"""One load's recorded minutes, by what it was doing in each."""

from __future__ import annotations

from array import array
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

from wattround.ledger.slices import Doing
from wattround.metering.minute import MINUTE_MS, WMS_PER_UWH

Stretch = tuple[int, int]
"""Minutes since 1970: the first, and the one after the last."""
PAUSE_MINUTES = 5
"""A run goes on over a pause as short as this: a washing machine soaks."""


@dataclass(frozen=True, slots=True)
class Load:
    """Minutes of a load from `begin` (since 1970) on, each a place in the arrays; what was not covered is 0.

    `taken_uwh`: all that it took. `covered_ms`, and `heard_ms` of it, in which the watts are known. `running_ms` of
    that in use, with `used_uwh`; `idle_uwh` on standby.
    """

    begin: int
    taken_uwh: array[int]
    covered_ms: array[int]
    heard_ms: array[int]
    running_ms: array[int]
    used_uwh: array[int]
    idle_uwh: array[int]

    @classmethod
    def of(cls, begin: int, end: int, rows: Iterable[Sequence[Doing]]) -> Load:
        """Of rows in order, some at a time; minutes without a row were not covered."""
        columns = [zeros(end - begin) for _ in range(6)]
        for some in rows:
            if not some:
                continue
            first, last = some[0][0] - begin, some[-1][0] + 1 - begin
            if last - first == len(some):  # nothing is missing
                for at, column in enumerate(columns, 1):
                    column[first:last] = array("q", [row[at] for row in some])
                continue
            for minute, *values in some:
                for column, value in zip(columns, values, strict=True):
                    column[minute - begin] = value
        return cls(begin, *columns)

    def __len__(self) -> int:
        return len(self.taken_uwh)

    @property
    def rest_w(self) -> float:
        """Mean watts while it was not in use; 0 if it always was."""
        rest_ms = sum(self.heard_ms) - sum(self.running_ms)
        rest_uwh = sum(
            taken - used
            for taken, used, heard in zip(self.taken_uwh, self.used_uwh, self.heard_ms, strict=True)
            if heard
        )
        return rest_uwh * WMS_PER_UWH / rest_ms if rest_ms else 0.0

    def above_rest_uwh(self, place: int, rest_w: float) -> int:
        """What a minute's use took beyond what the load takes at rest."""
        return max(0, self.used_uwh[place] - round(rest_w * self.running_ms[place] / WMS_PER_UWH))

    def runs(self) -> list[tuple[int, int]]:
        """Places of each run: the first, and the one after the last. A minute that was not covered ends it."""
        running = [place for place, ran_ms in enumerate(self.running_ms) if ran_ms]
        if not running:
            return []
        cuts = [at for at, (before, now) in enumerate(pairwise(running), 1) if not self._joined(before, now)]
        edges = [0, *cuts, len(running)]
        return [(running[begin], running[end - 1] + 1) for begin, end in pairwise(edges)]

    def _joined(self, before: int, now: int) -> bool:
        return now - before <= PAUSE_MINUTES + 1 and all(self.covered_ms[before + 1 : now])

    def places(self, stretches: Iterable[Stretch]) -> Iterator[tuple[int, int]]:
        """Stretches as places, cut to what there is."""
        for begin, end in stretches:
            first, last = max(0, begin - self.begin), min(len(self), end - self.begin)
            if first < last:
                yield first, last


def zeros(length: int) -> array[int]:
    """So many minutes of nothing."""
    return array("q", bytes(8 * length))


def share_covered(load: Load) -> float:
    """Of all its time, what was covered."""
    return sum(load.covered_ms) / (len(load) * MINUTE_MS) if len(load) else 0.0
