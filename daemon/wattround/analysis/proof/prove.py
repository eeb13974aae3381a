"""Did the change save anything? One of four answers, with how much, how surely, and what to be wary of."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date

import numpy as np

from wattround.analysis.proof.answer import Evidence, Proof, Series, Verdict
from wattround.analysis.proof.cautions import cautions
from wattround.analysis.proof.data import LEAST_COVERAGE, Floats, LoadHistory, Note, ProofError
from wattround.analysis.proof.estimate import Comparison, compare
from wattround.analysis.proof.fitted import FittedModel, fitted
from wattround.analysis.proof.goodness import fractional_savings_uncertainty
from wattround.analysis.proof.outlying import outlying
from wattround.analysis.proof.periods import Need, Periods, Span, split
from wattround.analysis.proof.planning import more_days
from wattround.analysis.proof.yearly import avoided_in_year, typical_year

LEVEL = 0.9
LEAST_WH = 1.0
"""A day: what is less than this is nothing, however little the load uses."""


def prove(
    history: LoadHistory,
    change: date,
    *,
    level: float = LEVEL,
    least_coverage: float = LEAST_COVERAGE,
    weather: tuple[Sequence[date], Floats] | None = None,
    other_changes: Mapping[date, str] | None = None,
) -> Proof:
    """Compare a load's days before and after the (local) day of a change, which itself is left out.

    `weather` is the household's own outdoor temperature, over as long as it is known, for the typical year; without it
    the history's own. `other_changes` are days on which something else was changed, with a name. Raises ProofError.
    """
    if not 0.5 <= level < 1:
        raise ProofError(f"a level of {level}; expected a probability from 0.5 to below 1, such as 0.9")
    periods = split(history, change, least_coverage)
    if periods.needs or periods.baseline is None or periods.reporting is None:
        return _answer("too little data", change, least_coverage, periods, periods.needs, periods.notes, None)
    spans = periods.baseline, periods.reporting
    evidence = _evidence(compare(periods.frame, periods.after), spans[1], level, weather or _own(history))
    notes = (*periods.notes, *cautions(evidence, spans, other_changes or {}))
    need = _too_vague(evidence, level)
    if need is not None:
        return _answer("too little data", change, least_coverage, periods, (need,), notes, evidence)
    verdicts: dict[int, Verdict] = {1: "saved", -1: "used more", 0: "no detectable change"}
    verdict = verdicts[evidence.avoided_wh_per_day.certain_sign]
    return _answer(verdict, change, least_coverage, periods, (), notes, evidence)


def _answer(
    verdict: Verdict, change: date, least_coverage: float, periods: Periods, needs: tuple[Need, ...],
    notes: tuple[Note, ...], evidence: Evidence | None,
) -> Proof:  # fmt: skip
    spans = periods.baseline, periods.reporting
    return Proof(verdict, change, least_coverage, *spans, periods.unlike, needs, notes, evidence)


def _own(history: LoadHistory) -> tuple[Sequence[date], Floats] | None:
    return None if history.temperature_c is None else (history.days, history.temperature_c)


def _evidence(
    compared: Comparison, reporting: Span, level: float, weather: tuple[Sequence[date], Floats] | None
) -> Evidence:
    frame, after = compared.frame, compared.after
    avoided = compared.avoided.estimate(level)
    model = fitted(frame.take(~after), compared.centres, compared.found)
    expected = float(compared.expected_wh[after].mean())
    return Evidence(
        avoided,
        expected,
        int(after.sum()),
        avoided.smallest_seen,
        avoided_in_year(compared, None if weather is None else typical_year(*weather), level),
        model,
        outlying(compared, level),
        _fractional(model, avoided.value, expected, (int((~after).sum()), int(after.sum())), reporting, level),
        Series(
            tuple(date.fromordinal(int(day)) for day in frame.ordinal), after, frame.energy_wh, compared.expected_wh
        ),
        compared,
    )


def _fractional(
    model: FittedModel, avoided_wh: float, expected_wh: float, days: tuple[int, int], reporting: Span, level: float
) -> float:
    good = model.goodness
    if avoided_wh == 0 or expected_wh <= 0 or not np.isfinite(good.cv_rmse):
        return float("nan")
    return fractional_savings_uncertainty(
        good.cv_rmse, avoided_wh / expected_wh, *days, months=reporting.days * 12 / 365, r=good.lag_one, level=level,
        regressors=max(good.parameters - 1, 1),
    )  # fmt: skip


def _too_vague(evidence: Evidence, level: float) -> Need | None:
    """Where not even switching the load off for good would have been seen."""
    avoided, whole = evidence.avoided_wh_per_day, evidence.expected_wh_per_day
    if avoided.certain_sign != 0 or evidence.smallest_seen_wh <= max(abs(whole), LEAST_WH):
        return None
    told = (
        f"these days scatter so much that only a change of {evidence.smallest_seen_wh:.0f} Wh a day or more would "
        f"have been seen, and the load uses {whole:.0f} Wh a day"
    )
    return Need(told, more_days(evidence.comparison, abs(whole), level))
