"""Settings held against what the broker has: what they do not read, what they expect in vain, units that differ."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import NamedTuple

from wattround.analysis.scout.capture import Edge, Message
from wattround.analysis.scout.leftout import place
from wattround.analysis.scout.recognise import Value
from wattround.analysis.scout.scouting import Scouted
from wattround.config.model import Settings, Source
from wattround.ingest.feed import Feed
from wattround.ingest.hearing import Hearing
from wattround.ingest.topics import FilterTrie, subscription

ALIKE = 1e-6


class Difference(NamedTuple):
    """One line of the comparison: where, and what of it."""

    where: str
    says: str


class Comparison(NamedTuple):
    """What only the broker has, what only the settings have, and what both read differently."""

    unread: list[Difference]
    unheard: list[Difference]
    unlike: list[Difference]


def hear(settings: Settings, found: Iterable[Message | Edge]) -> Hearing:
    """A recording as the daemon would have heard it with these settings."""
    hearing = Hearing(settings)
    for each in found:
        if isinstance(each, Message) and not each.duplicate:
            hearing.take(each.topic, each.payload, each.at_ms, retained=each.retained)
    return hearing


def compare(of: Scouted, settings: Settings, hearing: Hearing) -> Comparison:
    """Hold the one against the other."""
    sources = _Sources(settings)
    unread, unlike = [], []
    for value in of.values:
        if not value.is_wanted or not value.of.is_number or value.surety == "open" or value.fault:
            continue
        source = sources.of(value)
        if source is None:
            unit = value.unit.name if value.unit is not None else "?"
            unread.append(Difference(place(value), f"{value.surety}: {value.quantity} in {unit}"))
        elif (text := _unlike(value, source)) is not None:
            unlike.append(Difference(place(value), text))
    seconds = of.heard.lasting_ms // 1000
    return Comparison(unread, list(_unheard(settings, hearing, seconds)), unlike)


class _Sources:
    """The sources of the settings by topic."""

    def __init__(self, settings: Settings) -> None:
        self._trie: FilterTrie[tuple[str, Source]] = FilterTrie()
        for meter in settings.meters:
            for quantity, source in (("power", meter.power), ("energy", meter.counter)):
                if source is not None:
                    self._trie.add(subscription(source.topic), (quantity, source))

    def of(self, value: Value) -> Source | None:
        """The source that reads a value."""
        where = value.of.where
        for _, source in self._trie.match(value.topic):
            at = source.senml if where.way == "senml" else source.pointer
            if (at or "") == where.at:
                return source
        return None


def _unlike(value: Value, source: Source) -> str | None:
    """Whether a sure unit is another than that of the settings."""
    scales = {"W": 1.0, "kW": 1e3, "mW": 1e-3, "Wh": 1.0, "kWh": 1e3}
    written = str(getattr(source, "unit", ""))
    if value.surety != "sure" or value.unit is None or written not in scales or source.senml is not None:
        return None
    theirs, ours = scales[written] * source.factor, value.unit.factor
    if abs(theirs / ours - 1) <= ALIKE or _is_leg(theirs / ours):
        return None
    return f"the settings say {theirs:g}, it is {value.unit.name}, {ours:g}: {'; '.join(value.because)}"


def _is_leg(ratio: float) -> bool:
    """Factors near 1 are corrections that people made, as of one leg of two."""
    return 0.2 < ratio < 5


def _unheard(settings: Settings, hearing: Hearing, seconds: int) -> Iterator[Difference]:
    for heard in hearing:
        if heard.fresh:
            continue
        where = f"{heard.feed.name} {heard.feed.kind}"
        if heard.bad:
            says = f"{heard.bad} messages on {heard.feed.topic}, none usable: {heard.last_bad}"
        elif heard.retained:
            says = f"only retained on {heard.feed.topic}, nothing fresh in {seconds} s"
        else:
            says = f"nothing on {heard.feed.topic} in {seconds} s{_seldom(heard.feed)}"
        yield Difference(where, says)
    for meter in settings.meters:
        if meter.captured and meter.name not in hearing.names.values():
            source = meter.power or meter.counter
            fed = any(_fits(source, each.feed) for each in hearing if each.fresh)
            if source is not None and not fed:
                yield Difference(meter.name, f"no topic like {source.topic} in {seconds} s")


def _fits(source: Source | None, feed: Feed) -> bool:
    if source is None:
        return False
    trie: FilterTrie[bool] = FilterTrie()
    trie.add(subscription(source.topic), value=True)
    return bool(trie.match(feed.topic))


def _seldom(feed: Feed) -> str:
    return "" if feed.kind in ("power", "counter") else "; it may speak only when it changes"
