"""A load's time as a thin strip of ink: the darker, the more watts."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from wattround.pictures.grain import Cell, Days, grain_name, ticks
from wattround.pictures.ink import SHARED, SMALL, Anchor, Drawing, watts_text
from wattround.pictures.mark import WEDGE, Mark, draw, told, within
from wattround.pictures.painting import Swatch, darknesses, key, paint
from wattround.pictures.seen import Seen

WIDE, HIGH, RULER_HIGH = 330.0, 14.0, 17.0
MOST_TICKS = 5
DAYS_MARKED = 31


class Strips:
    """Draws strips of [from_ms, to_ms); `drawn` collects their darknesses for the key."""

    def __init__(self, from_ms: int, to_ms: int, zone: ZoneInfo) -> None:
        self._from_ms, self._to_ms, self._zone = from_ms, to_ms, zone
        self._per_ms = WIDE / (to_ms - from_ms)
        self.grain = grain_name(len(Days.of(from_ms, to_ms, zone).days))
        self.drawn: set[int] = set()

    def strip(
        self, name: str, label: str, cells: Sequence[Cell], seen: Sequence[Seen | None], marks: Sequence[Mark] = ()
    ) -> str:  # fmt: skip
        """The strip of one load, with what was changed about it."""
        drawing, dark = Drawing(WIDE, HIGH), darknesses(seen, SHARED)
        marks = within(marks, self._from_ms, self._to_ms)
        top = WEDGE if marks else 0.0  # on ink a wedge would not be seen
        paint(drawing, cells, dark, lambda cell: (cell.left * self._per_ms, top, cell.right * self._per_ms, HIGH))
        self.drawn.update(dark)
        for mark in marks:
            draw(drawing, (mark.at_ms - self._from_ms) * self._per_ms, top, HIGH)
        says = self._says(cells, seen) + told(marks, self._zone)
        return drawing.svg(name, f"{label}, in steps of {self.grain}", says, stretched=True)

    def ruler(self, name: str) -> str:
        """What stands above the strips: hours, days or months."""
        drawing = Drawing(WIDE, RULER_HIGH)
        marks = ticks(self._from_ms, self._to_ms, self._zone, MOST_TICKS)
        days = Days.of(self._from_ms, self._to_ms, self._zone)
        for edge in days.edges[: DAYS_MARKED if len(days.days) <= DAYS_MARKED else 0]:
            x = (edge - self._from_ms) * self._per_ms
            if not 0 <= x <= WIDE:
                continue
            drawing.line([(x, RULER_HIGH - 2), (x, RULER_HIGH)], ink=3)
        for mark in marks:
            x = (mark.at_ms - self._from_ms) * self._per_ms
            drawing.line([(x, RULER_HIGH - 4), (x, RULER_HIGH)])
            anchor: Anchor = "left" if x < SMALL else "right" if x > WIDE - 2 * SMALL else "center"
            drawing.text(x, RULER_HIGH - 6, mark.label, anchor=anchor)
        return drawing.svg(name, "The time", ", ".join(mark.label for mark in marks))

    def key(self, name: str) -> list[Swatch]:
        """Which watts each darkness stands for."""
        return key(name, SHARED, self.drawn)

    def _says(self, cells: Sequence[Cell], seen: Sequence[Seen | None]) -> str:
        drawn = [(None if each is None else each.drawn_w, cell) for cell, each in zip(cells, seen, strict=True)]
        heard = [(watts, cell) for watts, cell in drawn if watts is not None]
        silent = share((cell.length_ms, watts is None) for watts, cell in drawn)
        if not heard:
            return "nothing was heard of it"
        most, when = max(heard, key=lambda each: each[0])
        idle = share((cell.length_ms, watts < SHARED.edges_w[0]) for watts, cell in heard)
        missing = f"; not heard {silent} of the time" if silent != "0 %" else ""
        return (
            f"at most {watts_text(most)}, {self._when(when.spans[0][0])}; under {watts_text(SHARED.edges_w[0])}"
            f" {idle} of the time heard{missing}"
        )

    def _when(self, at_ms: int) -> str:
        local = datetime.fromtimestamp(at_ms / 1000, UTC).astimezone(self._zone)
        return f"{local:%Y-%m-%d}" if self.grain in ("a day", "a week") else f"{local:%Y-%m-%d %H:%M}"


def share(parts: Iterable[tuple[int, bool]]) -> str:
    """How much of all is so, as a percentage."""
    all_of, those = 0, 0
    for size, so in parts:
        all_of += size
        those += size if so else 0
    return f"{100 * those / all_of:.0f} %" if all_of else "0 %"
