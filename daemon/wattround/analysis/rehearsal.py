"""A rehearsal: what the rules of a settings file would have done on the days that the ledger has."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import UTC, datetime
from typing import NamedTuple
from zoneinfo import ZoneInfo

from wattround.analysis.album import Album
from wattround.analysis.lineup import Lineup
from wattround.analysis.replay import Episode, Progress, Replay
from wattround.analysis.variants import Variant
from wattround.config.model import Meter, Settings
from wattround.config.rule import Rule
from wattround.core.purse import Purse
from wattround.core.rulebook import claim_of, subjects
from wattround.ledger.past import Past
from wattround.money.twoprices import WORTHLESS, Worth
from wattround.rules.nights import FEWEST_TRAILING, RECENT_NIGHTS

WELL_COVERED = 0.98
NOT_KEPT = "the daemon's own troubles are not kept in the ledger"


class Part(NamedTuple):
    """What one rule would have done in one variant; `told`: messages that speak of it, by channel."""

    rule: Rule
    episodes: Sequence[Episode]
    told: Mapping[str, int]

    @property
    def waste_uwh(self) -> int:
        """Microwatt-hours above standby in all of its episodes."""
        return sum(each.waste_uwh for each in self.episodes)

    @property
    def worth(self) -> Worth:
        """What not wasting that would have saved."""
        total = WORTHLESS
        for each in self.episodes:
            total = total.plus(each.worth)
        return total


class Scene(NamedTuple):
    """All rules in one variant, and what its channels would have been told; some of that as digests."""

    variant: Variant
    parts: Mapping[str, Part]
    messages: Counter[str]
    digests: Counter[str]


class Rehearsal(NamedTuple):
    """What came of it, over [from_ms, to_ms): the first scene is the file's own rules."""

    settings: Settings
    purse: Purse
    zone: ZoneInfo
    meters: Mapping[str, Meter]
    from_ms: int
    to_ms: int
    scenes: Sequence[Scene]
    notes: Mapping[str, Sequence[str]]
    left_out: Mapping[str, str]
    album: Album

    def lasting_ms(self, episode: Episode) -> int:
        """From begin to end, or to the end of the rehearsal."""
        return (self.to_ms if episode.settled_ms is None else episode.settled_ms) - episode.began_ms


def rehearse(
    past: Past, settings: Settings, chosen: Sequence[Variant], from_ms: int, to_ms: int, progress: Progress
) -> Rehearsal:
    """Run the rules of all variants over [from_ms, to_ms)."""
    lineup = Lineup(past, settings, chosen)
    replay = Replay(past, lineup, chosen, from_ms, to_ms)
    try:
        replay.run(progress)
    finally:
        lineup.tracks.close()
    scenes = []
    for variant, voice in zip(chosen, replay.voices, strict=True):
        rules = {rule.name: rule for rule in variant.settings.rules}
        parts = {
            own: Part(rules[name], list(_priced(lineup, rules[name], replay.episodes[name], to_ms)), voice.of_rule[own])
            for name, own in variant.own_names.items()
            if rules[name].trouble is None
        }
        scenes.append(Scene(variant, parts, voice.messages, voice.digests))
    own_rules = chosen[0].settings.rules
    doubts = _Doubts(past, lineup, replay)
    known = replay.occupancy_hours
    notes = {rule.name: [*doubts.of(rule), *_presence(rule, known)] for rule in own_rules if rule.trouble is None}
    return Rehearsal(
        settings, lineup.purse, lineup.zone, lineup.meters, from_ms, to_ms, scenes, notes,
        {rule.name: NOT_KEPT for rule in own_rules if rule.trouble is not None}, replay.album,
    )  # fmt: skip


def _priced(lineup: Lineup, rule: Rule, episodes: Iterable[Episode], to_ms: int) -> Iterator[Episode]:
    """A rule's episodes in order, with what their waste would have saved, as live."""
    members = {found.load: found.members for found in subjects(rule, lineup.meters)}
    for each in sorted(episodes, key=lambda each: each.began_ms):
        meters = members.get(each.load) or (each.load,)
        end_ms = to_ms if each.settled_ms is None else each.settled_ms
        yield each._replace(worth=lineup.purse.waste(meters, each.began_ms, end_ms, each.waste_uwh))


def _presence(rule: Rule, known: Sequence[bool]) -> Iterator[str]:
    if rule.occupancy is not None and known and not all(known):
        share = 100 * sum(known) / len(known)
        yield f"who was home is known for {share:.0f} % of the time; where it is not, this rule cannot hold"


class _Doubts:
    """What keeps the figures of a rule from saying all: what was not heard, not metered, or not kept."""

    def __init__(self, past: Past, lineup: Lineup, replay: Replay) -> None:
        self._lineup, self._from_ms, self._to_ms = lineup, replay.from_ms, replay.to_ms
        self._passed_ms = replay.to_ms - replay.begin_ms
        self._first = past.first_words()

    def of(self, rule: Rule) -> Iterator[str]:
        """All doubts about one rule, as sentences."""
        lineup = self._lineup
        if rule.occupancy is not None:
            for kind, name in lineup.asked:
                if kind == "person":
                    yield from self._not_before(kind, name, f"whether {name} was home")
        for said in rule.signals:
            name = claim_of(said).signal
            yield from self._not_before("signal", name, f"what {name} said")
        for found in subjects(rule, lineup.meters):
            for name in found.members or (found.load,) if rule.of_load else ():
                yield from self._not_covered(name)
        if rule.base_load_up_w is not None:
            yield f"nothing can be said before {RECENT_NIGHTS + FEWEST_TRAILING} nights are in the ledger"
        if rule.worn_off:
            yield "which savings were watched at that time is not kept, so this rule could not hold"
        if rule.unheard is not None:
            yield "taken from gaps in which other meters were heard: readings are not kept one by one"

    def _not_before(self, kind: str, name: str, what: str) -> Iterator[str]:
        first_ms = self._first.get((kind, name))
        if first_ms is None or first_ms >= self._to_ms:
            yield f"{what} is not known at all: none of it is in the ledger, so this rule could not hold"
        elif first_ms > self._from_ms:
            moment = datetime.fromtimestamp(first_ms / 1000, UTC).astimezone(self._lineup.zone)
            yield f"{what} is not known before {moment:%Y-%m-%d %H:%M}: until then this rule could not hold"

    def _not_covered(self, name: str) -> Iterator[str]:
        lineup = self._lineup
        if name not in lineup.measured:
            yield f"{name} is not in the ledger: nothing of it was ever metered"
        elif name in lineup.tracks.by_name:
            share = lineup.tracks.covered_ms.get(name, 0) / self._passed_ms
            if share < WELL_COVERED:
                yield f"{name} was metered for {100 * share:.0f} % of the time; the rest counts as unknown"
