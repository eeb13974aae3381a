"""What a command may do to the ledger while no daemon runs: as its one writer, under the same lock."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from wattround.config.model import Settings
from wattround.core.archiving import ArchiveCursor
from wattround.ledger.batch import Batch
from wattround.ledger.writer import Writer


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
