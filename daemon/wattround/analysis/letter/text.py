"""A letter as plain text, for terminals, for messages, and for mail that shows no pages."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence

from wattround.analysis.letter.told import Told
from wattround.pictures.grain import day_text

WIDE = 72
LABEL = 34


def text(of: Told) -> str:
    """The whole letter, with lines for any screen; a paragraph's lines are broken, a table's are not."""
    return "\n".join(_lines(of)) + "\n"


def _lines(of: Told) -> Iterator[str]:
    yield from _wrapped(
        f"{of.house}: the week of {day_text(of.first)} to {day_text(of.last)} {of.last.year} ({of.week})"
    )
    if of.late:
        yield from _wrapped(of.late)
    yield from _table(of.currency, [(each.label, each.kwh, each.money) for each in of.sums])
    yield ""
    yield from (line for each in of.says for line in _wrapped(each))
    yield from _headed("What moved most")
    if of.unmoved:
        yield from _wrapped(of.unmoved)
    for move in of.moves:
        yield from _wrapped(f"{move.label}: {move.kwh} kWh, {move.money} {of.currency}")
        yield from (line for each in (*move.why, move.says) for line in _wrapped(each, "  ", "  "))
    yield from _headed("Waste, by rule")
    if of.waste:
        yield from _table(of.currency, [(f"{each.rule} ({each.episodes})", each.kwh, each.money) for each in of.waste])
    yield from _wrapped(of.waste_says)
    yield from _list("Changes that stand", of.savings)
    yield from _list("Worth doing next", of.next)
    yield from _list("What was not seen", of.unseen)


def _list(title: str, lines: Sequence[str]) -> Iterator[str]:
    if lines:
        yield from _headed(title)
        yield from (line for each in lines for line in _wrapped(each, "- ", "  "))


def _headed(title: str) -> Iterator[str]:
    yield from ("", title.upper())


def _table(currency: str, rows: Sequence[tuple[str, str, str]]) -> Iterator[str]:
    yield f"{'':{LABEL}}{'kWh':>10}{currency:>12}"
    for label, kwh, money in rows:
        *above, last = textwrap.wrap(label, LABEL - 1) or [""]
        yield from above
        yield f"{last:{LABEL}}{kwh:>10}{money:>12}"


def _wrapped(paragraph: str, first: str = "", later: str = "") -> Iterator[str]:
    # a minus stays with its figure
    return iter(
        textwrap.wrap(
            paragraph, WIDE, initial_indent=first, subsequent_indent=later, break_on_hyphens=False,
            break_long_words=False,
        )
    )  # fmt: skip
