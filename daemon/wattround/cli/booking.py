"""Requests about the book: asked of the daemon; where none runs, carried out in the ledger for the next one."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Any, TypeVar

from wattround.config.model import Settings
from wattround.control import NoDaemon, ask_daemon
from wattround.core.book import entries
from wattround.core.entry import Entry
from wattround.core.offline import offline_book
from wattround.ledger.opening import LedgerBusy
from wattround.ledger.reader import Reader

E = TypeVar("E", bound=Entry)
PATIENCE_S = 5.0
"""How long another command, or a daemon that is just starting or stopping, is waited for."""


def ask_book(settings: Settings, do: str, kind: str, **facts: Any) -> int:
    """Add (`entry`), change (`number`, `entry`) or remove (`number`) an entry; its number, once it is on disk.

    Raises:
        LedgerBusy: if the ledger is in other hands all the while.
        NoLedger: if there is none.
        ValueError: with a reason, if it cannot be.
    """
    folder, request = Path(settings.ledger.folder), {"do": do, "kind": kind, **facts}
    try:
        return int(ask_daemon(folder, "book", request=request))
    except NoDaemon:
        pass
    until_s = time.monotonic() + PATIENCE_S
    while True:
        try:
            return offline_book(settings, folder, time.time_ns() // 1_000_000, request)
        except LedgerBusy:
            if time.monotonic() > until_s:
                raise
            time.sleep(0.1)


def entered(settings: Settings, kind: type[E]) -> dict[int, E]:
    """Entries of a kind that stand, by their numbers.

    Raises:
        NoLedger: if there is none.
        ValueError: if one was not written by this wattround.
    """
    reader = Reader(Path(settings.ledger.folder), settings.house.id)
    try:
        return entries(reader.book, kind)
    finally:
        reader.close()
