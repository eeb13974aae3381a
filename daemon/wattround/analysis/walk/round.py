"""The round of one load: it is left as it is, switched, left again; each switch is a step on every circuit.

Told the time, and when the person said what; says how long to wait, what was seen, and what is still wanted.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import sqrt
from typing import NamedTuple

from wattround.analysis.walk.combine import LEAST_REPEATS, Combined, Seen, combined, more_wanted
from wattround.analysis.walk.house import House, Quiet
from wattround.analysis.walk.place import Place, place
from wattround.analysis.walk.step import Level, Stay, Step, inrush_w, levels, renewed, wait_ms, wanted

OTHERS = 5.0
OTHERS_W = 2.0
LONGEST_STAY_MS = 180_000
"""A circuit that will not be still is not waited for longer."""
DOUBTFUL_REPEATS = 6
"""Repeats until it is no longer waited for a noisy circuit to show itself."""
UNEVEN = 3.0


class Precision(NamedTuple):
    """How well a load is to be known: to a share of its watts, or to some watts; from so many repeats on."""

    share: float
    least_w: float
    repeats: int = LEAST_REPEATS

    def target_w(self, watts: float) -> float:
        """Half the interval that is good enough."""
        return max(self.least_w, self.share * abs(watts))


class Repeat(NamedTuple):
    """One switch. `steps`: on less off, of each circuit that could be told; `on`: whether it was switched on."""

    at_ms: int
    on: bool
    steps: Mapping[str, Step]


class Other(NamedTuple):
    """A circuit that moved by itself meanwhile, by so many watts."""

    name: str
    watts: float


class Verdict(NamedTuple):
    """What the repeats say of a load.

    `found` None: not known where it hangs, or nothing moved. `more`: repeats still wanted; None: no number of them
    would do. `blind_w`: what any circuit would have shown. `inrush_w` beyond the watts on.
    """

    place: Place
    found: Combined | None
    more: int | None
    remarks: tuple[str, ...]
    inrush_w: float | None
    blind_w: float | None


class Round:
    """Collects the repeats of one load; `begun` are those of an earlier session. `circuit`: where it is known."""

    def __init__(
        self, house: House, precision: Precision, begun: Sequence[Repeat] = (), circuit: str | None = None
    ) -> None:
        self.repeats: list[Repeat] = list(begun)
        self.waits_for = ""
        self._house, self._precision, self._circuit = house, precision, circuit
        self._on = False
        self._since_ms: int | None = None
        self._told_ms = 0
        self._before: dict[str, Level] = {}
        self._known: tuple[int, int, int | None] = (-1, 0, None)

    # -- what the person does -------------------------------------------------------------------------

    def left(self, now_ms: int, *, on: bool) -> None:
        """The person says that the load is on, or off, and stays so."""
        self._since_ms, self._on = now_ms, on
        self._known = (-1, 0, None)

    def told(self, now_ms: int) -> Repeat | None:
        """The person is told to switch it, and may do so from now on; the repeat that the last switch made."""
        if self._since_ms is None:
            return None
        stay = Stay(self._since_ms, now_ms)
        self._house.quiet.append(Quiet(stay.from_ms, stay.to_ms, self._on))
        after, before = self._levels(stay)
        found = self._repeat(after, now_ms) if self._before else None
        if found is not None:
            self.repeats.append(found)
        self._before, self._told_ms, self._since_ms = before, now_ms, None
        return found

    def again(self) -> None:
        """The last repeat went wrong: it is as if it had not been; what comes next begins anew."""
        if self.repeats:
            self.repeats.pop()
        self.break_off()

    def follow(self, other: Round) -> None:
        """Go on from the state in which another round of the same load has left it."""
        self._before, self._told_ms = other._before, other._told_ms

    def break_off(self) -> None:
        """Whatever comes next does not follow on what was seen last."""
        self._before, self._since_ms = {}, None

    # -- how long to wait -------------------------------------------------------------------------------

    def wait_ms(self, now_ms: int) -> int | None:
        """How long the load must still be left as it is; None: no circuit is heard that could tell."""
        taken, then_ms, wait = self._known
        if taken == self._house.taken and wait is not None and now_ms - then_ms < wait:
            return wait - (now_ms - then_ms)
        usable = self._house.usable(now_ms)
        if self._since_ms is None or not usable:
            return None
        stay = Stay(self._since_ms, now_ms)
        waits = {name: self._wait(name, stay) for name in usable}
        known = self._circuit is not None or min(waits.values()) == 0
        focus = self._focus(waits, stay) & waits.keys() if known else set()
        self.waits_for = max(focus or usable, key=lambda name: waits[name])
        found = waits[self.waits_for] or self._restless_ms(focus, stay)
        self._known = (self._house.taken, now_ms, found)
        return found

    def _wait(self, name: str, stay: Stay) -> int:
        readings, rhythm = self._house.readings[name], self._house.rhythm(name)
        if rhythm is None:
            return 0
        return wait_ms(readings, rhythm, stay, both=bool(self._before))

    def _focus(self, waits: Mapping[str, int], stay: Stay) -> set[str]:
        """Circuits that are waited for: where the load hangs, once that is seen, and whatever is within that."""
        if self._circuit is not None:
            return self._measured({self._circuit})
        after, _ = self._levels(stay, [name for name, wait in waits.items() if wait == 0])
        now = [self._repeat(after, stay.to_ms)] if self._before else []
        found = self._place([*self.repeats, *now])
        if found.name is None:
            return set()
        return self._measured({found.name, *self._house.wiring.below(found.name)})

    def _restless_ms(self, focus: set[str], stay: Stay) -> int:
        """How long to wait because one of these moved by itself, so that too little is left for the next switch."""
        if stay.to_ms - stay.from_ms > LONGEST_STAY_MS:
            return 0
        _, before = self._levels(stay, sorted(focus))
        missing = 0
        for name in focus:
            rhythm = self._house.rhythm(name)
            if rhythm is not None and (name not in before or before[name].number < (wanted(rhythm) + 1) // 2):
                missing = max(missing, rhythm.every_ms)
        return missing

    def _measured(self, names: set[str]) -> set[str]:
        """These, or what they are computed from."""
        found: set[str] = set()
        for name in names:
            formula = self._house.wiring.formulas.get(name)
            found |= {part for part, _ in formula.terms} if formula is not None else {name}
        return found

    # -- what was seen ----------------------------------------------------------------------------------

    def _levels(self, stay: Stay, names: Sequence[str] | None = None) -> tuple[dict[str, Level], dict[str, Level]]:
        after: dict[str, Level] = {}
        before: dict[str, Level] = {}
        for name in self._house.usable(stay.to_ms) if names is None else names:
            readings, rhythm = self._house.readings[name], self._house.rhythm(name)
            if rhythm is None:
                continue
            noise = self._house.noise(name, on=self._on)
            first, last = levels(readings, rhythm, stay, noise, halved=bool(self._before))
            if first is not None:
                after[name] = first
            if last is not None:
                before[name] = last
        return after, before

    def _repeat(self, after: Mapping[str, Level], now_ms: int) -> Repeat:
        steps: dict[str, Step] = {}
        for name, level in after.items():
            before, rhythm = self._before.get(name), self._house.rhythm(name)
            if before is None or rhythm is None:
                continue
            off, on = (before, level) if self._on else (level, before)
            found = Step(on.watts - off.watts, 0.0, 0.0, None, off.number, on.number)
            if self._on:
                noise, readings = self._house.noise(name, on=True), self._house.readings[name]
                found = found._replace(inrush_w=inrush_w(readings, rhythm, self._told_ms, level, found.watts, noise))
            steps[name] = found
        return Repeat(now_ms, self._on, steps)

    def _renewed(self, repeats: Sequence[Repeat]) -> list[Repeat]:
        """By what is known of the noise now, and with computed meters."""
        noises = {
            name: (self._house.noise(name, on=False), self._house.noise(name, on=True))
            for name in {name for repeat in repeats for name in repeat.steps}
            if name in self._house.readings
        }
        found = []
        for repeat in repeats:
            steps = {
                name: renewed(each, *noises[name]) if name in noises else each for name, each in repeat.steps.items()
            }
            found.append(repeat._replace(steps=self._house.wiring.with_computed(steps)))
        return found

    # -- what it says -----------------------------------------------------------------------------------

    def _combined(self, repeats: Sequence[Repeat]) -> dict[str, Combined]:
        """Of each circuit."""
        renewed = self._renewed(repeats)
        names = {name for repeat in renewed for name in repeat.steps}
        found = {name: combined(_seen(renewed, name), self._house.digits_u_w(name)) for name in names}
        return {name: each for name, each in found.items() if each is not None}

    def _place(self, repeats: Sequence[Repeat]) -> Place:
        return self._placed(self._combined(repeats))

    def _placed(self, moved: Mapping[str, Combined]) -> Place:
        return place(self._house.wiring, moved) if self._circuit is None else Place(self._circuit)

    def verdict(self) -> Verdict:
        """What all repeats together say."""
        self.repeats = self._renewed(self.repeats)
        moved = self._combined(self.repeats)
        where = self._placed(moved)
        if where.name is None or where.name not in moved:
            return Verdict(where, None, None, where.remarks, None, self._blind_w(moved))
        found = moved[where.name]
        more = more_wanted(found, self._precision.target_w(found.watts), self._precision.repeats)
        if more == 0 and where.doubtful and found.repeats < DOUBTFUL_REPEATS:
            more = 1
        remarks = (*where.remarks, *self._remarks(where.name, found))
        own = [repeat.steps[where.name] for repeat in self.repeats if where.name in repeat.steps]
        peaks = [each.inrush_w for each in own if each.inrush_w is not None]
        return Verdict(where, found, more, remarks, max(peaks, default=None), None)

    def _blind_w(self, moved: Mapping[str, Combined]) -> float | None:
        """What the least quiet of the innermost circuits would still have shown."""
        wiring = self._house.wiring
        inner = [each for name, each in moved.items() if name in wiring.loads and not wiring.below(name) & moved.keys()]
        return max((UNEVEN * each.u_w for each in inner), default=None)

    def _remarks(self, name: str, found: Combined) -> list[str]:
        remarks = []
        if found.aside:
            count = len(found.aside)
            not_counted = "repeats do not count" if count > 1 else "repeat does not count"
            remarks.append(f"{count} {not_counted}: something else switched on {name}")
        ups, downs = (
            combined(_seen([each for each in self.repeats if each.on == on], name), found.shared_u_w)
            for on in (True, False)
        )
        if ups is not None and downs is not None:
            apart = ups.watts - downs.watts
            clear = abs(apart) > UNEVEN * sqrt(ups.u_w**2 + downs.u_w**2)
            if clear and abs(apart) > self._precision.target_w(found.watts):
                remarks.append(
                    f"it adds {ups.watts:.0f} W when switched on and takes {downs.watts:.0f} W when switched off:"
                    " its draw changes while it is on"
                )
        return remarks

    def others(self, repeat: Repeat) -> list[Other]:
        """Circuits that moved meanwhile without being around or within the load's, the largest first."""
        where = self._place(self.repeats)
        own = self._house.wiring.family(where.name) if where.name is not None else set(where.candidates)
        sign = 1 if repeat.on else -1
        found = [
            Other(name, sign * each.watts)
            for name, each in repeat.steps.items()
            if name not in own and name in self._house.wiring.loads
            and abs(each.watts) > max(OTHERS_W, OTHERS * each.u_w) and not self._house.wiring.tree.children.get(name)
        ]  # fmt: skip
        return sorted(found, key=lambda other: -abs(other.watts))


def _seen(repeats: Sequence[Repeat], name: str) -> list[Seen]:
    return [
        Seen(found.watts, max(found.u_w, 1e-6), found.dof)
        for repeat in repeats
        if (found := repeat.steps.get(name)) is not None
    ]
