"""A year's avoided energy, plans for a change, and trials."""

from datetime import date, timedelta
from itertools import pairwise

import numpy as np
import pytest

from analysis.proof.invented import FIRST, days, heater, noise, steady, weather
from wattround.analysis.proof.alternating import Design, draw, judge
from wattround.analysis.proof.data import LoadHistory, ProofError
from wattround.analysis.proof.mixture import Estimate
from wattround.analysis.proof.periods import Need
from wattround.analysis.proof.planning import plan
from wattround.analysis.proof.prove import prove
from wattround.analysis.proof.yearly import typical_year


def stretched(count, share, at, seed=3):
    """A heater that a change makes thriftier in proportion."""
    history = heater(count, seed=seed)
    history.energy_wh[at:] *= 1 - share
    return history


def test_a_typical_year_weighs_the_calendar_evenly():
    """A household that knows two winters and one summer counts each day of the calendar once."""
    known = days(365 + 182)
    year = typical_year(known, np.where([day.month in {1, 2, 12} for day in known], 0.0, 20.0))
    winter = year.days[year.temperature_c == 0].sum()
    assert year.known_days == 365
    assert year.days.sum() == pytest.approx(365)
    assert winter == pytest.approx(31 + 31 + 28, abs=1)


def test_degree_days_of_a_typical_year_are_the_mean_of_degree_days():
    known, outdoor = days(3 * 365), weather(3 * 365)
    year = typical_year(known, outdoor)
    assert year.days @ np.maximum(15 - year.temperature_c, 0) == pytest.approx(
        np.maximum(15 - outdoor, 0).sum() / 3, rel=0.02
    )


def test_the_year_follows_the_weather_and_not_the_reporting_days():
    """Nine months after a change that saves a fifth: a year's saving is a fifth of a usual year."""
    history = stretched(365 + 1 + 300, 0.2, 366)
    proof = prove(history, FIRST + timedelta(days=365))
    yearly = proof.evidence.yearly_wh
    usual = (2000 + 400 * np.maximum(15 - history.temperature_c[:365], 0)).sum()
    assert isinstance(yearly, Estimate)
    assert yearly.low < 0.2 * usual < yearly.high
    assert yearly.high - yearly.low < 0.15 * usual


def test_a_heating_season_says_nothing_of_the_rest_of_the_year():
    history = stretched(365 + 1 + 60, 0.2, 366)
    proof = prove(history, FIRST + timedelta(days=365))
    assert proof.verdict == "saved"
    assert isinstance(proof.evidence.yearly_wh, Need)
    assert "days of a usual year are warmer" in proof.evidence.yearly_wh.text
    assert "no-year" in [note.code for note in proof.notes]


def test_the_households_own_longer_weather_is_used():
    history = stretched(150 + 1 + 150, 0.2, 151)
    short = prove(history, FIRST + timedelta(days=150)).evidence.yearly_wh
    assert isinstance(short, Need)
    assert short.more_days == 350 - 301 - 14  # seven days either side of what is known stand for their neighbours
    long = days(365, FIRST - timedelta(days=64)), weather(365)
    told = prove(history, FIRST + timedelta(days=150), weather=long).evidence.yearly_wh
    assert isinstance(told, Estimate) or "of a usual year are" in told.text


def test_what_never_happened_after_a_change_does_not_enter_its_year():
    """A fifth saved of a heater that does less on holidays, all of which were before the change."""
    count, at = 365 + 1 + 300, 366
    away = (np.arange(count) % 40 < 6) & (np.arange(count) < at)
    history = stretched(count, 0.2, at)
    energy = history.energy_wh * np.where(away, 0.8, 1.0)
    present = np.where(away, 0.0, np.random.default_rng(4).uniform(0.5, 1.0, count))
    proof = prove(
        LoadHistory(history.days, energy, history.coverage, history.temperature_c, present),
        FIRST + timedelta(days=at - 1),
    )
    yearly, usual = proof.evidence.yearly_wh, (2000 + 400 * np.maximum(15 - history.temperature_c[:365], 0)).sum()
    assert proof.verdict == "saved"
    assert yearly.low < 0.2 * usual < yearly.high


def test_weather_of_another_length_than_its_days_is_refused():
    with pytest.raises(ProofError, match="3 temperatures for 2 days"):
        typical_year(days(2), np.zeros(3))


def test_more_days_are_needed_for_less():
    found = plan(steady(200), 30.0).outlook
    smaller = plan(steady(200), 15.0).outlook
    assert found.days is not None
    assert smaller.days is None or smaller.days > found.days
    assert all(before > after for (_, before), (_, after) in pairwise(found.smallest_wh))


