"""What the inventory's loads explain: held against what each circuit took beyond the meters within it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

from wattround.analysis.account import MINUTES_UP_TO_MS
from wattround.analysis.inventory import Explained, explained
from wattround.analysis.report import Report, Scene
from wattround.core.book import entries
from wattround.core.inventory import Load
from wattround.core.wiring import accuracy_of
from wattround.metering.accuracy import UNKNOWN_PERCENT
from wattround.metering.minute import MINUTE_MS

ROLES = ("supply", "circuit", "appliance")
A_DAY = 1440
WH_PER_KWH = 1000.0


class Listed(NamedTuple):
    """A circuit with listed loads, by its title: all that it took, or (`is_rest`) what no meter within it saw."""

    label: str
    is_rest: bool
    of: Explained

    def kwh(self, wh_a_day: float) -> float:
        """Energy over the time that was looked at, of so many watt-hours a day."""
        return wh_a_day * self.of.minutes / A_DAY / WH_PER_KWH

    @property
    def unexplained_kwh(self) -> float:
        """What is left; below zero where more is listed than was used."""
        return self.kwh(self.of.used_wh - self.of.listed.value)


def percents(scene: Scene) -> dict[str, float]:
    """How far each meter may be off, in per cent."""
    measured = accuracy_of(scene.meters)
    return {name: measured.get(name, UNKNOWN_PERCENT) for name in scene.meters}


def held(scene: Scene, loads: Sequence[Load], from_ms: int, to_ms: int, *, every: bool) -> Iterator[Explained]:
    """Circuits in the order of the tree with what their loads explain; `every`: also those that have none."""
    own_percents = percents(scene)
    for _, name in scene.tree.walk():
        own = [load for load in loads if load.circuit == name]
        if scene.meters[name].role not in ROLES or name in scene.tree.aside or not (own or every):
            continue
        rest = scene.tally.rest(scene.tree, name, -(-from_ms // MINUTE_MS), to_ms // MINUTE_MS)
        if rest is not None and rest.minutes:
            yield explained(name, own, rest.net_uwh, rest.minutes, own_percents[name])


def listed(scene: Scene, found: Report) -> list[Listed]:
    """What of a report's energy the inventory explains; none beyond 62 days, whose minutes take too long to go through.

    Raises:
        ValueError: if an entry cannot be read.
    """
    if found.elapsed_ms > MINUTES_UP_TO_MS:
        return []
    loads = list(entries(scene.tally.book, Load).values())
    span = found.account.from_ms, found.account.to_ms
    return [
        Listed(scene.meters[of.circuit].title, bool(scene.tree.children[of.circuit]), of)
        for of in held(scene, loads, *span, every=False)
        if of.loads
    ]


def listed_lines(found: Sequence[Listed]) -> Iterator[str]:
    """In words, a line for each."""
    for each in found:
        of = each.of
        what = "what no meter within it saw" if each.is_rest else "all of it"
        low, high, known = (each.kwh(wh) for wh in (of.listed.low, of.listed.high, of.listed.value))
        share = "" if of.share is None else f", {100 * of.share.value:.0f} %"
        missing = f" No hours or watts: {', '.join(of.missing)}." if of.missing else ""
        yield (
            f"Listed on {each.label} ({what}: {each.kwh(of.used_wh):.2f} kWh): {known:.2f} kWh, between {low:.2f} and"
            f" {high:.2f}{share}; {_left(each)}.{missing}"
        )


def _left(each: Listed) -> str:
    share = each.of.share
    if share is None:
        return "nothing was used"
    if share.low > 1:
        return f"{-each.unexplained_kwh:.2f} kWh more than was used"
    if share.high < 1:
        return f"{each.unexplained_kwh:.2f} kWh are not explained"
    return "that may be all"
