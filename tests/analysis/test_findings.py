"""Findings about the tree: none on a right house, each fault alone with the line that mends it, over several seeds."""

import pytest

from support.anyhouse import METERS, rows, settings_text, truth
from support.history import BEGIN_MINUTE, DAY, write
from support.house import settings_of
from wattround.analysis.evidence import Evidence, Span
from wattround.analysis.findings import findings
from wattround.ingest.feed import effective_meters
from wattround.ledger.survey import Survey

DAYS = 10
HOUR = BEGIN_MINUTE // 60


@pytest.fixture(scope="module")
def lived():
    """True watts by seed, made once."""
    made = {}

    def of(seed, sunny=True):
        if (seed, sunny) not in made:
            made[seed, sunny] = truth(seed, DAYS, sunny)
        return made[seed, sunny]

    return of


@pytest.fixture
def look(tmp_path):
    """What is found in a ledger of these minutes."""

    def made(watts, seed, reads=None, meters=METERS, changes=None, days=DAYS):
        minutes = rows(watts, seed, reads, tuple(meters))
        write(
            tmp_path,
            [row for row in minutes if row.minute < BEGIN_MINUTE + days * DAY],
            {name: role for name, (role, _) in meters.items()},
        )
        survey = Survey(tmp_path, "testhouse")
        found = findings(
            survey, effective_meters(settings_of(settings_text(changes, meters))), Span(HOUR, HOUR + days * 24)
        )
        survey.close()
        return found

    return made


def told(found):
    return [(each.kind, each.meter, each.fix) for each in found.found]


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("sunny", [True, False])
def test_a_right_house_has_none(lived, look, seed, sunny):
    """Each meter is a little off, a little late, and noisy, all within what its class allows."""
    assert told(look(lived(seed, sunny), seed)) == []


FAULTS = [
    *((name, -1.0, ("backwards", name, "sign = -1")) for name in METERS),
    *((name, 0.5, ("leg", name, "factor = 2.0")) for name in METERS if name != "amplifier"),
    *((name, 2.0, ("leg", name, "factor = 0.5")) for name in METERS),
]


@pytest.mark.parametrize(
    ("name", "factor", "expected"), FAULTS, ids=[f"{name} {factor:g}" for name, factor, _ in FAULTS]
)
def test_a_turned_or_halved_or_doubled_meter_is_found_and_nothing_else(lived, look, name, factor, expected):
    seed = 10 + sorted(METERS).index(name) % 3
    found = look(lived(seed), seed, {name: factor})

    assert told(found) == [expected]
    assert found.found[0].key == ("power", expected[2].split(" ")[0])
    assert any(character.isdigit() for character in found.found[0].evidence[0])


def test_what_cannot_be_told_is_not_claimed(lived, look):
    """Half of an amplifier's 58 W is too little to stand out: it is said that it cannot be told."""
    found = look(lived(1), 1, {"amplifier": 0.5})

    assert told(found) == []
    assert "amplifier" in found.missing["fewer than 12 clear steps of its own"]


def test_after_one_day_nothing_is_claimed_and_it_is_said_what_is_missing(lived, look):
    found = look(lived(2), 2, {"board": -1.0, "study": 0.5}, days=1)

    assert [each for each in found.found if each.kind != "backwards"] == []
    assert set(METERS) - {"supply"} <= set(found.missing["fewer than 12 clear steps of its own"])


def test_a_supply_without_any_sun_that_only_gives_is_turned(lived, look):
    meters = {"supply": METERS["supply"]}

    assert told(look(lived(3, sunny=False), 3, {"supply": -1.0}, meters)) == [("backwards", "supply", "sign = -1")]


def test_a_sign_or_factor_that_is_there_is_reckoned_with(lived, look):
    changes = {
        "fridge": 'power = { topic = "t/fridge", sign = -1 }',
        "oven": 'power = { topic = "t/oven", factor = 2.0 }',
    }
    found = look(lived(4), 4, {"fridge": -1.0, "oven": 2.0}, changes=changes)

    assert sorted(told(found)) == [("backwards", "fridge", "sign = 1"), ("leg", "oven", "factor = 1.0")]


