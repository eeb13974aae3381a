"""What a proof is made from: a load's days, and those of them that can be used."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date

import numpy as np
from numpy.typing import NDArray

from wattround.rules.drift import AWAY_SHARE, NOBODY, OCCUPANCY

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

LEAST_COVERAGE = 0.9
KNOWN_SHARE = 2 / 3
"""A regressor that is known on fewer of the covered days is left out; otherwise the days without it are."""
LEAST_RANGE_K = 3.0
"""An outdoor temperature that moves less says nothing about weather."""


class ProofError(ValueError):
    """The question cannot be asked like this; the text says what was found and what was expected."""


@dataclass(frozen=True)
class LoadHistory:
    """One load by the day, oldest first; all arrays are of the same length.

    `energy_wh` is what was measured, `coverage` the share of the day that was (0 to 1), `temperature_c` the outdoor
    daily mean, `occupancy` the share of the day that somebody was there, `signals` any other regressors by name. NaN
    stands for what is not known; energy must be known where a day is covered.
    """

    days: Sequence[date]
    energy_wh: Floats
    coverage: Floats
    temperature_c: Floats | None = None
    occupancy: Floats | None = None
    signals: Mapping[str, Floats] = field(default_factory=dict)


@dataclass(frozen=True)
class Note:
    """Something the reader should know: a stable word for it, and a sentence."""

    code: str
    text: str


@dataclass(frozen=True)
class Frame:
    """Days that can be used, and what may explain them: n days, f further regressors."""

    ordinal: Floats
    """Proleptic Gregorian ordinals: differences are days, whatever is missing between."""
    energy_wh: Floats
    temperature_c: Floats | None
    further: Floats
    """Shape (n, f)."""
    names: tuple[str, ...]

    def take(self, chosen: Mask) -> Frame:
        """Some of the days."""
        known_c = None if self.temperature_c is None else self.temperature_c[chosen]
        return Frame(self.ordinal[chosen], self.energy_wh[chosen], known_c, self.further[chosen], self.names)

    def keep_columns(self, columns: Sequence[int]) -> Frame:
        """The same days with some of the further regressors."""
        names = tuple(self.names[each] for each in columns)
        return Frame(self.ordinal, self.energy_wh, self.temperature_c, self.further[:, list(columns)], names)

    @property
    def weekday(self) -> NDArray[np.int64]:
        """0 Monday to 6 Sunday; ordinal 1 is a Monday."""
        return (self.ordinal.astype(np.int64) - 1) % 7

    def __len__(self) -> int:
        return len(self.ordinal)


@dataclass(frozen=True)
class Usable:
    """What remains of a history, and what was left out."""

    frame: Frame
    least_coverage: float
    uncovered: int
    """Days below the least coverage."""
    unexplained: int
    """Covered days on which a regressor is not known."""
    notes: tuple[Note, ...]


def check(history: LoadHistory, least_coverage: float = LEAST_COVERAGE) -> None:
    """Refuse what cannot be meant. Raises ProofError."""
    count = len(history.days)
    for name, values in _arrays(history):
        if values.shape != (count,):
            raise ProofError(f"{name} has the shape {values.shape}; expected one value for each of the {count} days")
        if np.isinf(values).any():
            raise ProofError(f"{name} has an infinite value on {_first(history.days, np.isinf(values))}")
    ordinal = np.array([day.toordinal() for day in history.days], dtype=float)
    if (np.diff(ordinal) <= 0).any():
        at = int(np.flatnonzero(np.diff(ordinal) <= 0)[0])
        raise ProofError(f"{history.days[at + 1]} follows {history.days[at]}; expected each day once, oldest first")
    if not 0 < least_coverage <= 1:
        raise ProofError(f"a least coverage of {least_coverage}; expected a share above 0, at most 1")
    wrong = (history.coverage < 0) | (history.coverage > 1 + 1e-9)
    if wrong.any():
        raise ProofError(f"coverage on {_first(history.days, wrong)} is not a share from 0 to 1")
    unknown = np.isnan(history.energy_wh) & (history.coverage >= least_coverage)
    if unknown.any():
        raise ProofError(f"{_first(history.days, unknown)} counts as covered, but its energy is not known")


def _arrays(history: LoadHistory) -> list[tuple[str, Floats]]:
    found = [("energy_wh", history.energy_wh), ("coverage", history.coverage), *_regressors(history)]
    return [(name, np.asarray(values, dtype=float)) for name, values in found]


def _regressors(history: LoadHistory) -> list[tuple[str, Floats]]:
    found = [] if history.temperature_c is None else [("temperature", history.temperature_c)]
    found += [] if history.occupancy is None else [(OCCUPANCY, history.occupancy)]
    return [*found, *history.signals.items()]


def _first(days: Sequence[date], where: Mask) -> date:
    return days[int(np.flatnonzero(where)[0])]


def usable(history: LoadHistory, least_coverage: float = LEAST_COVERAGE) -> Usable:
    """The covered days whose regressors are known. Raises ProofError for what `check` refuses."""
    check(history, least_coverage)
    covered: Mask = np.nan_to_num(history.coverage) >= least_coverage
    notes: list[Note] = []
    kept: dict[str, Floats] = {}
    for name, given in _regressors(history):
        values = np.asarray(given, dtype=float)
        reason = _useless(values[covered])
        if reason:
            notes.append(
                Note(f"{'temperature' if name == 'temperature' else 'regressor'}-left-out", f"{name} {reason}")
            )
        else:
            kept[name] = values
    known = covered.copy()
    for values in kept.values():
        known &= ~np.isnan(values)
    temperature = kept.pop("temperature", None)
    columns, names = _columns({name: values[known] for name, values in kept.items()})
    frame = Frame(
        np.array([day.toordinal() for day in history.days], dtype=float)[known],
        np.asarray(history.energy_wh, dtype=float)[known],
        None if temperature is None else temperature[known],
        columns.reshape(int(known.sum()), len(names)),
        names,
    )
    if frame.temperature_c is not None and len(frame) and np.ptp(frame.temperature_c) < LEAST_RANGE_K:
        range_k = float(np.ptp(frame.temperature_c))
        told = f"temperature moves by only {range_k:.1f} K and is left out; expected at least {LEAST_RANGE_K:g} K"
        notes.append(Note("temperature-left-out", told))
        frame = Frame(frame.ordinal, frame.energy_wh, None, frame.further, frame.names)
    return Usable(frame, least_coverage, int((~covered).sum()), int((covered & ~known).sum()), tuple(notes))


def _useless(values: Floats) -> str:
    """Why a regressor is left out, or nothing."""
    if not len(values):
        return ""
    share = float(np.mean(~np.isnan(values)))
    if share < KNOWN_SHARE:
        return f"is known on only {share:.0%} of the covered days and is left out; expected {KNOWN_SHARE:.0%}"
    return ""


def _columns(regressors: Mapping[str, Floats]) -> tuple[Floats, tuple[str, ...]]:
    """Further regressors as columns. Occupancy is two: that nobody was there all day, and its share."""
    columns: list[Floats] = []
    names: list[str] = []
    for name, values in regressors.items():
        if name == OCCUPANCY:
            columns.append((values <= AWAY_SHARE).astype(float))
            names.append(NOBODY)
        columns.append(values)
        names.append(name)
    return (np.column_stack(columns) if columns else np.zeros((0, 0))), tuple(names)
