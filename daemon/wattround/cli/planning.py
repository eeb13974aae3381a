"""What `wattround prove plan` finds and says: how long a change must be tried, and the drawing of a trial."""

from __future__ import annotations

import json
import secrets
import time
from collections.abc import Iterator, Mapping
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any, Literal, NamedTuple
from zoneinfo import ZoneInfo

from rich.console import Console
from rich.table import Table
from rich.text import Text

from wattround.analysis.known import known_meters
from wattround.analysis.proof.alternating import draw
from wattround.analysis.proof.data import ProofError
from wattround.analysis.proof.planning import Way
from wattround.analysis.proving.cases import Bench
from wattround.analysis.proving.planned import Planned, planned
from wattround.analysis.proving.planwords import advice, cautions, headline
from wattround.analysis.proving.turns import block_units
from wattround.analysis.proving.words import kwh
from wattround.cli.booking import ask_book
from wattround.cli.changing import energy_wh
from wattround.cli.icsfile import place_of, write_calendar
from wattround.cli.trying import as_plain, shown
from wattround.config.model import Settings
from wattround.core.book import entries
from wattround.core.change import Change, loads_objections
from wattround.core.entry import Household
from wattround.core.trial import LEAST_DAYS, LONGEST_DAYS, Trial
from wattround.ledger.past import Past
from wattround.ledger.tally import Tally

WIDTH = 100
LONGEST_DRAWN_DAYS = 366
"""A trial whose length nobody says is not made longer than this."""
UNIT_DAYS: dict[str, Literal[1, 7]] = {"day": 1, "week": 7}
WAYS: dict[str, Way] = {"day": "alternating by day", "week": "alternating by week"}
OPTIONS = {"name": "as", "first": "from", "order": "days", "on_is": "on-is", "off_is": "off-is"}


class Asked(NamedTuple):
    """What a person asked for; without `alternate` only for the plan."""

    loads: tuple[str, ...]
    effect: str
    level: float
    alternate: str
    first: str
    days: int | None
    weeks: int | None
    name: str
    on_is: str
    off_is: str
    seed: int | None
    ics: Path | None


class Answer(NamedTuple):
    """The plan, or why there is none; the trial that was drawn, where one was asked for."""

    asked: Asked
    plan: Planned | None
    refusal: str
    number: int
    trial: Trial | None


def find(settings: Settings, asked: Asked) -> Answer:
    """Work out the plan; draw and enter the trial, and write its calendar.

    Raises:
        ValueError: with a reason, in the words of the options.
        NoLedger: if there is no ledger.
    """
    _examine(asked)
    place = place_of(asked.ics) if asked.ics is not None else None
    zone = ZoneInfo(settings.house.time_zone)
    now = datetime.fromtimestamp(int(time.time()), UTC).astimezone(zone)
    folder = Path(settings.ledger.folder)
    past, tally = Past(folder, settings.house.id), Tally(folder, settings.house.id)
    try:
        household = Household.at(int(now.timestamp()) * 1000, zone, known_meters(past, settings))
        for objection in loads_objections(asked.loads, household):
            raise ValueError(f"--{objection}")
        kept = tally.kept()
        if kept is None:
            raise ValueError("the ledger has no minutes yet: let the daemon run for some weeks")
        plan, refusal = _plan(Bench.of(past, kept, settings), asked)
    finally:
        past.close()
        tally.close()
    if not asked.alternate:
        if plan is None:
            raise ValueError(refusal)
        return Answer(asked, plan, "", 0, None)
    number, trial = _enter(settings, _drawn(asked, plan, refusal, now))
    if place is not None:
        write_calendar(place, trial, settings.house.id)
    return Answer(asked, plan, refusal, number, trial)


