"""Ledgers of months and years by the hour: what proofs look at, written without their minutes."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from wattround.ledger.batch import Batch, SignalRow
from wattround.ledger.opening import FILE
from wattround.ledger.writer import Writer
from wattround.metering.localtime import instant_ms
from wattround.metering.minute import Minute

BERLIN = ZoneInfo("Europe/Berlin")
HOUR_MS = 3_600_000


def write_days(
    folder: Path, days: Sequence[date], energy_wh: Mapping[str, Sequence[float]], temperature_c: Sequence[float] = (),
    roles: Mapping[str, str] | None = None, house: str = "testhouse", zone: ZoneInfo = BERLIN,
) -> None:  # fmt: skip
    """A ledger with so much energy on each local day, spread evenly over its hours, and imported daily temperatures."""
    end_ms = instant_ms(days[-1] + timedelta(days=1), 0, zone)
    writer = Writer(folder, house, end_ms)
    writer.register(roles or dict.fromkeys(energy_wh, "circuit"))
    words = [SignalRow(instant_ms(day, 720, zone), "outdoor", "day", f"{degrees_c:.2f}")
             for day, degrees_c in zip(days, temperature_c, strict=False)]  # fmt: skip
    last = [Minute(name, end_ms // 60_000, 0, 0, 1000, 0, 0, 1) for name in energy_wh]
    writer.commit(Batch(signals=words, rows=list(last)), end_ms, lambda _name: (1 << 31, 60_000))
    writer.close()
    db = sqlite3.connect(folder / FILE, isolation_level=None)
    ids = dict(db.execute("SELECT name, id FROM meter"))
    db.execute("BEGIN")
    for name, by_day in energy_wh.items():
        for day, wh in zip(days, by_day, strict=True):
            first, stop = (instant_ms(day + timedelta(days=on), 0, zone) // HOUR_MS for on in (0, 1))
            uwh = round(wh * 1e6 / (stop - first))
            db.executemany(
                "INSERT OR REPLACE INTO hour VALUES (?, ?, ?, 0, ?, 0, ?, ?)",
                [(hour, ids[name], uwh, HOUR_MS, uwh // 1000, uwh // 1000) for hour in range(first, stop)],
            )
    db.execute("COMMIT")
    db.close()
