"""What is heard beside watts: who is home, and signals; kept in memory for rules and written down for rehearsals."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from wattround.config.model import Settings
from wattround.core.rulebook import claims_of, occupancy_ways
from wattround.ingest.feed import Feed
from wattround.ingest.payload import BadPayload
from wattround.ledger.batch import SignalRow
from wattround.rules.occupancy import Presence
from wattround.rules.signals import Signals

RECORD_EVERY_MS = 900_000
"""How often a word that says the same as before is written down, at most."""
SPACED_NUMBERS_MS, SPACED_WORDS_MS = 60_000, 10_000
"""How often a signal that keeps changing is written down, at most: the last of what came meanwhile is."""
LONGEST_WORD = 256


class Hearsay:
    """Presence and signals of one house."""

    def __init__(self, settings: Settings) -> None:
        self.signals = Signals({})
        self.presence = Presence.of(occupancy_ways(settings))
        self._believable_ms: dict[tuple[str, str], int] = {}
        self._recorded: dict[tuple[str, str], tuple[str, int]] = {}
        self._held: dict[tuple[str, str], SignalRow] = {}

    def configure(self, settings: Settings) -> None:
        """Take up settings; what is known of people and signals that stay goes on."""
        said, words = self.signals.snapshot(), self.presence.snapshot()
        self.signals = Signals({signal.name: signal.believable for signal in settings.signals}, claims_of(settings))
        self.signals.restore(said)
        self.presence = Presence.of(occupancy_ways(settings), self.signals)
        self.presence.restore(words)
        self._believable_ms = {("person", person.name): person.believable for person in settings.people}
        self._believable_ms |= {("signal", signal.name): signal.believable for signal in settings.signals}

    def take(self, feed: Feed, payload: bytes, at_ms: int, *, retained: bool) -> SignalRow | None:
        """Take a word of a person or a signal; the row to write down, if it is worth one.

        Raises:
            BadPayload: for a payload that is no word.
        """
        word = feed.decode_word(payload)
        if len(word) > LONGEST_WORD:
            raise BadPayload(f"more than {LONGEST_WORD} characters where a word was expected")
        if feed.kind == "presence":
            is_home = word in feed.words
            heard = self.presence.hear(feed.name, at_ms, is_home=is_home, retained=retained)
            row = SignalRow(at_ms, "person", feed.name, "home" if is_home else "away")
        else:
            heard = self.signals.hear(feed.name, at_ms, word, retained=retained)
            row = SignalRow(at_ms, "signal", feed.name, word)
        return self._record(row) if heard else None

    def _record(self, row: SignalRow) -> SignalRow | None:
        """What changed is written down; what only says the same, often enough to be believed in a rehearsal."""
        key = (row.kind, row.name)
        known = self._recorded.get(key)
        since_ms = row.at_ms - known[1] if known is not None else -1
        if known is not None and since_ms >= 0:
            if known[0] == row.value and key not in self._held:
                every_ms = min(RECORD_EVERY_MS, self._believable_ms.get(key, RECORD_EVERY_MS) // 4)
                if since_ms < every_ms:
                    return None
            elif since_ms < spacing_ms(row.value):
                self._held[key] = row
                return None
        self._held.pop(key, None)
        self._recorded[key] = (row.value, row.at_ms)
        return row

    def held_back(self, now_ms: int) -> list[SignalRow]:
        """The last words of signals that kept changing, once they may be written down."""
        due = [
            row
            for key, row in self._held.items()
            if now_ms >= self._recorded.get(key, ("", 0))[1] + spacing_ms(row.value)
        ]
        for row in due:
            del self._held[row.kind, row.name]
            self._recorded[row.kind, row.name] = (row.value, row.at_ms)
        return due

    def clock_was_set(self, by_ms: int) -> None:
        """What was heard is as old as before."""
        self.presence.clock_was_set(by_ms)
        self.signals.clock_was_set(by_ms)
        self._recorded.clear()
        self._held.clear()

    def snapshot(self) -> dict[str, Any]:
        """Plain values."""
        return {"presence": self.presence.snapshot(), "signals": self.signals.snapshot()}

    def restore(self, state: Mapping[str, Any]) -> None:
        """Take up what was saved."""
        self.presence.restore(state["presence"])
        self.signals.restore(state["signals"])


def spacing_ms(value: str) -> int:
    """The least time between two records of a signal that says such a thing."""
    try:
        float(value)
    except ValueError:
        return SPACED_WORDS_MS
    return SPACED_NUMBERS_MS
