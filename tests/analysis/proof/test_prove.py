"""Did the change save anything? The four answers, what comes with them, and what is refused."""

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest

from analysis.proof.invented import FIRST, days, heater, noise, steady, weather
from wattround.analysis.proof.data import LoadHistory, ProofError
from wattround.analysis.proof.prove import prove


def codes(proof):
    return [note.code for note in proof.notes]


def note(proof, code):
    (found,) = [each.text for each in proof.notes if each.code == code]
    return found


def at(day):
    return FIRST + timedelta(days=day)


def test_a_saving_is_seen_with_what_it_was():
    proof = prove(heater(500, saved_wh=600, at=301), at(300))
    avoided = proof.evidence.avoided_wh_per_day

    assert proof.verdict == "saved"
    assert avoided.low < 600 < avoided.high
    assert avoided.high - avoided.low < 400
    assert proof.evidence.model.spec.shape == "heating"
    assert proof.evidence.model.heating.low_c - 0.5 <= 15 <= proof.evidence.model.heating.high_c + 0.5
    assert (proof.baseline.used, proof.reporting.first, proof.reporting.last) == (300, at(301), at(499))
    assert proof.needs == ()


def test_more_use_is_said_as_plainly():
    assert prove(steady(200, saved_wh=-100, at=101), at(100)).verdict == "used more"


def test_no_change_comes_with_the_smallest_effect_that_would_have_been_seen():
    proof = prove(steady(200), at(100))
    evidence = proof.evidence

    assert proof.verdict == "no detectable change"
    half = (evidence.avoided_wh_per_day.high - evidence.avoided_wh_per_day.low) / 2
    assert half < evidence.smallest_seen_wh < 2 * half
    larger = prove(steady(200, saved_wh=3 * evidence.smallest_seen_wh, at=101), at(100))
    assert larger.verdict == "saved"


def test_the_day_of_the_change_is_left_out():
    history = steady(200)
    history.energy_wh[100] = 1e6
    proof = prove(history, at(100))
    assert at(100) not in proof.evidence.series.days
    assert proof.verdict == "no detectable change"


def test_only_covered_days_are_used():
    history = steady(200, saved_wh=200, at=101)
    history.coverage[[3, 50, 150]] = 0.89
    history.energy_wh[[3, 50, 150]] = np.nan
    proof = prove(history, at(100))
    assert (proof.baseline.used, proof.reporting.used, proof.least_coverage) == (98, 98, 0.9)
    assert proof.verdict == "saved"


def test_expected_less_measured_is_what_was_avoided():
    evidence = prove(heater(500, saved_wh=600, at=301), at(300)).evidence
    series = evidence.series
    difference = (series.expected_wh - series.measured_wh)[series.after]
    assert difference.mean() == pytest.approx(evidence.avoided_wh_per_day.value, rel=1e-3)
    assert evidence.avoided_wh.value == pytest.approx(evidence.avoided_wh_per_day.value * len(difference))
    assert evidence.expected_wh_per_day == pytest.approx(series.expected_wh[series.after].mean())


def test_a_wider_level_gives_a_wider_interval():
    history = heater(500, saved_wh=600, at=301)
    narrow, wide = (prove(history, at(300), level=level).evidence.avoided_wh_per_day for level in (0.5, 0.99))
    assert wide.low < narrow.low < narrow.value < narrow.high < wide.high


@pytest.mark.parametrize(("before", "since", "more_days"), [(20, 60, None), (60, 10, 4), (10, 5, 9)])
def test_too_few_days(before, since, more_days):
    proof = prove(steady(before + 1 + since), at(before))
    assert proof.verdict == "too little data"
    assert proof.evidence is None
    assert max((need.more_days or 0) for need in proof.needs) == (more_days or 0)
    assert all("needed" in need.text for need in proof.needs)


