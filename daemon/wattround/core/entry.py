"""What all kinds of entries in the book have in common."""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import date
from decimal import Decimal
from typing import Annotated, ClassVar, NamedTuple, Self
from zoneinfo import ZoneInfo

from pydantic import BeforeValidator

from wattround.config.model import Meter
from wattround.config.part import Part
from wattround.metering.localtime import local_date

_FIGURE = re.compile(r"-?\d{1,12}(\.\d{1,6})?")


def _figure(found: object) -> Decimal:
    if isinstance(found, Decimal):
        return found
    if not isinstance(found, str) or not _FIGURE.fullmatch(found):
        raise ValueError("a number such as 312.4, with a point, up to 12 digits before it and 6 behind")
    return Decimal(found)


Figure = Annotated[Decimal, BeforeValidator(_figure)]
"""A number as a person wrote it, with all the digits written: they say how far it was rounded."""


class Household(NamedTuple):
    """What an entry is judged by: the instant, its local day, and every meter's role."""

    now_ms: int
    today: date
    roles: Mapping[str, str]

    @classmethod
    def at(cls, now_ms: int, zone: ZoneInfo, meters: Mapping[str, Meter]) -> Household:
        """As it is at an instant."""
        return cls(now_ms, local_date(now_ms, zone), {name: meter.role for name, meter in meters.items()})


class Entry(Part):
    """What a person enters. A kind is one of these, and a line in `book.KINDS`.

    What is wrong with a single value its field says; what is wrong with the whole, `objection`. Entries that stand are
    read by the fields alone, so these may only ever become more lenient.
    """

    kind: ClassVar[str]

    def objection(self, others: Mapping[int, Self], house: Household) -> str | None:  # noqa: ARG002 - for kinds
        """Why it cannot be entered beside the others of its kind (by number): "KEY: found ...; expected ..."."""
        return None
