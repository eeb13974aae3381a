"""Conditions that the live engine must look at again and again, since it cannot know what comes: here it is known.

Their answers are the same; only the next look is put off where the ledger's hours say that nothing changes until then.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from wattround.analysis.hindsight import Hindsight
from wattround.analysis.track import HOUR_MS
from wattround.metering.minute import uwh
from wattround.rules.condition import Condition, Subject
from wattround.rules.engine import RuleSpec
from wattround.rules.load import LoadState
from wattround.rules.oversight import Exceeded, Unheard
from wattround.rules.usage import ON_COURSE_FROM, Spent


@dataclass(frozen=True, slots=True)
class SpentThen:
    """Money or energy of a period, looked at by the hour except where the bound is passed."""

    live: Spent
    hindsight: Hindsight

    @property
    def subject(self) -> Subject:
        """As live."""
        return self.live.subject

    def truth(self, at_ms: int, load: LoadState, *, holding: bool) -> bool | None:
        """As live; without asking for minutes where the hour's energy makes no difference."""
        settled = self._settled(at_ms, at_ms)
        return self.live.truth(at_ms, load, holding=holding) if settled is None else settled

    def next_change_ms(self, at_ms: int, load: LoadState) -> int:
        """The end of the hour, if its energy makes no difference."""
        end_ms = self.live.spending.period(self.live.load, self.live.per, at_ms).end_ms
        stop_ms = min(end_ms, (at_ms // HOUR_MS + 1) * HOUR_MS)
        return self.live.next_change_ms(at_ms, load) if self._settled(at_ms, stop_ms) is None else stop_ms

    def _settled(self, from_ms: int, to_ms: int) -> bool | None:
        """The answer at every instant between two of one hour; None if it may change."""
        live = self.live
        begin_ms, end_ms, at_begin = live.spending.period(live.load, live.per, from_ms)
        shares = [1.0]
        if live.on_course and (to_ms - begin_ms) / (end_ms - begin_ms) >= ON_COURSE_FROM:
            shares = [(when - begin_ms) / (end_ms - begin_ms) for when in (from_ms, to_ms)]
            if shares[0] < ON_COURSE_FROM:
                shares = [1.0, ON_COURSE_FROM, shares[1]]
        ends = self.hindsight.pools[live.load].ends(from_ms)
        figures = [round(uwh(energy - at_begin) / share) for energy in ends for share in shares]
        least = live.is_over(min(figures), from_ms)
        return least if least == live.is_over(max(figures), from_ms) else None


@dataclass(frozen=True, slots=True)
class ExceededThen:
    """A wrong nesting, looked at each minute of the hours in which the children's peaks may exceed the parent."""

    live: Exceeded
    meter: str
    hindsight: Hindsight

    @property
    def subject(self) -> Subject:
        """As live."""
        return self.live.subject

    def truth(self, at_ms: int, load: LoadState, *, holding: bool) -> bool | None:
        """As live."""
        return self.live.truth(at_ms, load, holding=holding)

    def next_change_ms(self, at_ms: int, load: LoadState) -> int:
        """The end of the hour, if the parent cannot be exceeded in it."""
        if self.hindsight.may_exceed(self.meter, self.live.by_w, at_ms):
            return self.live.next_change_ms(at_ms, load)
        return (at_ms // HOUR_MS + 1) * HOUR_MS


@dataclass(frozen=True, slots=True)
class UnheardThen:
    """A silent meter, looked at by the hour while it stays silent."""

    live: Unheard
    meter: str
    hindsight: Hindsight

    @property
    def subject(self) -> Subject:
        """As live."""
        return self.live.subject

    def truth(self, at_ms: int, load: LoadState, *, holding: bool) -> bool | None:
        """As live."""
        return self.live.truth(at_ms, load, holding=holding)

    def next_change_ms(self, at_ms: int, load: LoadState) -> int:
        """The end of an hour in which it is not heard."""
        if self.live.truth(at_ms, load, holding=False) and self.hindsight.silent_hour(self.meter, at_ms):
            return (at_ms // HOUR_MS + 1) * HOUR_MS
        return self.live.next_change_ms(at_ms, load)


def with_hindsight(spec: RuleSpec, hindsight: Hindsight) -> RuleSpec:
    """A rule whose conditions look no more often than they must."""
    return spec._replace(conditions=tuple(_eased(spec, spec.conditions, hindsight)))


def _eased(spec: RuleSpec, conditions: Iterable[Condition], hindsight: Hindsight) -> Iterable[Condition]:
    for part in conditions:
        match part:
            case Spent():
                yield SpentThen(part, hindsight)
            case Exceeded():
                yield ExceededThen(part, spec.load, hindsight)
            case Unheard():
                yield UnheardThen(_heard_by(part, spec.load, hindsight), spec.load, hindsight)
            case _:
                yield part


def _heard_by(part: Unheard, meter: str, hindsight: Hindsight) -> Unheard:
    return Unheard(part.span_ms, lambda at_ms: hindsight.heard_before(meter, at_ms))
