"""A proven saving that is watched: what the analysis left behind, so that the daemon sees when it is lost."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any, ClassVar, Self

from pydantic import BeforeValidator, Field

from wattround.config.tariff import Day
from wattround.core.change import Loads
from wattround.core.entry import Entry, Figure, Household
from wattround.rules.drift import DriftRule


def _rule(found: object) -> dict[str, Any]:
    try:
        if isinstance(found, Mapping):
            return DriftRule.from_json(found).to_json()
    except (TypeError, ValueError, KeyError):
        pass
    raise ValueError("a rule as wattround prove CHANGE --watch makes it")


class Watched(Entry):
    """The saving of a change, on its loads, followed from a day on. `saved_wh`: a day, as it was proven."""

    kind: ClassVar[str] = "watch"

    change: str = Field(min_length=1, max_length=80)
    on: Loads = Field(min_length=1, max_length=20)
    since: Day
    saved_wh: Figure
    rule: Annotated[dict[str, Any], BeforeValidator(_rule)]

    def objection(self, others: Mapping[int, Self], house: Household) -> str | None:
        """The first thing that is wrong with it."""
        twice = next((number for number, other in others.items() if other.change == self.change), None)
        if twice is not None:
            return f'change: found "{self.change}", which watch {twice} has already; expected a change once'
        unknown = [name for name in self.on if name not in house.roles]
        if unknown:
            return f"on: found {', '.join(unknown)}; expected meters of this house"
        return None
