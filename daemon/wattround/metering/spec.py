"""What a meter is told at first, and what it has to say."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple

from wattround.metering.level import Level, Thresholds
from wattround.metering.minute import Minute, Patch


class MeterSpec(NamedTuple):
    """What a meter needs to know of its settings; `counts_out` turns a counter's direction round.

    `edges_w` are watts whose crossing somebody wants to know; `every_change`: all watts, for a sum of meters.
    """

    name: str
    hold_ms: int
    thresholds: Thresholds
    stamped: bool
    has_power: bool
    has_counter: bool
    counts_out: bool = False
    highest_w: float = 100_000.0
    rollover_wh: float | None = None
    edges_w: tuple[float, ...] = ()
    every_change: bool = False


class LevelChange(NamedTuple):
    """A meter's level, or watts that somebody wants to know, changed; None where they cannot be told."""

    at_ms: int
    meter: str
    level: Level | None
    watts: float | None


@dataclass(slots=True)
class Output:
    """What metering has to say since it was last emptied, in order."""

    rows: list[Minute | Patch] = field(default_factory=list)
    levels: list[LevelChange] = field(default_factory=list)
