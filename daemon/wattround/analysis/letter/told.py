"""A letter as plain values: what its text and its page both say. Names in it are as people wrote them."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import NamedTuple


class Sum(NamedTuple):
    """A line of the week's account: label, kWh and money as they are written."""

    label: str
    kwh: str
    money: str


class Strips(NamedTuple):
    """A load's week: for each day its 24 clock hours, each with its darkness (see `ink.INKS`); None: no such hour."""

    days: Sequence[date]
    hours: Sequence[Sequence[int | None]]


class Move(NamedTuple):
    """A load that moved: by how much, why as far as that is known, and its week, drawn and in a sentence."""

    label: str
    kwh: str
    money: str
    why: Sequence[str]
    strips: Strips
    says: str


class Waste(NamedTuple):
    """What a rule's episodes came to."""

    rule: str
    episodes: str
    kwh: str
    money: str


class Told(NamedTuple):
    """All of it. `marked`: some money is not known."""

    house: str
    week: str
    first: date
    last: date
    currency: str
    title: str
    late: str
    sums: Sequence[Sum]
    says: Sequence[str]
    moves: Sequence[Move]
    unmoved: str
    waste: Sequence[Waste]
    waste_says: str
    savings: Sequence[str]
    next: Sequence[str]
    unseen: Sequence[str]
