"""Runs side by side, each in a process of its own, and the table of what came of them."""

from __future__ import annotations

import random
import shutil
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from multiprocessing import get_context
from pathlib import Path

from faulty.cuts import Cuts
from faulty.kinds import DISK, KINDS, plan
from faulty.run import ACTIVE_S, Run, can_mount
from faulty.servers import Database
from faulty.verdict import Verdict, violations


def one(seed: int, names: Sequence[str], database_port: int, home: str, keep: bool) -> Verdict:
    """Play and judge the run of a seed."""
    begun_s = time.monotonic()
    faults = plan(random.Random(seed), list(names), ACTIVE_S)
    run = Run(seed, faults, database_port, Path(home))
    books = None
    try:
        run.live()
        found, books = violations(run, Database(Path(home) / "database", database_port))
    except Exception:  # noqa: BLE001 - one run that fails must not hide the others
        found = [f"the harness itself failed: {traceback.format_exc()}"]
    run.close(keep=keep or bool(found))
    minutes = sum(len(rows) for rows in books.rows.values()) if books else 0
    episodes = len(books.episodes) if books else 0
    took_s = time.monotonic() - begun_s
    return Verdict(
        seed,
        tuple(faults),
        tuple(found),
        minutes,
        episodes,
        len(run.keeper.deaths),
        took_s,
        (run.torrent_sent, run.torrent_s, run.lag.most_s if run.lag else 0.0),
        str(run.folder),
    )


def available() -> tuple[list[str], list[str]]:
    """Kinds that can be played here, and those that cannot."""
    missing = [] if can_mount() else list(DISK)
    return [name for name in KINDS if name not in missing], missing


def play(seeds: Sequence[int], names: Sequence[str], at_once: int, *, keep: bool = False) -> Iterator[Verdict]:
    """Verdicts as they come. A run that broke a promise leaves its folder behind, to be looked at."""
    memory = Path("/dev/shm")
    home = Path(tempfile.mkdtemp(prefix="wattround-faults-", dir=memory if memory.is_dir() else None))
    database = Database(home / "database")
    database.start()
    left = keep
    pool = ProcessPoolExecutor(at_once, mp_context=get_context("spawn"))
    try:
        waiting = [pool.submit(one, seed, names, database.port, str(home), keep) for seed in seeds]
        for done in as_completed(waiting):
            left = left or bool(done.result().violations)
            yield done.result()
    finally:
        pool.shutdown(cancel_futures=True)  # those that run are played to their end: nothing of them is left behind
        database.stop()
        shutil.rmtree(home / "database" if left else home, ignore_errors=True)


def table(verdicts: Sequence[Verdict]) -> str:
    """By kind: in how many runs it was there, alone and with others, and how many of those broke a promise."""
    alone: Counter[str] = Counter()
    together: Counter[str] = Counter()
    broken: Counter[str] = Counter()
    for verdict in verdicts:
        kinds = {fault.kind for fault in verdict.faults}
        for kind in kinds:
            (alone if len(kinds) == 1 else together)[kind] += 1
            broken[kind] += bool(verdict.violations)
    rows = [("kind of fault", "runs alone", "with others", "with a violation")]
    for kind in KINDS:
        if alone[kind] + together[kind]:
            rows.append((kind, str(alone[kind]), str(together[kind]), str(broken[kind])))
    wrong = sum(bool(verdict.violations) for verdict in verdicts)
    lines = ["| " + " | ".join(row) + " |" for row in rows]
    lines.insert(1, "|---|---|---|---|")
    lines.append(
        f"\n{len(verdicts)} runs, {wrong} with a violation; {sum(each.minutes for each in verdicts):,} minutes of meters,"
        f" {sum(each.episodes for each in verdicts):,} episodes, {sum(each.kills for each in verdicts):,} kills."
    )
    sent, seconds = (sum(each.torrent[part] for each in verdicts) for part in (0, 1))
    if seconds:
        behind = max(each.torrent[2] for each in verdicts)
        lines.append(
            f"Torrents: {sent:,} messages, {sent / seconds:,.0f} a second; the daemon was at most {behind:.1f} s behind."
        )
    return "\n".join(lines)


def cuts_text(cuts: Cuts) -> str:
    """What came of power cuts and failing writes."""
    lines = [f"{name}: {count} tried" for name, count in cuts.tried.items()]
    return "\n".join([*lines, *(f"    VIOLATION {wrong}" for wrong in cuts.violations[:20])])
