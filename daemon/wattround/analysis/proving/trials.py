"""What a trial in the book says: its days on against its days off, and what the difference is worth."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np

from wattround.analysis.dayseries import load_history
from wattround.analysis.proof.alternating import LEAST_DAYS, Design, Judgement, judge
from wattround.analysis.proof.answer import Verdict
from wattround.analysis.proof.data import Floats, LoadHistory, Mask, Note, ProofError, usable
from wattround.analysis.proof.prove import LEVEL
from wattround.analysis.proving.cases import Bench, Money, marginal
from wattround.core.change import Change
from wattround.core.trial import Trial
from wattround.metering.localtime import local_date

DAY = timedelta(days=1)
OF_EACH = LEAST_DAYS // 2
"""Usable days on, and off, that are needed at the least."""
MOST_TIMES = 100
"""A trial that would have to be so much longer is not worth a figure."""


@dataclass(frozen=True)
class Days:
    """The days that could be used, n of each: when, whether on, how much, how warm."""

    days: tuple[date, ...]
    on: Mask
    energy_wh: Floats
    temperature_c: Floats | None


@dataclass(frozen=True)
class Tried:
    """A trial's answer. `judgement` is None where there are too few days; `lacking` says so, or why it is too vague.

    `more_days`: so many more would do; None where waiting will not help, or is not needed.
    """

    number: int
    trial: Trial
    verdict: Verdict
    judgement: Judgement | None
    lacking: str
    more_days: int | None
    gone: int
    """Whole days of the trial that have passed; without their skipped and uncovered days: `used`."""
    used: Days
    level: float
    least_coverage: float
    money: Money
    notes: tuple[Note, ...]

    @property
    def left(self) -> int:
        """Days of the trial that are still to come, today's included."""
        return self.trial.days - self.gone

    @property
    def usual_wh(self) -> float:
        """What it used on a day off, in the mean."""
        return float(self.used.energy_wh[~self.used.on].mean())


def design_of(trial: Trial) -> Design:
    """The order as it was drawn."""
    return Design(
        trial.first, trial.unit_days, trial.block_units, trial.seed, tuple(each == "+" for each in trial.order)
    )


def tried(
    bench: Bench, number: int, trial: Trial, changes: Iterable[Change], *, level: float = LEVEL,
    least_coverage: float = 0.9, also: Sequence[str] = (),
) -> Tried:  # fmt: skip
    """Judge a trial by the whole days that have passed; one that is still running, by those so far."""
    days = [day for day in bench.days if trial.first <= day <= trial.last]
    gone = len([day for day in days if day not in trial.skipped])
    history = (
        _without(load_history(bench.past, bench.kept, bench.settings, trial.on, days, also), trial) if days else None
    )
    used = _used(history, trial, least_coverage)
    money = marginal(bench, trial.on, days[0], days[-1]) if days else Money(None, bench.settings.house.currency)
    notes = [*_skipped(trial), *_changed(bench, trial, changes), *_uncovered(gone, used)]
    judgement, lacking, more_days = None, "", None
    if history is None or min(int(used.on.sum()), int((~used.on).sum())) < OF_EACH:
        lacking, more_days = _too_few(trial, used, days[-1] if days else trial.first - DAY)
    else:
        try:
            judgement = judge(history, design_of(trial), level=level, least_coverage=least_coverage)
        except ProofError as error:
            lacking = str(error)
    verdict: Verdict = "too little data"
    if judgement is not None:
        notes += [*judgement.notes, *_disagreeing(judgement, level)]
        lacking, more_days = _too_vague(judgement, used)
        signs: dict[int, Verdict] = {1: "saved", -1: "used more", 0: "no detectable change"}
        verdict = "too little data" if lacking else signs[judgement.certain_sign]
    return Tried(
        number,
        trial,
        verdict,
        judgement,
        lacking,
        more_days,
        len(days),
        used,
        level,
        least_coverage,
        money,
        tuple(notes),
    )