def _examine(asked: Asked) -> None:
    if not 0.5 <= asked.level < 1:
        raise ValueError(f"--level: found {asked.level:g}; expected 0.5 to below 1, such as 0.9")
    if not asked.loads:
        raise ValueError("--on: found nothing; expected the load that is to be tried with")
    if asked.alternate not in ("", *UNIT_DAYS):
        raise ValueError(f'--alternate: found "{asked.alternate}"; expected day or week')
    of_trial = {
        "--as": asked.name, "--from": asked.first, "--days": asked.days, "--weeks": asked.weeks, "--on-is": asked.on_is,
        "--off-is": asked.off_is, "--seed": asked.seed, "--ics": asked.ics,
    }  # fmt: skip
    named = next((option for option, found in of_trial.items() if found not in ("", None)), None)
    if named is not None and not asked.alternate:
        raise ValueError(f"{named}: belongs to a trial; expected --alternate day or --alternate week beside it")
    if asked.alternate and not asked.name:
        raise ValueError('--as: found nothing; expected a name for the trial, such as "cooler 26 degrees"')
    if asked.days is not None and asked.weeks is not None:
        raise ValueError("--weeks: found it beside --days; expected one of them")


def _plan(bench: Bench, asked: Asked) -> tuple[Planned | None, str]:
    effect_wh = float(energy_wh("--effect", asked.effect)) if asked.effect else None
    if effect_wh is not None and effect_wh <= 0:
        raise ValueError(f"--effect: found {asked.effect}; expected energy a day above 0, such as 300Wh")
    changes, trials = entries(bench.past.book, Change).values(), entries(bench.past.book, Trial).values()
    try:
        return planned(bench, asked.loads, effect_wh, changes, trials, level=asked.level), ""
    except ProofError as error:
        return None, str(error)


# -- drawing --------------------------------------------------------------------------------------


