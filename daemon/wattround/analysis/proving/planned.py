"""How to try a change out: how long it takes to be seen before and after, or in turns, and which way is best."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np

from wattround.analysis.dayseries import load_history
from wattround.analysis.proof.data import LEAST_COVERAGE, LoadHistory, Note, ProofError, usable
from wattround.analysis.proof.periods import LEAST_BEFORE, LONGEST_BASELINE_DAYS
from wattround.analysis.proof.planning import Outlook, Plan, Way, plan
from wattround.analysis.proof.terms import Shape
from wattround.analysis.proving.cases import Bench
from wattround.analysis.proving.turns import habit, outlook
from wattround.analysis.proving.words import kwh
from wattround.core.change import Change
from wattround.core.trial import Trial
from wattround.metering.localtime import local_date

DAY = timedelta(days=1)
USUAL_SHARE = 0.1
"""The effect to look for where nobody names one. Common practice, no source."""
LEAST_WEEKS = 4
"""Two weeks on and two off: one of each says nothing about weeks."""
LOST = 0.1
"""Days that get lost to gaps and forgetting: a trial is made longer by as many. Common practice, no source."""
WORTH_IT = 1.25
"""Another way must be quicker by more than this to be worth its trouble. Common practice, no source."""
UNITS: dict[Way, int] = {"before and after": 1, "alternating by day": 2, "alternating by week": 14}
"""Days come in these: as many on as off."""
WEATHER: dict[Shape, str] = {
    "none": "",
    "heating": "more the colder it is",
    "cooling": "more the warmer it is",
    "degree days": "more the colder or the warmer it is",
    "heating and cooling": "more the colder or the warmer it is",
}


@dataclass(frozen=True)
class Planned:
    """A plan for one load or several together. `best`: the way to go; None where none shows the effect in two years.

    `outlooks` are of all ways: turns as they are drawn, and judged by their own days.
    """

    loads: tuple[str, ...]
    first: date
    last: date
    plan: Plan
    outlooks: tuple[Outlook, ...]
    weather: str
    """How it goes with the weather; empty where it does not, or no temperature is known."""
    best: Way | None
    notes: tuple[Note, ...]

    def days(self, way: Way) -> int | None:
        """How many days a way takes, in whole units."""
        found = self._outlook(way).days
        return None if found is None else whole(way, found)

    def drawn_days(self, way: Way) -> int | None:
        """How long a trial is to be: four weeks at the least, with some days to lose."""
        found = self._outlook(way).days
        return None if found is None else whole(way, max(round(found * (1 + LOST)), 7 * LEAST_WEEKS))

    def seen_wh(self, way: Way, days: int) -> float:
        """The smallest effect a day that is seen after some days: between those of the plan, by their logarithms."""
        told = self._outlook(way).smallest_wh
        at, wh = np.log([each for each, _ in told]), np.log([max(each, 1e-9) for _, each in told])
        return float(np.exp(np.interp(np.log(days), at, wh)))

    def _outlook(self, way: Way) -> Outlook:
        return next(each for each in self.outlooks if each.way == way)


def whole(way: Way, days: int) -> int:
    """Days rounded up to what a way can take."""
    unit = UNITS[way]
    least = 7 * LEAST_WEEKS if way == "alternating by week" else 0
    return max(-(-days // unit) * unit, least)


def planned(
    bench: Bench, loads: Sequence[str], effect_wh: float | None, changes: Iterable[Change], trials: Iterable[Trial], *,
    level: float,
) -> Planned:  # fmt: skip
    """From a load's days since it was last changed, without those of trials.

    Raises:
        ProofError: where they are too few, or the effect cannot be.
    """
    since = _since(bench, loads, changes)
    days = [day for day in bench.days if since is None or day > since[0]]
    too_few = f"since {since[1]} on {since[0]}" if since is not None else "in the ledger"
    if len(days) < LEAST_BEFORE:
        raise ProofError(f"{len(days)} whole days {too_few}; at least {LEAST_BEFORE} are needed to plan with")
    history = load_history(bench.past, bench.kept, bench.settings, loads, days)
    history, left_out = _without(history, loads, list(trials))
    usual_wh = _usual_wh(history)
    if usual_wh <= 0:
        raise ProofError(f"{', '.join(loads)} used nothing on the days there are: nothing can be saved")
    if effect_wh is not None and effect_wh > usual_wh:
        raise ProofError(
            f"an effect of {kwh(effect_wh)} a day, and {', '.join(loads)} uses {kwh(usual_wh)}; expected at most that"
        )
    found = plan(history, USUAL_SHARE * usual_wh if effect_wh is None else effect_wh, level=level)
    usual = habit(history)
    outlooks = (
        found.outlook,
        outlook(usual, "alternating by day", 1, found.effect_wh, level),
        outlook(usual, "alternating by week", 7, found.effect_wh, level),
    )
    notes = [*left_out, *found.notes]
    if since is not None:
        notes.append(Note("since-change", f"only the days since {since[1]} on {since[0]} are looked at"))
    made = Planned(tuple(loads), days[0], days[-1], found, outlooks, WEATHER[usual.shape], None, tuple(notes))
    return replace(made, best=_best(made))


def _since(bench: Bench, loads: Sequence[str], changes: Iterable[Change]) -> tuple[date, str] | None:
    """The day on which one of these loads was last changed, and by what."""
    found = [
        (local_date(at_ms, bench.zone), f'"{change.name}"')
        for change in changes if set(change.on) & set(loads)
        for at_ms in (change.at_ms, change.until_ms) if at_ms is not None
    ]  # fmt: skip
    return max(found, default=None)


def _without(history: LoadHistory, loads: Sequence[str], trials: Sequence[Trial]) -> tuple[LoadHistory, list[Note]]:
    inside = [
        any(set(trial.on) & set(loads) and trial.first <= day <= trial.last for trial in trials) for day in history.days
    ]
    if not any(inside):
        return history, []
    note = Note("trial-days-left-out", f"{sum(inside)} days of trials on the same load are left out")
    return replace(history, coverage=np.where(inside, 0.0, history.coverage)), [note]


def _usual_wh(history: LoadHistory) -> float:
    """The mean of the days that a plan rests on."""
    frame = usable(history, LEAST_COVERAGE).frame
    if not len(frame):
        return 0.0
    return float(frame.energy_wh[frame.ordinal > frame.ordinal.max() - LONGEST_BASELINE_DAYS].mean())


def _best(found: Planned) -> Way | None:
    """The quickest, but for the trouble it takes: nothing to do at all, then switching by the week, then by the day."""
    days = {way: found.days(way) for way in UNITS}
    known = {way: each for way, each in days.items() if each is not None}
    if not known:
        return None
    quickest = min(known.values())
    order: tuple[Way, ...] = ("before and after", "alternating by week", "alternating by day")
    return next(way for way in order if way in known and known[way] <= WORTH_IT * quickest)
