"""Is anybody home? Unknown is never empty."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal, NamedTuple

from wattround.rules.signals import FOREVER_MS, Claim, Signals

Occupancy = Literal["empty", "occupied", "unknown"]


class Word(NamedTuple):
    """What was last heard of a person, when, and since when it has been so."""

    is_home: bool
    heard_ms: int
    since_ms: int


class Ways(NamedTuple):
    """How long word of each person is believed, how long all must be away, and what says that guests are here."""

    believable_ms: Mapping[str, int]
    settling_ms: int = 0
    guests: Claim | None = None


@dataclass(slots=True)
class Presence:
    """What is known of each person."""

    ways: Ways
    signals: Signals
    words: dict[str, Word]

    @classmethod
    def of(cls, ways: Ways, signals: Signals | None = None) -> Presence:
        """Nothing heard yet."""
        return cls(ways, signals or Signals({}), {})

    def hear(self, person: str, at_ms: int, *, is_home: bool, retained: bool) -> bool:
        """Take a presence message. A retained one that says what was known already is no news of its age: False."""
        known = self.words.get(person)
        same = known is not None and known.is_home == is_home
        if retained and same:
            return False
        believed = known is not None and at_ms < known.heard_ms + self.ways.believable_ms.get(person, 0)
        since_ms = known.since_ms if known is not None and same and believed else at_ms
        self.words[person] = Word(is_home, at_ms, since_ms)
        return True

    def _believed(self, at_ms: int) -> list[Word]:
        believable = self.ways.believable_ms
        return [
            word
            for person, word in self.words.items()
            if person in believable and at_ms < word.heard_ms + believable[person]
        ]

    def occupancy(self, at_ms: int) -> Occupancy:
        """One person or guest at home makes it occupied; empty needs believable word of everybody, and settling."""
        believed = self._believed(at_ms)
        guests = self.signals.truth(self.ways.guests, at_ms) if self.ways.guests is not None else False
        if guests or any(word.is_home for word in believed):
            return "occupied"
        if guests is None or not self.ways.believable_ms or len(believed) < len(self.ways.believable_ms):
            return "unknown"
        return "empty" if at_ms >= max(word.since_ms for word in believed) + self.ways.settling_ms else "occupied"

    def next_change_ms(self, at_ms: int) -> int:
        """When the next word stops being believable, or an empty house has settled."""
        believable, settling_ms = self.ways.believable_ms, self.ways.settling_ms
        ends = [word.heard_ms + believable[person] for person, word in self.words.items() if person in believable]
        ends += [word.since_ms + settling_ms for word in self.words.values()]
        if self.ways.guests is not None:
            ends.append(self.signals.next_change_ms(self.ways.guests, at_ms))
        return min((end for end in ends if end > at_ms), default=FOREVER_MS)

    def clock_was_set(self, by_ms: int) -> None:
        """What was heard is as old as before."""
        self.words = {
            person: Word(word.is_home, word.heard_ms + by_ms, word.since_ms + by_ms)
            for person, word in self.words.items()
        }

    def snapshot(self) -> dict[str, Any]:
        """Plain values."""
        return {person: list(word) for person, word in self.words.items()}

    def restore(self, state: Mapping[str, Any]) -> None:
        """Take up saved words of people who are still configured."""
        self.words = {
            person: Word(word[0], word[1], word[-1])
            for person, word in state.items()
            if person in self.ways.believable_ms
        }
