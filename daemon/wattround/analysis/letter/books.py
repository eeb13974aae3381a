"""What the house's books say: waste by rule, savings that stand, what is worth doing next, what was not seen."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import timedelta
from pathlib import Path

from wattround.analysis.episodes import account
from wattround.analysis.letter.past import Pages
from wattround.analysis.letter.told import Waste
from wattround.analysis.report import Report
from wattround.analysis.watching import holds, watched
from wattround.analysis.whatif.home import Home
from wattround.analysis.whatif.ranking import ranking
from wattround.analysis.whatif.yearly import Year, cents
from wattround.config.model import Settings
from wattround.core.book import entries
from wattround.core.change import Change
from wattround.ledger.reader import Reader
from wattround.ledger.slices import Slices
from wattround.metering.localtime import instant_ms, local_date
from wattround.metering.minute import MINUTE_MS
from wattround.money.amount import cell_text
from wattround.pictures.grain import day_text

MOST_RULES, MOST_SAVINGS, MOST_NEXT, MOST_NAMES = 6, 6, 3, 8
HEARD_ENOUGH = 0.95
"""Of the week; a load that was heard for less is named (common practice, no source)."""
YEAR_DAYS = 365


def waste(reader: Reader, from_ms: int, to_ms: int) -> tuple[list[Waste], str]:
    """Each rule's episodes that were open in the week, those that wasted most first; and all in a sentence."""
    found = account(reader, from_ms, to_ms)
    rows = [
        Waste(each.name, f"{each.episodes}", f"{each.waste_wh / 1000:.2f}", cell_text(each.cost, each.unpriced_wh))
        for each in found.by_rule
    ]
    if not rows:
        return [], "No rule was raised."
    left = f" {len(rows) - MOST_RULES} more rules are left out here." if len(rows) > MOST_RULES else ""
    return rows[:MOST_RULES], f"Episodes that were open this week, each as a whole.{left}"


# -- savings --------------------------------------------------------------------------------------


def savings(reader: Reader, to_ms: int) -> Iterator[str]:
    """Changes that stand, the latest first, and whether their saving holds, as far as it is watched."""
    standing = [
        each for each in entries(reader.book, Change).values()
        if each.at_ms < to_ms and (each.until_ms is None or each.until_ms >= to_ms)
    ]  # fmt: skip
    kept = {entry.change: (entry, state) for entry, state in watched(reader)}
    standing.sort(key=lambda each: (each.name not in kept, -each.at_ms))
    for each in standing[:MOST_SAVINGS]:
        since = f'"{each.name}" ({", ".join(each.on)}), since {day_text(each.at.date())} {each.at.year}'
        if each.name not in kept:
            yield f"{since}: not watched. wattround prove shows what it saved."
            continue
        yield f"{since}: {holds(*kept[each.name])}"
    if len(standing) > MOST_SAVINGS:
        yield f"{len(standing) - MOST_SAVINGS} older changes are left out here."


# -- what to do next ------------------------------------------------------------------------------


def worth_doing(settings: Settings, pages: Pages, is_over: Callable[[], bool]) -> Iterator[str]:
    """What the loads' last year suggests, by what it would save in one."""
    zone, kept = pages.look.scene.zone, pages.look.kept
    to_ms = pages.look.span[1]
    from_ms = instant_ms(local_date(to_ms - 1, zone) - timedelta(days=YEAR_DAYS - 1), 0, zone)
    slices = Slices(Path(settings.ledger.folder), settings.house.id)
    slices.end_when(is_over)
    try:
        home = Home.of(slices, settings)
        found = ranking(home, max(from_ms, kept.begin * MINUTE_MS), to_ms)
        for each in found.suggestions[:MOST_NEXT]:
            yield f"{home.label(each.load)}: {each.title} saves {_a_year(each.money, settings.house.currency)}."
    finally:
        slices.close()


def _a_year(money: Year, currency: str) -> str:
    around = "" if money.least is None else f" ({cents(money.least)} to {cents(money.most)})"
    return f"some {cents(money.mean)} {currency} a year{around}"


# -- what was not seen ----------------------------------------------------------------------------


def unseen(pages: Pages, found: Report) -> Iterator[str]:
    """What the meters could not see: gaps of the whole and of loads, energy without a price."""
    total, zone = found.total, pages.look.scene.zone
    length_ms = instant_ms(pages.week[-1] + timedelta(days=1), 0, zone) - instant_ms(pages.week[0], 0, zone)
    heard = (total.covered_ms or 0) / length_ms
    if heard < 0.9995:
        yield f"The house was heard {100 * heard:.1f} % of the week."
    loads = {row.name: row for row in total.walk() if row.kind in ("load", "part")}
    shares = {row.label: (row.covered_ms or 0) / length_ms for row in loads.values()}
    silent = sorted(label for label, share in shares.items() if not share)
    partly = sorted((share, label) for label, share in shares.items() if 0 < share < HEARD_ENOUGH)
    if silent:
        yield f"Nothing was heard of {_some(silent)}."
    if partly:
        yield f"Heard in part: {_some([f'{label} ({100 * share:.0f} %)' for share, label in partly])}."
    yield from (f"{note[:1].upper()}{note[1:]}." for note in found.notes if not note.startswith("nothing was heard"))


def _some(names: list[str]) -> str:
    more = f" and {len(names) - MOST_NAMES} more" if len(names) > MOST_NAMES else ""
    return f"{', '.join(names[:MOST_NAMES])}{more}"
