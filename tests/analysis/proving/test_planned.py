"""Plans on houses of a known truth: which way is best, when the effect is seen, and what is said of it."""

from datetime import date, timedelta
from itertools import product

import numpy as np
import pytest

from support.house import settings_of
from support.longhouse import write_days
from support.turns import degrees_c, lasting, on_days, trial
from wattround.analysis.proof.alternating import judge
from wattround.analysis.proof.data import LoadHistory, ProofError
from wattround.analysis.proving.cases import Bench
from wattround.analysis.proving.planned import planned
from wattround.analysis.proving.planwords import advice, cautions, headline
from wattround.analysis.proving.trials import design_of
from wattround.analysis.proving.turns import habit, smallest_wh
from wattround.core.change import Change
from wattround.ledger.past import Past
from wattround.ledger.tally import Tally

DAYS = [date(2025, 1, 6) + timedelta(days=offset) for offset in range(400)]
LOADS = ("steady", "drifting", "heat", "idle")
METERS = "".join(f'[[meters]]\nname = "{name}"\npower = {{ topic = "t/{name}" }}\n' for name in LOADS)


def energies(weather):
    """Steady days that know nothing of each other; days like those before them; heating; and nothing at all."""
    rng = np.random.default_rng(2)
    return {
        "steady": 6000 + rng.normal(0, 200, len(DAYS)),
        "drifting": 6000 + lasting(len(DAYS), rng, 300, 0.95),
        "heat": 1500 + 500 * np.maximum(15 - weather, 0) + lasting(len(DAYS), rng, 400, 0.5),
        "idle": np.zeros(len(DAYS)),
    }


def opened(folder, weather, *, known):
    write_days(folder, DAYS, energies(weather), list(weather) if known else (), house="testhouse")
    past, tally = Past(folder, "testhouse"), Tally(folder, "testhouse")
    return Bench.of(past, tally.kept(), settings_of(METERS)), past, tally


@pytest.fixture(scope="module", params=[True, False], ids=["weather known", "weather unknown"])
def any_bench(request, tmp_path_factory):
    bench, *open_ = opened(
        tmp_path_factory.mktemp("plans"), degrees_c(DAYS, np.random.default_rng(8)), known=request.param
    )
    yield bench, request.param
    for each in open_:
        each.close()


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    made, *open_ = opened(tmp_path_factory.mktemp("plan"), degrees_c(DAYS, np.random.default_rng(8)), known=True)
    yield made
    for each in open_:
        each.close()


def plan_of(bench, load, effect_wh=None, changes=(), trials=(), level=0.9):
    return planned(bench, [load], effect_wh, changes, trials, level=level)


def change(name, on, day, **more):
    return Change.model_validate({"name": name, "on": [on], "at": f"{day}T09:00:00+01:00", **more})


def test_where_days_know_nothing_of_each_other_before_and_after_is_best(bench):
    found = plan_of(bench, "steady", 100.0)

    assert found.best == "before and after"
    assert found.days("before and after") < found.days("alternating by day")
    assert "Nothing has to be switched to and fro, and turns are no quicker." in " ".join(advice(found))


def test_where_neighbours_are_alike_before_and_after_drowns_and_the_numbers_say_so(bench):
    found = plan_of(bench, "drifting", 300.0)
    told = " ".join(advice(found))

    assert found.best == "alternating by day"
    assert found.days("before and after") is None
    assert found.days("alternating by day") < 60
    assert "Before and after it would drown: to see 0.300 kWh a day would take more than 2 years, as 8 weeks" in told
    assert f"{found.seen_wh('before and after', 56) / 1000:.3f} kWh a day" in told
    assert f"{found.seen_wh('alternating by day', 56) / 1000:.3f} kWh in turns" in told
    assert f"By the week it takes {found.days('alternating by week')} days" in told


def test_a_weather_driven_load_whose_weather_is_not_known_drowns_and_is_to_be_tried_in_turns(any_bench):
    bench, is_known = any_bench
    found = plan_of(bench, "heat", 400.0)
    told, plain, turns = " ".join(advice(found)), found.days("before and after"), found.days("alternating by day")

    if is_known:
        assert "It uses more the colder it is" in told
        assert plain < 4 * turns
    else:
        assert found.best == "alternating by day"
        assert "Before and after it would drown: to see 0.400 kWh a day" in told
        assert plain is None or plain > 4 * turns


