"""Conditions on the metering itself: a silent meter, a wrong nesting, a daemon in trouble, a base load that creeps."""

from __future__ import annotations

from collections.abc import Callable
from collections.abc import Set as AbstractSet
from dataclasses import dataclass

from wattround.metering.minute import MINUTE_MS
from wattround.rules.condition import Subject
from wattround.rules.load import LoadState
from wattround.rules.nights import Nights
from wattround.rules.signals import FOREVER_MS

Heard = Callable[[int], int | None]
"""When a meter was last heard, or listening began; None while we cannot hear anything."""
Excess = Callable[[int], float | None]
"""Watts by which the meters within another exceed it; None unless all of them are known."""


@dataclass(frozen=True, slots=True)
class Unheard:
    """Nothing has been heard of the meter for so long, though we listened."""

    span_ms: int
    heard: Heard
    subject: Subject = "heard"

    def truth(self, at_ms: int, load: LoadState, *, holding: bool) -> bool | None:  # noqa: ARG002 - one protocol
        """None while the broker is away: then no meter can be heard."""
        heard_ms = self.heard(at_ms)
        return None if heard_ms is None else at_ms >= heard_ms + self.span_ms

    def next_change_ms(self, at_ms: int, load: LoadState) -> int:  # noqa: ARG002
        """When the span is over, if nothing comes; asked again each minute after."""
        heard_ms = self.heard(at_ms)
        soonest = at_ms + MINUTE_MS if heard_ms is None else heard_ms + self.span_ms
        return soonest if soonest > at_ms else at_ms + MINUTE_MS


@dataclass(frozen=True, slots=True)
class Exceeded:
    """The meters within this one show so many watts more than it does."""

    by_w: float
    excess: Excess
    subject: Subject = "tree"

    def truth(self, at_ms: int, load: LoadState, *, holding: bool) -> bool | None:  # noqa: ARG002
        """None unless all of them are known."""
        excess_w = self.excess(at_ms)
        return None if excess_w is None else excess_w >= self.by_w

    def next_change_ms(self, at_ms: int, load: LoadState) -> int:  # noqa: ARG002
        """Looked at each minute."""
        return (at_ms // MINUTE_MS + 1) * MINUTE_MS


@dataclass(frozen=True, slots=True)
class InTrouble:
    """The daemon has one of these troubles."""

    kinds: frozenset[str]
    troubles: Callable[[], AbstractSet[str]]
    subject: Subject = "trouble"

    def truth(self, at_ms: int, load: LoadState, *, holding: bool) -> bool | None:  # noqa: ARG002
        """Never unknown to itself."""
        return not self.kinds.isdisjoint(self.troubles())

    def next_change_ms(self, at_ms: int, load: LoadState) -> int:  # noqa: ARG002
        """Changes are told."""
        return FOREVER_MS


@dataclass(frozen=True, slots=True)
class BaseLoadUp:
    """The base load of the last nights lies so many watts above that of the weeks before."""

    by_w: float
    nights: Nights
    subject: Subject = "base-load"

    def truth(self, at_ms: int, load: LoadState, *, holding: bool) -> bool | None:  # noqa: ARG002
        """None with too few nights on either side."""
        up_w = self.nights.creep_w()
        return None if up_w is None else up_w >= self.by_w

    def next_change_ms(self, at_ms: int, load: LoadState) -> int:  # noqa: ARG002
        """A new night is told."""
        return FOREVER_MS


@dataclass(frozen=True, slots=True)
class WornOff:
    """A saving that was proven on the load is lost; see `rules.drift`."""

    worn_off: Callable[[], bool | None]
    subject: Subject = "saving"

    def truth(self, at_ms: int, load: LoadState, *, holding: bool) -> bool | None:  # noqa: ARG002
        """None while no saving of the load is watched."""
        return self.worn_off()

    def next_change_ms(self, at_ms: int, load: LoadState) -> int:  # noqa: ARG002
        """Each day is judged when it is over, and told."""
        return FOREVER_MS
