"""Hushes: what a person has asked not to be told any more, and until when."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Literal, NamedTuple

from wattround.rules.signals import FOREVER_MS

Until = Literal["time", "off", "good"]


class Hush(NamedTuple):
    """No messages of a rule (about one load, or any): until an instant, until the load is next off, or for good."""

    rule: str
    load: str | None
    until: Until
    until_ms: int = FOREVER_MS
    since_ms: int = 0

    def covers(self, rule: str, load: str) -> bool:
        """Whether it is about that rule and load."""
        return self.rule == rule and self.load in (None, load)


class Hushes:
    """All hushes of a house; the last one for a rule and load stands."""

    def __init__(self) -> None:
        self._hushes: dict[tuple[str, str | None], Hush] = {}

    def __iter__(self) -> Iterator[Hush]:
        return iter(self._hushes.values())

    def put(self, hush: Hush) -> None:
        """Ask for quiet."""
        self._hushes[hush.rule, hush.load] = hush

    def lift(self, rule: str, load: str | None) -> list[Hush]:
        """End the hushes of a rule (of one load, if it is named); those that ended."""
        ended = [hush for hush in self if hush.rule == rule and load in (None, hush.load)]
        for hush in ended:
            del self._hushes[hush.rule, hush.load]
        return ended

    def over_at(self, now_ms: int) -> list[Hush]:
        """End those whose time is over; the ones that ended."""
        ended = [hush for hush in self if hush.until == "time" and hush.until_ms <= now_ms]
        for hush in ended:
            del self._hushes[hush.rule, hush.load]
        return ended

    def load_is_off(self, load: str, rule: str | None = None) -> list[Hush]:
        """A load is no longer active: what was hushed until then ends; the ones that ended.

        Without a rule only hushes that name the load: a load's off is nothing to rules that do not watch it.
        """
        ended = [
            hush for hush in self
            if hush.until == "off" and (hush.load == load if rule is None else hush.covers(rule, load))
        ]  # fmt: skip
        for hush in ended:
            del self._hushes[hush.rule, hush.load]
        return ended

    def covers(self, rule: str, load: str) -> bool:
        """Whether nothing is to be said of it now."""
        return any(hush.covers(rule, load) for hush in self)

    def next_ms(self) -> int:
        """When the next one ends by time."""
        return min((hush.until_ms for hush in self if hush.until == "time"), default=FOREVER_MS)

    def clock_was_set(self, by_ms: int) -> None:
        """A time that was asked for lasts as long as before."""
        for key, hush in self._hushes.items():
            until_ms = hush.until_ms + by_ms if hush.until == "time" else hush.until_ms
            self._hushes[key] = hush._replace(until_ms=until_ms, since_ms=hush.since_ms + by_ms)

    def snapshot(self) -> list[list[Any]]:
        """Plain values."""
        return [list(hush) for hush in self]

    def restore(self, state: list[list[Any]]) -> None:
        """Take up what was saved."""
        for saved in state:
            self.put(Hush(*saved))
