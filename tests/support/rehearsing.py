"""A day lived by the real core, then rehearsed from its ledger."""

from __future__ import annotations

import random
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import NamedTuple

from support.house import HEAD, HouseRun, settings_of
from wattround.analysis.rehearsal import Rehearsal, rehearse
from wattround.analysis.variants import variants
from wattround.config.model import Settings
from wattround.ingest.delivery import LIVE
from wattround.ledger.past import Past

MINUTE, HOUR = 60_000, 3_600_000


class Step(NamedTuple):
    """From an instant on a topic says something: a number is said again at each reading, a word once."""

    at_ms: int
    topic: str
    says: float | str


def live_through(
    run: HouseRun, steps: Iterable[Step], until_ms: int, cadence_ms: int = 10_000, noise: float = 0.01, seed: int = 1
) -> None:
    """The house publishes its watts at a steady pace, words when they change; the core turns each time."""
    rng = random.Random(seed)
    left = sorted(steps, reverse=True)
    watts: dict[str, float] = {}
    while run.clock.now_ms < until_ms:
        while left and left[-1].at_ms <= run.clock.now_ms:
            step = left.pop()
            if isinstance(step.says, str):
                run.inbox.put((step.topic, step.says.encode(), run.clock.mono_ms(), LIVE, None))
            else:
                watts[step.topic] = step.says
        for topic, value in watts.items():
            said = max(0.0, value * (1 + rng.uniform(-noise, noise)))
            if value >= 0:  # below: it says nothing
                run.inbox.put((topic, f"{said:.2f}".encode(), run.clock.mono_ms(), LIVE, None))
        run.core.turn()
        run.clock.pass_ms(cadence_ms)
    run.core.turn()
    run.core.commit(run.clock.now_ms)


def rehearsed(run: HouseRun, from_ms: int, to_ms: int) -> Rehearsal:
    """What a rehearsal makes of the run's ledger."""
    settings: Settings = run.settings
    past = Past(run.folder, settings.house.id)
    try:
        return rehearse(past, settings, variants("", settings, (), ()), from_ms, to_ms, lambda _done, _of: None)
    finally:
        past.close()


class Ran(NamedTuple):
    """An episode, without its names."""

    began_ms: int
    raised_ms: int
    settled_ms: int | None
    waste_uwh: int
    reason: str | None


def as_lived(run: HouseRun) -> dict[tuple[str, str], list[Ran]]:
    """The episodes that the daemon wrote down, by rule and load."""
    found: dict[tuple[str, str], list[Ran]] = {}
    for rule, load, *rest in run.core.writer._db.execute(
        "SELECT rule, load, began_ms, raised_ms, settled_ms, waste_uwh, reason FROM episode ORDER BY began_ms"
    ):
        found.setdefault((rule, load), []).append(Ran(*rest))
    return found


def as_rehearsed(found: Rehearsal) -> dict[tuple[str, str], list[Ran]]:
    """The episodes of the rules as they are, by rule and load."""
    by: dict[tuple[str, str], list[Ran]] = {}
    for name, part in found.scenes[0].parts.items():
        for each in part.episodes:
            by.setdefault((name, each.load), []).append(
                Ran(each.began_ms, each.raised_ms, each.settled_ms, each.waste_uwh, each.reason)
            )
    return by


def told_live(run: HouseRun) -> dict[str, int]:
    """Messages that the daemon put into its outbox, by channel."""
    return dict(run.core.writer._db.execute("SELECT channel, count(*) FROM outbox GROUP BY channel"))


def rehearsed_file(folder: Path, text: str, names: Sequence[str] = (), tries: Sequence[str] = ()) -> Rehearsal:
    """A rehearsal of settings over all that a ledger has."""
    settings = settings_of(text, folder)
    past = Past(folder, settings.house.id)
    try:
        first, last = past.span() or (0, 0)
        chosen = variants(HEAD + text, settings, names, tries)
        return rehearse(past, settings, chosen, first * MINUTE, last * MINUTE, lambda _done, _of: None)
    finally:
        past.close()
