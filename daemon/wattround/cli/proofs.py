"""What `wattround prove` finds, and how it says it."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

from rich.console import Console
from rich.table import Table
from rich.text import Text

from wattround.analysis.proof.data import ProofError
from wattround.analysis.proof.mixture import Estimate
from wattround.analysis.proof.periods import Need
from wattround.analysis.proving.cases import Bench, Case, case, groups
from wattround.analysis.proving.page import ProofPart, page, part
from wattround.analysis.proving.together import Together, together
from wattround.analysis.proving.trialfacts import plain as trial_plain
from wattround.analysis.proving.trialpage import part as trial_part
from wattround.analysis.proving.trials import Tried, tried
from wattround.analysis.proving.trialwords import verdict as trial_verdict
from wattround.analysis.proving.words import (
    basis,
    between,
    expectation,
    verdict,
    warnings,
    worth_lines,
    yearly_money,
)
from wattround.cli.changing import pick
from wattround.cli.pagefile import WrongPlace, examine, write
from wattround.config.model import Settings
from wattround.core.book import entries
from wattround.core.change import Change
from wattround.core.trial import Trial
from wattround.ledger.past import Past
from wattround.ledger.tally import Tally

WIDTH = 100


class Asked(NamedTuple):
    """What a person asked for; `which` None: all changes and trials."""

    which: str | None
    level: float
    coverage: float
    also: tuple[str, ...] = ()
    html: Path | None = None


class Found(NamedTuple):
    """The cases; where all were asked for also the trials, and what the changes come to together, if there are any."""

    settings: Settings
    asked: Asked
    cases: Sequence[Case]
    trials: Sequence[Tried]
    together: Together | None


def find(settings: Settings, asked: Asked) -> Found:
    """Work it all out, and write the page where one is wanted.

    Raises:
        ValueError: with a reason, for what cannot be asked.
        NoLedger: if there is no ledger.
        sqlite3.Error: if it cannot be read.
    """
    place = checked(settings, asked)
    folder = Path(settings.ledger.folder)
    past, tally = Past(folder, settings.house.id), Tally(folder, settings.house.id)
    try:
        kept, changes = tally.kept(), entries(past.book, Change)
        trials = entries(past.book, Trial) if asked.which is None else {}
        if not changes and not trials:
            raise ValueError('no change has been entered: wattround change add "pump slower" --on pool-pump')
        if kept is None:
            raise ValueError("the ledger has no minutes yet: let the daemon run for some weeks")
        found = _find(Bench.of(past, kept, settings), asked, changes, trials)
    finally:
        past.close()
        tally.close()
    if place is not None:
        put(place, page(settings, *_heading(found), found.cases, _trial_parts(found)))
    return found


def checked(settings: Settings, asked: Asked) -> Path | None:
    """Where the page will lie, if one is wanted.

    Raises:
        ValueError: with a reason, for what cannot be asked.
    """
    if not 0.5 <= asked.level < 1:
        raise ValueError(f"--level: found {asked.level:g}; expected 0.5 to below 1, such as 0.9")
    if not 0.5 <= asked.coverage <= 1:
        raise ValueError(f"--coverage: found {asked.coverage:g}; expected 0.5 to 1")
    known = [signal.name for signal in settings.signals]
    for name in asked.also:
        if name not in known:
            raise ValueError(f'--also: found "{name}"; expected a signal: {", ".join(known) or "none is configured"}')
    try:
        return examine(asked.html) if asked.html is not None else None
    except WrongPlace as wrong:
        raise ValueError(str(wrong)) from None


def put(place: Path, text: str) -> None:
    """Write a page.

    Raises:
        ValueError: if that cannot be done.
    """
    try:
        write(place, text)
    except WrongPlace as wrong:
        raise ValueError(str(wrong)) from None


def _find(bench: Bench, asked: Asked, changes: dict[int, Change], trials: dict[int, Trial]) -> Found:
    every = groups(changes)
    wanted = every
    if asked.which is not None:
        _, chosen = pick(changes, asked.which)
        wanted = [group for group in every if chosen in group]
    level, coverage, also = asked.level, asked.coverage, asked.also
    try:
        cases = [case(bench, group, every, level=level, least_coverage=coverage, also=also) for group in wanted]
        judged = [
            tried(bench, number, trial, changes.values(), level=level, least_coverage=coverage, also=also)
            for number, trial in trials.items()
        ]
        sums = together(bench, cases, level, coverage) if asked.which is None and cases else None
    except ProofError as wrong:
        raise ValueError(str(wrong)) from None
    return Found(bench.settings, asked, cases, judged, sums)


def _heading(found: Found) -> tuple[str, str]:
    """The page's title, and what it holds."""
    some = []
    for number, noun, by in (
        (len(found.cases), "change", "the days before and after"),
        (len(found.trials), "trial", "days on and days off"),
    ):
        some += [f"{number} {noun}{'' if number == 1 else 's'}, judged by {by}"] if number else []
    every = "All changes and trials" if found.trials else "All changes"
    title = every if found.asked.which is None else f"Did it save? {found.cases[0].name}"
    return title, f"{'; '.join(some)}."


def _trial_parts(found: Found) -> list[ProofPart]:
    zone = ZoneInfo(found.settings.house.time_zone)
    return [trial_part(of, f"trial-{at}", zone) for at, of in enumerate(found.trials)]


# -- for a person ---------------------------------------------------------------------------------


def show(found: Found) -> None:
    """Print it."""
    console = Console(highlight=False)
    if not console.is_terminal:
        console.width = WIDTH
    if found.asked.which is not None:
        for line in _whole(found.cases[0]):
            console.print(Text(line))
    else:
        _all(console, found)
    if found.asked.html is not None:
        console.print(Text(f"\n{found.asked.html} is written."))


