"""Rules become episodes: brewing while they hold, raised once they held for long enough, settled after."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Literal, NamedTuple

from wattround.metering.level import Level
from wattround.metering.minute import uwh
from wattround.rules.condition import Condition, Reason
from wattround.rules.occupancy import FOREVER_MS

Above = Callable[[str, int], float]
"""Watt-milliseconds that a load drew above its standby since it was first metered, up to an instant."""


class RuleSpec(NamedTuple):
    """A rule ready to run. `stated` is the rule as written: a changed rule starts afresh."""

    name: str
    load: str
    conditions: tuple[Condition, ...]
    lasting_ms: int
    release_ms: int
    stated: str


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


@dataclass(slots=True)
class _Run:
    """Where a rule stands: idle (began_ms < 0), brewing (raised_ms < 0) or raised."""

    spec: RuleSpec
    began_ms: int = -1
    raised_ms: int = -1
    began_wms: float = 0.0
    false_ms: int = -1
    false_wms: float = 0.0
    reason: Reason | None = None

    def deadline_ms(self) -> int:
        if self.began_ms < 0:
            return FOREVER_MS
        if self.false_ms >= 0:
            return self.false_ms + self.spec.release_ms
        return self.began_ms + self.spec.lasting_ms if self.raised_ms < 0 else FOREVER_MS


class Engine:
    """All rules of one house. Feed it level changes and signals in order of event time; it keeps no clock."""

    def __init__(self, above: Above) -> None:
        self._above = above
        self._runs: dict[str, _Run] = {}
        self._by_load: dict[str, list[_Run]] = {}
        self._levels: dict[str, Level | None] = {}
        self.news: list[EpisodeNews] = []
        self.now_ms = 0
        self.next_ms = FOREVER_MS

    @property
    def loads(self) -> list[str]:
        """Names of the loads that rules watch."""
        return sorted(self._by_load)

    def configure(self, specs: Iterable[RuleSpec], at_ms: int, levels: Mapping[str, Level | None]) -> None:
        """Take up rules, at the levels that loads have now.

        A rule that is stated as before goes on; a changed or removed one settles its episode.
        """
        fresh = {spec.name: _Run(spec) for spec in specs}
        for name, run in self._runs.items():
            successor = fresh.get(name)
            if successor is not None and successor.spec.stated == run.spec.stated:
                run.spec = successor.spec
                fresh[name] = run
            elif run.raised_ms >= 0:
                self._settle(run, at_ms, self._above(run.spec.load, at_ms), "rule-changed")
        self._runs = fresh
        self._by_load = {}
        for run in fresh.values():
            self._by_load.setdefault(run.spec.load, []).append(run)
        self._levels = {load: levels.get(load) for load in self._by_load}
        self.now_ms = max(self.now_ms, at_ms)
        self._evaluate_all()

    def level(self, at_ms: int, load: str, level: Level | None) -> None:
        """A load's level changed."""
        runs = self._by_load.get(load)
        if runs is None:
            return
        self.advance(at_ms)
        self._levels[load] = level
        for run in runs:
            self._evaluate(run, self.now_ms)
        self._plan()

    def signals_changed(self, at_ms: int) -> None:
        """A signal that conditions look at (a person's presence) changed at `at_ms`."""
        self.advance(at_ms)
        self._evaluate_all()

    def clock_was_set(self, by_ms: int, now_ms: int) -> None:
        """Go on at another time of day: what lasted goes on; a raised episode keeps the begin it was told with."""
        for run in self._runs.values():
            if run.raised_ms < 0 <= run.began_ms:
                run.began_ms += by_ms
            if run.false_ms >= 0:
                run.false_ms += by_ms
        self.now_ms = now_ms
        self._evaluate_all()

    def advance(self, to_ms: int) -> None:
        """Let time pass: fire what falls due, in order, each at its own instant."""
        while self.next_ms <= to_ms:
            self.now_ms = max(self.now_ms, self.next_ms)
            self._evaluate_all()
        self.now_ms = max(self.now_ms, to_ms)

    def _evaluate_all(self) -> None:
        for run in self._runs.values():
            self._evaluate(run, self.now_ms)
        self._plan()

    def _plan(self) -> None:
        now = self.now_ms
        self.next_ms = min(
            (
                min(run.deadline_ms(), *(part.next_change_ms(now) for part in run.spec.conditions))
                for run in self._runs.values()
            ),
            default=FOREVER_MS,
        )
        if self.next_ms <= now:
            self.next_ms = now + 1

    def _fault(self, run: _Run, at_ms: int) -> Reason | None:
        """Why the rule does not hold, or None if it does; a known "no" goes before an unknown."""
        level = self._levels.get(run.spec.load)
        unknown: Reason | None = None
        for part in run.spec.conditions:
            truth = part.truth(at_ms, level)
            if truth is False:
                return part.reason
            if truth is None:
                unknown = "level-unknown" if part.reason == "level" else "occupancy-unknown"
        return unknown

    def _evaluate(self, run: _Run, at_ms: int) -> None:
        fault = self._fault(run, at_ms)
        if run.began_ms >= 0 and run.false_ms >= 0 and at_ms >= run.false_ms + run.spec.release_ms:
            if run.raised_ms >= 0:
                self._settle(run, run.false_ms, run.false_wms, run.reason or "level")
            run.began_ms = run.raised_ms = run.false_ms = -1
        if fault is None:
            if run.began_ms < 0:
                run.began_ms, run.began_wms = at_ms, self._above(run.spec.load, at_ms)
            run.false_ms = -1
            if run.raised_ms < 0 and at_ms >= run.began_ms + run.spec.lasting_ms:
                self._raise(run, at_ms)
        elif run.began_ms >= 0 and run.false_ms < 0:
            run.false_ms, run.false_wms, run.reason = at_ms, self._above(run.spec.load, at_ms), fault
            if run.spec.release_ms == 0:
                self._evaluate(run, at_ms)

    def _raise(self, run: _Run, at_ms: int) -> None:
        run.raised_ms = at_ms
        waste = self._waste(run, self._above(run.spec.load, at_ms))
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
                self._waste(run, self._above(run.spec.load, at_ms)), None,
            )
            for run in self._runs.values()
            if run.raised_ms >= 0
        ]  # fmt: skip

    def snapshot(self) -> dict[str, Any]:
        """State of every rule that is not idle, as plain values."""
        return {
            name: {
                "stated": run.spec.stated, "load": run.spec.load,
                "waste_uwh": self._waste(run, self._above(run.spec.load, self.now_ms)),
                "run": [run.began_ms, run.raised_ms, run.began_wms, run.false_ms, run.false_wms, run.reason],
            }
            for name, run in self._runs.items()
            if run.began_ms >= 0
        }  # fmt: skip

    def restore(self, state: Mapping[str, Any], saved_ms: int, at_ms: int, back_ms: int = 0) -> None:
        """Take up a saved state at `at_ms`. What held when it was saved has the release time to show again.

        `back_ms` is by how much the clock has been set back since (negative). A rule stated otherwise than when
        its episode was saved settles it.
        """
        self.now_ms = at_ms
        for name, saved in state.items():
            run = self._runs.get(name)
            if run is not None and run.spec.stated == saved["stated"]:
                run.began_ms, run.raised_ms, run.began_wms, run.false_ms, run.false_wms, run.reason = saved["run"]
                if run.false_ms >= 0:
                    run.false_ms += max(0, at_ms - saved_ms) + back_ms
                if run.raised_ms < 0:
                    run.began_ms += back_ms
            elif saved["run"][1] >= 0:
                began_ms, raised_ms = saved["run"][:2]
                self.news.append(
                    EpisodeNews(
                        "settled",
                        name,
                        saved["load"],
                        began_ms,
                        saved_ms,
                        raised_ms,
                        saved["waste_uwh"],
                        "rule-changed",
                    )
                )
        self._forget_levels(at_ms)
        self._evaluate_all()

    def _forget_levels(self, at_ms: int) -> None:
        """After a restart no level is known until its load is heard again."""
        self._levels = {}
        for run in self._runs.values():
            if run.began_ms >= 0 and run.false_ms < 0:
                run.false_ms, run.reason = at_ms, "level-unknown"
                run.false_wms = self._above(run.spec.load, at_ms)
