"""Signals: what topics say beside power, whether a claim of one holds, and for how long it has."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, NamedTuple

FOREVER_MS = 1 << 62


class Claim(NamedTuple):
    """What a signal must say: one of some words, none of some words, a number within bounds; for so long."""

    signal: str
    words: frozenset[str] | None = None
    not_words: frozenset[str] | None = None
    above: float | None = None
    below: float | None = None
    lasting_ms: int = 0

    def holds(self, value: str) -> bool | None:
        """Whether a value passes; None for a word where a number is asked for."""
        if (self.words is not None and value not in self.words) or (
            self.not_words is not None and value in self.not_words
        ):
            return False
        if self.above is None and self.below is None:
            return True
        try:
            number = float(value)
        except ValueError:
            return None
        if number != number:  # noqa: PLR0124 - NaN is the one number that is not itself
            return None
        return (self.above is None or number > self.above) and (self.below is None or number < self.below)

    @property
    def key(self) -> str:
        """Names it in saved state: what it asks, but not for how long."""
        words = sorted(self.words) if self.words is not None else None
        return repr((self.signal, words, sorted(self.not_words or ()), self.above, self.below))


@dataclass(slots=True)
class _Said:
    value: str
    heard_ms: int


class Signals:
    """The last word of each signal, and since when each claim of it has held."""

    def __init__(self, believable_ms: Mapping[str, int], claims: Iterable[Claim] = ()) -> None:
        self._believable_ms = dict(believable_ms)
        self._said: dict[str, _Said] = {}
        self._since_ms: dict[str, int] = {}
        self._claims: dict[str, dict[str, Claim]] = {}
        for claim in claims:
            self._claims.setdefault(claim.signal, {})[claim.key] = claim

    def hear(self, signal: str, at_ms: int, value: str, *, retained: bool) -> bool:
        """Take a word. A retained one that says what was known already is no news of its age: False."""
        known = self._said.get(signal)
        if retained and known is not None and known.value == value:
            return False
        stale = known is None or at_ms >= known.heard_ms + self._believable_ms.get(signal, 0)
        self._said[signal] = _Said(value, at_ms)
        for key, claim in self._claims.get(signal, {}).items():
            if not claim.holds(value):
                self._since_ms.pop(key, None)
            elif stale or key not in self._since_ms:
                self._since_ms[key] = at_ms
        return True

    def value(self, signal: str, at_ms: int) -> str | None:
        """The last word, while it is believable."""
        said = self._said.get(signal)
        fresh = said is not None and at_ms < said.heard_ms + self._believable_ms.get(signal, 0)
        return said.value if said is not None and fresh else None

    def truth(self, claim: Claim, at_ms: int) -> bool | None:
        """Whether a claim has held for long enough; None while nothing believable is known of its signal."""
        value = self.value(claim.signal, at_ms)
        holds = None if value is None else claim.holds(value)
        if not holds:
            return holds
        return at_ms >= self._since_ms.get(claim.key, at_ms) + claim.lasting_ms

    def next_change_ms(self, claim: Claim, at_ms: int) -> int:
        """When it will have held for long enough, or its signal's word goes stale."""
        said = self._said.get(claim.signal)
        ends = [] if said is None else [said.heard_ms + self._believable_ms.get(claim.signal, 0)]
        if claim.key in self._since_ms:
            ends.append(self._since_ms[claim.key] + claim.lasting_ms)
        return min((end for end in ends if end > at_ms), default=FOREVER_MS)

    def clock_was_set(self, by_ms: int) -> None:
        """What was heard is as old as before."""
        for said in self._said.values():
            said.heard_ms += by_ms
        self._since_ms = {key: since_ms + by_ms for key, since_ms in self._since_ms.items()}

    def snapshot(self) -> dict[str, Any]:
        """Plain values."""
        said = {name: [said.value, said.heard_ms] for name, said in self._said.items()}
        return {"said": said, "since": dict(self._since_ms)}

    def restore(self, state: Mapping[str, Any]) -> None:
        """Take up what was saved of signals and claims that are still configured."""
        keys = {key for claims in self._claims.values() for key in claims}
        for name, (value, heard_ms) in state.get("said", {}).items():
            if name in self._believable_ms:
                self._said[name] = _Said(value, heard_ms)
                for key, claim in self._claims.get(name, {}).items():
                    if claim.holds(value):
                        self._since_ms[key] = heard_ms
        self._since_ms.update({key: since_ms for key, since_ms in state.get("since", {}).items() if key in keys})
