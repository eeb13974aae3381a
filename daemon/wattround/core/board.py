"""What running trials say today, left with the broker: one retained message for each, on a topic of its own."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping
from datetime import datetime
from zoneinfo import ZoneInfo

import structlog

from wattround.core.ownclock import CLOCK_IS_SET_MS
from wattround.core.trial import Trial, instruction, topic_level
from wattround.metering.localtime import midnight_ms

log = structlog.get_logger("trials")

RETRY_MS = 60_000
NOTHING = ""
"""An empty retained message: the broker forgets what stood there."""

Retain = Callable[[str, str], int | None]
"""Leaves a text on a topic; the number under which it is answered for, None while there is no connection."""
Note = Callable[[list[str], int], None]
"""Writes down, on disk, on which topics something of ours may stand by now."""


def announced(trials: Iterable[Trial], root: str, now_ms: int, zone: ZoneInfo) -> dict[str, str]:
    """What stands on which topic at an instant, and nowhere else anything: of the book and the time alone."""
    found = {}
    for trial in trials:
        now = instruction(trial, now_ms, zone)
        if now is not None:
            until = datetime.fromtimestamp(now.until_ms / 1000, zone).isoformat()
            facts = {
                "trial": trial.name, "day": f"{now.day}", "do": now.do, "until": until, "means": trial.means(now.do)
            }  # fmt: skip
            found[f"{root}/trial/{topic_level(trial.name)}"] = json.dumps(facts, ensure_ascii=False)
    return found


class Board:
    """Keeps the broker's retained messages as `announced` has them. It is told the time, and what became of each."""

    def __init__(
        self, trials: Callable[[], Iterable[Trial]], retain: Retain, note: Note, topics: Iterable[str]
    ) -> None:
        self._trials, self._retain, self._note = trials, retain, note
        self._topics = set(topics)
        self._held: dict[str, str] = {}
        self._flying: dict[int, tuple[str, str]] = {}
        self._wanted: Mapping[str, str] = {}
        self._span_ms = (0, 0)
        self._waits_until_ms = 0
        self._is_settled = False

    def book_changed(self) -> None:
        """Entries, or settings that topics and days go by, are other ones now."""
        self._span_ms = (0, 0)

    def connected(self) -> None:
        """A new connection: the broker may have forgotten everything."""
        self._held, self._flying = {}, {}
        self._waits_until_ms, self._is_settled = 0, False

    def look(self, now_ms: int, root: str, zone: ZoneInfo) -> None:
        """Say what is to be said by now. While the clock has not been set, what stands there is left alone."""
        if now_ms < CLOCK_IS_SET_MS:
            return
        if not self._span_ms[0] <= now_ms < self._span_ms[1]:
            self._span_ms = midnight_ms(now_ms, zone), midnight_ms(now_ms, zone, 1)
            self._wanted = announced(self._trials(), root, now_ms, zone)
            self._is_settled = False
        if self._is_settled or (self._waits_until_ms - RETRY_MS <= now_ms < self._waits_until_ms):
            return
        if not self._wanted.keys() <= self._topics:
            self._topics |= self._wanted.keys()
            self._note(sorted(self._topics), now_ms)
        self._is_settled = True
        newest = self._held | dict(self._flying.values())  # of several on their way the last one counts
        for topic in sorted(self._topics):
            text = self._wanted.get(topic, NOTHING)
            if newest.get(topic) != text:
                number = self._retain(topic, text)
                if number is None:
                    return
                self._flying[number] = topic, text

    def delivered(self, number: int, *, sent: bool, trouble: str, now_ms: int) -> None:
        """The broker has a message, or does not."""
        topic, text = self._flying.pop(number, (None, NOTHING))
        if topic is None:
            return
        if not sent:
            log.warning("what a trial says could not be published", topic=topic, trouble=trouble)
            self._waits_until_ms, self._is_settled = now_ms + RETRY_MS, False
        elif text == NOTHING and topic not in self._wanted:
            self._topics.discard(topic)
            self._held.pop(topic, None)
            self._note(sorted(self._topics), now_ms)
        else:
            self._held[topic] = text
