"""The weekly letter: when it is written, and to whom."""

from __future__ import annotations

from pydantic import Field

from wattround.config.kinds import Name, TimeOfDay, Weekday
from wattround.config.part import Part


class WeeklyLetter(Part):
    """What changed in the house in the last whole week, told on a weekday at a time of the local clock."""

    day: Weekday = "mon"
    at: TimeOfDay = 7 * 60
    channels: tuple[Name, ...] = Field(min_length=1)
