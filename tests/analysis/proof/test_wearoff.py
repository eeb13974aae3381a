"""A proven saving that wears off: what the analysis hands to the daemon, and what the daemon then says."""

import json
from datetime import timedelta

import numpy as np
import pytest

from analysis.proof.invented import FIRST, days, heater, noise, steady, weather
from wattround.analysis.proof.data import LoadHistory
from wattround.analysis.proof.periods import Need
from wattround.analysis.proof.prove import prove
from wattround.analysis.proof.terms import design
from wattround.analysis.proof.wearoff import FALSE_ALARMS_A_YEAR, watch
from wattround.rules.drift import DriftRule, DriftState, follow, presence

AT = FIRST + timedelta(days=200)


def watched(found, energy_wh, begin, temperature_c=None):
    """Days until the rule speaks; None if it keeps still."""
    state = DriftState()
    for at, energy in enumerate(energy_wh):
        known = None if temperature_c is None else float(temperature_c[at])
        state = follow(found.rule, state, begin + timedelta(days=at), float(energy), known)
        if state.worn_off:
            return at + 1
    return None


def test_a_saving_that_stays_is_left_in_peace_and_one_that_is_lost_is_noticed():
    found = watch(prove(steady(400, saved_wh=150, at=201), AT).evidence)
    later = FIRST + timedelta(days=400)
    assert watched(found, 850 + noise(365, 50.0, 77), later) is None
    lost = watched(found, 1000 + noise(365, 50.0, 78), later)
    assert lost is not None
    assert lost <= 3 * found.noticed_days + 5


def test_false_alarms_come_as_seldom_as_designed():
    """200 years of a load that is as the proof took it: at most some more than one in forty raises."""
    found = watch(prove(steady(500, saved_wh=60, at=201), AT).evidence)
    later = FIRST + timedelta(days=500)
    alarms = [watched(found, 940 + noise(365, 50.0, seed), later) is not None for seed in range(1000, 1200)]
    assert np.mean(alarms) <= 0.08
    assert found.false_alarms_a_year == FALSE_ALARMS_A_YEAR
    assert found.run_length_days == pytest.approx(365 / FALSE_ALARMS_A_YEAR, rel=0.05)


def test_the_daemons_sum_expects_what_the_analysis_fitted():
    history = heater(600, saved_wh=800, at=201)
    history.energy_wh[np.arange(600) % 7 >= 5] += 1500
    evidence = prove(history, AT).evidence
    rule = watch(evidence).rule
    compared = evidence.comparison
    spec, frame, after = compared.found.chosen, compared.frame, compared.after
    columns = design(spec, frame, compared.centres)
    values = np.array([each.value for each in evidence.model.coefficients])
    told = [
        rule.expectation.of(day, float(frame.temperature_c[at]), {})
        for at, day in enumerate(evidence.series.days)
        if after[at]
    ]
    base = (columns @ values)[after]
    measured = frame.energy_wh[after]
    assert np.mean(told) == pytest.approx(measured.mean(), rel=1e-9)
    assert np.corrcoef(told, base)[0, 1] == pytest.approx(1.0, abs=1e-9)


def test_occupancy_is_told_to_the_daemon_by_its_names():
    there = np.random.default_rng(2).uniform(0.5, 1, 400)
    there[::9] = 0.0
    energy = np.where(there > 0, 1000.0, 100.0) + noise(400, 40.0)
    energy[201:] -= 60
    rule = watch(prove(LoadHistory(days(400), energy, np.ones(400), None, there), AT).evidence).rule
    assert dict(rule.expectation.further_wh).keys() == {"nobody there"}
    assert rule.expectation.of(AT, None, presence(0.0)) == pytest.approx(40, abs=40)
    assert rule.expectation.of(AT, None, presence(0.8)) == pytest.approx(940, abs=20)
    assert rule.expectation.of(AT, None, {}) is None


def test_a_rule_survives_json():
    found = watch(prove(heater(500, saved_wh=900, at=201), AT).evidence)
    assert DriftRule.from_json(json.loads(json.dumps(found.rule.to_json()))) == found.rule


def test_weather_that_the_saving_was_not_proven_in_is_not_judged():
    outdoor = weather(400)
    found = watch(prove(heater(400, saved_wh=900, at=201, temperature_c=outdoor), AT).evidence)
    state = follow(found.rule, DriftState(), AT, 1e6, float(outdoor[201:].max()) + 5)
    assert state == DriftState()
    assert found.rule.expectation.coldest_c == pytest.approx(outdoor[201:].min() - 1, abs=0.3)


def test_without_a_proven_saving_there_is_nothing_to_watch():
    assert isinstance(watch(prove(steady(300), AT).evidence), Need)
    assert isinstance(watch(prove(steady(300, saved_wh=-200, at=201), AT).evidence), Need)


def test_the_same_proof_gives_the_same_rule():
    evidence = prove(steady(300, saved_wh=100, at=201), AT).evidence
    assert watch(evidence) == watch(evidence)