def test_the_plan_keeps_its_word():
    """Of changes as large as planned for, watched for as long as planned, about 80 % are seen (power analysis)."""
    history = steady(150, seed=21)
    wanted = plan(history, 40.0).outlook.days
    seen = 0
    for seed in range(60):
        after = steady(150 + 1 + wanted, saved_wh=40.0, at=151, seed=100 + seed)
        seen += prove(after, FIRST + timedelta(days=150)).verdict == "saved"
    assert 0.65 <= seen / 60 <= 0.97


def test_what_lingers_takes_longer():
    lasting, fresh = plan(steady(400, phi=0.9, share=0.8), 60.0), plan(steady(400), 60.0)
    assert fresh.outlook.days < (lasting.outlook.days or 731)


def test_plans_that_cannot_be_made_say_why():
    with pytest.raises(ProofError, match="20 usable days of history; at least 28"):
        plan(steady(20), 10.0)
    with pytest.raises(ProofError, match="an effect of -3 Wh a day; expected a figure above 0"):
        plan(steady(60), -3.0)
    assert plan(steady(60), 1e-3).outlook.days is None


def test_a_design_is_balanced_in_blocks_and_drawn_again_from_its_seed():
    trial = draw(FIRST, 10, unit_days=7, block_units=4, seed=8)
    assert trial == draw(FIRST, 10, unit_days=7, block_units=4, seed=8)
    assert trial.on != draw(FIRST, 10, unit_days=7, block_units=4, seed=9).on
    assert [sum(trial.on[at : at + 4]) for at in range(0, 40, 4)] == [2] * 10
    assert trial.last == FIRST + timedelta(days=279)
    assert (trial.unit_of(FIRST + timedelta(days=6)), trial.unit_of(FIRST + timedelta(days=7))) == (0, 1)
    assert trial.unit_of(FIRST - timedelta(days=1)) is trial.unit_of(trial.last + timedelta(days=1)) is None


def test_all_orders_of_a_block_come_up_alike():
    orders = [draw(FIRST, 1, unit_days=1, block_units=4, seed=seed).on for seed in range(1200)]
    counts = [orders.count(each) for each in set(orders)]
    assert len(counts) == 6
    assert min(counts) > 150


def trial_of(saved_wh, blocks=14, unit_days=1, seed=5, sigma_wh=80.0):
    trial = draw(FIRST, blocks, unit_days=unit_days, block_units=2, seed=seed)
    count = len(trial.on) * unit_days
    on = np.array([trial.on[trial.unit_of(day)] for day in days(count)])
    energy = 1000 + 500 * np.sin(np.arange(count) / 20) + noise(count, sigma_wh, seed) - saved_wh * on
    return LoadHistory(days(count), energy, np.ones(count)), trial


def test_a_trial_sees_through_what_would_hide_a_saving():
    """The load drifts by far more than is saved."""
    found = judge(*trial_of(200.0, blocks=30))
    assert found.regression.low < 200 < found.regression.high
    assert found.regression.low > 0
    low, high = found.randomisation
    assert 0 < low < 200 < high
    assert found.p_value < 0.01
    assert (found.days_on, found.days_off) == (30, 30)


def test_the_randomisation_test_refuses_the_truth_no_more_often_than_it_may():
    """Fisher 1935: exact whatever the days are like; here with a drift, and 80 trials at 10 %."""
    refused = [judge(*trial_of(0.0, blocks=10, seed=seed)).p_value <= 0.1 for seed in range(80)]
    assert np.mean(refused) <= 0.19


def test_the_p_value_is_the_share_of_all_orders():
    """Four blocks of two: 16 orders; the effect is so large that only the true order and its opposite show it."""
    history, trial = trial_of(50_000.0, blocks=4, unit_days=7, sigma_wh=1.0)
    found = judge(history, trial)
    assert found.orders == 16
    assert found.p_value == 2 / 16
    assert found.randomisation is None  # at 90 % two of sixteen can never be refused


def test_trials_that_cannot_be_judged_say_why():
    history, trial = trial_of(10.0, blocks=3)
    with pytest.raises(ProofError, match="3 usable days with the change on and 3 off; expected at least 7 of each"):
        judge(history, trial)
    with pytest.raises(ProofError, match="usable days with the change on"):
        judge(history, Design(date(2030, 1, 1), 1, 2, 0, (True, False) * 20))
    for wrong, told in (
        ({"unit_days": 2}, r"units of 2 days; expected 1 \(by the day\) or 7"),
        ({"block_units": 3}, "blocks of 3 units; expected an even number"),
        ({"blocks": 0}, "0 blocks; expected at least 1"),
    ):
        settings = {"blocks": 4, "unit_days": 1, "block_units": 2, "seed": 1, **wrong}
        with pytest.raises(ProofError, match=told):
            draw(FIRST, **settings)