def _drawn(asked: Asked, plan: Planned | None, refusal: str, now: datetime) -> dict[str, Any]:
    """The entry: an order of blocks from a seed, from the day on that was asked for, else from tomorrow."""
    unit_days = UNIT_DAYS[asked.alternate]
    units = _units(asked, unit_days, plan, refusal)
    size = block_units(units)
    if size is None:
        raise ValueError(_odd(asked, unit_days, units))
    first = _day("--from", asked.first) if asked.first else now.date() + timedelta(days=1)
    seed = secrets.randbits(32) if asked.seed is None else asked.seed
    design = draw(first, units // size, unit_days=unit_days, block_units=size, seed=seed)
    entry = {
        "name": asked.name, "on": list(asked.loads), "from": f"{first}", "unit_days": unit_days, "block_units": size,
        "order": "".join("+" if on else "-" for on in design.on), "seed": seed, "drawn": now.isoformat(),
        "on_is": asked.on_is, "off_is": asked.off_is,
    }  # fmt: skip
    return {key: value for key, value in entry.items() if value != ""}


def _units(asked: Asked, unit_days: int, plan: Planned | None, refusal: str) -> int:
    days = 7 * asked.weeks if asked.weeks is not None else asked.days
    if days is None:
        if plan is None:
            raise ValueError(f"--days: found nothing; expected how many, as no plan can say: {refusal}")
        needed = plan.drawn_days(WAYS[asked.alternate])
        if needed is None or needed > LONGEST_DRAWN_DAYS:
            effect = kwh(plan.plan.effect_wh)
            raise ValueError(f"--days: found nothing; expected how many: {effect} a day would not be seen in a year")
        days = needed
    if not LEAST_DAYS <= days <= LONGEST_DAYS:
        if asked.weeks is not None:
            raise ValueError(f"--weeks: found {asked.weeks}; expected {LEAST_DAYS // 7} to {LONGEST_DAYS // 7}")
        raise ValueError(f"--days: found {days}; expected {LEAST_DAYS} to {LONGEST_DAYS}")
    units, rest = divmod(days, unit_days)
    if rest:
        raise ValueError(f"--days: found {days}; expected whole weeks, an even number of them: {_around(days, 14)}")
    return units


def _odd(asked: Asked, unit_days: int, units: int) -> str:
    option, found = ("--weeks", asked.weeks) if asked.weeks is not None else ("--days", units * unit_days)
    even = _around(int(found or 0), 14 if option == "--days" and unit_days == 7 else 2)
    return f"{option}: found {found}; expected as much on as off: {even}"


def _around(found: int, step: int) -> str:
    """The multiples below and above."""
    below = found // step * step
    return f"{below} or {below + step}" if below else f"{step}"


def _day(option: str, found: str) -> date:
    try:
        return date.fromisoformat(found)
    except ValueError:
        raise ValueError(f'{option}: found "{found}"; expected a day such as 2026-06-01') from None


def _enter(settings: Settings, entry: Mapping[str, Any]) -> tuple[int, Trial]:
    try:
        number = ask_book(settings, "add", "trial", entry=dict(entry))
    except ValueError as refusal:
        key, _, rest = str(refusal).partition(":")
        known = {*Trial.model_fields, "from"}
        raise ValueError(f"--{OPTIONS.get(key, key)}:{rest}" if key in known else refusal) from None
    return number, Trial.model_validate(entry)


# -- for a person, and for programs ---------------------------------------------------------------


def show(answer: Answer, settings: Settings, file: Path) -> None:
    """Print it."""
    if answer.trial is None:
        if answer.plan is not None:
            _show_plan(answer.plan)
        return
    for line in [*shown(answer.number, answer.trial, settings, file), "", *_expected(answer)]:
        print(line)
    if answer.asked.ics is not None:
        print(f"{answer.asked.ics} is written, for any calendar; taken in twice, it is there once.")


def _show_plan(plan: Planned) -> None:
    console = Console(highlight=False)
    if not console.is_terminal:
        console.width = WIDTH
    for line in headline(plan):
        console.print(Text(line))
    console.print()
    grid = Table(box=None, pad_edge=False, header_style="underline", padding=(0, 2, 0, 0))
    grid.add_column("Way")
    grid.add_column("Days needed", justify="right")
    for days, _ in plan.outlooks[0].smallest_wh:
        grid.add_column(f"{days // 7} weeks", justify="right")
    for outlook in plan.outlooks:
        needed = plan.days(outlook.way)
        grid.add_row(
            outlook.way, "over 2 years" if needed is None else str(needed),
            *(f"{wh:,.0f}" for _, wh in outlook.smallest_wh),
        )  # fmt: skip
    console.print(grid)
    console.print("Below weeks: the smallest effect that would be seen by then, Wh a day.")
    console.print()
    for line in [*advice(plan), *cautions(plan)]:
        console.print(Text(line))


def _expected(answer: Answer) -> Iterator[str]:
    """What the trial can show, by the load's own history."""
    trial, plan = answer.trial, answer.plan
    if trial is None or plan is None:
        yield f"What it will show cannot be told beforehand: {answer.refusal}."
        return
    way = WAYS[answer.asked.alternate]
    seen_wh, needed = plan.seen_wh(way, trial.days), plan.days(way)
    yield f"By the load's own history it will show about {kwh(seen_wh)} a day or more."
    if needed is None or needed > trial.days:
        enough = "more than two years" if needed is None else f"{needed} days"
        yield f"To see {kwh(plan.plan.effect_wh)} a day it would have to take {enough}."


def as_json(answer: Answer, settings: Settings) -> str:
    """One object."""
    plan = answer.plan
    facts: dict[str, Any] = {"plan": None if plan is None else _plain(plan), "refusal": answer.refusal or None}
    if answer.trial is not None:
        facts["trial"] = as_plain(answer.number, answer.trial, settings)
    return json.dumps(facts)


def _plain(plan: Planned) -> dict[str, Any]:
    of = plan.plan
    return {
        "on": list(plan.loads), "from": f"{plan.first}", "to": f"{plan.last}", "days": of.history_days,
        "usual_wh": of.usual_wh, "effect_wh": of.effect_wh, "level": of.level, "best": plan.best,
        "why": " ".join(advice(plan)),
        "ways": [
            {"way": outlook.way, "days": plan.days(outlook.way),
             "smallest_seen": [{"days": days, "wh": wh} for days, wh in outlook.smallest_wh]}
            for outlook in plan.outlooks
        ],
        "notes": [{"code": note.code, "text": note.text} for note in plan.notes],
    }  # fmt: skip
