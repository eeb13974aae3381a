"""Rules become episodes: brewing while they hold, raised once they held for long enough, settled after.

Nothing is judged at an instant before every input of that instant is in: only when time moves past it. So the order
in which inputs of one instant arrive, and how they are batched, makes no difference.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from hashlib import sha256
from typing import Any, Literal, NamedTuple
from zoneinfo import ZoneInfo

from wattround.metering.minute import uwh
from wattround.rules.condition import Condition, Reason
from wattround.rules.load import NOTHING_KNOWN, Drawn, LoadState
from wattround.rules.signals import FOREVER_MS

Above = Callable[[str, int], float]
"""Watt-milliseconds that a load drew above its standby since it was first metered, up to an instant."""


class RuleSpec(NamedTuple):
    """A rule ready to run on one load. `stated` is the rule as written: a changed rule starts afresh.

    A load that stands for several meters together names them in `members`. `rehear_ms`: how long after a restart it
    may take until the load is heard again.
    """

    name: str
    load: str
    conditions: tuple[Condition, ...]
    lasting_ms: int
    release_ms: int
    stated: str
    members: tuple[str, ...] = ()
    rehear_ms: int = 0


class EpisodeNews(NamedTuple):
    """An episode was raised, or has settled. Times are event time; waste is energy above standby since it began."""

    what: Literal["raised", "settled"]
    rule: str
    load: str
    began_ms: int
    at_ms: int
    raised_ms: int
    waste_uwh: int
    reason: Reason | None


RunKey = tuple[str, str]
"""Rule and load."""


def _mark(stated: str) -> str:
    """What a rule is known again by. It is saved each minute: the rule itself would take a page of the disk more."""
    return sha256(stated.encode()).hexdigest()[:16]


@dataclass(slots=True)
class _Run:
    """Where a rule stands: idle (began_ms < 0), brewing (raised_ms < 0) or raised."""

    spec: RuleSpec
    load: LoadState
    began_ms: int = -1
    raised_ms: int = -1
    began_wms: float = 0.0
    false_ms: int = -1
    false_wms: float = 0.0
    reason: Reason | None = None
    unheard: bool = False
    """Not heard since a restart, which is no news of the load."""
    next_ms: int = FOREVER_MS

    def over_ms(self) -> int:
        """When it is over, having not held since `false_ms`."""
        return self.false_ms + max(self.spec.release_ms, self.spec.rehear_ms if self.unheard else 0)

    def deadline_ms(self) -> int:
        if self.began_ms < 0:
            return FOREVER_MS
        if self.false_ms >= 0:
            return self.over_ms()
        return self.began_ms + self.spec.lasting_ms if self.raised_ms < 0 else FOREVER_MS

    def fault(self, at_ms: int) -> Reason | None:
        """Why the rule does not hold, or None if it does; a known "no" goes before an unknown."""
        holding = self.began_ms >= 0
        unknown: Reason | None = None
        for part in self.spec.conditions:
            truth = part.truth(at_ms, self.load, holding=holding)
            if truth is False:
                return part.subject
            if truth is None:
                unknown = f"{part.subject}-unknown"  # type: ignore[assignment] # subjects that can be unknown
        return unknown

    def plan(self, now_ms: int) -> None:
        """When to look again: later than now, which has been dealt with."""
        deadline_ms = self.deadline_ms()
        soonest_ms = min([part.next_change_ms(now_ms, self.load) for part in self.spec.conditions])
        self.next_ms = max(min(soonest_ms, deadline_ms if deadline_ms > now_ms else FOREVER_MS), now_ms + 1)


class Engine:
    """All rules of one house. Feed it level changes and signals in order of event time; it keeps no clock."""

    def __init__(self, above: Above, zone: ZoneInfo) -> None:
        self._above, self._zone = above, zone
        self._runs: dict[RunKey, _Run] = {}
        self._by_load: dict[str, list[_Run]] = {}
        self._sums: dict[str, list[str]] = {}  # meter: the loads that it is a part of
        self._members: dict[str, tuple[str, ...]] = {}
        self._drawn: dict[str, Drawn] = {}
        self._loads: dict[str, LoadState] = {}
        self._changed: set[str] = set()  # loads that drew otherwise at this instant
        self.news: list[EpisodeNews] = []
        self.now_ms = 0
        self.next_ms = FOREVER_MS

    @property
    def meters(self) -> list[str]:
        """Names of the meters whose levels and watts rules look at."""
        single = [load for load in self._by_load if load not in self._members]
        return sorted({*single, *self._sums})

    def configure(self, specs: Iterable[RuleSpec], at_ms: int, drawn: Mapping[str, Drawn]) -> None:
        """Take up rules, with what loads draw now.

        A rule that is stated as before goes on; a changed or removed one settles its episode.
        """
        self.advance(at_ms)
        specs = list(specs)
        self._loads = {spec.load: self._loads.get(spec.load) or LoadState(self._zone) for spec in specs}
        fresh = {(spec.name, spec.load): _Run(spec, self._loads[spec.load]) for spec in specs}
        for key, run in self._runs.items():
            successor = fresh.get(key)
            if successor is not None and successor.spec.stated == run.spec.stated:
                run.spec, run.load = successor.spec, successor.load
                fresh[key] = run
            elif run.raised_ms >= 0:
                self._settle(run, at_ms, self._above_of(run.spec, at_ms), "rule-changed")
        self._runs = fresh
        self._index()
        self.now_ms = max(self.now_ms, at_ms)
        known = {*self._sums, *self._by_load}
        self._drawn = {name: drawn.get(name, NOTHING_KNOWN) for name in known}
        self._changed = set(self._loads)
        self._touch(self._runs.values())

    def _index(self) -> None:
        self._by_load, self._sums, self._members = {}, {}, {}
        for run in self._runs.values():
            self._by_load.setdefault(run.spec.load, []).append(run)
            if run.spec.members:
                self._members[run.spec.load] = run.spec.members
        for load, members in self._members.items():
            for meter in members:
                self._sums.setdefault(meter, []).append(load)

    def _above_of(self, spec: RuleSpec, at_ms: int) -> float:
        return sum(self._above(meter, at_ms) for meter in spec.members or (spec.load,))

    # -- inputs -----------------------------------------------------------------------------------

    def drawn(self, at_ms: int, meter: str, drawn: Drawn) -> None:
        """What a meter draws has changed: its level, or watts that some rule asks for."""
        self.advance(at_ms)
        self._drawn[meter] = drawn
        for load in (meter, *self._sums.get(meter, ())):
            if load in self._by_load:
                self._changed.add(load)
                self._touch(self._by_load[load])

    def _take_changes(self) -> None:
        """Tell loads what they draw, once all inputs of the instant are in: a sum has no states between them."""
        for load in self._changed:
            self._loads[load].take(self.now_ms, self._drawn_by(load))
        self._changed.clear()

    def _drawn_by(self, load: str) -> Drawn:
        members = self._members.get(load)
        if members is None:
            return self._drawn.get(load, NOTHING_KNOWN)
        parts = [self._drawn.get(meter, NOTHING_KNOWN) for meter in members]
        levels = {part.level for part in parts}
        watts = [part.watts for part in parts if part.watts is not None]
        level = next((level for level in ("active", None, "standby", "off") if level in levels), None)
        return Drawn(level, sum(watts) if len(watts) == len(parts) else None)

    def signals_changed(self, at_ms: int) -> None:
        """Something that conditions look at beside watts (presence, a signal, a trouble) changed at `at_ms`."""
        self.advance(at_ms)
        self._touch(self._runs.values())

    def _touch(self, runs: Iterable[_Run]) -> None:
        for run in runs:
            run.next_ms = min(run.next_ms, self.now_ms)
        self.next_ms = min(self.next_ms, self.now_ms)

    def clock_was_set(self, by_ms: int, now_ms: int) -> None:
        """Go on at another time of day: what lasted goes on; a raised episode keeps the begin it was told with."""
        self._take_changes()
        for run in self._runs.values():
            if run.raised_ms < 0 <= run.began_ms:
                run.began_ms += by_ms
            if run.false_ms >= 0:
                run.false_ms += by_ms
            run.next_ms = now_ms
        for load in self._loads.values():
            load.clock_was_set(by_ms)
        self.now_ms = self.next_ms = now_ms

    def advance(self, to_ms: int) -> None:
        """Let time pass up to, not through, `to_ms`: fire what falls due before, in order, each at its own instant."""
        runs = self._runs.values()
        while self.next_ms < to_ms:
            self.now_ms = now_ms = max(self.now_ms, self.next_ms)
            if self._changed:
                self._take_changes()
            for run in [run for run in runs if run.next_ms <= now_ms]:
                self._evaluate(run, now_ms)
                run.plan(now_ms)
            self.next_ms = min([run.next_ms for run in runs], default=FOREVER_MS)
        self.now_ms = max(self.now_ms, to_ms)

    # -- the life of an episode -------------------------------------------------------------------

    def _evaluate(self, run: _Run, at_ms: int) -> None:
        fault = run.fault(at_ms)
        if run.began_ms >= 0 and run.false_ms >= 0 and at_ms >= run.over_ms():
            if run.raised_ms >= 0:
                self._settle(run, run.false_ms, run.false_wms, run.reason or "level")
            run.began_ms = run.raised_ms = run.false_ms = -1
            run.unheard = False
            fault = run.fault(at_ms)  # no longer holding: other bounds apply
        if fault is None:
            if run.began_ms < 0:
                run.began_ms, run.began_wms = at_ms, self._above_of(run.spec, at_ms)
            run.false_ms, run.false_wms, run.reason = -1, 0.0, None
            run.unheard = False
            if run.raised_ms < 0 and at_ms >= run.began_ms + run.spec.lasting_ms:
                self._raise(run, at_ms)
        elif run.began_ms >= 0 and run.false_ms < 0:
            run.false_ms, run.false_wms, run.reason = at_ms, self._above_of(run.spec, at_ms), fault
            if run.spec.release_ms == 0:
                self._evaluate(run, at_ms)
        elif run.began_ms >= 0 and run.reason == f"{fault}-unknown":
            run.reason = fault  # it could not be told, and now it can: that is why it is over
            if run.unheard:
                run.unheard = False
                self._evaluate(run, at_ms)

    def _raise(self, run: _Run, at_ms: int) -> None:
        run.raised_ms = at_ms
        waste = self._waste(run, self._above_of(run.spec, at_ms))
        self.news.append(EpisodeNews("raised", run.spec.name, run.spec.load, run.began_ms, at_ms, at_ms, waste, None))

    def _settle(self, run: _Run, at_ms: int, above_wms: float, reason: Reason) -> None:
        spec, waste = run.spec, self._waste(run, above_wms)
        self.news.append(
            EpisodeNews("settled", spec.name, spec.load, run.began_ms, at_ms, run.raised_ms, waste, reason)
        )

    @staticmethod
    def _waste(run: _Run, above_wms: float) -> int:
        return max(0, uwh(above_wms - run.began_wms))

    def open_episodes(self, at_ms: int) -> list[EpisodeNews]:
        """The raised episodes, with their waste up to `at_ms`."""
        return [
            EpisodeNews(
                "raised", run.spec.name, run.spec.load, run.began_ms, at_ms, run.raised_ms,
                self._waste(run, self._above_of(run.spec, at_ms)), None,
            )
            for run in self._runs.values()
            if run.raised_ms >= 0
        ]  # fmt: skip

    # -- saved state ------------------------------------------------------------------------------

    def snapshot(self) -> dict[str, Any]:
        """State of every rule that is not idle, and of the loads, as plain values."""
        self._take_changes()
        runs = [
            {
                "rule": rule, "load": load, "stated": _mark(run.spec.stated),
                "waste_uwh": self._waste(run, self._above_of(run.spec, self.now_ms)),
                "run": [
                    run.began_ms, run.raised_ms, round(run.began_wms, 3),
                    run.false_ms, round(run.false_wms, 3), run.reason,
                ],
            }
            for (rule, load), run in self._runs.items()
            if run.began_ms >= 0
        ]  # fmt: skip
        return {"runs": runs, "loads": {name: load.snapshot(self.now_ms) for name, load in self._loads.items()}}

    def restore(self, state: Mapping[str, Any], saved_ms: int, at_ms: int, back_ms: int = 0) -> None:
        """Take up a saved state at `at_ms`. What held when it was saved has the release time to show again.

        `back_ms` is by how much the clock has been set back since (negative). A rule stated otherwise than when
        its episode was saved settles it.
        """
        self.now_ms = at_ms
        for name, load in state.get("loads", {}).items():
            if name in self._loads:
                self._loads[name].restore(load)
                self._loads[name].clock_was_set(back_ms)
        for saved in state.get("runs", ()):
            self._resume(saved, saved_ms, at_ms, back_ms)
        self._forget_levels(at_ms)

    def _resume(self, saved: Mapping[str, Any], saved_ms: int, at_ms: int, back_ms: int) -> None:
        run = self._runs.get((saved["rule"], saved["load"]))
        # before marks there were, the rule itself was saved
        if run is not None and saved["stated"] in (_mark(run.spec.stated), run.spec.stated):
            run.began_ms, run.raised_ms, run.began_wms, run.false_ms, run.false_wms, run.reason = saved["run"]
            if run.false_ms >= 0:
                run.false_ms += max(0, at_ms - saved_ms) + back_ms
            if run.raised_ms < 0:
                run.began_ms += back_ms
        elif saved["run"][1] >= 0:
            began_ms, raised_ms = saved["run"][:2]
            self.news.append(
                EpisodeNews(
                    "settled", saved["rule"], saved["load"], began_ms, saved_ms, raised_ms,
                    saved["waste_uwh"], "rule-changed",
                )
            )  # fmt: skip

    def _forget_levels(self, at_ms: int) -> None:
        """After a restart no level is known until its load is heard again."""
        self._drawn = {}
        self._changed.clear()
        for load in self._loads.values():
            load.forget_level()
        for run in self._runs.values():
            fault = run.fault(at_ms) if run.began_ms >= 0 else None
            if fault is not None:
                if run.false_ms < 0:
                    run.false_ms, run.false_wms, run.reason = at_ms, self._above_of(run.spec, at_ms), fault
                # one that was seen to be over goes on being so
                run.unheard = run.reason is not None and run.reason.endswith("-unknown")
        self._touch(self._runs.values())