def _without(history: LoadHistory, trial: Trial) -> LoadHistory:
    """The same without the days on which something else was done than was said."""
    skipped = np.array([day in trial.skipped for day in history.days])
    return replace(history, coverage=np.where(skipped, 0.0, history.coverage))


def _used(history: LoadHistory | None, trial: Trial, least_coverage: float) -> Days:
    if history is None:
        return Days((), np.zeros(0, dtype=bool), np.zeros(0), None)
    frame = usable(history, least_coverage).frame
    days = tuple(date.fromordinal(int(each)) for each in frame.ordinal)
    return Days(
        days, np.array([trial.do(day) == "on" for day in days], dtype=bool), frame.energy_wh, frame.temperature_c
    )


def _too_few(trial: Trial, used: Days, last: date) -> tuple[str, int | None]:
    """What is missing, and after how many of the days to come it will be there."""
    counts = {"on": int(used.on.sum()), "off": int((~used.on).sum())}
    told = f"{counts['on']} usable days on and {counts['off']} off; at least {OF_EACH} of each are needed"
    for more in range(1, (trial.last - last).days + 1):
        do = trial.do(last + more * DAY)
        counts["on" if do == "on" else "off"] += 1
        if min(counts.values()) >= OF_EACH:
            return told, more
    return told, None


def _too_vague(judgement: Judgement, used: Days) -> tuple[str, int | None]:
    """Where not even a load that draws nothing on its days on would have been seen.

    Then more days are needed in proportion to the square: widths go by the root of the days.
    """
    seen_wh, usual_wh = judgement.saved.smallest_seen, abs(float(used.energy_wh[~used.on].mean()))
    if judgement.certain_sign != 0 or seen_wh <= usual_wh:
        return "", None
    told = (
        f"these days scatter so much that only a change of {seen_wh:.0f} Wh a day or more would have been seen, "
        f"and the load uses {usual_wh:.0f} Wh on a day off"
    )
    times = (seen_wh / usual_wh) ** 2 if usual_wh else float("inf")
    return told, int(np.ceil(len(used.days) * (times - 1))) if times < MOST_TIMES else None


def _skipped(trial: Trial) -> list[Note]:
    if not trial.skipped:
        return []
    days = ", ".join(f"{day}" for day in sorted(trial.skipped))
    return [Note("skipped-days", f"left out, as it was not done as said: {days}")]


def _changed(bench: Bench, trial: Trial, changes: Iterable[Change]) -> list[Note]:
    found = []
    for change in changes:
        for at_ms in (change.at_ms, change.until_ms) if set(change.on) & set(trial.on) else ():
            if at_ms is not None and trial.first < (day := local_date(at_ms, bench.zone)) <= trial.last:
                told = f'"{change.name}" changed the same load within the trial, on {day}: its days differ by that, too'
                found.append(Note("other-change", told))
    return found


def _uncovered(gone: int, used: Days) -> list[Note]:
    lost = gone - len(used.days)
    if lost <= 0.1 * gone:
        return []
    return [Note("missing-coverage", f"of {gone} days {lost} could not be used, as too little of them was covered")]


def _disagreeing(judgement: Judgement, level: float) -> list[Note]:
    """Regression and chance alone need not agree: the reader is told, with the reason."""
    sign, shown = judgement.regression.certain_sign, judgement.saved.certain_sign
    if judgement.randomisation is None:
        told = f"there are only {judgement.orders} orders that could have been drawn: too few for chance alone to say"
        return [Note("few-orders", f"{told}; the regression stands alone")]
    if sign == shown:
        return []
    shows, not_so = ("the regression", "chance alone") if sign else ("chance alone", "the regression")
    told = f"{shows} shows a difference at {100 * level:.0f} %, {not_so} does not: more days would make it surer"
    return [Note("disagreement", told)]


def named(trials: Mapping[int, Trial], which: str) -> tuple[int, Trial] | None:
    """The trial of a name."""
    return next(((number, trial) for number, trial in trials.items() if trial.name == which), None)
