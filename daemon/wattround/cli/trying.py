"""What the commands about trials say and ask: lists, calendars, days that were not followed, and what came of one."""

from __future__ import annotations

import time
from collections.abc import Iterator, Mapping, Sequence
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from rich.console import Console
from rich.table import Table
from rich.text import Text

from wattround.cli.booking import ask_book, entered
from wattround.config.model import Settings
from wattround.core.trial import Instruction, Trial, instruction, topic_level
from wattround.metering.localtime import local_date

DAY = timedelta(days=1)
CELL = 7
WIDTH = 120


def now_of(settings: Settings) -> tuple[int, ZoneInfo]:
    """The instant, and the house's zone."""
    return time.time_ns() // 1_000_000, ZoneInfo(settings.house.time_zone)


def topic_of(trial: Trial, settings: Settings) -> str:
    """Where the daemon says what a trial wants."""
    return f"{settings.topic_root}/trial/{topic_level(trial.name)}"


def pick(known: Mapping[int, Trial], which: str) -> tuple[int, Trial]:
    """The trial of a name or number.

    Raises:
        ValueError: if there is none.
    """
    for number, trial in known.items():
        if which in (trial.name, str(number)):
            return number, trial
    names = ", ".join(f'{number} "{trial.name}"' for number, trial in known.items())
    raise ValueError(f'found "{which}"; expected a trial by its name or number: {names or "none has been planned"}')


def remove(settings: Settings, which: str) -> str:
    """Take a trial out; what was done."""
    number, trial = pick(entered(settings, Trial), which)
    ask_book(settings, "remove", "trial", number=number)
    return f'Trial {number} is removed: "{trial.name}".'


def skip(settings: Settings, which: str, days: Sequence[str], *, followed: bool) -> str:
    """Say of some days that what a trial wanted was not done (or was, after all); what was done.

    Raises:
        ValueError: with a reason, in the words of the options.
    """
    number, trial = pick(entered(settings, Trial), which)
    try:
        named = {date.fromisoformat(day) for day in days}
    except ValueError:
        raise ValueError(f'--day: found "{", ".join(days)}"; expected a day such as 2026-06-03') from None
    if not named:
        raise ValueError("--day: found nothing; expected the day on which it was not done as said")
    if followed and not named <= set(trial.skipped):
        known = ", ".join(f"{day}" for day in trial.skipped) or "none is"
        raise ValueError(f"--day: found a day that is not left out; expected one of those that are: {known}")
    skipped = sorted(set(trial.skipped) - named if followed else set(trial.skipped) | named)
    entry = trial.model_dump(mode="json", by_alias=True, exclude_defaults=True)
    entry["skipped"] = [f"{day}" for day in skipped]
    try:
        ask_book(settings, "change", "trial", number=number, entry=entry)
    except ValueError as refusal:
        key, _, rest = str(refusal).partition(":")
        raise ValueError(f"--day:{rest}" if key == "skipped" else refusal) from None
    left_out = ", ".join(entry["skipped"]) or "no day"
    return (
        f'Trial {number}, "{trial.name}": left out: {left_out}.\n'
        "Leave a day out for what was done on it, never for what was used on it."
    )


# -- lists ----------------------------------------------------------------------------------------


def shown(number: int, trial: Trial, settings: Settings, file: Path) -> Iterator[str]:
    """All about one trial: its days as a calendar, and where it is said what to do."""
    days = f"{trial.days} days, {trial.first} to {trial.last}"
    yield f'Trial {number}, "{trial.name}", on {", ".join(trial.on)}: {days}; drawn from seed {trial.seed}.'
    for do in ("on", "off"):
        if trial.means(do):
            yield f"{do.capitalize()}: {trial.means(do)}."
    yield ""
    yield from calendar_lines(trial)
    yield ""
    yield f"What to do today: wattround prove trials -f {file}"
    yield f"For a hub, while the daemon runs, it stands on {topic_of(trial, settings)}. wattround switches nothing."
    yield f'What came of it: wattround prove "{trial.name}" -f {file}'


