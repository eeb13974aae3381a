"""What a command may do to the ledger while no daemon runs: as its one writer, under the same lock."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from wattround.config.model import Settings
from wattround.core.archiving import ArchiveCursor
from wattround.core.hushing import carry_out
from wattround.core.rulebook import channel_ways, manners_ways, rule_ways
from wattround.core.saved import upgraded
from wattround.ingest.feed import effective_meters
from wattround.ledger.batch import Batch
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