def _whole(of: Case) -> Iterator[str]:
    since = f"since {of.first}" if of.first == of.last else f"from {of.first} to {of.last}"
    names = " and ".join(f'"{change.name}"' for change in of.changes)
    yield f"{names}, on {', '.join(of.loads)}, {since}."
    yield verdict(of)
    evidence = of.proof.evidence if of.proof is not None else None
    if of.proof is None:
        return
    if evidence is not None:
        yield ""
        yield from worth_lines(of, evidence)
        said = expectation(of, evidence)
        if said is not None:
            yield said
    noted = warnings(of.proof)
    if noted:
        yield ""
        yield from (f"Note: {line}" for line in noted)
    yield ""
    yield from basis(of)


def _all(console: Console, found: Found) -> None:
    if found.together is not None:
        console.print(_table(found.cases))
        console.print()
        for line in found.together.lines:
            console.print(Text(line))
    for at, of in enumerate(found.trials):
        if at or found.together is not None:
            console.print()
        console.print(Text(f'"{of.trial.name}", on {", ".join(of.trial.on)}, a trial to {of.trial.last}.'))
        console.print(Text(trial_verdict(of)))


def _table(cases: Sequence[Case]) -> Table:
    grid = Table(box=None, pad_edge=False, header_style="underline", padding=(0, 2, 0, 0))
    for name in ("Change", "On", "Since", "Verdict", "kWh a day", "Range", "A year"):
        grid.add_column(name, justify="right" if name in ("kWh a day", "A year") else "left")
    for of in cases:
        evidence = of.proof.evidence if of.proof is not None else None
        said = of.proof.verdict if of.proof is not None else "too little data"
        avoided = evidence.avoided_wh_per_day if evidence is not None else None
        year = yearly_money(of)
        grid.add_row(
            Text(of.name), ", ".join(of.loads), f"{of.first}", said,
            f"{avoided.value / 1000:.3f}" if avoided is not None else "",
            between(avoided) if avoided is not None else "",
            f"{year[0]:.2f} {of.money.currency}" if year is not None else "",
        )  # fmt: skip
    return grid


# -- for programs ---------------------------------------------------------------------------------


def as_json(found: Found, *, pictures: bool = False) -> str:
    """One object; numbers that are not known are null. `pictures`: with what a page would show of each."""
    facts: dict[str, Any] = {"changes": [_plain(of) for of in found.cases]}
    if found.asked.which is None:
        facts["trials"] = [trial_plain(of) for of in found.trials]
    if pictures:
        zone = ZoneInfo(found.settings.house.time_zone)
        changes = [part(of, f"proof-{at}", zone) for at, of in enumerate(found.cases)]
        for shown, plain in zip(changes, facts["changes"], strict=True):
            plain["page"] = _shown(shown)
        for shown, plain in zip(_trial_parts(found), facts["trials"], strict=True):
            plain["page"] = _shown(shown)
    if found.together is not None:
        facts["together"] = {**found.together.plain(), "says": list(found.together.lines)}
    return json.dumps(_known(facts))


def _shown(of: ProofPart) -> dict[str, Any]:
    figures = [{"svg": each.picture, "caption": each.caption} for each in of.figures]
    return {"worth": of.worth, "warnings": of.warnings, "basis": of.basis, "figures": figures}


def _known(facts: Any) -> Any:
    if isinstance(facts, dict):
        return {key: _known(value) for key, value in facts.items()}
    if isinstance(facts, list):
        return [_known(value) for value in facts]
    return None if isinstance(facts, float) and not math.isfinite(facts) else facts


def _plain(of: Case) -> dict[str, Any]:
    proof = of.proof
    facts: dict[str, Any] = {
        "change": of.name,
        "with": [change.name for change in of.changes[1:]],
        "on": list(of.loads),
        "since": f"{of.first}",
        "verdict": proof.verdict if proof is not None else "too little data",
        "sentence": verdict(of),
        "needs": [{"text": need.text, "more_days": need.more_days} for need in proof.needs]
        if proof is not None
        else [],
        "notes": [{"code": note.code, "text": note.text} for note in proof.notes] if proof is not None else [],
        "per_kwh": str(of.money.per_kwh) if of.money.per_kwh is not None else None,
        "currency": of.money.currency,
        "evidence": None,
    }
    evidence = proof.evidence if proof is not None else None
    if proof is not None and evidence is not None:
        good = evidence.model.goodness
        yearly = evidence.yearly_wh
        facts["evidence"] = {
            "avoided_wh_per_day": _estimate(evidence.avoided_wh_per_day),
            "avoided_wh": _estimate(evidence.avoided_wh),
            "yearly_wh": None if isinstance(yearly, Need) else _estimate(yearly),
            "yearly_money": [str(each) for each in yearly_money(of) or ()] or None,
            "expected_wh_per_day": evidence.expected_wh_per_day,
            "smallest_seen_wh": evidence.smallest_seen_wh,
            "days_before": good.days,
            "days_after": evidence.reporting_days,
            "model": {"days": evidence.model.spec.day_classes, "weather": evidence.model.spec.shape},
            "r2": good.r2, "cv_rmse": good.cv_rmse, "nmbe": good.nmbe, "lag_one": good.lag_one,
            "outlying_days": [f"{each.day}" for each in evidence.outlying.days],
        }  # fmt: skip
    return facts


def _estimate(found: Estimate) -> dict[str, float]:
    return {"value": found.value, "low": found.low, "high": found.high, "level": found.level}
