"""What a rehearsal needs: the rules of all variants ready to run, the parts they share, the meters they look at."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import TypeVar
from zoneinfo import ZoneInfo

from wattround.analysis.hindsight import Hindsight, Known
from wattround.analysis.known import known_meters
from wattround.analysis.track import Ways
from wattround.analysis.tracks import Sum, Tracks
from wattround.analysis.variants import Variant
from wattround.analysis.words import asked_of
from wattround.config.model import Settings
from wattround.core.purse import Drawers, Purse
from wattround.core.rulebook import Parts, claims_of, occupancy_ways, rulebook
from wattround.core.wiring import tree_of
from wattround.ledger.past import Past
from wattround.metering.level import Thresholds
from wattround.rules.condition import AtLevel, Draws
from wattround.rules.engine import RuleSpec
from wattround.rules.nights import Nights
from wattround.rules.occupancy import Presence
from wattround.rules.oversight import BaseLoadUp, Exceeded, InTrouble
from wattround.rules.signals import Signals
from wattround.rules.usage import RanToday, Spending, Spent, StartsOften

T = TypeVar("T")


@dataclass(slots=True)
class _Asked:
    """What rules ask of one meter."""

    edges_w: set[float] = field(default_factory=set)
    level: bool = False
    apart: bool = False


class Lineup:
    """Made anew for each rehearsal: what it shares has a memory."""

    def __init__(self, past: Past, settings: Settings, chosen: Sequence[Variant]) -> None:
        self.zone = ZoneInfo(settings.house.time_zone)
        self.meters = known_meters(past, settings)
        self.measured = set(past.meters())
        self.roles = {name: meter.role for name, meter in self.meters.items()}
        self.tree = tree_of(self.meters)
        drawers = Drawers.of(self.meters, self.tree)
        self.purse = Purse(settings, lambda: drawers, past.energies)
        self.claims = list(dict.fromkeys(claim for each in chosen for claim in claims_of(each.settings)))
        self.signals = Signals({signal.name: signal.believable for signal in settings.signals}, self.claims)
        self.presence = Presence.of(occupancy_ways(settings), self.signals)
        self.nights = Nights()
        holds_ms = {name: meter.hold for name, meter in self.meters.items()}
        self.hindsight = Hindsight(past, Known(holds_ms, self.roles, self.tree))
        self.spending = Spending(self.hindsight.energy, self.zone)
        self.specs: list[RuleSpec] = []
        self._take_up(chosen)
        self.asked = asked_of((each.settings for each in chosen), self.claims)
        self.wants_occupancy = any(rule.occupancy is not None for each in chosen for rule in each.settings.rules)
        self.wants_nights = any(_has(spec, BaseLoadUp) for spec in self.specs)
        self.tracks = Tracks(past, *self._ways())
        self.hindsight.tracks = self.tracks

    def _take_up(self, chosen: Sequence[Variant]) -> None:
        parts = Parts(self.presence, self.signals, self.spending, self.nights, self.hindsight, self.purse.share_cost)
        for variant in chosen:
            book = rulebook(variant.settings, self.meters, parts)
            self.specs += [spec for spec in book.specs if not _has(spec, InTrouble)]
            self.hindsight.members.update(book.members)

    def _ways(self) -> tuple[dict[str, Ways], list[Sum]]:
        """How each meter is to be looked at, and the sums of watts among them."""
        asked: dict[str, _Asked] = {}
        sums: dict[tuple[str, ...], set[float]] = {}
        for spec in self.specs:
            bounds = {bound for part in _of(spec, Draws) for bound in (part.above_w, part.below_w, part.release_w)}
            edges_w = {bound for bound in bounds if bound is not None}
            if spec.members and edges_w:
                sums.setdefault(spec.members, set()).update(edges_w)
            for name in spec.members or (spec.load,):
                self._ask(asked.setdefault(name, _Asked()), spec, set() if spec.members else edges_w)
            for part in _of(spec, Spent):
                self.hindsight.pools.setdefault(part.load, self.hindsight.pool_of(part.load))
            for _ in _of(spec, Exceeded):
                for name in (spec.load, *self.tree.children.get(spec.load, ())):
                    asked.setdefault(name, _Asked())
        ways = {name: self._way(name, each) for name, each in asked.items() if self._is_measured(name)}
        return ways, [Sum(members, sorted(cuts)) for members, cuts in sums.items()]

    @staticmethod
    def _ask(asked: _Asked, spec: RuleSpec, edges_w: Iterable[float]) -> None:
        asked.edges_w.update(edges_w)
        for part in _of(spec, AtLevel):
            asked.level = True
            asked.apart |= ("off" in part.wanted) != ("standby" in part.wanted)
        asked.level |= _has(spec, RanToday) or _has(spec, StartsOften)

    def _is_measured(self, name: str) -> bool:
        return name in self.meters and name in self.measured

    def _way(self, name: str, asked: _Asked) -> Ways:
        meter = self.meters[name]
        limits = Thresholds(meter.standby_w, None, None)
        if asked.level:
            limits = Thresholds(meter.standby_w, meter.active_w, meter.release_w)
        counted = meter.power is None and not meter.computed
        return Ways(limits, tuple(sorted(asked.edges_w)), asked.apart, counted)


def _of(spec: RuleSpec, kind: type[T]) -> list[T]:
    return [part for part in spec.conditions if isinstance(part, kind)]


def _has(spec: RuleSpec, kind: type[object]) -> bool:
    return any(isinstance(part, kind) for part in spec.conditions)
