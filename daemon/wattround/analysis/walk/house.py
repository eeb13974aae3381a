"""Everything that is heard of the house's watts while somebody goes round."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import sqrt
from typing import NamedTuple

from wattround.analysis.walk.noise import Noise, digits_u_w, noise_of
from wattround.analysis.walk.place import Wiring
from wattround.analysis.walk.readings import Readings, Rhythm
from wattround.analysis.walk.step import SLOWEST_MS, settled_ms, wanted
from wattround.config.model import Meter
from wattround.core.wiring import recipes_of, tree_of
from wattround.metering.formula import combined_w, formulas

SILENT_TIMES = 3
SILENT_MS = 10_000
LOADS = ("supply", "circuit", "appliance")
GAP_MS = 5_000
"""What a person needs to switch something, once told to (common practice, no source)."""


class Hear(NamedTuple):
    """What can be said of a meter before the round: how often it comes, or why it cannot be used."""

    name: str
    rhythm: Rhythm | None
    trouble: str


class Quiet(NamedTuple):
    """A time in which nobody switched anything for the round, with the load in hand on or off."""

    from_ms: int
    to_ms: int
    on: bool


class House:
    """Readings of every meter; `quiet` are the times in which nobody switched anything for the round."""

    def __init__(self, meters: Mapping[str, Meter]) -> None:
        self.meters: dict[str, Meter] = dict(meters)
        self.readings: dict[str, Readings] = {}
        self.retained: set[str] = set()
        self.quiet: list[Quiet] = []
        self.wiring = self._wired()
        self.taken = 0
        self._noises: dict[tuple[str, bool], tuple[tuple[int, int], Noise]] = {}

    def _wired(self) -> Wiring:
        tree = tree_of(self.meters)
        legs = {part for parts in tree.parts.values() for part in parts}
        loads = (name for name, meter in self.meters.items() if meter.role in LOADS and name not in legs)
        return Wiring(tree, formulas(recipes_of(self.meters)), frozenset(loads))

    def add_meter(self, name: str, meter: Meter) -> None:
        """A meter that was not known before, of a pattern."""
        self.meters[name] = meter
        self.wiring = self._wired()

    def take(self, name: str, watts: float, at_ms: int) -> None:
        """A reading arrived."""
        if name not in self.readings:
            self.readings[name] = Readings(self.meters[name].hold)
        self.readings[name].add(at_ms, watts)
        self.taken += 1

    def note_quiet(self, from_ms: int, to_ms: int) -> None:
        """Nobody switched anything for the round."""
        self.quiet.append(Quiet(from_ms, to_ms, on=False))

    def is_ready(self, now_ms: int, readings: int) -> bool:
        """Whether each meter that a round can see is heard well, and so many readings of it were."""
        seen = {name for name, meter in self.meters.items() if meter.power is not None and not meter.captured}
        return bool(self.readings) and all(
            not self._trouble(name, now_ms) and self.readings[name].taken >= readings
            for name in seen | {*self.readings}
        )

    def take_retained(self, name: str) -> None:
        """Something of unknown age arrived."""
        self.retained.add(name)

    # -- what can be used ---------------------------------------------------------------------------

    def rhythm(self, name: str) -> Rhythm | None:
        """How often a measured meter is heard."""
        readings = self.readings.get(name)
        return readings.rhythm() if readings is not None else None

    def usable(self, now_ms: int) -> list[str]:
        """Measured meters that are heard often enough, and still are."""
        return [name for name in self.readings if not self._trouble(name, now_ms)]

    def heard(self, now_ms: int) -> list[Hear]:
        """Every measured meter."""
        names = [name for name, meter in self.meters.items() if not meter.computed and not meter.captured]
        return [Hear(name, self.rhythm(name), self._trouble(name, now_ms)) for name in names]

    def _trouble(self, name: str, now_ms: int) -> str:
        readings = self.readings.get(name)
        if self.meters[name].power is None:
            return "has a counter only: a round cannot see it"
        if readings is None or readings.last is None:
            if name in self.retained:
                return "only a retained value so far: how old it is nobody knows"
            return "not heard yet"
        rhythm = readings.rhythm()
        age_ms = now_ms - readings.last.at_ms
        if rhythm is None:
            return f"heard {'once' if len(readings) == 1 else 'twice'} so far"
        if rhythm.at_changes:
            return f"silent for {age_ms // 1000} s" if age_ms > readings.hold_ms else ""
        if rhythm.every_ms > SLOWEST_MS:
            return f"comes every {rhythm.every_ms // 1000} s: too seldom for a round"
        if age_ms > max(SILENT_MS, SILENT_TIMES * rhythm.every_ms):
            return f"silent for {age_ms // 1000} s"
        return ""

    # -- noise --------------------------------------------------------------------------------------

    def noise(self, name: str, *, on: bool) -> Noise:
        """Of a measured meter while the load in hand is off, or on, when it may be more."""
        readings, rhythm = self.readings[name], self.rhythm(name)
        key = (readings.taken, len(self.quiet))
        known = self._noises.get((name, on))
        if known is not None and known[0] == key:
            return known[1]
        count = wanted(rhythm) if rhythm is not None else 1
        every_ms = max(1, rhythm.every_ms) if rhythm is not None else 1000
        gap = round(GAP_MS / every_ms) + 1
        found = noise_of(readings, self._settled(readings, rhythm, self.quiet), count, gap)
        if on:
            stays = [each for each in self.quiet if each.on]
            found = found.or_more(noise_of(readings, self._settled(readings, rhythm, stays), count, gap))
        self._noises[name, on] = (key, found)
        return found

    @staticmethod
    def _settled(readings: Readings, rhythm: Rhythm | None, quiet: Sequence[Quiet]) -> list[tuple[int, int]]:
        found = []
        for begin, end, _ in quiet:
            settled = settled_ms(readings, rhythm, begin) if rhythm is not None else begin
            if settled is not None and settled < end:
                found.append((settled, end))
        return found

    def digits_u_w(self, name: str) -> float:
        """What a meter's last digits leave open of any step."""
        if name in self.wiring.formulas:
            terms = self.wiring.formulas[name].terms
            return sqrt(sum((factor * self.digits_u_w(part)) ** 2 for part, factor in terms))
        readings = self.readings.get(name)
        return digits_u_w(readings.resolution_w()) if readings is not None else 0.0

    # -- as it stands -------------------------------------------------------------------------------

    def watts(self, name: str, now_ms: int) -> float | None:
        """What a meter shows now."""
        if name in self.wiring.formulas:
            return combined_w(self.wiring.formulas[name], lambda part: self.watts(part, now_ms))
        readings = self.readings.get(name)
        return readings.now_w(now_ms) if readings is not None else None
