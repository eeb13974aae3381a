"""What `wattround prove TRIAL` finds, and how it says it."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

from rich.console import Console
from rich.text import Text

from wattround.analysis.proof.data import ProofError
from wattround.analysis.proving.cases import Bench
from wattround.analysis.proving.trialfacts import plain
from wattround.analysis.proving.trialpage import page
from wattround.analysis.proving.trials import Tried, tried
from wattround.analysis.proving.trialwords import basis, verdict, warnings, worth_lines
from wattround.cli.proofs import WIDTH, Asked, checked, put
from wattround.config.model import Settings
from wattround.core.book import entries
from wattround.core.change import Change
from wattround.core.trial import Trial
from wattround.ledger.past import Past
from wattround.ledger.tally import Tally


def find(settings: Settings, asked: Asked, number: int, trial: Trial) -> Tried:
    """Judge it, and write the page where one is wanted.

    Raises:
        ValueError: with a reason, for what cannot be asked.
        NoLedger: if there is no ledger.
    """
    place = checked(settings, asked)
    folder = Path(settings.ledger.folder)
    past, tally = Past(folder, settings.house.id), Tally(folder, settings.house.id)
    try:
        kept = tally.kept()
        if kept is None:
            raise ValueError("the ledger has no minutes yet: let the daemon run for some weeks")
        found = tried(
            Bench.of(past, kept, settings), number, trial, entries(past.book, Change).values(), level=asked.level,
            least_coverage=asked.coverage, also=asked.also,
        )  # fmt: skip
    except ProofError as wrong:
        raise ValueError(str(wrong)) from None
    finally:
        past.close()
        tally.close()
    if place is not None:
        put(place, page(settings, found))
    return found


def show(of: Tried, html: Path | None) -> None:
    """Print it."""
    console = Console(highlight=False)
    if not console.is_terminal:
        console.width = WIDTH
    for line in _lines(of):
        console.print(Text(line))
    if html is not None:
        console.print(Text(f"\n{html} is written."))


def _lines(of: Tried) -> Iterator[str]:
    trial = of.trial
    yield f'"{trial.name}", on {", ".join(trial.on)}, a trial from {trial.first} to {trial.last}.'
    yield verdict(of)
    if of.judgement is not None:
        yield ""
        yield from worth_lines(of)
    noted = warnings(of)
    if noted:
        yield ""
        yield from (f"Note: {line}" for line in noted)
    yield ""
    yield from basis(of)


def as_json(of: Tried) -> str:
    """One object; numbers that are not known are null."""
    return json.dumps(plain(of))
