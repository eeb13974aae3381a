"""A simulated month with its truth, told by wattround: how many messages are true, and how much is told."""

from __future__ import annotations

import argparse
import logging
import sys
import tempfile
import time
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path
from statistics import mean

import structlog

from simulated.life import ZONE
from simulated.month import drive, first_day, make_month
from simulated.score import Score, Told, by_kind, messages, of_occupancy, score, total
from simulated.wire import DRY_MS, Presence

SEEDS = (1, 2, 3)
AIM, AIM_A_DAY = 0.99, 2


@dataclass
class Verdict:
    """What came of one month; without presence only what rules of occupancy said matters."""

    seed: int
    presence: Presence
    scores: dict[str, Score]
    told: Told
    of_occupancy: tuple[int, int]
    took_s: float


def judge(seed: int, days: int, presence: Presence, first: date | None = None) -> Verdict:
    """Make a month, run it, hold it against its truth."""
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.ERROR))
    begun = time.monotonic()
    month = make_month(seed, days, presence, first)
    with tempfile.TemporaryDirectory(prefix="wattround-month-", dir=_memory()) as folder:
        heard = drive(month, Path(folder))
    scores = score(month, heard)
    last_word_ms = month.calendar.begin_ms + DRY_MS if presence == "stale" else None
    unheard = of_occupancy(month, heard, last_word_ms)
    return Verdict(seed, presence, scores, messages(month, heard, scores), unheard, time.monotonic() - begun)


def _memory() -> str | None:
    """A folder that needs no disk, where there is one: a month has some thousands of commits."""
    return "/dev/shm" if Path("/dev/shm").is_dir() else None


# -- the table ----------------------------------------------------------------------------------------

HEADINGS = (
    "kind of rule",
    "really so",
    "told",
    "missed",
    "told in vain",
    "recall",
    "precision",
    "late: median",
    "most",
)


def table(verdicts: Sequence[Verdict]) -> str:
    """Plain text of all months whose presence was known together."""
    known = [verdict for verdict in verdicts if verdict.presence == "known"]
    kinds: dict[str, Score] = {}
    for verdict in known:
        for kind, found in by_kind(verdict.scores).items():
            kinds.setdefault(kind, Score()).add(found)
    kinds["all"] = total(list(kinds.values()))
    rows = [HEADINGS, *(_row(kind, found) for kind, found in kinds.items())]
    widths = [max(len(row[column]) for row in rows) for column in range(len(HEADINGS))]
    return "\n".join(
        "| " + " | ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)) + " |" for row in rows
    )


def _row(kind: str, found: Score) -> tuple[str, ...]:
    labels = len(found.found) + len(found.missed)
    usual, worst = found.delay_min()
    return (
        kind, str(labels), str(len(found.found)), str(len(found.missed)), str(len(found.false)),
        f"{found.recall:.3f}", f"{found.precision:.3f}", f"{usual:.0f} min", f"{worst:.0f} min",
    )  # fmt: skip


def summary(verdicts: Sequence[Verdict]) -> list[str]:
    """The messages, and the months without presence."""
    told = Told()
    for verdict in verdicts:
        if verdict.presence == "known":
            told.add(verdict.told)
    lines = [
        f"messages a day on {len(told.normal)} normal days: {_a_day(told.normal)}",
        f"with careless weeks and faults, {len(told.every)} days: {_a_day(told.every)}",
        f"false messages: {told.false}; episodes that no message told: {told.untold}",
    ]
    for verdict in verdicts:
        if verdict.presence != "known":
            episodes, count = verdict.of_occupancy
            lines.append(
                f"seed {verdict.seed}, presence {verdict.presence}: occupancy rules raised {episodes}, told {count} messages"
            )
    return lines


def _a_day(counts: list[int]) -> str:
    return f"at most {max(counts, default=0)}, {mean(counts or [0]):.1f} in the mean"


def details(verdict: Verdict) -> list[str]:
    """What was missed, and what was told in vain."""
    lines = [f"seed {verdict.seed}, from {first_day(verdict.seed)}, took {verdict.took_s:.0f} s"]
    for found in verdict.scores.values():
        lines += [
            f"  missed: {label.rule} {label.load}, {_clock(label.from_ms)} to {_clock(label.to_ms)}: {label.why}"
            for label in found.missed
        ]
        lines += [
            f"  in vain: {episode.rule} {episode.load}, raised {_clock(episode.raised_ms)}, over {_clock(episode.settled_ms)}"
            f" ({episode.reason})"
            for episode in found.false
        ]
    return lines


def _clock(at_ms: int | None) -> str:
    return datetime.fromtimestamp(at_ms / 1000, UTC).astimezone(ZONE).strftime("%d %b %H:%M") if at_ms else "never"


def reaches_aims(verdicts: Sequence[Verdict]) -> bool:
    """Whether all aims are met."""
    known = [verdict for verdict in verdicts if verdict.presence == "known"]
    found = total([part for verdict in known for part in verdict.scores.values()])
    quiet = all(verdict.of_occupancy == (0, 0) for verdict in verdicts if verdict.presence != "known")
    calm = all(count <= AIM_A_DAY for verdict in known for count in verdict.told.normal)
    return found.precision >= AIM and found.recall >= AIM and quiet and calm


def main() -> int:
    parser = argparse.ArgumentParser(prog="tools/month", description=__doc__)
    parser.add_argument("--seed", type=int, action="append", help="which month (default: 1, 2 and 3)")
    parser.add_argument("--days", type=int, default=30, help="how long it is (default: 30; at least 6)")
    parser.add_argument("--details", action="store_true", help="say what was missed and what was told in vain")
    words = parser.parse_args()
    seeds, days = words.seed or list(SEEDS), max(6, words.days)
    tasks: list[tuple[int, Presence]] = [(seed, presence) for presence in ("known", "none", "stale") for seed in seeds]
    with ProcessPoolExecutor(2) as pool:
        pending = [pool.submit(judge, seed, days, presence) for seed, presence in tasks]
        verdicts = [future.result() for future in pending]
    print(table(verdicts))
    print("\n".join(summary(verdicts)))
    if words.details:
        print("\n".join(line for verdict in verdicts if verdict.presence == "known" for line in details(verdict)))
    return 0 if reaches_aims(verdicts) else 1


if __name__ == "__main__":
    sys.exit(main())
