"""A load: its last day to the minute, its week, month and year, and what belongs to it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import timedelta
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

from wattround.analysis.account import MINUTES_UP_TO_MS
from wattround.analysis.changemarks import marks_of
from wattround.analysis.report import Scene
from wattround.analysis.reporting.watts import seen
from wattround.config.model import Meter, Settings
from wattround.core.book import entries
from wattround.core.change import Change
from wattround.core.inventory import Load
from wattround.core.rulebook import subjects
from wattround.core.words import when
from wattround.ledger.energies import HOUR, MINUTE
from wattround.ledger.tally import Kept, Tally
from wattround.metering.localtime import instant_ms, local_date
from wattround.metering.minute import MINUTE_MS
from wattround.page.figures import live_cells, moment_text
from wattround.page.withinview import within_view
from wattround.pictures.curve import Curve
from wattround.pictures.grain import HOUR_MS, MONTHS, Cell, Days, sheet, strip_cells
from wattround.pictures.heat import Heat
from wattround.pictures.ink import plain
from wattround.pictures.mark import Mark, told
from wattround.pictures.paper import picture
from wattround.pictures.seen import Seen
from wattround.pictures.strips import Strips

SPANS = {"day": 1, "week": 7, "month": 30, "year": 365}
"""What can be looked at, and how many days it is; the last 24 hours, or whole local days up to now."""
WMS_PER_KWH = 3.6e9
DAY_MINUTES = 1440


class Part(NamedTuple):
    """A row of the table under the pictures: a day, or a month."""

    label: str
    kwh: float
    mean_w: float | None
    heard: float


class Looked(NamedTuple):
    """What the ledger has of a load in a span."""

    from_ms: int
    to_ms: int
    kwh: float
    mean_w: float | None
    heard: float
    parts: Sequence[Part]


def window(span: str, kept: Kept, now_ms: int, zone: ZoneInfo) -> tuple[int, int]:
    """From and to: never beyond what the ledger has."""
    to_ms = min(kept.end * MINUTE_MS, now_ms)
    if span == "day":
        return max(kept.begin * MINUTE_MS, to_ms - DAY_MINUTES * MINUTE_MS), to_ms
    first = local_date(to_ms - 1, zone) - timedelta(days=SPANS[span] - 1)
    return max(instant_ms(local_date(kept.begin * MINUTE_MS, zone), 0, zone), instant_ms(first, 0, zone)), to_ms


def minutes_of(tally: Tally, name: str, from_ms: int, to_ms: int) -> list[Seen | None]:
    """What a meter drew in each minute."""
    begin, end = from_ms // MINUTE_MS, -(-to_ms // MINUTE_MS)
    found: list[Seen | None] = [None] * (end - begin)
    for minute, into, out, covered_ms in tally.energies.of_meter(name, begin, end, MINUTE):
        if covered_ms:
            found[minute - begin] = Seen((into - out) * 3.6 / covered_ms, covered_ms, MINUTE_MS)
    return found


class Past:
    """What a meter drew in [from_ms, to_ms): hours that are over by their totals, the last day by minutes.

    Where the clock goes by half hours, all of it by minutes, up to 62 days; beyond, as in reports, an hour counts for
    the cell in which it begins.
    """

    def __init__(self, tally: Tally, scene: Scene, kept: Kept, name: str, span: tuple[int, int]) -> None:
        self._scene, self._kept, self._name = scene, kept, name
        from_ms, to_ms = span
        self._by_minutes_ms = instant_ms(local_date(to_ms - 1, scene.zone), 0, scene.zone)
        if from_ms % HOUR_MS and to_ms - from_ms <= MINUTES_UP_TO_MS:
            self._by_minutes_ms = from_ms
        rows = tally.energies.of_meter(name, from_ms // MINUTE_MS, -(-self._by_minutes_ms // MINUTE_MS), HOUR)
        self._hours = {row.minute // 60: row for row in rows}

    def cells(self, cells: Sequence[Cell]) -> list[Seen | None]:
        """Mean watts in each of the cells."""
        fresh = [cell for cell in cells if cell.spans[-1][1] > self._by_minutes_ms]
        [recent] = seen(self._scene, self._kept, fresh, [{self._name: 1}], 0) if fresh else [[]]
        late = iter(recent)
        return [next(late) if cell.spans[-1][1] > self._by_minutes_ms else self._of_hours(cell) for cell in cells]

    def _of_hours(self, cell: Cell) -> Seen | None:
        net = covered_ms = 0
        for begin, end in cell.spans:
            for hour in range(-(-begin // HOUR_MS), -(-end // HOUR_MS)):
                row = self._hours.get(hour)
                if row is not None:
                    net += row.in_uwh - row.out_uwh
                    covered_ms += row.covered_ms
        return Seen(net * 3.6 / covered_ms, covered_ms, cell.length_ms) if covered_ms else None


# -- pictures ---------------------------------------------------------------------------------------


def load_view(
    tally: Tally, settings: Settings, facts: Mapping[str, Any], name: str, span: str, verdicts: Mapping[str, str]
) -> dict[str, Any]:  # fmt: skip
    """What the template needs of a load that there is; `verdicts`: of changes, by name, where they are worked out."""
    scene, kept, zone = Scene.of(tally, settings), tally.kept(), ZoneInfo(settings.house.time_zone)
    meter = next(each for each in facts["meters"] if each["name"] == name)
    label = plain(meter["label"])
    changes = [each for each in entries(tally.book, Change).values() if name in each.on]
    drawn: dict[str, Any] = {"looked": None}
    if kept is not None:
        drawn = _drawn(tally, scene, kept, name, label, span, facts["now_ms"], marks_of(changes, name))
    return {
        **drawn, "label": label, "span": span, "spans": SPANS, "meter": meter, "live": live_cells(meter),
        "watched": list(watching(settings, scene.meters, name)),
        "changes": [_change(each, zone, verdicts) for each in sorted(changes, key=lambda each: -each.at_ms)],
        "within": within_view(entries(tally.book, Load), name),
    }  # fmt: skip


def _drawn(
    tally: Tally, scene: Scene, kept: Kept, name: str, label: str, span: str, now_ms: int, marks: list[Mark]
) -> dict[str, Any]:  # fmt: skip
    zone = scene.zone
    from_ms, to_ms = window(span, kept, now_ms, zone)
    if from_ms >= to_ms:
        return {"looked": None}
    if span == "day":
        minutes = minutes_of(tally, name, from_ms, to_ms)
        curve = Curve(from_ms, [None if each is None else each.watts for each in minutes], zone)
        known = [each for each in minutes if each is not None]
        wms, covered_ms = sum(each.watts * each.covered_ms for each in known), sum(each.covered_ms for each in known)
        looked = Looked(from_ms, to_ms, *_figures(wms, covered_ms, len(minutes) * MINUTE_MS), [])
        says = curve.says(marks)
        return {
            "looked": looked,
            "curve": picture(curve.draw("curve", label, marks)),
            "says": sentence(says),
            "heat": None,
        }
    of_sheet = sheet(from_ms, to_ms, zone, minutes=False)
    past = Past(tally, scene, kept, name, (from_ms, to_ms))
    of_hours = past.cells(of_sheet.cells)
    heat = Heat(of_sheet, from_ms, to_ms, zone)
    hours = heat.hours(of_hours)
    says = heat.says(hours, of_hours) + told(heat.within(marks), zone)
    return {
        "looked": _looked(from_ms, to_ms, of_sheet.cells, of_hours, span, zone), "curve": "",
        "heat": picture(heat.draw("heat", label, of_hours, says, marks)), "says": sentence(says),
        "heat_key": [(picture(each.svg), each.label) for each in heat.key("heat-key", of_hours)],
        **_strip(past, label, from_ms, to_ms, zone, marks),
    }  # fmt: skip


def _strip(
    past: Past, label: str, from_ms: int, to_ms: int, zone: ZoneInfo, marks: Sequence[Mark]
) -> dict[str, Any]:  # fmt: skip
    strips, cells = Strips(from_ms, to_ms, zone), strip_cells(from_ms, to_ms, zone)
    drawn = strips.strip("strip", label, cells, past.cells(cells), marks)
    return {"strip": picture(drawn), "ruler": picture(strips.ruler("ruler")), "grain": strips.grain}


def sentence(says: str) -> str:
    """Words that a picture says, as a sentence."""
    return f"{says[:1].upper()}{says[1:]}."


def _looked(
    from_ms: int, to_ms: int, cells: Sequence[Cell], found: Sequence[Seen | None], span: str, zone: ZoneInfo
) -> Looked:
    """Sums by day, or in a year by month; and of all."""
    days = Days.of(from_ms, to_ms, zone).days
    labels = [f"{day}" if span != "year" else f"{MONTHS[day.month - 1]} {day.year}" for day in days]
    sums: dict[str, list[float]] = {label: [0.0, 0.0, 0.0] for label in labels}
    for cell, each in zip(cells, found, strict=True):
        of = sums[labels[int(cell.left)]]
        of[2] += cell.length_ms
        if each is not None:
            of[0] += each.watts * each.covered_ms
            of[1] += each.covered_ms
    parts = [Part(label, *_figures(*of)) for label, of in sums.items()]
    return Looked(from_ms, to_ms, *_figures(*map(sum, zip(*sums.values(), strict=True))), parts)


def _figures(wms: float, covered_ms: float, length_ms: float) -> tuple[float, float | None, float]:
    return wms / WMS_PER_KWH, wms / covered_ms if covered_ms else None, covered_ms / length_ms if length_ms else 0.0


# -- what belongs to it ---------------------------------------------------------------------------


def watching(settings: Settings, meters: Mapping[str, Meter], name: str) -> Iterator[dict[str, str]]:
    """Rules that are about a load, alone or together with others."""
    for rule in settings.rules:
        if any(name == subject.load or name in subject.members for subject in subjects(rule, meters)):
            yield {"rule": rule.name, "when": when(rule, settings.house.currency)}


def _change(change: Change, zone: ZoneInfo, verdicts: Mapping[str, str]) -> dict[str, str]:
    until = "" if change.until_ms is None else f" to {moment_text(change.until_ms, zone)}"
    return {
        "name": plain(change.name), "when": f"{moment_text(change.at_ms, zone)}{until}", "note": plain(change.note),
        "cost": "" if change.cost is None else f"{change.cost}", "verdict": verdicts.get(change.name, ""),
    }  # fmt: skip