def calendar_lines(trial: Trial) -> Iterator[str]:
    """Its days, week by week; its weeks, one a line. Days that are left out stand in brackets."""
    if trial.unit_days == 7:
        for at, sign in enumerate(trial.order):
            first = trial.first + 7 * at * DAY
            out = [f"{day}" for day in sorted(trial.skipped) if first <= day < first + 7 * DAY]
            left_out = f"  ({', '.join(out)} left out)" if out else ""
            yield f"{first} to {first + 6 * DAY}  {'on' if sign == '+' else 'off'}{left_out}"
        return
    weekdays = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
    yield ("Week of     " + "".join(f"{name:<{CELL}}" for name in weekdays)).rstrip()
    monday = trial.first - trial.first.weekday() * DAY
    while monday <= trial.last:
        cells = (_cell(trial, monday + offset * DAY) for offset in range(7))
        yield (f"{monday}  " + "".join(f"{cell:<{CELL}}" for cell in cells)).rstrip()
        monday += 7 * DAY


def _cell(trial: Trial, day: date) -> str:
    do = trial.do(day) or ""
    return f"({do})" if day in trial.skipped else do


def listed(found: Mapping[int, Trial], settings: Settings) -> None:
    """Print all of them, with what is to be done today."""
    if not found:
        print('No trial has been planned: wattround prove plan --on cooler --alternate day --as "cooler 26 degrees"')
        return
    now_ms, zone = now_of(settings)
    grid = Table(box=None, pad_edge=False, header_style="underline", padding=(0, 2, 0, 0))
    for name in ("No.", "Trial", "On", "From", "To", "Done", "Today", "Until"):
        grid.add_column(name, justify="right" if name == "No." else "left")
    for number, trial in found.items():
        now = instruction(trial, now_ms, zone)
        grid.add_row(
            str(number), Text(trial.name), ", ".join(trial.on), f"{trial.first}", f"{trial.last}",
            _done(trial, now_ms, zone), Text(_today(trial, now, local_date(now_ms, zone))),
            "" if now is None else f"{local_date(now.until_ms, zone)}",
        )  # fmt: skip
    console = Console(highlight=False)
    if not console.is_terminal:
        console.width = WIDTH
    console.print(grid)


def gone(trial: Trial, now_ms: int, zone: ZoneInfo) -> int:
    """How many of its days are over."""
    return min(max((local_date(now_ms, zone) - trial.first).days, 0), trial.days)


def _done(trial: Trial, now_ms: int, zone: ZoneInfo) -> str:
    left_out = f", {len(trial.skipped)} left out" if trial.skipped else ""
    return f"{gone(trial, now_ms, zone)} of {trial.days} days{left_out}"


def _today(trial: Trial, now: Instruction | None, day: date) -> str:
    if now is not None:
        means = trial.means(now.do)
        return f"{now.do}: {means}" if means else now.do
    return "over" if day > trial.last else "not yet begun"


def as_plain(number: int, trial: Trial, settings: Settings) -> dict[str, Any]:
    """For programs."""
    now_ms, zone = now_of(settings)
    now = instruction(trial, now_ms, zone)
    days = [trial.first + offset * DAY for offset in range(trial.days)]
    return {
        "number": number, "name": trial.name, "on": list(trial.on), "from": f"{trial.first}", "to": f"{trial.last}",
        "alternate": "day" if trial.unit_days == 1 else "week", "seed": trial.seed, "block_units": trial.block_units,
        "drawn": trial.drawn.isoformat(), "on_is": trial.on_is, "off_is": trial.off_is,
        "done": gone(trial, now_ms, zone), "topic": topic_of(trial, settings),
        "today": None if now is None else {
            "day": f"{now.day}", "do": now.do, "means": trial.means(now.do),
            "until": datetime.fromtimestamp(now.until_ms / 1000, zone).isoformat(),
        },
        "days": [{"day": f"{day}", "do": trial.do(day), "left_out": day in trial.skipped} for day in days],
    }  # fmt: skip