@pytest.mark.parametrize("seed", [5, 6])
@pytest.mark.parametrize(
    ("name", "wrong", "right"),
    [("tv", "study", "living"), ("heater", "living", "board"), ("fridge", "study", "supply")],
)
def test_a_wrong_nesting_is_found_with_the_right_one(lived, look, seed, name, wrong, right):
    meters = {**METERS, name: (METERS[name][0], wrong)}
    found = look(lived(seed), seed, meters=meters)

    assert told(found) == [("exceeds", name, f'within = "{right}"')]
    assert "hours" in found.found[0].evidence[0]


@pytest.mark.parametrize("seed", [7, 8])
def test_a_meter_that_reads_too_little_for_those_within_it_is_named(lived, look, seed):
    (finding,) = look(lived(seed), seed, {"living": 0.75}).found

    assert (finding.kind, finding.meter, finding.key) == ("exceeds", "living", ("power", "factor"))
    assert float(finding.fix.split()[-1]) == pytest.approx(1 / 0.75, rel=0.05)


@pytest.mark.parametrize("seed", [7, 8])
def test_what_the_classes_allow_is_no_finding(lived, look, seed):
    coarse = dict.fromkeys(("living", "tv", "amplifier"), "accuracy_percent = 20.0")

    assert told(look(lived(seed), seed, {"living": 0.85}, changes=coarse)) == []


def test_one_child_that_reads_too_much_is_named(lived, look):
    (finding,) = look(lived(9), 9, {"heater": 1.25}).found

    assert (finding.kind, finding.meter, finding.key) == ("exceeds", "heater", ("power", "factor"))
    assert float(finding.fix.split()[-1]) == pytest.approx(0.8, rel=0.05)


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize(
    ("of", "copy", "fix"),
    [
        ("living", ("circuit", "supply"), "leave out copy, or have it read what it is for"),
        ("fridge", ("appliance", None), 'within = "fridge"'),
    ],
)
def test_a_meter_that_repeats_another_is_found(lived, look, seed, of, copy, fix):
    found = look(lived(seed) | {"copy": lived(seed)[of]}, seed, meters={**METERS, "copy": copy})

    assert told(found) == [("repeats", "copy", fix)]


def test_the_legs_of_one_circuit_may_do_the_same_and_so_may_a_plug_in_it(lived, look):
    watts = lived(4)
    half = [each / 2 for each in watts["heater"]]
    meters = {**METERS, "leg-a": ("circuit", None), "leg-b": ("circuit", None), "plug": ("appliance", "oven")}
    changes = {"heater": 'sum_of = ["leg-a", "leg-b"]'}

    found = look(watts | {"leg-a": half, "leg-b": half, "plug": watts["oven"]}, 4, meters=meters, changes=changes)

    assert told(found) == []


def test_one_leg_that_was_taken_for_the_whole_is_mended_in_its_multiple(lived, look):
    watts = lived(4)
    half = [each / 2 for each in watts["heater"]]
    meters = {**METERS, "leg-a": ("circuit", None)}

    found = look(watts | {"leg-a": half, "heater": half}, 4, meters=meters, changes={"heater": 'sum_of = ["leg-a"]'})

    assert told(found) == [("leg", "heater", "multiple = 2.0")]
    assert found.found[0].key == ("multiple",)


def test_few_days_are_chosen_however_long_the_span(tmp_path, lived):
    write(tmp_path, rows(lived(1), 1), {name: role for name, (role, _) in METERS.items()})
    survey = Survey(tmp_path, "testhouse")
    evidence = Evidence(survey, effective_meters(settings_of(settings_text())), Span(HOUR, HOUR + DAYS * 24))
    survey.close()

    assert 1 <= len(evidence.days) <= 14
    assert all(HOUR // 24 <= day < HOUR // 24 + DAYS for day in evidence.days)


def test_days_of_which_only_hours_are_kept_are_not_chosen(look, lived, tmp_path):
    """The fault is found by the minutes that there are."""
    from wattround.ledger.writer import Writer

    look(lived(11), 11, {"board": 0.5})
    made = Writer(tmp_path, "testhouse", (BEGIN_MINUTE + DAYS * DAY) * 60_000)
    for _ in range(2):
        made.prune(0, BEGIN_MINUTE + 4 * DAY + 30)
    made.close()
    survey = Survey(tmp_path, "testhouse")
    found = findings(survey, effective_meters(settings_of(settings_text())), Span(HOUR, HOUR + DAYS * 24))
    survey.close()

    assert min(found.days) == HOUR // 24 + 5
    assert told(found) == [("leg", "board", "factor = 2.0")]
