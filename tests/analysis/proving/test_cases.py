"""Which days of which loads a change is judged by, and what the answer is worth: on houses with a known truth."""

from datetime import date, timedelta
from decimal import Decimal

import numpy as np
import pytest

from support.house import settings_of
from support.longhouse import write_days
from wattround.analysis.proving.cases import Bench, case, groups
from wattround.analysis.proving.pictures import adding_up, by_weather, grown, over_time
from wattround.analysis.proving.together import together
from wattround.analysis.proving.words import basis, expectation, verdict, worth_lines
from wattround.core.change import Change
from wattround.ledger.past import Past
from wattround.ledger.tally import Tally

FIRST = date(2024, 9, 1)
DAYS = [FIRST + timedelta(days=offset) for offset in range(800)]
CHANGED = date(2026, 3, 10)
METERS = """
[[meters]]
name = "supply"
role = "supply"
power = { topic = "t/s" }
[[meters]]
name = "cooler"
within = "supply"
power = { topic = "t/c" }
[[meters]]
name = "pump"
within = "supply"
power = { topic = "t/p" }
[[meters]]
name = "tv"
within = "supply"
role = "appliance"
power = { topic = "t/t" }
"""
ROLES = {"supply": "supply", "cooler": "circuit", "pump": "circuit", "tv": "appliance"}


def lasting(rng, sigma, share=0.4):
    """Deviations that stay for some days (a first-order autoregression)."""
    found = np.zeros(len(DAYS))
    for at in range(1, len(DAYS)):
        found[at] = share * found[at - 1] + rng.normal(0, sigma)
    return found


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    """A cooler set 25 % lower, a pump that takes 1.5 kWh less from that day on, a television as ever."""
    folder = tmp_path_factory.mktemp("proving")
    rng = np.random.default_rng(5)
    of_year = np.array([day.timetuple().tm_yday for day in DAYS])
    degrees_c = 11 - 10 * np.cos(2 * np.pi * (of_year - 15) / 365) + rng.normal(0, 3, len(DAYS))
    after = np.array([day >= CHANGED for day in DAYS])
    cooler = np.maximum(800 + 600 * np.maximum(degrees_c - 18, 0) * (1 - 0.25 * after) + lasting(rng, 300), 0)
    pump = 6000 - 1500 * after + lasting(rng, 200)
    tv = np.maximum(1200 + 300 * np.array([day.weekday() > 4 for day in DAYS]) + lasting(rng, 250), 0)
    supply = cooler + pump + tv + 5000 + lasting(rng, 400)
    write_days(folder, DAYS, {"cooler": cooler, "pump": pump, "tv": tv, "supply": supply}, list(degrees_c), ROLES)
    past, tally = Past(folder, "testhouse"), Tally(folder, "testhouse")
    yield Bench.of(past, tally.kept(), settings_of(METERS))
    past.close()
    tally.close()


def change(name, on, at, **more):
    return Change.model_validate(
        {"name": name, "on": [on] if isinstance(on, str) else on, "at": f"{at}T09:00:00+01:00", **more}
    )


COOLER = change("cooler set warmer", "cooler", "2026-03-10", cost="60", expect_wh="2000", by="odile")
PUMP = change("pump slower", "pump", "2026-03-10", cost="120", expect_wh="1500")
TV = change("tv switch", "tv", "2026-03-10")


def proved(bench, of, *others, **more):
    every = groups(dict(enumerate([of, *others])))
    return case(bench, next(group for group in every if of in group), every, **more)


def test_a_saving_that_is_there_is_found_within_its_interval(bench):
    found = proved(bench, PUMP)
    avoided = found.proof.evidence.avoided_wh_per_day

    assert found.proof.verdict == "saved"
    assert avoided.low <= 1500 <= avoided.high
    assert verdict(found).startswith("Saved: 1.5")


def test_a_saving_on_cooling_is_carried_through_the_houses_own_year(bench):
    found = proved(bench, COOLER)
    yearly = found.proof.evidence.yearly_wh

    assert found.proof.verdict == "saved"
    assert found.proof.evidence.model.spec.shape == "cooling"
    assert 30_000 < yearly.low < yearly.high < 120_000


def test_a_load_on_which_nothing_changed_shows_nothing_and_says_what_it_would_have_shown(bench):
    found = proved(bench, TV)

    assert found.proof.verdict == "no detectable change"
    assert "Days like these would have shown 0." in verdict(found)


def test_money_is_at_the_marginal_price_and_pays_back_what_was_paid(bench):
    found = proved(bench, PUMP)
    evidence = found.proof.evidence
    lines = list(worth_lines(found, evidence))
    years = found.payback_years(evidence.yearly_wh)

    assert found.money.per_kwh == Decimal("0.25")
    assert "0.2500 EUR a kWh, the marginal price when it drew" in lines[0]
    # 120 EUR at 1.5 kWh x 365 days x 0.25 EUR, by hand: 0.88 years
    assert years[0] == pytest.approx(120 / (1.5 * 365 * 0.25), rel=0.1)
    assert years[1] < years[0] < years[2]
    assert expectation(found, evidence) == "Somebody expected 1.500 kWh a day: that agrees."
    assert expectation(proved(bench, COOLER), proved(bench, COOLER).proof.evidence).endswith("it is less than that.")