def test_a_period_with_no_days_is_too_little_data():
    proof = prove(steady(60), at(59))
    assert proof.verdict == "too little data"
    assert proof.reporting is None
    assert proof.needs[0].text == "0 usable days after the change; at least 14 are needed"
    assert prove(LoadHistory([], np.zeros(0), np.zeros(0)), FIRST).verdict == "too little data"


def test_a_load_that_scatters_beyond_itself_says_how_many_days_more():
    random = np.random.default_rng(3)
    rare = np.where(random.random(90) < 0.02, 20000.0, 5.0)
    proof = prove(LoadHistory(days(90), rare, np.ones(90)), at(60))
    assert proof.verdict == "too little data"
    (need,) = proof.needs
    assert "scatter so much" in need.text
    assert need.more_days is None or need.more_days > 0


def test_a_change_in_the_future_is_refused():
    with pytest.raises(ProofError, match="the change is on 2024-12-01, and the last day with data is 2024-04-09"):
        prove(steady(100), date(2024, 12, 1))


def test_seasons_that_do_not_overlap_are_too_little_data():
    outdoor = np.concatenate([np.linspace(-5, 5, 60), np.linspace(15, 25, 60)])
    proof = prove(heater(120, temperature_c=outdoor), at(60))
    assert proof.verdict == "too little data"
    assert "unlike any before in outdoor temperature: only -5 to 5 degrees were seen" in proof.needs[0].text
    assert proof.needs[0].more_days > 14


def test_days_unlike_any_before_are_left_out_and_counted():
    outdoor = np.concatenate([np.tile(np.linspace(0, 10, 20), 5), np.tile(np.linspace(2, 13, 12), 5)])
    proof = prove(heater(160, saved_wh=500, at=101, temperature_c=outdoor), at(100))
    assert proof.unlike_days == (outdoor[101:] > 11).sum() > 0
    assert "unlike-days" in codes(proof)
    assert proof.verdict == "saved"


def test_holidays_with_nobody_there_are_not_a_saving_where_occupancy_is_known():
    """The load stops while nobody is there; nothing was changed."""
    there = np.random.default_rng(1).uniform(0.6, 1, 240)
    there[30:44] = there[150:170] = 0.0
    energy = np.where(there > 0, 1000.0, 100.0) + noise(240, 60.0)
    known = prove(LoadHistory(days(240), energy, np.ones(240), None, there), at(140))
    assert known.verdict == "no detectable change"
    assert "nobody there" in [each.name for each in known.evidence.model.coefficients]

    there[30:44] = 0.9
    energy[30:44] = 1000.0
    unseen = prove(LoadHistory(days(240), energy, np.ones(240), None, there), at(140))
    assert unseen.unlike_days == 20
    assert "nobody was there all day, and no such day lies before it" in note(unseen, "unlike-days")
    assert unseen.verdict == "no detectable change"


def test_occupancy_that_differs_is_told():
    there = np.random.default_rng(1).uniform(0, 1, 200)
    there[101:] = np.clip(there[101:] + 0.3, 0, 1)
    proof = prove(replace(steady(200), occupancy=there), at(100))
    assert "occupancy-differs" in codes(proof)


def test_a_coincident_change_is_told():
    others = {at(120): "new windows", at(900): "much later"}
    proof = prove(steady(200), at(100), other_changes=others)
    assert "new windows on 2024-04-30 lies within these days" in note(proof, "coincident-change")


def test_missing_coverage_few_days_and_no_weather_are_told():
    history = steady(75)
    history.coverage[5:15] = 0.0
    proof = prove(history, at(50))
    assert {"missing-coverage", "few-days", "no-weather"} <= set(codes(proof))
    assert "of 50 days before the change 10 could not be used" in note(proof, "missing-coverage")


