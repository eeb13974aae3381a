"""What a command may do to the ledger while no daemon runs: as its one writer, under the same lock."""

from __future__ import annotations

from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from wattround.config.model import Meter, Settings
from wattround.core.archiving import ArchiveCursor
from wattround.core.book import entered
from wattround.core.entry import Household
from wattround.core.hushing import carry_out
from wattround.core.outdoor import outdoor_words
from wattround.core.rulebook import channel_ways, manners_ways, rule_ways
from wattround.core.saved import upgraded
from wattround.ingest.feed import effective_meters
from wattround.ledger.batch import Batch
from wattround.ledger.opening import FILE
from wattround.ledger.reader import NoLedger
from wattround.ledger.writer import Writer
from wattround.rules.manners import Manners


def offline_archive(settings: Settings, folder: Path, now_ms: int, refill_from: int | None = None) -> dict[str, Any]:
    """Status of the archive's cursor, after setting it back if asked to.

    Raises:
        LedgerBusy: if a daemon has the ledger after all.
    """
    writer = Writer(folder, settings.house.id, now_ms)
    try:
        saved = writer.state("archive")
        cursor = ArchiveCursor(saved[1] if saved else None)
        if refill_from is not None:
            batch = Batch()
            cursor.refill(refill_from, batch)
            writer.commit(batch, now_ms, lambda _name: (0, 0))
        return {**cursor.status(writer, settings, now_ms), "running": False}
    finally:
        writer.close()


def offline_hush(settings: Settings, folder: Path, now_ms: int, request: dict[str, Any]) -> str:
    """Hush a rule, or let it speak again, in the state that the next daemon takes up.

    Raises:
        LedgerBusy: if a daemon has the ledger after all.
        ValueError: with a reason, for a request that cannot be carried out.
    """
    writer = Writer(folder, settings.house.id, now_ms)
    try:
        saved = writer.state("house")
        if saved is None:
            raise ValueError("no daemon has ever run on this ledger: there is nothing to hush")
        saved_ms, state = saved[0], dict(upgraded(saved[1]))
        manners = Manners(manners_ways(settings), rule_ways(settings), channel_ways(settings))
        manners.restore(state["manners"])
        rules = {rule.name: rule for rule in settings.rules}
        done = carry_out(manners, rules, effective_meters(settings), request, now_ms)
        batch = Batch()
        batch.states["house"] = {**state, "manners": manners.snapshot()}
        writer.commit(batch, saved_ms, lambda _name: (0, 0))  # as of when it was saved: a restart counts from then
        return done
    finally:
        writer.close()


def offline_outdoor(settings: Settings, folder: Path, now_ms: int, rows: list[Any]) -> int:
    """Take up imported outdoor temperatures; how many.

    Raises:
        LedgerBusy: if a daemon has the ledger after all.
        NoLedger: if there is none: the daemon makes it, as the user it runs as.
        ValueError: with a reason, for rows that are none.
    """
    words = outdoor_words(rows)
    writer = _existing(settings, folder, now_ms)
    try:
        writer.commit(Batch(signals=words), now_ms, lambda _name: (0, 0))
        return len(words)
    finally:
        writer.close()


def _existing(settings: Settings, folder: Path, now_ms: int) -> Writer:
    if not (folder / FILE).exists():
        raise NoLedger(f"{folder / FILE}: no such file: has the daemon run with these settings?")
    return Writer(folder, settings.house.id, now_ms)


def offline_book(settings: Settings, folder: Path, now_ms: int, request: dict[str, Any]) -> int:
    """Carry out a request about the book; its entry's number.

    Raises:
        LedgerBusy: if a daemon has the ledger after all.
        NoLedger: if there is none: the daemon makes it, as the user it runs as.
        ValueError: with a reason, for a request that cannot be carried out.
    """
    writer = _existing(settings, folder, now_ms)
    try:
        household = Household.at(now_ms, ZoneInfo(settings.house.time_zone), _known_meters(settings, writer))
        row = entered(writer.book, request, household, now_ms)
        writer.commit(Batch(entries=[row]), now_ms, lambda _name: (0, 0))
        return row.number
    finally:
        writer.close()


def _known_meters(settings: Settings, writer: Writer) -> dict[str, Meter]:
    """The meters of the file, and those that a pattern of it has captured, as the daemon last saved them."""
    found = dict(effective_meters(settings))
    pattern = next((meter for meter in settings.meters if meter.captured), None)
    saved = writer.state("house")
    if pattern is not None and saved is not None:
        for name in saved[1].get("patterns", ()):
            found.setdefault(name, pattern)
    return found
