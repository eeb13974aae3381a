"""What was heard of presence and signals, said again to the parts that rules ask."""

from __future__ import annotations

from collections.abc import Iterable

from wattround.config.model import Settings
from wattround.ledger.past import Past, Word
from wattround.rules.occupancy import Presence
from wattround.rules.signals import Claim, Signals


class Ears:
    """Hears the ledger's words in order; says which of them may matter to a rule."""

    def __init__(self, presence: Presence, signals: Signals, claims: Iterable[Claim]) -> None:
        self._presence, self._signals = presence, signals
        self._claims: dict[str, list[Claim]] = {}
        for claim in claims:
            self._claims.setdefault(claim.signal, []).append(claim)

    def hear(self, word: Word) -> bool:
        """Take a word; False if it only says again what was believed: then no answer changes, only for how long."""
        at_ms, kind, name, value = word
        if kind == "person":
            return self._person(at_ms, name, is_home=value == "home")
        said = self._signals.value(name, at_ms)
        self._signals.hear(name, at_ms, value, retained=False)
        if said is None:
            return True
        return any(claim.holds(said) != claim.holds(value) for claim in self._claims.get(name, ()))

    def _person(self, at_ms: int, name: str, *, is_home: bool) -> bool:
        known = self._presence.words.get(name)
        believable_ms = self._presence.ways.believable_ms.get(name, 0)
        same = known is not None and known.is_home == is_home and at_ms < known.heard_ms + believable_ms
        self._presence.hear(name, at_ms, is_home=is_home, retained=False)
        return not same


def asked_of(settings: Iterable[Settings], claims: Iterable[Claim]) -> dict[tuple[str, str], int]:
    """Whom and what the rules ask of (kind, name), with how long each word is believed, in milliseconds."""
    signals = {claim.signal for claim in claims}
    found: dict[tuple[str, str], int] = {}
    for each in settings:
        if any(rule.occupancy is not None for rule in each.rules):
            found |= {("person", person.name): person.believable for person in each.people}
        found |= {("signal", signal.name): signal.believable for signal in each.signals if signal.name in signals}
    return found


def words_until(past: Past, asked: dict[tuple[str, str], int], from_ms: int) -> list[Word]:
    """What was still believed at `from_ms`, or began to be before."""
    longest_ms = max(asked.values(), default=0)
    return past.words(asked, from_ms - longest_ms, from_ms) if longest_ms else []
