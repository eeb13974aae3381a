"""A local day of one rule and load as a strip of characters, three to the hour by the clock on the wall."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

from wattround.analysis.album import Album, Seen
from wattround.analysis.replay import Episode
from wattround.config.rule import Rule
from wattround.rules.condition import Draws
from wattround.rules.load import NOTHING_KNOWN, Drawn
from wattround.rules.marks import instant_ms, local_date

CELLS = 72
CELL_MINUTES = 20
STEP_MS = 300_000
UNKNOWN, OFF, ON, BREWING, RAISED = range(5)
"""What a cell shows, the later the stronger: the strongest of its twenty minutes wins."""

Span = tuple[int, int, int]
"""From, to, what."""


class Strip:
    """Paints days of a house; an hour that a clock change repeats is painted over itself, a skipped one stays blank."""

    def __init__(self, zone: ZoneInfo, album: Album, end_ms: int) -> None:
        self._zone, self._album, self._end_ms = zone, album, end_ms

    def day(self, day: date, load: Look, episodes: Sequence[Episode]) -> list[int]:
        """What each cell of a local day shows."""
        from_ms = instant_ms(day, 0, self._zone)
        to_ms = min(instant_ms(day, 1440, self._zone), self._end_ms)
        cells = [UNKNOWN] * CELLS
        spans = [*load.spans(self._album, from_ms, to_ms)]
        for each in episodes:
            spans.append((each.began_ms, each.raised_ms, BREWING))
            spans.append((each.raised_ms, self._end_ms if each.settled_ms is None else each.settled_ms, RAISED))
        for begin, end, what in spans:
            for at in self._cells(max(begin, from_ms), min(end, to_ms)):
                cells[at] = max(cells[at], what)
        return cells

    def _cells(self, from_ms: int, to_ms: int) -> Iterator[int]:
        at_ms = from_ms
        while at_ms < to_ms:
            local = datetime.fromtimestamp(at_ms / 1000, UTC).astimezone(self._zone)
            yield (local.hour * 60 + local.minute) // CELL_MINUTES
            at_ms = (at_ms // STEP_MS + 1) * STEP_MS


class Look:
    """How a rule looks at its load: by which meters, and when that counts as on."""

    def __init__(self, rule: Rule, meters: Sequence[str], drawn: Sequence[Draws]) -> None:
        self._meters, self._drawn = meters, drawn
        self._levels = frozenset(rule.levels) or (frozenset() if drawn else frozenset({"active"}))

    def spans(self, album: Album, from_ms: int, to_ms: int) -> Iterator[Span]:
        """Stretches of a day in which the load was on, was not, or is not known; none for the house as a whole."""
        if not self._meters:
            yield from_ms, to_ms, OFF
            return
        seen = sorted((each.at_ms, meter, each) for meter in self._meters for each in album.seen(meter, from_ms, to_ms))
        now: dict[str, Seen] = {}
        since_ms = from_ms
        for at_ms, meter, each in seen:
            if at_ms > since_ms:
                yield since_ms, at_ms, self._state(now)
                since_ms = at_ms
            now[meter] = each
        yield since_ms, to_ms, self._state(now)

    def _state(self, now: Mapping[str, Seen]) -> int:
        drawn = [Drawn(*now[meter][1:]) if meter in now else NOTHING_KNOWN for meter in self._meters]
        watts = [each.watts for each in drawn if each.watts is not None]
        if self._drawn:
            if len(watts) < len(drawn):
                return UNKNOWN
            return ON if all(_passes(part, sum(watts)) for part in self._drawn) else OFF
        if any(each.level in self._levels for each in drawn):
            return ON
        return OFF if watts else UNKNOWN


def _passes(part: Draws, watts: float) -> bool:
    if part.above_w is not None:
        return watts >= part.above_w
    return part.below_w is None or watts < part.below_w


def days_of(episode: Episode, zone: ZoneInfo, now_ms: int) -> list[date]:
    """The local days that an episode touches."""
    until_ms = now_ms if episode.settled_ms is None else episode.settled_ms
    first, last = local_date(episode.began_ms, zone), local_date(max(episode.began_ms, until_ms - 1), zone)
    return [first + timedelta(days=on) for on in range((last - first).days + 1)]


def ruler() -> str:
    """The hours above a strip."""
    return "".join(f"{hour:<9}" for hour in range(0, 24, 3)).rstrip()


Paint = Callable[[Sequence[int]], str]


def painter(signs: str) -> Paint:
    """Draws cells with five signs, the weakest first."""
    return lambda cells: "".join(signs[cell] for cell in cells)
