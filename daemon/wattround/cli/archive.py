"""What the archive commands ask, of the daemon or, where none runs, of the ledger."""

from __future__ import annotations

import time
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from wattround.config.kinds import duration_text
from wattround.config.model import Settings
from wattround.control import NoDaemon, ask_daemon
from wattround.core.offline import offline_archive
from wattround.rules.marks import instant_ms


def status(settings: Settings, folder: Path) -> dict[str, Any]:
    """The facts, from the daemon if it runs."""
    try:
        facts: dict[str, Any] = ask_daemon(folder, "archive-status")
    except NoDaemon:
        facts = offline_archive(settings, folder, time.time_ns() // 1_000_000)
    return facts


def refill(settings: Settings, folder: Path, day: date) -> str:
    """Set the cursor back to the begin of a local day."""
    minute = instant_ms(day, 0, ZoneInfo(settings.house.time_zone)) // 60_000
    try:
        ask_daemon(folder, "archive-refill", from_minute=minute)
    except NoDaemon:
        offline_archive(settings, folder, time.time_ns() // 1_000_000, refill_from=minute)
        return f"no daemon runs: it will ship everything from {day} on again once it is started"
    return f"everything from {day} on is being shipped again; watch it with: wattround archive status"


def status_text(facts: dict[str, Any], settings: Settings) -> str:
    """The facts for a person."""
    archive = settings.archive
    cursor = facts["cursor_minute"]
    zone = ZoneInfo(settings.house.time_zone)
    upto = (
        "nothing yet"
        if cursor is None
        else f"up to {datetime.fromtimestamp(cursor * 60, UTC).astimezone(zone):%Y-%m-%d %H:%M}"
    )
    lines = [
        f"archive   {archive.url if archive else ''}",
        f"shipped   {upto}; {facts['rows_shipped_since_start']} rows since the daemon started",
        f"waiting   {facts['rows_waiting']} rows, and {facts['amended_waiting']} amended ones",
        f"          (a minute is shipped when it is {duration_text(facts['lag_s'] * 1000)} old)",
    ]
    if facts["trouble"]:
        since = duration_text(facts["now_ms"] - facts["trouble_since_ms"]) if facts["trouble_since_ms"] else "a while"
        lines.append(f"trouble   {facts['trouble']}, for {since}; nothing is lost, rows wait in the ledger")
    elif not facts["running"]:
        lines.append("trouble   no daemon runs, so nothing is shipped")
    return "\n".join(lines)
