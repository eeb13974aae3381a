"""A ledger with a made-up or recorded past, written by the real writer."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path

from wattround.ledger.batch import Batch
from wattround.ledger.writer import Writer
from wattround.metering.minute import WMS_PER_UWH, Minute

BEGIN_MINUTE = 1_780_000_000 // 60 // 1440 * 1440
"""A midnight UTC."""
DAY = 1440


def steps(days: int, at_rest_w: float, *runs: tuple[float, float, float], noise: float = 0.0) -> list[list[float]]:
    """Six readings a minute of a load at rest but for the same runs every day: (from minute, to minute, watts)."""
    found = []
    for minute in range(days * DAY):
        readings = []
        for part in range(6):
            at = minute % DAY + part / 6
            watts = next((watts for begin, end, watts in runs if begin <= at < end), at_rest_w)
            # a wobble that is the same in every run of the test
            readings.append(watts * (1 + noise * ((minute * 7 + part * 3) % 11 - 5) / 5))
        found.append(readings)
    return found


def minutes(meter: str, readings: Iterable[list[float]], begin: int = BEGIN_MINUTE) -> list[Minute]:
    """Whole minutes of readings that each stand for an equal part; an empty list is a minute that is not covered."""
    return [
        Minute(
            meter, begin + index, round(sum(max(0.0, w) for w in each) / len(each) * 60_000 / WMS_PER_UWH),
            round(sum(max(0.0, -w) for w in each) / len(each) * 60_000 / WMS_PER_UWH), 60_000,
            round(max(each) * 1000), round(min(each) * 1000), 1,
        )
        for index, each in enumerate(readings)
        if each
    ]  # fmt: skip


def write(folder: Path, rows: list[Minute], roles: Mapping[str, str], house: str = "testhouse") -> None:
    """A ledger of these minutes."""
    now_ms = (max((row.minute for row in rows), default=BEGIN_MINUTE) + 1) * 60_000
    made = Writer(folder, house, now_ms)
    made.register(roles)
    made.commit(Batch(rows=list(rows)), now_ms, lambda _name: (1 << 31, 60_000))
    made.close()
