"""What meters drew on the days that have an episode, kept for pictures; other days are forgotten on the way."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import NamedTuple

from wattround.analysis.track import HOUR_MS, Change
from wattround.metering.level import Level

OPEN_MS = 10 * 24 * HOUR_MS
"""What an episode may yet come to touch: no rule lasts longer before it is raised."""
MOST_SEEN = 100_000


class Seen(NamedTuple):
    """What a meter was seen to draw from an instant on."""

    at_ms: int
    level: Level | None
    watts: float | None


@dataclass(slots=True)
class _Page:
    from_ms: int
    to_ms: int
    wanted: bool = False
    seen: dict[str, list[Seen]] = field(default_factory=dict)

    def size(self) -> int:
        return sum(map(len, self.seen.values()))


class Album:
    """Pages in order of time, each beginning with what was known at its begin."""

    def __init__(self) -> None:
        self._pages: list[_Page] = []
        self._doubtful: list[_Page] = []
        self._size = 0

    def turn(self, from_ms: int, to_ms: int) -> None:
        """Begin a page."""
        before = self._pages[-1].seen if self._pages else {}
        page = _Page(from_ms, to_ms, seen={meter: [seen[-1]] for meter, seen in before.items() if seen})
        self._pages.append(page)
        self._doubtful.append(page)

    def see(self, change: Change) -> None:
        """A meter draws something else."""
        self._pages[-1].seen.setdefault(change.meter, []).append(Seen(change.at_ms, *change.drawn))

    def want(self, from_ms: int, to_ms: int) -> None:
        """An episode was there."""
        for page in self._doubtful:
            page.wanted = page.wanted or (page.from_ms < to_ms and from_ms < page.to_ms)

    def forget(self, now_ms: int, still_open: Iterable[int]) -> None:
        """Drop what no episode wants any more; `still_open` has the begins of those that go on."""
        for began_ms in still_open:
            self.want(began_ms, now_ms)
        while self._doubtful and self._doubtful[0].to_ms < now_ms - OPEN_MS:
            page = self._doubtful.pop(0)
            if page.wanted:
                self._size += page.size()
            else:
                page.seen = {}
        while self._size > MOST_SEEN and self._pages[0] is not self._doubtful[0]:
            self._size -= self._pages.pop(0).size()

    def seen(self, meter: str, from_ms: int, to_ms: int) -> list[Seen]:
        """What a meter drew in a stretch of time, as far as that was kept."""
        return [
            each
            for page in self._pages
            if page.from_ms < to_ms and from_ms < page.to_ms
            for each in page.seen.get(meter, ())
            if each.at_ms < to_ms
        ]