def test_outlying_days_are_shown_kept_and_left_out_for_comparison():
    history = steady(200, saved_wh=30, at=101)
    history.energy_wh[[20, 160]] = 9000.0
    proof = prove(history, at(100))
    out = proof.evidence.outlying
    assert [each.day for each in out.days] == [at(20), at(160)]
    assert at(20) in proof.evidence.series.days
    width = proof.evidence.avoided_wh_per_day.high - proof.evidence.avoided_wh_per_day.low
    assert out.avoided_without.high - out.avoided_without.low < width / 3
    assert "the answer hangs on them" in note(proof, "hangs-on-outlying-days")


def test_constant_temperature_is_left_out():
    proof = prove(replace(steady(200), temperature_c=np.full(200, 20.0)), at(100))
    assert "temperature moves by only 0.0 K and is left out" in note(proof, "temperature-left-out")
    assert proof.verdict == "no detectable change"


def test_temperature_that_is_mostly_unknown_is_left_out_and_single_gaps_cost_their_days():
    outdoor = weather(200)
    outdoor[:150] = np.nan
    proof = prove(replace(steady(200), temperature_c=outdoor), at(100))
    assert "is known on only 25% of the covered days" in note(proof, "temperature-left-out")
    assert len(proof.evidence.series.days) == 199

    outdoor = weather(200)
    outdoor[[4, 30]] = np.nan
    proof = prove(replace(steady(200), temperature_c=outdoor), at(100))
    assert proof.baseline.used == 98
    assert not any(code.endswith("left-out") for code in codes(proof))


def test_of_identical_regressors_one_is_left_out_by_name():
    shown = np.random.default_rng(0).uniform(0, 1, 200)
    history = replace(steady(200), signals={"shown": shown, "again": 2 * shown + 1, "fixed": np.full(200, 3.0)})
    proof = prove(history, at(100))
    told = [each.text for each in proof.notes if each.code == "regressor-left-out"]
    assert any("again says the same as shown" in each for each in told)
    assert any("fixed does not change before the change" in each for each in told)
    assert proof.verdict == "no detectable change"


def test_ten_years_of_days_are_answered_from_the_last_three_before_the_change():
    proof = prove(heater(3650, saved_wh=400, at=2501), at(2500))
    assert proof.verdict == "saved"
    assert proof.baseline.used == 1095
    assert "1405 days of more than three years before" in note(proof, "old-days-left-out")


def test_a_load_that_never_varies_is_judged_to_the_watt_hour():
    energy = np.full(120, 500.0)
    energy[61:] = 499.0
    proof = prove(LoadHistory(days(120), energy, np.ones(120)), at(60))
    assert proof.verdict == "saved"
    assert proof.evidence.avoided_wh_per_day.value == pytest.approx(1.0, abs=1e-6)
    assert prove(LoadHistory(days(120), np.zeros(120), np.ones(120)), at(60)).verdict == "no detectable change"


@pytest.mark.parametrize(
    ("spoilt", "told"),
    [
        ({"coverage": np.ones(99)}, r"coverage has the shape \(99,\); expected one value for each of the 100 days"),
        ({"coverage": np.full(100, 1.4)}, "coverage on 2024-01-01 is not a share from 0 to 1"),
        ({"energy_wh": np.full(100, np.nan)}, "2024-01-01 counts as covered, but its energy is not known"),
        ({"energy_wh": np.full(100, np.inf)}, "energy_wh has an infinite value on 2024-01-01"),
        ({"days": [FIRST] * 100}, "2024-01-01 follows 2024-01-01; expected each day once, oldest first"),
    ],
)
def test_what_cannot_be_meant_is_refused(spoilt, told):
    with pytest.raises(ProofError, match=told):
        prove(replace(steady(100), **spoilt), at(50))


def test_settings_that_cannot_be_meant_are_refused():
    with pytest.raises(ProofError, match=r"a level of 90; expected a probability from 0\.5 to below 1"):
        prove(steady(100), at(50), level=90)
    with pytest.raises(ProofError, match="a least coverage of 0; expected a share above 0, at most 1"):
        prove(steady(100), at(50), least_coverage=0)