def test_a_further_change_to_the_load_ends_the_days_after_and_begins_those_before(bench):
    later = change("new belt", "pump", "2026-08-01")
    first, second = proved(bench, PUMP, later), proved(bench, later, PUMP)

    assert first.proof.reporting.last == date(2026, 7, 31)
    assert second.proof.baseline.first == date(2026, 3, 11)
    assert second.proof.verdict == "no detectable change"


def test_changes_that_cannot_be_told_apart_are_one_case_without_the_days_between(bench):
    later = change("pool covered", "pump", "2026-03-20", along_with="pump slower", cost="30")
    found = proved(bench, PUMP, later)

    assert [each.name for each in found.changes] == ["pump slower", "pool covered"]
    assert found.cost == 150
    assert not any(date(2026, 3, 10) <= day <= date(2026, 3, 20) for day in found.proof.evidence.series.days)
    assert len(groups({1: PUMP, 2: later, 3: TV})) == 2


def test_a_change_that_was_taken_back_counts_until_then(bench):
    found = proved(bench, change("pump slower", "pump", "2026-03-10", until="2026-06-01T12:00:00+02:00"))

    assert found.proof.reporting.last == date(2026, 5, 31)


def test_a_change_within_or_around_the_load_is_warned_of(bench):
    found = proved(bench, change("off-peak", "supply", "2026-03-01"), PUMP, TV)

    assert [note.code for note in found.proof.notes if note.code == "coincident-change"]
    assert not [note for note in proved(bench, TV, PUMP).proof.notes if note.code == "coincident-change"]


def test_one_of_yesterday_has_too_little_data_and_says_how_many_days_more(bench):
    found = proved(bench, change("x", "tv", "2026-11-01"))

    assert found.proof.verdict == "too little data"
    assert verdict(found).startswith(
        "Too little data: 8 usable days after the change; at least 14 are needed. 6 more days."
    )
    assert proved(bench, change("x", "tv", "2026-11-09")).refusal
    assert verdict(proved(bench, change("x", "tv", "2026-11-09"))).startswith("Cannot be asked yet: ")


def test_a_load_that_was_never_measured_can_be_asked_about_and_the_answer_says_so(bench):
    found = proved(bench, change("x", "ghost", "2026-03-10"))

    assert found.proof is None or found.proof.verdict == "too little data"
    assert found.money.per_kwh is None


def test_all_together_add_up_and_the_supply_agrees(bench):
    every = groups({1: COOLER, 2: PUMP, 3: change("new belt", "pump", "2026-08-01"), 4: TV})
    cases = [case(bench, group, every) for group in every]
    found = together(bench, cases, 0.9, 0.9)
    lines = list(found.lines)

    assert (found.counted, found.of) == (4, 4)
    assert found.daily.low < 1500 + 270 < found.daily.high
    assert found.supply.low <= found.daily.high
    assert lines[-1].endswith("that agrees.")


def test_one_that_was_taken_back_is_not_in_the_sum_and_is_named(bench):
    ended = change("tv switch", "tv", "2026-03-10", until="2026-09-01T12:00:00+02:00")
    every = groups({1: PUMP, 2: ended})
    found = together(bench, [case(bench, group, every) for group in every], 0.9, 0.9)

    assert found.left_out == ("tv switch (taken back)",)
    assert found.counted == 1


def test_what_was_avoided_adds_up_to_the_total_and_its_band_widens(bench):
    evidence = proved(bench, PUMP).proof.evidence
    found = grown(evidence)

    assert found.value_wh[-1] == pytest.approx(evidence.avoided_wh.value, rel=1e-6)
    width = found.high_wh - found.low_wh
    assert width[-1] > width[0]
    assert width[-1] == pytest.approx(evidence.avoided_wh.high - evidence.avoided_wh.low, rel=0.25)


def test_pictures_have_words_and_both_periods(bench):
    evidence = proved(bench, COOLER).proof.evidence
    weather = by_weather("a", evidence)

    assert weather.count("<circle") == len(evidence.series.days)
    assert "days before" in weather
    assert "<desc" in over_time("b", evidence, bench.zone)
    assert "kWh, between" in adding_up("c", evidence, bench.zone)


def test_what_it_rests_on_names_periods_model_and_fit(bench):
    text = "\n".join(basis(proved(bench, COOLER)))

    for said in ("Before: 2024-09-01 to 2026-03-09, 555 of 555 days used", "Change point of cooling: 18.",
                 "CV(RMSE)", "NMBE", "Bayesian information criterion", "ASHRAE Guideline 14"):  # fmt: skip
        assert said in text
