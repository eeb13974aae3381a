"""A load's week by day and hour of the clock, as darknesses of ink, and in a sentence."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import date

from wattround.analysis.letter.past import Pages
from wattround.analysis.letter.told import Strips
from wattround.analysis.letter.week import kwh
from wattround.analysis.reporting.watts import Signs, seen
from wattround.analysis.reporting.words import WEEKDAYS
from wattround.metering.localtime import local_date
from wattround.pictures.grain import sheet
from wattround.pictures.ink import SHARED, watts_text
from wattround.pictures.seen import HEARD_ENOUGH, Seen, mean_w
from wattround.pictures.strips import share

Hour = tuple[int, int]
"""Which day of the week, and which hour of its clock."""


def strips(pages: Pages, wanted: Sequence[Signs]) -> list[tuple[Strips, str]]:
    """The strips of some sums of meters, and what there is to see in them."""
    scene = pages.look.scene
    from_ms, to_ms = pages.look.span
    of = sheet(from_ms, to_ms, scene.zone, minutes=False)
    first = pages.week.index(local_date(from_ms, scene.zone))
    drawn = seen(scene, pages.look.kept, of.cells, wanted, to_ms - from_ms)
    skipped = {(first + column, int(hour)) for column, hour, _ in of.skipped}
    made = []
    for mine in drawn:
        hours: dict[Hour, list[Seen | None]] = {}
        for cell, each in zip(of.cells, mine, strict=True):
            hours.setdefault((first + int(cell.left), int(cell.top)), []).append(each)
        watts = {hour: _drawn_w(parts) for hour, parts in hours.items()}
        rows = [[_ink(watts, (day, hour), skipped) for hour in range(24)] for day in range(len(pages.week))]
        made.append((Strips(pages.week, rows), "; ".join(_says(watts))))
    return made


def by_day(days: Sequence[date], took_wh: Mapping[date, float]) -> str:
    """What each day of a week came to: "Mon 1.20, Tue not known"."""
    cells = (f"{kwh(took_wh[day])}" if day in took_wh else "not known" for day in days)
    return ", ".join(f"{WEEKDAYS[day.weekday()]} {text}" for day, text in zip(days, cells, strict=True))


def _drawn_w(parts: Sequence[Seen | None]) -> float | None:
    """The mean of an hour of the clock, which there may have been twice; None where too little was heard of it."""
    known = [each for each in parts if each is not None]
    length_ms = sum(each.length_ms for each in known) / len(known) * len(parts) if known else 0
    covered_ms = sum(each.covered_ms for each in known)
    return mean_w(known) if known and covered_ms >= HEARD_ENOUGH * length_ms else None


def _ink(watts: Mapping[Hour, float | None], hour: Hour, skipped: set[Hour]) -> int | None:
    return None if hour in skipped else SHARED.darkness(watts.get(hour))


def _says(watts: Mapping[Hour, float | None]) -> Iterator[str]:
    heard = {hour: of for hour, of in watts.items() if of is not None}
    if not heard:
        yield "nothing was heard of it"
        return
    day, hour = max(heard, key=lambda each: heard[each])
    yield f"at most {watts_text(heard[day, hour])} ({WEEKDAYS[day]} {hour}:00)"
    idle = share((1, of < SHARED.edges_w[0]) for of in heard.values())
    if idle != "0 %":
        yield f"under {watts_text(SHARED.edges_w[0])} {idle} of the hours"
    if len(heard) < len(watts):
        yield f"{len(watts) - len(heard)} hours not heard"
