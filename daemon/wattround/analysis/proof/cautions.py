"""What a reader of the answer should be warned of."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date

from wattround.analysis.proof.answer import Evidence
from wattround.analysis.proof.data import Note
from wattround.analysis.proof.estimate import Comparison
from wattround.analysis.proof.mixture import Estimate
from wattround.analysis.proof.outlying import Outlying
from wattround.analysis.proof.periods import Need, Span
from wattround.rules.drift import OCCUPANCY

FEW_BEFORE = 56
FEW_AFTER = 28
OCCUPANCY_DIFFERS = 0.1
FAR_K = 6.0
FEW_WORTH = 20
"""Common practice, no source, as all bounds here."""


def cautions(evidence: Evidence, spans: tuple[Span, Span], others: Mapping[date, str]) -> list[Note]:
    """All that apply, the gravest first."""
    return [
        *_coincident(spans, others),
        *_hangs_on(evidence.avoided_wh_per_day, evidence.outlying),
        *_weather(evidence.comparison),
        *_occupancy(evidence.comparison),
        *_few(spans),
        *_lingers(evidence.comparison),
        *_season(evidence.yearly_wh),
    ]


def _coincident(spans: tuple[Span, Span], others: Mapping[date, str]) -> list[Note]:
    """Other changes between the first day of the baseline and the last reporting one."""
    inside = [(day, name) for day, name in sorted(others.items()) if spans[0].first <= day <= spans[1].last]
    return [
        Note("coincident-change", f"{name} on {day} lies within these days: the two cannot be told apart")
        for day, name in inside
    ]


def _hangs_on(avoided: Estimate, out: Outlying) -> list[Note]:
    if not out.days:
        return []
    without = out.avoided_without
    told = f"{len(out.days)} outlying days are kept"
    if without is None:
        return [Note("outlying-days", f"{told}; without them too few would be left")]
    told += f"; without them {without.value:.0f} Wh a day ({without.low:.0f} to {without.high:.0f})"
    if without.certain_sign != avoided.certain_sign:
        return [Note("hangs-on-outlying-days", f"{told}: the answer hangs on them")]
    return [Note("outlying-days", told)]


def _weather(compared: Comparison) -> list[Note]:
    temperature = compared.frame.temperature_c
    if temperature is None:
        return [Note("no-weather", "outdoor temperature is not known: a change of weather may look like a saving")]
    before, since = float(temperature[~compared.after].mean()), float(temperature[compared.after].mean())
    if abs(since - before) < FAR_K:
        return []
    told = f"mean outdoor temperature was {before:.1f} degrees before and {since:.1f} after: another season"
    return [Note("other-season", told)]


def _occupancy(compared: Comparison) -> list[Note]:
    if OCCUPANCY not in compared.frame.names:
        return []
    share = compared.frame.further[:, compared.frame.names.index(OCCUPANCY)]
    before, since = float(share[~compared.after].mean()), float(share[compared.after].mean())
    if abs(since - before) < OCCUPANCY_DIFFERS:
        return []
    return [Note("occupancy-differs", f"somebody was there {before:.0%} of the time before and {since:.0%} after")]


def _few(spans: tuple[Span, Span]) -> list[Note]:
    notes = []
    for name, span, least in (("before", spans[0], FEW_BEFORE), ("after", spans[1], FEW_AFTER)):
        if span.used < least:
            notes.append(Note("few-days", f"only {span.used} days {name} the change; {least} or more say much more"))
    return notes


def _season(yearly: Estimate | Need) -> list[Note]:
    return [Note("no-year", f"no yearly figure: {yearly.text}")] if isinstance(yearly, Need) else []


def _lingers(compared: Comparison) -> list[Note]:
    """A load whose deviations stay for weeks: many days tell little more than some."""
    worth = len(compared.frame) / compared.noise.inflation
    if worth >= FEW_WORTH:
        return []
    told = f"deviations stay for weeks: {len(compared.frame)} days are worth about {worth:.0f} independent ones"
    return [Note("slow-drift", told)]
