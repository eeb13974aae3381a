"""Trials: a plan in progress, with what to do today, its days so far and those to come."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import date, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from wattround.core.trial import Do, Trial, instruction
from wattround.metering.localtime import local_date
from wattround.page.figures import named
from wattround.pictures.ink import plain
from wattround.pictures.paper import picture
from wattround.pictures.turns import Turn, Turns

DAY = timedelta(days=1)
DO: tuple[Do, ...] = ("on", "off")


def trials_view(
    trials: Mapping[int, Trial], labels: Mapping[str, str], now_ms: int, zone: ZoneInfo
) -> list[dict[str, Any]]:
    """What the template needs, those that run first."""
    today = local_date(now_ms, zone)
    ordered = sorted(trials.items(), key=lambda item: (item[1].do(today) is None, item[0]))
    return [_trial(number, trial, labels, now_ms, zone) for number, trial in ordered]


def _trial(number: int, trial: Trial, labels: Mapping[str, str], now_ms: int, zone: ZoneInfo) -> dict[str, Any]:
    today = local_date(now_ms, zone)
    running, left_out = trial.do(today) is not None, f", {len(trial.skipped)} left out" if trial.skipped else ""
    drawn = Turns(trial.first, [_turn(trial, day) for day in days_of(trial)], gone(trial, today), running=running)
    says = drawn.says
    return {
        "name": plain(trial.name), "on": named(trial.on, labels), "first": f"{trial.first}", "last": f"{trial.last}",
        "done": f"{gone(trial, today)} of {trial.days} days{left_out}", "running": running,
        "today": _today(trial, now_ms, zone), "until": _until(trial, today),
        "picture": picture(drawn.draw(f"turns-{number}", f"{trial.name}, day by day")),
        "says": f"{says}.", "means": [f"{do.capitalize()}: {plain(trial.means(do))}." for do in DO if trial.means(do)],
        "days": list(_days(trial, today)),
    }  # fmt: skip


def _turn(trial: Trial, day: date) -> Turn:
    return Turn(trial.do(day) == "on", day in trial.skipped)


def days_of(trial: Trial) -> list[date]:
    """Every day of it."""
    return [trial.first + at * DAY for at in range(trial.days)]


def gone(trial: Trial, day: date) -> int:
    """How many of its days are over on this one."""
    return min(max((day - trial.first).days, 0), trial.days)


def today_text(trial: Trial, day: date) -> str:
    """What is to be done on a day of it: "on: set to 19"; empty outside of it."""
    do = trial.do(day)
    if do is None:
        return ""
    means = plain(trial.means(do))
    return f"{do}: {means}" if means else do


def _today(trial: Trial, now_ms: int, zone: ZoneInfo) -> str:
    today = local_date(now_ms, zone)
    return today_text(trial, today) or ("over" if today > trial.last else "not yet begun")


def _until(trial: Trial, today: date) -> str:
    """The last day of what is to be done today."""
    return "" if trial.do(today) is None else f"{trial.until(today) - DAY}"


def _days(trial: Trial, today: date) -> Iterator[tuple[str, str, str]]:
    """Each day: what was or is to be done, and whether it counts."""
    for day in days_of(trial):
        state = (
            "left out" if day in trial.skipped else "over" if day < today else "today" if day == today else "to come"
        )
        yield f"{day}", trial.do(day) or "", state


def trial_plain(number: int, trial: Trial, now_ms: int, zone: ZoneInfo) -> dict[str, Any]:
    """The same for programs."""
    now = instruction(trial, now_ms, zone)
    today = None if now is None else {"do": now.do, "means": trial.means(now.do), "until_ms": now.until_ms}
    return {
        "number": number, "name": trial.name, "on": trial.on, "from": trial.first, "to": trial.last,
        "done_days": gone(trial, local_date(now_ms, zone)), "days": trial.days, "today": today,
        "turns": [{"day": day, "do": trial.do(day), "left_out": day in trial.skipped} for day in days_of(trial)],
    }  # fmt: skip