def test_turns_as_they_are_drawn_and_judged_show_what_the_plan_says():
    """The plan's figure against what the judge of drawn trials says of itself, in the mean of ten houses, within 20 %."""
    days = [date(2025, 10, 1) + timedelta(days=offset) for offset in range(240)]
    figures = []
    for seed, count in product(range(10), (28, 56)):
        rng = np.random.default_rng(700 + seed)
        weather = degrees_c(days, rng)
        energy = 4000 + 300 * np.maximum(15 - weather, 0) + lasting(240, rng, 300, 0.6)
        usual = habit(LoadHistory(days[:180], energy[:180], np.ones(180), weather[:180]))
        of, until = trial("x", "heat", days[180], count // 2, seed=seed), 180 + count
        used = energy[:until] - 200 * on_days(of, days[:until])
        found = judge(LoadHistory(days[:until], used, np.ones(until), weather[:until]), design_of(of))
        figures.append((count, smallest_wh(usual, 1, count, 0.9), found.saved.smallest_seen))

    for count in (28, 56):
        said, came = np.mean([each[1:] for each in figures if each[0] == count], axis=0)
        assert said == pytest.approx(came, rel=0.2)


def test_less_is_seen_later_and_a_surer_interval_takes_longer(bench):
    more, less = plan_of(bench, "steady", 200.0), plan_of(bench, "steady", 100.0)
    surer = plan_of(bench, "steady", 100.0, level=0.99)

    for way in ("before and after", "alternating by day", "alternating by week"):
        assert more.days(way) <= less.days(way) < surer.days(way)
    for outlook in less.outlooks:
        seen = [wh for _, wh in outlook.smallest_wh]
        assert seen == sorted(seen, reverse=True)


def test_days_come_in_whole_units_with_as_many_on_as_off(bench):
    for effect_wh in (70.0, 133.0):
        found = plan_of(bench, "drifting", effect_wh)
        assert (found.days("alternating by day") or 0) % 2 == 0
        assert (found.days("alternating by week") or 14) % 14 == 0
    assert plan_of(bench, "steady", 5000.0).days("alternating by week") == 28
    assert plan_of(bench, "steady", 5000.0).drawn_days("alternating by day") == 28


def test_without_an_effect_it_looks_for_a_tenth_of_what_the_load_uses(bench):
    found = plan_of(bench, "steady")
    _, wanted = headline(found)

    assert found.plan.usual_wh == pytest.approx(6000, rel=0.01)
    assert found.plan.effect_wh == pytest.approx(0.1 * found.plan.usual_wh)
    assert wanted.startswith("To be seen: 0.599 kWh a day, 10 % of that")


def test_an_effect_that_no_way_shows_is_said_with_what_a_year_would_show(bench):
    found = plan_of(bench, "steady", 2.0)
    told = " ".join(advice(found))

    assert found.best is None
    assert "No way shows 0.002 kWh a day within 2 years. After one year 0.0" in told


def test_only_days_since_the_last_change_to_the_load_are_looked_at(bench):
    changes = [
        change("pump slower", "steady", DAYS[200]),
        change("taken back", "steady", DAYS[50], until=f"{DAYS[300]}T09:00:00+01:00"),
        change("another load", "heat", DAYS[350]),
    ]
    found = plan_of(bench, "steady", 200.0, changes)

    assert found.first == DAYS[301]
    assert any(
        f'only the days since "taken back" on {DAYS[300]} are looked at' in line.lower() for line in cautions(found)
    )
    with pytest.raises(ProofError, match=r'9 whole days since "late" on .*; at least 28 are needed to plan with'):
        plan_of(bench, "steady", 200.0, [change("late", "steady", DAYS[-10])])


def test_days_of_trials_are_left_out(bench):
    of = trial("x", "steady", DAYS[100], 20)
    found = plan_of(bench, "steady", 200.0, trials=[of, trial("y", "heat", DAYS[200], 20)])

    assert found.plan.history_days == len(DAYS) - 40
    assert "40 days of trials on the same load are left out." in list(cautions(found))


@pytest.mark.parametrize(
    ("load", "effect_wh", "says"),
    [
        ("idle", None, "idle used nothing on the days there are"),
        ("steady", 7000.0, "an effect of 7.000 kWh a day, and steady uses 5.995 kWh; expected at most that"),
    ],
)
def test_what_cannot_be_planned_says_why(bench, load, effect_wh, says):
    with pytest.raises(ProofError, match=says):
        plan_of(bench, load, effect_wh)


def test_several_loads_are_planned_for_together(bench):
    found = planned(bench, ["steady", "heat"], 500.0, [], [], level=0.9)
    apart = [plan_of(bench, load).plan.usual_wh for load in ("steady", "heat")]

    assert found.plan.usual_wh == pytest.approx(sum(apart))
    assert next(headline(found)).startswith("steady, heat: ")
