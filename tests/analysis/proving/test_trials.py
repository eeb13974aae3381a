"""Trials judged on houses of a known truth: what is saved is found, what is not there is not, and doubts are said."""

from datetime import date, timedelta
from decimal import Decimal
from itertools import product
from math import comb

import numpy as np
import pytest
from scipy.stats import binom

from support.house import settings_of
from support.longhouse import BERLIN, write_days
from support.turns import degrees_c, lasting, on_days, trial
from wattround.analysis.proof.alternating import draw, judge
from wattround.analysis.proof.data import LoadHistory
from wattround.analysis.proving.cases import Bench
from wattround.analysis.proving.trialpage import by_date, by_weather, page
from wattround.analysis.proving.trials import OF_EACH, design_of, tried
from wattround.analysis.proving.trialwords import basis, verdict, warnings, worth_lines
from wattround.analysis.proving.turns import block_units, habit, outlook
from wattround.core.change import Change
from wattround.ledger.past import Past
from wattround.ledger.tally import Tally

DAYS = [date(2025, 9, 1) + timedelta(days=offset) for offset in range(260)]
BEGIN = DAYS[120]  # 30 December
METERS = """
[[meters]]
name = "heat"
power = { topic = "t/h" }
[[meters]]
name = "pump"
power = { topic = "t/p" }
[[meters]]
name = "fan"
power = { topic = "t/f" }
[[meters]]
name = "gaps"
power = { topic = "t/g" }
"""
HEAT = trial("heat 19 degrees", "heat", BEGIN, 28, seed=4)
PUMP = trial("pump slower", "pump", BEGIN, 3, unit_days=7, block_units=4, seed=2)
FAN = trial("fan all night", "fan", BEGIN, 20, seed=6)
SKIPPED = [day for day in DAYS if HEAT.do(day) == "on"][3:6]
SAVED_WH = 700.0
SURE = 0.99
"""An interval of 90 % misses in one of ten houses: a test of one house wants to be surer."""


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    """Heating that saves 700 Wh on days on, except on three; a pump that saves nothing; a fan that uses 400 Wh more."""
    folder = tmp_path_factory.mktemp("turns")
    rng = np.random.default_rng(12)
    weather = degrees_c(DAYS, rng)
    on = on_days(HEAT, DAYS) & np.array([day not in SKIPPED for day in DAYS])
    heat = 2500 + 450 * np.maximum(15 - weather, 0) + lasting(len(DAYS), rng, 350, 0.5) - SAVED_WH * on
    heat += np.array([4000.0 * (day in SKIPPED) for day in DAYS])  # somebody aired all day
    pump = 6000 + lasting(len(DAYS), rng, 200)
    fan = 2000 + lasting(len(DAYS), rng, 150) + 400 * on_days(FAN, DAYS)
    write_days(folder, DAYS, {"heat": heat, "pump": pump, "fan": fan}, list(weather), house="testhouse")
    past, tally = Past(folder, "testhouse"), Tally(folder, "testhouse")
    yield Bench.of(past, tally.kept(), settings_of(METERS))
    past.close()
    tally.close()


def skipping(of, *days):
    return of.model_copy(update={"skipped": tuple(days)})


# -- the answer -----------------------------------------------------------------------------------


def test_what_is_saved_on_days_on_is_found_by_regression_and_by_chance(bench):
    found = tried(bench, 1, skipping(HEAT, *SKIPPED), [], level=SURE)
    saved, second = found.judgement.saved, found.judgement.regression

    assert found.verdict == "saved"
    assert saved.low <= SAVED_WH <= saved.high
    assert (saved.low, saved.high) == found.judgement.randomisation
    assert second.low <= SAVED_WH <= second.high
    assert found.judgement.p_value < 0.01
    assert (found.gone, len(found.used.days)) == (56, 53)
    assert verdict(found).startswith("Saved: 0.")
    assert any("left out, as it was not done as said: " + f"{SKIPPED[0]}" in line.lower() for line in warnings(found))


