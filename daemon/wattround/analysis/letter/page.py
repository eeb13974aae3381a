"""A letter as a page for mail: tables and cells of ink, which every mail client shows; no picture, no script.

Light only, as paper is: mail clients have their own ways with dark screens.
"""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Iterator, Sequence
from itertools import groupby
from typing import Any, NamedTuple

from markupsafe import Markup

from wattround.analysis.letter.told import Strips, Told
from wattround.analysis.reporting.words import WEEKDAYS
from wattround.pictures.grain import day_text
from wattround.pictures.ink import BELOW, INKS, LIGHT, SHARED, UNKNOWN, watts_text
from wattround.pictures.paper import environment

HATCHES = {
    UNKNOWN: "\N{BOX DRAWINGS LIGHT DIAGONAL UPPER RIGHT TO LOWER LEFT}",
    BELOW: "\N{BOX DRAWINGS LIGHT HORIZONTAL}",
}
"""Cells have no lines of their own: characters that hatch aslant and level."""


class Run(NamedTuple):
    """Hours next to each other that look alike: how many, their colour, and a hatching for each."""

    hours: int
    colour: str
    hatch: str


def blended(darkness: int) -> str:
    """The colour of an ink of `INKS` on paper: mail clients know no half-transparent ink."""
    share = INKS[darkness]
    parts = (_channels(LIGHT[name]) for name in ("paper", "ink"))
    return "#" + "".join(f"{round(paper + (ink - paper) * share):02x}" for paper, ink in zip(*parts, strict=True))


def page(of: Told) -> str:
    """The page of a letter."""
    templates = environment("wattround.analysis.letter")
    style = templates.get_template("letter.css.j2").render(**LIGHT)
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    safe = Markup(style)  # noqa: S704 - a file of ours, filled with colours of ours
    return templates.get_template("letter.html.j2").render(
        of=of, days=f"{day_text(of.first)} to {day_text(of.last)} {of.last.year}", style=safe,
        style_hash=f"sha256-{digest}", paper=LIGHT["paper"], rows=_rows, key=list(_key(of)),
    )  # fmt: skip


def _rows(of: Strips) -> Iterator[tuple[str, list[Run]]]:
    for day, hours in zip(of.days, of.hours, strict=True):
        yield WEEKDAYS[day.weekday()], list(_runs(hours))


def _runs(hours: Sequence[int | None]) -> Iterator[Run]:
    for darkness, some in groupby(hours):
        number = len(list(some))
        if darkness is None:
            yield Run(number, "", "")
        elif darkness in HATCHES:
            yield from (Run(1, "", HATCHES[darkness]) for _ in range(number))
        else:
            yield Run(number, blended(darkness), "")


def _key(of: Told) -> Iterator[tuple[Run, str]]:
    edges = [watts_text(each) for each in SHARED.edges_w]
    for darkness, label in enumerate([f"under {edges[0]}", *(f"from {edge}" for edge in edges)]):
        yield Run(1, blended(darkness), ""), label
    drawn: set[Any] = {hour for move in of.moves for hours in move.strips.hours for hour in hours}
    for darkness, label in ((UNKNOWN, "not heard"), (BELOW, "below 0")):
        if darkness in drawn:
            yield Run(1, "", HATCHES[darkness]), label


def _channels(colour: str) -> list[int]:
    return [int(colour[at : at + 2], 16) for at in (1, 3, 5)]
