"""Is anybody home? Unknown is never empty."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

Occupancy = Literal["empty", "occupied", "unknown"]
FOREVER_MS = 1 << 62


@dataclass(slots=True)
class Presence:
    """What is known of each person, and until when it is believed."""

    believable_ms: Mapping[str, int]
    home: dict[str, tuple[bool, int]] = field(default_factory=dict)

    def hear(self, person: str, at_ms: int, *, is_home: bool, retained: bool) -> None:
        """Take a presence message. A retained one that says what was known already is no news of its age."""
        known = self.home.get(person)
        if retained and known is not None and known[0] == is_home:
            return
        self.home[person] = (is_home, at_ms)

    def occupancy(self, at_ms: int) -> Occupancy:
        """One person at home makes it occupied; empty needs believable word of everybody."""
        believed = [
            is_home
            for person, (is_home, heard_ms) in self.home.items()
            if person in self.believable_ms and at_ms < heard_ms + self.believable_ms[person]
        ]
        if any(believed):
            return "occupied"
        return "empty" if self.believable_ms and len(believed) == len(self.believable_ms) else "unknown"

    def next_change_ms(self, at_ms: int) -> int:
        """When the next word stops being believable."""
        ends = (
            heard_ms + self.believable_ms[person]
            for person, (_, heard_ms) in self.home.items()
            if person in self.believable_ms
        )
        return min((end for end in ends if end > at_ms), default=FOREVER_MS)

    def clock_was_set(self, by_ms: int) -> None:
        """What was heard is as old as before."""
        self.home = {person: (is_home, heard_ms + by_ms) for person, (is_home, heard_ms) in self.home.items()}

    def snapshot(self) -> dict[str, Any]:
        """Plain values."""
        return {person: list(word) for person, word in self.home.items()}

    def restore(self, state: Mapping[str, Any]) -> None:
        """Take up saved words of people who are still configured."""
        self.home = {person: (word[0], word[1]) for person, word in state.items() if person in self.believable_ms}
