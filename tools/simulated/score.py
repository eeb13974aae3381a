"""How well what was told fits what was true."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from statistics import median

from simulated.life import MINUTE_MS, ZONE
from simulated.month import Episode, Heard, Month
from simulated.month_house import BELIEVED_MS, KINDS, OCCUPIED, URGENT
from simulated.spans import holds, meet
from simulated.truth import Label

SWITCHED_MS = 15 * MINUTE_MS
"""How late the guests' switch is turned at most."""
GRACE_MS = MINUTE_MS
"""An episode may be raised so long after a span has ended: readings come once a minute."""


@dataclass
class Score:
    """Counts of one kind of rule, or of several months."""

    found: list[Label] = field(default_factory=list)
    missed: list[Label] = field(default_factory=list)
    true: list[Episode] = field(default_factory=list)
    false: list[Episode] = field(default_factory=list)
    unjudged: list[Episode] = field(default_factory=list)
    delays_ms: list[int] = field(default_factory=list)

    def add(self, other: Score) -> None:
        """Count another in."""
        for name in ("found", "missed", "true", "false", "unjudged", "delays_ms"):
            getattr(self, name).extend(getattr(other, name))

    @property
    def recall(self) -> float:
        labels = len(self.found) + len(self.missed)
        return len(self.found) / labels if labels else 1.0

    @property
    def precision(self) -> float:
        judged = len(self.true) + len(self.false)
        return len(self.true) / judged if judged else 1.0

    def delay_min(self) -> tuple[float, float]:
        """How late an episode was raised, in minutes: median and worst."""
        if not self.delays_ms:
            return 0.0, 0.0
        return median(self.delays_ms) / MINUTE_MS, max(self.delays_ms) / MINUTE_MS


@dataclass
class Told:
    """Messages to a person by day, and what was wrong with them."""

    normal: list[int] = field(default_factory=list)
    """Days outside of the careless week on which nothing urgent happened."""
    every: list[int] = field(default_factory=list)
    false: int = 0
    untold: int = 0
    """Episodes that no message spoke of."""

    def add(self, other: Told) -> None:
        """Count another in."""
        self.normal += other.normal
        self.every += other.every
        self.false += other.false
        self.untold += other.untold


def score(month: Month, heard: Heard) -> dict[str, Score]:
    """Each rule's episodes against its labels, by overlap."""
    scores = {rule: Score() for rules in KINDS.values() for rule in rules}
    for label in month.truth.labels:
        mine = scores[label.rule]
        told = [episode for episode in heard.episodes if _meets(episode, label, month.calendar.end_ms)]
        (mine.found if told else mine.missed).append(label)
        if told:
            mine.delays_ms.append(max(0, min(episode.raised_ms for episode in told) - label.due_ms))
    for episode in heard.episodes:
        mine = scores[episode.rule]
        end_ms = episode.settled_ms or month.calendar.end_ms
        doubtful = month.truth.doubtful.get((episode.rule, episode.load), [])
        if any(_meets(episode, label, month.calendar.end_ms) for label in month.truth.labels):
            mine.true.append(episode)
        elif meet(doubtful, episode.began_ms, end_ms + GRACE_MS):
            mine.unjudged.append(episode)
        else:
            mine.false.append(episode)
    return scores


def _meets(episode: Episode, label: Label, end_ms: int) -> bool:
    """Whether the episode was open, or raised, while the label's span lasted."""
    same = (episode.rule, episode.load) == (label.rule, label.load)
    until_ms = max(episode.settled_ms or end_ms, episode.raised_ms + 1)
    return same and episode.raised_ms < label.to_ms + GRACE_MS and until_ms > label.from_ms


def by_kind(scores: dict[str, Score]) -> dict[str, Score]:
    """Rules of one kind together."""
    return {kind: total(scores[rule] for rule in rules) for kind, rules in KINDS.items()}


def messages(month: Month, heard: Heard, scores: dict[str, Score]) -> Told:
    """Messages of each day, those that told something false, and episodes that nobody was told of."""
    calendar, told = month.calendar, Told()
    counts: dict[date, int] = {}
    false = {_key(episode) for found in scores.values() for episode in found.false}
    for bulletin in heard.bulletins:
        day = _local_day(bulletin.sent_ms)
        counts[day] = counts.get(day, 0) + 1
        told.false += any(item in false for item in bulletin.rules)
    known = {item for bulletin in heard.bulletins for item in bulletin.rules}
    # what is raised in the last night is told on the morning after the month
    told.untold = sum(
        _key(episode) not in known
        for episode in heard.episodes
        if episode.raised_ms < calendar.at(calendar.days - 1, 7.0)
    )
    grave = {
        _local_day(at)
        for label in month.truth.labels
        if label.rule in URGENT
        for at in (label.from_ms, label.due_ms, label.to_ms)
    }
    for number in range(calendar.days):
        day = calendar.first + timedelta(days=number)
        told.every.append(counts.get(day, 0))
        if number not in month.house.life.careless and day not in grave:
            told.normal.append(counts.get(day, 0))
    return told


def _local_day(at_ms: int) -> date:
    return datetime.fromtimestamp(at_ms / 1000, UTC).astimezone(ZONE).date()


def _key(episode: Episode) -> tuple[str, str, str]:
    """How a message names an episode."""
    return episode.rule, episode.load, _second(episode.began_ms)


def _second(at_ms: int) -> str:
    return datetime.fromtimestamp(at_ms / 1000, UTC).isoformat(timespec="seconds").replace("+00:00", "Z")


def of_occupancy(month: Month, heard: Heard, last_word_ms: int | None) -> tuple[int, int]:
    """Episodes that rules of occupancy raised once nobody could know who was home, and messages that tell of them.

    That guests are in the house is known by their switch, whoever is silent.
    """
    since = {rule: 0 if last_word_ms is None else last_word_ms + wait for rule, wait in BELIEVED_MS.items()}
    guests = [(begin, end + SWITCHED_MS) for begin, end in month.house.life.guests]
    raised = {
        _key(found)
        for found in heard.episodes
        if found.rule in since
        and found.raised_ms >= since[found.rule]
        and not (found.rule in OCCUPIED and holds(guests, found.raised_ms))
    }
    return len(raised), sum(any(item in raised for item in bulletin.rules) for bulletin in heard.bulletins)


def total(scores: Iterable[Score]) -> Score:
    """All together."""
    found = Score()
    for part in scores:
        found.add(part)
    return found