def test_days_that_were_not_done_are_in_it_until_they_are_left_out(bench):
    with_them, without = tried(bench, 1, HEAT, []), tried(bench, 1, skipping(HEAT, *SKIPPED), [])
    off = [abs(each.judgement.saved.value - SAVED_WH) for each in (with_them, without)]

    assert off[0] > 2 * off[1]
    assert not set(SKIPPED) & set(without.used.days)
    assert set(SKIPPED) <= set(with_them.used.days)


def test_a_trial_without_effect_says_so_and_what_it_would_have_shown(bench):
    found = tried(bench, 2, PUMP, [], level=SURE)

    assert found.verdict == "no detectable change"
    assert found.judgement.saved.low <= 0 <= found.judgement.saved.high
    assert "These days would have shown 0." in verdict(found)


def test_more_use_is_told_as_such(bench):
    found = tried(bench, 3, FAN, [], level=SURE)
    more = found.judgement.saved

    assert found.verdict == "used more"
    assert more.low <= -400 <= more.high
    assert verdict(found).startswith("Used more: 0.")
    assert "-" not in verdict(found)


def test_trials_without_effect_are_called_otherwise_no_more_often_than_they_may():
    """Of 60 invented ones at 90 %: more than 12 would come about in one of 100 such tests (binomial distribution)."""
    days = [date(2026, 1, 5) + timedelta(days=offset) for offset in range(42)]
    wrong = 0
    for seed in range(60):
        rng = np.random.default_rng(seed)
        weather = degrees_c(days, rng)
        energy = 3000 + 400 * np.maximum(15 - weather, 0) + lasting(42, rng, 300, 0.6)
        of = trial("x", "heat", days[0], 21, seed=seed)
        found = judge(LoadHistory(days, energy, np.ones(42), weather), design_of(of))
        wrong += found.certain_sign != 0

    assert wrong <= binom.ppf(0.99, 60, 0.1)


