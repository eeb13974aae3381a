"""What is drawn: mean watts of loads, and of what no load accounts for, in the cells of a picture."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from wattround.analysis.account import MINUTES_UP_TO_MS
from wattround.analysis.report import Row, Scene
from wattround.ledger.grid import Reach, Stretch
from wattround.ledger.tally import Kept
from wattround.ledger.totals import Sums
from wattround.metering.minute import MINUTE_MS
from wattround.pictures.grain import Cell
from wattround.pictures.seen import Seen

Signs = Mapping[str, int]
"""Meters whose net energy adds up to something, and which way each counts."""


def seen(
    scene: Scene, kept: Kept, cells: Sequence[Cell], wanted: Sequence[Signs], length_ms: int
) -> list[list[Seen | None]]:
    """What each sum of meters was in each cell; None where one of its meters was not heard at all.

    Beyond 62 days (`length_ms`: all of the time) by the hour totals, as the report itself.
    """
    by_minute = length_ms <= MINUTES_UP_TO_MS
    reach = Reach(kept.minutes_from_hour if by_minute else kept.newest_hour + 1, kept.newest_hour)
    sums = scene.tally.cells({name for signs in wanted for name in signs}, _stretches(cells), reach)
    return [[_sum(sums, signs, at, cell.length_ms) for at, cell in enumerate(cells)] for signs in wanted]


def _stretches(cells: Sequence[Cell]) -> Iterator[Stretch]:
    for at, cell in enumerate(cells):
        yield from ((at, -(-begin // MINUTE_MS), -(-end // MINUTE_MS)) for begin, end in cell.spans)


def _sum(sums: Mapping[str, Mapping[int, Sums]], signs: Signs, at: int, length_ms: int) -> Seen | None:
    watts, covered_ms = 0.0, length_ms
    for name, sign in signs.items():
        of = sums.get(name, {}).get(at)
        if of is None or not of.covered_ms:
            return None
        watts += sign * (of.in_uwh - of.out_uwh) * 3.6 / of.covered_ms
        covered_ms = min(covered_ms, of.covered_ms)
    return Seen(watts, covered_ms, length_ms) if signs else None


# -- which meters make a row ----------------------------------------------------------------------


def house_signs(scene: Scene) -> Signs:
    """The whole house's consumption."""
    return scene.drawers.sources.signs


def load_signs(scene: Scene, name: str) -> Signs:
    """A load: its own net energy, what was made within it, less what was stored within it, as in its report's row."""
    sources = scene.drawers.sources
    inside = {
        each: sign
        for each, sign in sources.signs.items()
        if each not in sources.supplies and name in scene.tree.ancestors(each)
    }
    return {name: 1, **inside}


def rows_signs(scene: Scene, total: Row) -> Iterator[tuple[Row, Signs]]:
    """Rows of a report that have none under them, and the meters of each; none where only a sum is known."""
    yield from _under(scene, total, house_signs(scene))


def _under(scene: Scene, row: Row, signs: Signs) -> Iterator[tuple[Row, Signs]]:
    left = dict(signs)
    loads = [part for part in row.within if part.kind == "load"]
    for load in loads:
        for name, sign in load_signs(scene, load.name).items():
            left[name] = left.get(name, 0) - sign
    if not row.within:
        yield row, signs
    for part in row.within:
        if part.kind == "load":
            yield from _under(scene, part, load_signs(scene, part.name))
        else:
            yield part, {name: sign for name, sign in left.items() if sign} if part.kind == "remainder" else {}
