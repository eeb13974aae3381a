"""What is wrong after a run: nothing, if all that is promised was kept."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from typing import NamedTuple

from faulty.energy import Books, wrong_energy
from faulty.keeper import WRONG_SETTINGS
from faulty.kinds import Planned
from faulty.run import Run
from faulty.servers import Database
from faulty.told import wrong_archive, wrong_messages


class Verdict(NamedTuple):
    """What came of one run."""

    seed: int
    faults: tuple[Planned, ...]
    violations: tuple[str, ...]
    minutes: int
    episodes: int
    kills: int
    took_s: float
    torrent: tuple[int, float, float]
    """Messages sent, in how many seconds, and by how many the daemon was behind at most."""
    folder: str


def violations(run: Run, database: Database) -> tuple[list[str], Books | None]:
    """Everything that is wrong, as sentences."""
    found = [*run.troubles, *_ends(run)]
    try:
        books = Books(run)
    except Exception as trouble:  # noqa: BLE001 - a ledger that cannot be read is a verdict, not an accident
        return [*found, f"the ledger cannot be read: {type(trouble).__name__}: {trouble}"], None
    found += wrong_energy(run, books)
    found += wrong_messages(run, books)
    if not run.troubles:
        found += wrong_archive(run, books, database)
    return found, books


def _ends(run: Run) -> Iterator[str]:
    """Ends that nobody asked for, and what the log should not hold."""
    for ended in run.keeper.ended:
        wrong = ended.status == WRONG_SETTINGS and run.wrong_files.touch(ended.at_s - 3.0, ended.at_s)
        full = ended.status == 1 and run.disk_troubles.touch(ended.at_s - 3.0, ended.at_s)
        # the interpreter itself does not heed a hang-up before it has begun to read us
        early = ended.status == -signal.SIGHUP and any(0 < ended.at_s - at_s < 1.0 for at_s in run.keeper.started_s)
        if not wrong and not full and not early:
            yield f"the daemon ended by itself with status {ended.status}"
    if run.status != 0:
        yield f"told to stop, the daemon ended with status {run.status}"
    for event in run.keeper.events():
        if event.get("level") == "critical" and not (
            run.disk_troubles.found and event["event"].startswith("cannot start")
        ):
            yield f"log: {event['event']}: {event.get('error', event.get('reason', ''))} {event.get('where', '')}"
        elif event.get("level") == "raw" and "Traceback" in event["event"]:
            yield "log: a traceback"
        elif event["event"] in ("a payload could not be taken", "ledger was damaged: set aside, a new one begun"):
            yield f"log: {event['event']}: {event.get('exception', event)}"
