"""The rules' own engine, driven through the past: what the ledger knows goes in by event time, episodes come out."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from datetime import date, timedelta
from operator import itemgetter
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

from wattround.analysis.album import Album
from wattround.analysis.hindsight import Hindsight
from wattround.analysis.lineup import Lineup
from wattround.analysis.looks import with_hindsight
from wattround.analysis.telling import Voice
from wattround.analysis.track import HOUR_MS, Change
from wattround.analysis.variants import Variant
from wattround.analysis.words import Ears, words_until
from wattround.core.nightly import judged_ms, night_from, night_span
from wattround.ledger.past import Past
from wattround.metering.minute import MINUTE_MS
from wattround.money.twoprices import WORTHLESS, Worth
from wattround.rules.engine import Engine, EpisodeNews
from wattround.rules.marks import local_date, period_begin
from wattround.rules.nights import RECENT_NIGHTS, TRAILING_NIGHTS
from wattround.rules.signals import FOREVER_MS

STEP_HOURS = 24
DAY_MS = 24 * HOUR_MS
MOST_WARM_MS = 8 * DAY_MS

Progress = Callable[[int, int], None]
"""Hours gone through, of how many."""


class Episode(NamedTuple):
    """One episode; `settled_ms` is None if it was still going on at the end, `waste_uwh` then being until there.

    `worth`: what not wasting that would have saved.
    """

    load: str
    began_ms: int
    raised_ms: int
    settled_ms: int | None
    waste_uwh: int
    reason: str | None
    worth: Worth = WORTHLESS


class Replay:
    """One run of all variants of the rules over [from_ms, to_ms), with a while before it to get into swing."""

    def __init__(self, past: Past, lineup: Lineup, chosen: Sequence[Variant], from_ms: int, to_ms: int) -> None:
        self._past, self._lineup, self._variants = past, lineup, chosen
        self.from_ms, self.to_ms = from_ms, to_ms
        self.zone: ZoneInfo = lineup.zone
        self.hindsight: Hindsight = lineup.hindsight
        self._engine = Engine(self.hindsight.above, self.zone)
        self._watched = {meter for spec in lineup.specs for meter in spec.members or (spec.load,)}
        self._voices = {name: voice for variant in chosen for name, voice in self._voice(variant)}
        self.voices = list(dict.fromkeys(self._voices.values()))
        self._ears = Ears(lineup.presence, lineup.signals, lineup.claims)
        self.episodes: dict[str, list[Episode]] = {name: [] for name in self._voices}
        self.album = Album()
        self._speak_ms = FOREVER_MS
        self.begin_ms = self._begin_ms()
        self.occupancy_hours: list[bool] = []

    def _voice(self, variant: Variant) -> Iterable[tuple[str, Voice]]:
        voice = Voice(variant.settings, variant.own_names, self.from_ms)
        return [(name, voice) for name in variant.own_names]

    def run(self, progress: Progress) -> None:
        """Go through all of it."""
        begin_ms = self.begin_ms
        self._begin(begin_ms)
        first, last = begin_ms // HOUR_MS, -(-self.to_ms // HOUR_MS)
        for hour in range(first, last, STEP_HOURS):
            until = min(hour + STEP_HOURS, last)
            self.album.turn(hour * HOUR_MS, until * HOUR_MS)
            for event in self._events(hour, until):
                if event[0] >= self.to_ms:
                    break
                if event[0] >= begin_ms:
                    self._play(event)
            self._pass(min(until * HOUR_MS, self.to_ms))
            self.album.forget(until * HOUR_MS, [news.began_ms for news in self._engine.open_episodes(until * HOUR_MS)])
            progress(until - first, last - first)
        for news in self._engine.open_episodes(self.to_ms):
            self._ended(news, None)

    def _begin_ms(self) -> int:
        span = self._past.span()
        lasting_ms = max((spec.lasting_ms for spec in self._lineup.specs), default=0)
        warm_ms = min(MOST_WARM_MS, lasting_ms + DAY_MS)
        return self.from_ms if span is None else max(self.from_ms - warm_ms, min(self.from_ms, span[0] * MINUTE_MS))

    def _begin(self, at_ms: int) -> None:
        """What the daemon would have known at the begin."""
        lineup = self._lineup
        for word in words_until(self._past, lineup.asked, at_ms):
            self._ears.hear(word)
        if lineup.wants_nights:
            today = local_date(at_ms, self.zone)
            for back in range(RECENT_NIGHTS + TRAILING_NIGHTS, -1, -1):
                self._judge(today - timedelta(days=back), at_ms)
        for load, per in lineup.spending.watched:
            begin = period_begin(at_ms, per, self.zone) // MINUTE_MS
            lineup.spending.anchor(load, per, at_ms, self.hindsight.pools[load].before(begin, at_ms // MINUTE_MS))
        self._engine.configure([with_hindsight(spec, self.hindsight) for spec in lineup.specs], at_ms, {})

    # -- events -----------------------------------------------------------------------------------

    def _events(self, from_hour: int, to_hour: int) -> list[tuple[Any, ...]]:
        """What happened in [from_hour, to_hour), in order of time: each begins with its instant."""
        from_ms, to_ms = from_hour * HOUR_MS, to_hour * HOUR_MS
        self.hindsight.go_on(from_hour, to_hour)
        events: list[tuple[Any, ...]] = [*self._lineup.tracks.through(from_hour, to_hour)]
        events += self._past.words(self._lineup.asked, from_ms, to_ms) if self._lineup.asked else []
        if self._lineup.wants_nights:
            day = local_date(from_ms, self.zone)
            nights = [day + timedelta(days=on) for on in range(3)]
            events += [(judged_ms(each, self.zone), each) for each in nights
                       if from_ms <= judged_ms(each, self.zone) < to_ms]  # fmt: skip
        if self._lineup.wants_occupancy:
            events += [(hour * HOUR_MS,) for hour in range(from_hour, to_hour)]
        events.sort(key=itemgetter(0))
        return events

    def _play(self, event: tuple[Any, ...]) -> None:
        at_ms = event[0]
        if self._engine.next_ms < at_ms or self._speak_ms < at_ms:
            self._pass(at_ms)
        if isinstance(event, Change):
            self._engine.drawn(*event)
            if event.meter in self._watched:
                self.album.see(event)
        elif len(event) == 4:
            self._engine.advance(at_ms)
            if self._ears.hear(event):
                self._engine.signals_changed(at_ms)
        elif len(event) == 2:
            self._engine.advance(at_ms)
            self._judge(event[1], at_ms)
            self._engine.signals_changed(at_ms)
        elif at_ms >= self.from_ms:
            self.occupancy_hours.append(self._lineup.presence.occupancy(at_ms) != "unknown")

    def _judge(self, day: date, at_ms: int) -> None:
        if at_ms < judged_ms(day, self.zone):
            return
        rows = self._past.night_hours(*night_span(day, self.zone))
        night = night_from(day, rows, self._lineup.tree)
        if night is not None:
            self._lineup.nights.put(night)

    def _pass(self, to_ms: int) -> None:
        """Let time pass up to an instant, stopping wherever something is due, so that all is said at its own time."""
        engine = self._engine
        while (at_ms := min(engine.next_ms, self._speak_ms)) < to_ms:
            engine.advance(at_ms + 1)
            if engine.news:
                self._hear(at_ms)
            if self._speak_ms <= at_ms:
                for voice in self.voices:
                    if voice.next_ms <= at_ms:
                        voice.speak(at_ms, engine)
                self._speak_ms = min(voice.next_ms for voice in self.voices)
        engine.advance(to_ms)

    # -- episodes ---------------------------------------------------------------------------------

    def _hear(self, at_ms: int) -> None:
        news, self._engine.news = self._engine.news, []
        for item in news:
            self._voices[item.rule].hear(item, at_ms)
            if item.what == "settled":
                self._ended(item, item.at_ms)
        self._speak_ms = min(voice.next_ms for voice in self.voices)

    def _ended(self, news: EpisodeNews, settled_ms: int | None) -> None:
        if news.rule in self._variants[0].own_names:
            self.album.want(news.began_ms, self.to_ms if settled_ms is None else settled_ms)
        if news.raised_ms >= self.from_ms:
            self.episodes[news.rule].append(
                Episode(news.load, news.began_ms, news.raised_ms, settled_ms, news.waste_uwh, news.reason)
            )
