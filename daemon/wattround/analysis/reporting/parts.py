"""The parts of the report's page that have pictures: strips, heat maps, the base load."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import count, pairwise
from typing import Any

from markupsafe import Markup

from wattround.analysis.changemarks import marks_of
from wattround.analysis.comparison import leaves
from wattround.analysis.report import DAY_MS, HOUR_MS, Report, Row
from wattround.analysis.reporting.inquiry import Look
from wattround.analysis.reporting.nights import nights
from wattround.analysis.reporting.watts import Signs, house_signs, load_signs, rows_signs, seen
from wattround.core.book import entries
from wattround.core.change import Change
from wattround.money.amount import cell_text
from wattround.pictures import base
from wattround.pictures.grain import Cell, Days, sheet, strip_cells
from wattround.pictures.heat import Heat, HourOfDay
from wattround.pictures.ink import plain, watts_text
from wattround.pictures.mark import Mark, told
from wattround.pictures.painting import Swatch
from wattround.pictures.paper import picture
from wattround.pictures.seen import Seen
from wattround.pictures.strips import Strips

COSTLIEST = 3
ACROSS = {
    "day": "days from left to right", "week": "weeks from left to right", "minute": "its minutes from left to right",
}  # fmt: skip


class Parts:
    """Makes them of a report and the ledger that it is of; gives every picture of a page a name of its own."""

    def __init__(self, look: Look, found: Report) -> None:
        self._look, self._scene, self._found = look, look.scene, found
        self._from_ms, self._to_ms, self._zone = *look.span, look.scene.zone
        self._numbers = count(1)
        self._changes = list(entries(self._scene.tally.book, Change).values())

    def name(self, kind: str) -> str:
        """A name for the next picture."""
        return f"{kind}-{next(self._numbers)}"

    def _seen(self, cells: Sequence[Cell], wanted: Sequence[Signs]) -> list[list[Seen | None]]:
        return seen(self._scene, self._look.kept, cells, wanted, self._to_ms - self._from_ms)

    # -- strips -----------------------------------------------------------------------------------

    def strips(self) -> dict[str, Any]:
        """A row for each load that has none within it, the dearest first, and for what no load accounts for."""
        total = self._found.total
        strips, labels = Strips(self._from_ms, self._to_ms, self._zone), {id(row): text for row, text in leaves(total)}
        rows = sorted(rows_signs(self._scene, total), key=lambda of: (of[0].kind != "load", *_dearest(of[0])))
        cells = strip_cells(self._from_ms, self._to_ms, self._zone)
        drawn = self._seen(cells, [signs for _, signs in rows])
        made = []
        for rank, ((row, signs), mine) in enumerate(zip(rows, drawn, strict=True), 1):
            label = plain(labels[id(row)])
            marks = self._marks(row.name if row.kind == "load" else "")
            strip = picture(strips.strip(self.name("strip"), label, cells, mine, marks)) if signs else ""
            made.append(
                {"rank": f"{rank}." if row.kind == "load" else "", "label": label, "strip": strip, **self._sums(row)}
            )
        return {
            "rows": made, "total": self._sums(total), "grain": strips.grain,
            "ruler": picture(strips.ruler(self.name("ruler"))), "key": _key(strips.key(self.name("key"))),
        }  # fmt: skip

    def _sums(self, row: Row) -> dict[str, str]:
        all_of = self._found.total.uwh
        share = f"{100 * row.uwh / all_of:.1f} %" if all_of else ""
        return {"kwh": f"{row.kwh}", "share": share, "money": cell_text(row.money, row.unpriced_uwh)}

    # -- heat maps --------------------------------------------------------------------------------

    def heats(self, load: str) -> dict[str, Any]:
        """The hours of one load by day, or else those of the house and of its dearest loads."""
        minutes = self._from_ms // HOUR_MS >= self._look.kept.minutes_from_hour
        of = sheet(self._from_ms, self._to_ms, self._zone, minutes=minutes)
        heat, wanted = Heat(of, self._from_ms, self._to_ms, self._zone), list(self._wanted(load))
        drawn = self._seen(of.cells, [signs for _, _, signs in wanted])
        maps = [
            self._map(heat, plain(label), mine, self._marks(name))
            for (name, label, _), mine in zip(wanted, drawn, strict=True)
        ]
        return {"maps": maps, "across": ACROSS[of.of], "notes": list(self._clock_notes(skipped=bool(of.skipped)))}

    def _marks(self, load: str) -> list[Mark]:
        return marks_of(self._changes, load)

    def _map(self, heat: Heat, label: str, mine: Sequence[Seen | None], marks: Sequence[Mark]) -> dict[str, Any]:
        hours = heat.hours(mine)
        says = heat.says(hours, mine) + told(heat.within(marks), self._zone)
        return {
            "label": label, "says": _sentence(says), "hours": [_hour(hour) for hour in hours],
            "svg": picture(heat.draw(self.name("heat"), label, mine, says, marks)),
            "key": _key(heat.key(self.name("key"), mine)),
        }  # fmt: skip

    def _wanted(self, load: str) -> Iterator[tuple[str, str, Signs]]:
        if load:
            meter = self._scene.meters[load]
            yield load, load if meter.captured else meter.title, load_signs(self._scene, load)
            return
        yield "", self._found.total.label, house_signs(self._scene)
        loads = [row for row, _ in leaves(self._found.total) if row.kind == "load"]
        for row in sorted(loads, key=_dearest)[:COSTLIEST]:
            yield row.name, row.label, load_signs(self._scene, row.name)

    def _clock_notes(self, *, skipped: bool) -> Iterator[str]:
        edges = Days.of(self._from_ms, self._to_ms, self._zone).edges
        if any(end - begin > DAY_MS for begin, end in pairwise(edges)):
            yield "On the day of 25 hours the hour that the clock shows twice is drawn as two halves."
        if skipped:
            yield "On the day of 23 hours the hour that the clock leaves out is a thin line."

    # -- base load --------------------------------------------------------------------------------

    def base(self, before: Report | None) -> dict[str, Any]:
        """The base load by night; without a picture where there are too few nights for one."""
        found = nights(self._scene, self._look.kept, self._from_ms, self._to_ms)
        known = [each for each in found if each.watts is not None]
        if len(found) < base.FEWEST:
            one = [f"One night, {each.day}: {watts_text(each.watts or 0.0)}." for each in known]
            return {"svg": "", "says": (one or ["No night is known."])[0], "nights": [], "notes": []}
        earlier = before.base.watts if before and before.base else None
        by_night = [{"day": f"{each.day}", "watts": _watts(each.watts) or "not known"} for each in found]
        notes = ["The line is the median of these nights."]
        notes += ["The broken line is that of the time before."] if earlier is not None else []
        svg = picture(base.draw(self.name("base"), found, earlier, self._zone))
        return {"svg": svg, "says": _sentence(base.says(found, earlier)), "nights": by_night, "notes": notes}


def _dearest(row: Row) -> tuple[Any, ...]:
    return -row.exact, -row.uwh, row.label


def _key(swatches: Sequence[Swatch]) -> list[tuple[Markup, str]]:
    return [(picture(each.svg), each.label) for each in swatches]


def _hour(of: HourOfDay) -> dict[str, str]:
    return {
        "hour": f"{of.hour:02}", "mean": _watts(of.mean_w), "most": _watts(of.most_w), "when": of.when,
        "kwh": "" if of.mean_w is None else f"{of.kwh:.2f}",
    }  # fmt: skip


def _watts(watts: float | None) -> str:
    return "" if watts is None else watts_text(watts, kilo=False).removesuffix(" W")


def _sentence(says: str) -> str:
    return f"{says[:1].upper()}{says[1:]}."