def test_what_was_planned_for_is_mostly_seen():
    """A plan means four times of five; fewer than 24 of 40 would come about in one of 400 tests (binomial)."""
    days = [date(2025, 10, 1) + timedelta(days=offset) for offset in range(240)]
    seen = 0
    for seed in range(40):
        rng = np.random.default_rng(500 + seed)
        weather = degrees_c(days, rng)
        energy = 4000 + 300 * np.maximum(15 - weather, 0) + lasting(240, rng, 300, 0.6)
        before = LoadHistory(days[:180], energy[:180], np.ones(180), weather[:180])
        needed = outlook(habit(before), "alternating by day", 1, 250.0, 0.9).days
        of = trial("x", "heat", days[180], needed // 2, seed=seed)
        energy -= 250.0 * on_days(of, days)
        found = judge(LoadHistory(days, energy, np.ones(240), weather), design_of(of))
        seen += found.certain_sign > 0

    assert binom.cdf(23, 40, 0.8) < 1 / 400
    assert seen >= 24


# -- what it is worth, and what it rests on -------------------------------------------------------


def test_money_is_at_the_price_of_the_trials_own_days(bench):
    found = tried(bench, 1, skipping(HEAT, *SKIPPED), [])
    month = found.judgement.saved.value * 30

    assert found.money.per_kwh == Decimal("0.25")
    line = next(line for line in worth_lines(found) if line.startswith("In 30 days like these"))
    assert f"{month / 1000:.2f} kWh" in line
    assert f"{month / 4000:.2f} EUR" in line
    assert "0.2500 EUR a kWh" in line


def test_the_order_is_the_drawn_one_and_can_be_drawn_again():
    assert design_of(HEAT) == draw(BEGIN, 28, unit_days=1, block_units=2, seed=4)
    assert design_of(PUMP) == draw(BEGIN, 3, unit_days=7, block_units=4, seed=2)


def test_a_careful_reader_is_told_how_it_was_drawn_and_judged(bench):
    text = " ".join(basis(tried(bench, 2, PUMP, [], least_coverage=0.8)))

    assert "Drawn on 2025-12-29 from seed 2: of every 4 weeks 2 on, 84 days from 2025-12-30 to 2026-03-23" in text
    assert "84 have passed, 84 were used" in text
    assert "at least 80 % of it" in text


def test_a_trial_that_still_runs_is_judged_so_far_and_asked_to_run_on(bench):
    begun = DAYS[-30]
    of = trial("fan by day", "fan", begun, 21, seed=1)
    found = tried(bench, 4, of, [])

    assert (found.gone, found.left) == (30, 12)
    assert warnings(found)[0].startswith(f"It runs until {of.last}: 12 days to come.")
    assert found.verdict != "too little data"


def test_a_change_within_the_trial_to_the_same_load_is_warned_of(bench):
    def change(name, on, day):
        return Change.model_validate({"name": name, "on": [on], "at": f"{day}T09:00:00+01:00"})

    changes = [
        change("filter cleaned", "heat", BEGIN + timedelta(days=9)),
        change("another load", "pump", BEGIN + timedelta(days=9)),
        change("before it", "heat", BEGIN),
        change("after it", "heat", HEAT.last + timedelta(days=1)),
    ]
    told = [note.text for note in tried(bench, 1, HEAT, changes).notes if note.code == "other-change"]

    assert len(told) == 1
    assert told[0].startswith(
        f'"filter cleaned" changed the same load within the trial, on {BEGIN + timedelta(days=9)}'
    )


# -- too little -----------------------------------------------------------------------------------


def test_before_its_first_day_it_says_when_it_begins(bench):
    of = trial("heat later", "heat", DAYS[-1] + timedelta(days=5), 7)
    found = tried(bench, 5, of, [])

    assert (found.verdict, found.more_days, found.gone) == ("too little data", 14, 0)
    assert "0 usable days on and 0 off; at least 7 of each are needed. 14 more days." in verdict(found)
    assert warnings(found) == [f"It begins on {of.first}."]


@pytest.mark.parametrize("gone", [1, 6, 12, 13])
@pytest.mark.parametrize("unit_days", [1, 7])
def test_it_says_after_how_many_days_there_will_be_enough(bench, gone, unit_days):
    of = trial("x", "fan", DAYS[-gone], 10, unit_days=unit_days, seed=3)
    found = tried(bench, 6, of, [])
    done = [of.do(of.first + timedelta(days=on)) for on in range(gone + found.more_days)]

    assert found.verdict == "too little data"
    assert min(done.count("on"), done.count("off")) == OF_EACH
    assert min(done[:-1].count("on"), done[:-1].count("off")) == OF_EACH - 1


def test_a_trial_that_cannot_have_enough_any_more_says_so(bench):
    of = trial("x", "fan", DAYS[-14], 7, seed=3)
    on = [day for day in DAYS[-14:] if of.do(day) == "on"]
    found = tried(bench, 6, skipping(of, on[0]), [])

    assert (found.verdict, found.more_days) == ("too little data", None)
    assert verdict(found).endswith("Plan another trial.")


def test_where_days_scatter_more_than_the_load_uses_that_is_said(tmp_path):
    rng = np.random.default_rng(1)
    energy = np.where(rng.random(len(DAYS)) < 0.15, 5000.0, 10.0)  # a load that is used once a week
    write_days(tmp_path, DAYS, {"fan": energy}, house="testhouse")
    past, tally = Past(tmp_path, "testhouse"), Tally(tmp_path, "testhouse")
    found = tried(Bench.of(past, tally.kept(), settings_of(METERS)), 1, trial("x", "fan", BEGIN, 8, seed=3), [])
    past.close()
    tally.close()

    assert found.verdict == "too little data"
    assert "these days scatter so much that only a change of" in verdict(found)
    assert "Plan another trial." in verdict(found) or "plan a longer one." in verdict(found)


def test_a_load_that_was_never_metered_is_too_little_data(bench):
    found = tried(bench, 7, trial("x", "gaps", BEGIN, 20), [])

    assert found.verdict == "too little data"
    assert "0 usable days on and 0 off" in found.lacking


# -- chance ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("units", range(2, 42))
def test_blocks_are_the_smallest_with_which_chance_can_say_something(units):
    """Orders counted one by one where that can be done; two of them, the drawn one and its reverse, show the most."""

    def orders(size):
        return comb(size, size // 2) ** (units // size)

    found = block_units(units)
    if units % 2:
        assert found is None
        return
    for size in (size for size in range(2, units + 1, 2) if units % size == 0 and units <= 12):
        blocks = [product((0, 1), repeat=size) for _ in range(units // size)]
        assert orders(size) == np.prod([sum(2 * sum(each) == size for each in block) for block in blocks])
    can = [size for size in range(2, units + 1, 2) if units % size == 0 and 2 / orders(size) < 0.1]
    assert found == (can[0] if can else units)


def test_with_too_few_orders_chance_is_left_out_and_that_is_said(bench):
    of = trial("x", "fan", BEGIN, 1, unit_days=7, block_units=4, seed=3)
    found = tried(bench, 8, of, [])

    assert found.judgement.randomisation is None
    assert found.judgement.saved == found.judgement.regression
    assert any("there are only 6 orders" in note.text for note in found.notes)
    assert any(line.startswith("By chance alone nothing can be said: too few orders") for line in worth_lines(found))


def test_where_regression_and_chance_disagree_that_is_said():
    """Among invented trials with a small effect some must disagree; each says which shows it, and none else does."""
    days = [date(2026, 1, 5) + timedelta(days=offset) for offset in range(28)]
    from wattround.analysis.proving.trials import _disagreeing

    told = 0
    for seed in range(40):
        rng = np.random.default_rng(seed)
        of = trial("x", "heat", days[0], 14, seed=seed)
        energy = 3000 + lasting(28, rng, 300, 0.6) - 220 * on_days(of, days)
        found = judge(LoadHistory(days, energy, np.ones(28)), design_of(of))
        low, high = found.randomisation
        shown, sign = low > 0 or high < 0, found.regression.certain_sign != 0
        notes = _disagreeing(found, 0.9)
        assert len(notes) == int(shown != sign)
        assert (found.certain_sign != 0) == (shown and sign)  # claimed only if both show it
        told += len(notes)
        if notes:
            first = "the regression shows" if sign else "chance alone shows"
            assert notes[0].text.startswith(first)

    assert told


# -- the page -------------------------------------------------------------------------------------


def test_the_pictures_have_full_dots_on_days_on_and_hollow_ones_on_days_off(bench):
    found = tried(bench, 1, skipping(HEAT, *SKIPPED), [])
    on, off = int(found.used.on.sum()), int((~found.used.on).sum())

    for svg in (by_date("a", found.used, BERLIN), by_weather("b", found.used)):
        circles = svg.split("<circle")[1:]
        hollow = [part for part in circles if 'fill="none"' in part.split(">")[0] or "stroke" in part.split(">")[0]]
        assert (len(circles), len(hollow)) == (on + off, off)
        assert f"{off} days off, hollow: " in svg
        assert f"{on} days on, full: " in svg


def test_the_page_says_what_the_terminal_says_and_escapes_names(bench):
    of = skipping(HEAT, *SKIPPED).model_copy(update={"name": "heat <19>"})
    found = tried(bench, 1, of, [])
    text = page(settings_of(METERS), found)

    assert "<19>" not in text
    assert "heat &lt;19&gt;" in text
    assert verdict(found) in text
    assert text.count("<svg") == 2
    assert "http" not in text.replace("http-equiv", "")


def test_a_page_before_the_first_day_has_no_pictures(bench):
    text = page(settings_of(METERS), tried(bench, 5, trial("x", "heat", DAYS[-1] + timedelta(days=5), 7), []))

    assert "<svg" not in text
    assert "Too little data" in text
