"""The round's loads in the ledger's book: kept after every switch, found again when the round goes on."""

from __future__ import annotations

import signal
import sqlite3
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from decimal import Decimal
from types import FrameType
from typing import Any
from zoneinfo import ZoneInfo

from wattround.analysis.walk.combine import Combined, rounded
from wattround.analysis.walk.round import Repeat
from wattround.analysis.walk.step import Step
from wattround.cli.booking import ask_book, entered
from wattround.config.model import Settings
from wattround.core.inventory import Load, Move, Switched
from wattround.ledger.opening import LedgerBusy, LedgerUnusable
from wattround.ledger.reader import NoLedger

MOST_MOVES = 16


class LoadBook:
    """All loads, by their names. What cannot be written now is tried again with the next.

    Raises:
        NoLedger: if there is no ledger.
        ValueError: if an entry cannot be read.
    """

    def __init__(self, settings: Settings, say: Callable[[str], None]) -> None:
        self._settings, self._say = settings, say
        self._zone = ZoneInfo(settings.house.time_zone)
        self._unwritten: dict[str, Load] = {}
        self._take(entered(settings, Load))

    def _take(self, found: Mapping[int, Load]) -> None:
        self.loads = {load.name: load for load in found.values()} | self._unwritten
        self._numbers = {load.name: number for number, load in found.items()}

    def refresh(self) -> None:
        """What others have entered meanwhile; while the ledger cannot be read, what was known."""
        with suppress(ValueError, NoLedger, sqlite3.Error):
            self._take(entered(self._settings, Load))

    def moment(self, at_ms: int) -> datetime:
        """A time of the round, in the house's zone."""
        return datetime.fromtimestamp(at_ms // 1000, UTC).astimezone(self._zone)

    def keep(self, load: Load) -> None:
        """Write it, and what could not be written before; an interrupt waits for that."""
        self.loads[load.name] = load
        self._unwritten[load.name] = load
        with undisturbed():
            self.flush()

    def flush(self) -> None:
        """Write what is not written yet; what is refused is told, and tried again later."""
        for name, load in list(self._unwritten.items()):
            try:
                self._write(load)
            except (ValueError, LedgerBusy, LedgerUnusable, NoLedger, OSError, sqlite3.Error) as trouble:
                self._say(f"{name} could not be written down: {trouble}. It is tried again.")
                return
            del self._unwritten[name]

    def _write(self, load: Load) -> None:
        entry: dict[str, Any] = load.model_dump(mode="json", exclude_defaults=True)
        if load.name not in self._numbers:
            try:
                self._numbers[load.name] = ask_book(self._settings, "add", "load", entry=entry)
            except ValueError:
                self.refresh()  # it may have been written, and the answer lost
                if load.name not in self._numbers:
                    raise
            else:
                return
        ask_book(self._settings, "change", "load", number=self._numbers[load.name], entry=entry)

    @property
    def unwritten(self) -> list[Load]:
        """Loads that could not be written down."""
        return list(self._unwritten.values())

    def left(self) -> list[Load]:
        """Loads that are still to do: without watts, or in the middle of a round."""
        found = [load for load in self.loads.values() if load.on_w is None or load.switched]
        return sorted(found, key=lambda load: (load.room, load.name))


@contextmanager
def undisturbed() -> Iterator[None]:
    """An interrupt that comes meanwhile is taken up afterwards."""
    came: list[int] = []

    def note(number: int, _frame: FrameType | None) -> None:
        came.append(number)

    before = signal.signal(signal.SIGINT, note)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)
    if came:
        raise KeyboardInterrupt


def switched(repeat: Repeat, way: str, at: datetime, around: set[str]) -> Switched:
    """A repeat as the book keeps it: the circuits around the load, and those that moved most clearly."""
    steps = sorted(repeat.steps.items(), key=lambda item: (item[0] not in around, -abs(item[1].watts) / item[1].u_w))
    moves = [
        Move(circuit=name, watts=each.watts, u_w=each.u_w, dof=each.dof, inrush_w=each.inrush_w)
        for name, each in steps[:MOST_MOVES]
    ]
    return Switched.model_validate({"at": at, "way": way, "on": repeat.on, "moves": tuple(moves)})


def repeats(load: Load, way: str) -> list[Repeat]:
    """The repeats of a round that was broken off."""
    return [
        Repeat(
            round(each.at.timestamp() * 1000), each.on,
            {move.circuit: Step(move.watts, move.u_w, move.dof, move.inrush_w) for move in each.moves},
        )
        for each in load.switched if each.way == way
    ]  # fmt: skip


def figures(key: str, watts: float, found: Combined) -> Mapping[str, Decimal]:
    """Watts and their uncertainty as the book has them: `key`_w and `key`_uncertainty_w."""
    value, off = rounded(max(0.0, watts), found.expanded_w)
    return {f"{key}_w": Decimal(value), f"{key}_uncertainty_w": Decimal(off)}
