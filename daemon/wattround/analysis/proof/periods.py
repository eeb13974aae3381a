"""Baseline and reporting period: which days can be compared, and what is missing where they cannot."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np

from wattround.analysis.proof.data import Floats, Frame, LoadHistory, Mask, Note, ProofError, usable
from wattround.analysis.proof.terms import class_columns
from wattround.rules.drift import NOBODY

LEAST_BEFORE = 28
LEAST_AFTER = 14
"""Four and two whole weeks of usable days. Common practice, no source."""
LONGEST_BASELINE_DAYS = 3 * 365
"""A load's habits of longer ago say little. Common practice, no source; CalTRACK 2.0, 2.2.1 takes 365."""
REACH_K = 1.0
"""A day may be this much colder or warmer than all of the baseline's and still count as like them."""
MOST_UNLIKE = 0.5


@dataclass(frozen=True)
class Need:
    """What is missing for an answer; `more_days` of it, or None where waiting does not help or cannot be told."""

    text: str
    more_days: int | None


@dataclass(frozen=True)
class Span:
    """One period: from its first to its last day, and how many of them were used."""

    first: date
    last: date
    days: int
    used: int


@dataclass(frozen=True)
class Periods:
    """Days to compare; where `needs` says that something is missing, they are not enough."""

    frame: Frame
    after: Mask
    baseline: Span | None
    reporting: Span | None
    unlike: int
    """Reporting days left out because the baseline has none like them."""
    needs: tuple[Need, ...]
    notes: tuple[Note, ...]


def split(history: LoadHistory, change: date, least_coverage: float) -> Periods:
    """Days before and after the day of a change, which is left out. Raises ProofError."""
    found = usable(history, least_coverage)
    if history.days and change > history.days[-1]:
        raise ProofError(
            f"the change is on {change}, and the last day with data is {history.days[-1]}: wait for days after it"
        )
    at = change.toordinal()
    first = at - LONGEST_BASELINE_DAYS
    notes = list(found.notes)
    older = int((found.frame.ordinal < first).sum())
    if older:
        notes.append(Note("old-days-left-out", f"{older} days of more than three years before the change are left out"))
    frame = found.frame.take((found.frame.ordinal != at) & (found.frame.ordinal >= first))
    after: Mask = frame.ordinal > at
    spans = (
        _span(history, change, int((~after).sum()), before=True),
        _span(history, change, int(after.sum()), before=False),
    )
    before, since = int((~after).sum()), int(after.sum())
    needs = _too_short(before, since)
    if needs:
        return Periods(frame, after, *spans, 0, needs, (*notes, *_coverage(spans)))
    alike, unlike_notes, unlike_needs = _alike(frame, after)
    kept = ~after | alike
    frame, left_out = explaining(frame.take(kept), ~after[kept])
    notes += [*_coverage(spans), *unlike_notes, *left_out]
    return Periods(frame, after[kept], *spans, int((~kept).sum()), unlike_needs, tuple(notes))


def _span(history: LoadHistory, change: date, used: int, *, before: bool) -> Span | None:
    oldest = change.toordinal() - LONGEST_BASELINE_DAYS
    days = [day for day in history.days if day.toordinal() >= oldest and (day < change if before else day > change)]
    if not days:
        return None
    return Span(days[0], days[-1], (days[-1] - days[0]).days + 1, used)


def _too_short(before: int, since: int) -> tuple[Need, ...]:
    needs = []
    if before < LEAST_BEFORE:
        told = f"{before} usable days before the change; at least {LEAST_BEFORE} are needed, and cannot be made up for"
        needs.append(Need(told, None))
    if since < LEAST_AFTER:
        told = f"{since} usable days after the change; at least {LEAST_AFTER} are needed"
        needs.append(Need(told, LEAST_AFTER - since))
    return tuple(needs)


def _coverage(spans: Sequence[Span | None]) -> list[Note]:
    """More than a tenth of a period missing (CalTRACK 2.0, 2.2.1: at most 37 days of 365)."""
    notes = []
    for name, span in zip(("before", "after"), spans, strict=True):
        if span is not None and span.used < 0.9 * span.days:
            told = f"of {span.days} days {name} the change {span.days - span.used} could not be used"
            notes.append(Note("missing-coverage", told))
    return notes


def _alike(frame: Frame, after: Mask) -> tuple[Mask, list[Note], tuple[Need, ...]]:
    """Reporting days that lie within what the baseline saw; what to say of the others."""
    alike = np.ones(len(frame), dtype=bool)
    notes, worst = [], ""
    columns: list[tuple[str, Floats, float | None]] = []
    if frame.temperature_c is not None:
        columns.append(("outdoor temperature", frame.temperature_c, REACH_K))
    columns += [(name, frame.further[:, at], None) for at, name in enumerate(frame.names)]
    for name, values, reach in columns:
        low, high = float(values[~after].min()), float(values[~after].max())
        margin = 0.05 * (high - low) if reach is None else reach
        outside = alike & after & ((values < low - margin) | (values > high + margin))
        if outside.any():
            told = _unlike(name, int(outside.sum()), int(after.sum()), low, high)
            worst = worst or told
            notes.append(Note("unlike-days", told))
        alike &= ~outside
    good, count = int((alike & after).sum()), int(after.sum())
    lacking = max(LEAST_AFTER - good, count - good - good if count - good > MOST_UNLIKE * count else 0)
    needs = () if lacking <= 0 else (Need(f"{worst}: more days are needed that are like those before", lacking),)
    return alike, notes, needs


def _unlike(name: str, outside: int, count: int, low: float, high: float) -> str:
    if name == NOBODY:
        what = "nobody was there all day, and no such day" if high == 0 else "somebody was there, and no such day"
        return f"on {outside} of {count} days after the change {what} lies before it; they are left out"
    unit = " degrees" if name == "outdoor temperature" else ""
    seen = f"only {low:.3g} to {high:.3g}{unit} were seen before it; they are left out"
    return f"{outside} of {count} days after the change are unlike any before in {name}: {seen}"


def explaining(frame: Frame, before: Mask) -> tuple[Frame, list[Note]]:
    """Without further regressors that say nothing on the baseline's days, or what others have said already."""
    kept: list[int] = []
    notes = []
    basis = class_columns("each weekday", frame.take(before))
    for at, name in enumerate(frame.names):
        column = frame.further[before, at]
        spread = column - column.mean()
        size = float(np.linalg.norm(spread))
        if size <= 1e-9 * max(1.0, abs(float(column.mean()))):
            told = f"{name} does not change before the change and explains nothing"
        elif _left(np.column_stack([basis, *(frame.further[before, each] for each in kept)]), spread) < 1e-6 * size:
            twin = _twin(frame, before, kept, column)
            told = f"{name} says the same as {twin} on the days before the change and is left out"
        else:
            kept.append(at)
            continue
        if name != NOBODY and NOBODY not in told:
            notes.append(Note("regressor-left-out", told))
    return frame.keep_columns(kept), notes


def _twin(frame: Frame, before: Mask, kept: list[int], column: Floats) -> str:
    """The regressor that is most like this one."""
    alike = [abs(float(np.corrcoef(frame.further[before, each], column)[0, 1])) for each in kept]
    return frame.names[kept[int(np.argmax(alike))]] if kept else "the day of the week"


def _left(columns: Floats, wanted: Floats) -> float:
    solution, *_ = np.linalg.lstsq(columns, wanted, rcond=None)
    return float(np.linalg.norm(wanted - columns @ solution))
