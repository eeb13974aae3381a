"""Where a trial's calendar goes: a file that is there whole, or not at all."""

from __future__ import annotations

from pathlib import Path

from wattround.analysis.proving.calendar import calendar
from wattround.cli.pagefile import WrongPlace, examine, write
from wattround.core.trial import Trial


def place_of(ics: Path) -> Path:
    """Where it will lie.

    Raises:
        ValueError: if nothing can be written there.
    """
    try:
        return examine(ics, "--ics")
    except WrongPlace as wrong:
        raise ValueError(str(wrong)) from None


def write_calendar(place: Path, trial: Trial, house: str) -> None:
    """Write it.

    Raises:
        ValueError: if it cannot be written.
    """
    try:
        write(place, calendar(trial, house), "--ics")
    except WrongPlace as wrong:
        raise ValueError(str(wrong)) from None
