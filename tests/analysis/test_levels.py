"""Levels learned from a load's past: thresholds between true classes, a reason where there are none."""

import random

import pytest

from simulated.day import ordinary_day
from simulated.house import CIRCUITS, PLUGS, true_steps
from support.history import BEGIN_MINUTE, DAY, minutes, steps, write
from wattround.analysis.levels import hours_apart, propose
from wattround.ledger.reader import Reader
from wattround.metering.minute import COUNTED, ESTIMATED, Minute

EVENING = (20 * 60, 23 * 60)


def learned(folder, *rows, every=1):
    write(folder, [row for its in rows for row in its], {"m": "appliance"})
    reader = Reader(folder, "testhouse")
    begin, end = reader.span()
    (found,) = propose(reader, ["m"], begin, end, every)
    reader.close()
    return found


def told(found):
    return found.verdict, found.reason


def shares(found):
    return {each.level: (each.time_share, each.energy_share) for each in found.classes}


def test_a_television_has_standby_and_active(tmp_path):
    found = learned(tmp_path, minutes("m", steps(5, 2.1, (*EVENING, 118.0), noise=0.02)))

    assert told(found) == ("proposed", "")
    assert [each.level for each in found.classes] == ["standby", "active"]
    assert 2.2 < found.active_w < 115
    assert found.standby_w == 0.5
    assert found.active_release_w is None
    time_share, energy_share = shares(found)["active"]
    assert time_share == pytest.approx(3 / 24, abs=1e-6)
    assert energy_share == pytest.approx(3 * 118 / (3 * 118 + 21 * 2.1), abs=1e-3)
    assert found.borders[0].clarity == "clear"
    assert found.standby.stable
    assert found.standby.watts == pytest.approx(2.1, rel=0.01)
    assert found.starts_a_day == 1


def test_a_load_that_is_switched_off_at_times_has_three_levels(tmp_path):
    found = learned(tmp_path, minutes("m", steps(5, 0.0, (480, 1080, 3.2), (1080, 1380, 142.0), noise=0.03)))

    assert [each.level for each in found.classes] == ["off", "standby", "active"]
    assert 0.3 < found.standby_w < 3.1
    assert 3.3 < found.active_w < 138
    assert [round(share, 4) for share, _ in shares(found).values()] == [round(540 / 1440, 4), 0.4167, 0.2083]


def test_a_load_that_is_never_at_rest_with_power_has_off_and_active(tmp_path):
    """A kettle of two and a half minutes: minutes in which it was switched are two levels, not a bridge between."""
    found = learned(tmp_path, minutes("m", steps(6, 0.0, (420, 422.5, 2150.0), (1100.5, 1103, 2150.0))))

    assert [each.level for each in found.classes] == ["off", "active"]
    assert found.classes[1].low_w > 2000
    assert found.classes[1].mean_w == pytest.approx(2150, rel=1e-3)
    assert shares(found)["active"] == (pytest.approx(5 / 1440, rel=1e-3), pytest.approx(1.0))
    assert 20 < found.active_w < 200


@pytest.mark.parametrize("shift", [0, 700])
def test_a_compressor_cycles_by_itself(tmp_path, shift):
    """18 minutes on, 34 off, day and night: clear classes that say nothing about anybody."""
    readings = [[94.0 if (minute + shift) % 52 < 18 else 2.0] * 6 for minute in range(4 * DAY)]
    found = learned(tmp_path, minutes("m", readings))

    assert found.verdict == "not separable"
    assert found.reason.startswith(f"it cycles by itself, {1440 / 52:.0f} times a day and at all hours")
    assert found.active_w is None
    assert found.starts_a_day == pytest.approx(1440 / 52, abs=0.5)


def test_a_compressor_with_a_defrost_heater_still_cycles(tmp_path):
    readings = [[410.0 if minute % 700 < 20 else 94.0 if minute % 52 < 18 else 0.0] * 6 for minute in range(6 * DAY)]

    assert learned(tmp_path, minutes("m", readings)).reason.startswith("it cycles by itself")


def test_a_thermostat_that_somebody_turns_on_does_not_cycle_by_itself(tmp_path):
    """A heater of 1200 W, on from seven to ten at night, cycling every quarter of an hour while it is."""
    readings = [[1200.0 if 420 <= minute % DAY < 1320 and minute % 15 < 6 else 0.0] * 6 for minute in range(6 * DAY)]
    found = learned(tmp_path, minutes("m", readings))

    assert told(found) == ("proposed", "")
    assert found.starts_a_day == pytest.approx(60, abs=1)


def test_a_dimmer_holds_any_power(tmp_path):
    rng = random.Random(5)
    readings = []
    for _ in range(12):
        watts = [rng.uniform(4, 96) for _ in range(3)]
        readings += steps(1, 0.0, (390, 470, watts[0]), (1080, 1200, watts[1]), (1200, 1390, watts[2]))
    found = learned(tmp_path, minutes("m", readings))

    assert found.verdict == "not separable"
    assert "holds any power" in found.reason
    assert "Only off and on can be told apart, at" in found.reason
    assert (found.standby_w, found.active_w) == (None, None)


def test_a_lamp_with_a_few_settings_is_no_dimmer(tmp_path):
    """Quarter, half and full, held for hours: fixed powers, however far apart."""
    runs = ((390, 470, 15.0), (1080, 1200, 30.0), (1200, 1390, 60.0))
    found = learned(tmp_path, minutes("m", steps(6, 0.4, *runs, noise=0.02)))

    assert told(found) == ("proposed", "")
    assert found.standby_w < found.active_w < 14.7


def test_a_power_that_drifts_without_a_gap_is_not_separable(tmp_path):
    rng, watts, readings = random.Random(3), 200.0, []
    for _ in range(5 * DAY):
        watts = min(1500.0, max(60.0, watts * rng.uniform(0.9, 1.113)))
        readings.append([watts] * 6)
    found = learned(tmp_path, minutes("m", readings))

    assert found.verdict == "not separable"
    assert "without a gap" in found.reason


def test_a_load_that_always_draws_the_same_is_not_separable(tmp_path):
    found = learned(tmp_path, minutes("m", steps(4, 31.0, noise=0.1)))

    assert found.verdict == "not separable"
    assert found.reason.startswith("it always draws about the same, ")


def test_a_washing_machine_is_active_whatever_its_program_does(tmp_path):
    runs = ((540, 560, 1950.0), (560, 600, 160.0), (600, 606, 1950.0), (606, 630, 75.0), (630, 640, 480.0))
    found = learned(tmp_path, minutes("m", steps(10, 0.6, *runs, noise=0.05)))

    assert [each.level for each in found.classes] == ["standby", "active"]
    assert 0.7 < found.active_w < 70
    assert shares(found)["active"][0] == pytest.approx(100 / 1440, rel=0.01)


@pytest.mark.parametrize(
    ("readings", "words"),
    [
        (steps(1, 2.0, (*EVENING, 100.0)), "24 h were measured; at least 48 h are needed"),
        (steps(5, 1.1, noise=0.1), "it has never drawn more than 1.1 W for ten minutes in all"),
        (steps(5, 0.0), "it has never drawn more than 0.3 W for ten minutes in all"),
        (steps(5, 0.0, (600, 601, 900.0)), "it has never drawn more than 0.3 W for ten minutes in all"),
    ],
)  # fmt: skip
def test_too_little_history_says_what_is_missing(tmp_path, readings, words):
    found = learned(tmp_path, minutes("m", readings))

    assert found.verdict == "not enough history"
    assert words in found.reason


def test_two_days_that_never_show_a_night_are_not_enough(tmp_path):
    """Three times seventeen hours: whether it cycles at night nobody has seen."""
    readings = [
        each if 400 <= index % DAY < 1420 else [] for index, each in enumerate(steps(3, 2.0, (*EVENING, 100.0)))
    ]
    found = learned(tmp_path, minutes("m", readings))

    assert found.verdict == "not enough history"
    assert "two days must have been measured whole" in found.reason


def test_a_meter_without_minutes_is_named(tmp_path):
    write(tmp_path, minutes("m", steps(1, 1.0)), {"m": "appliance", "new": "appliance"})
    reader = Reader(tmp_path, "testhouse")
    (found,) = propose(reader, ["new"], *reader.span(), 1)
    reader.close()

    assert told(found) == ("not enough history", "nothing was measured in this time")


def test_a_clamp_the_other_way_round_is_named(tmp_path):
    found = learned(tmp_path, minutes("m", steps(3, -2.0, (*EVENING, -100.0))))

    assert "sign = -1" in found.reason


def test_a_counter_alone_is_enough_and_its_guesses_are_left_out(tmp_path):
    """A counter gives no peaks; what it spread over a gap is no power that the load ever had."""
    rows = [row._replace(peak_milliw=None, low_milliw=None, origin=COUNTED)
            for row in minutes("m", steps(5, 2.1, (*EVENING, 118.0)))]  # fmt: skip
    guesses = [Minute("m", BEGIN_MINUTE + 5 * DAY + minute, 300_000, 0, 60_000, None, None, COUNTED | ESTIMATED)
               for minute in range(2 * DAY)]  # fmt: skip
    found = learned(tmp_path, rows, guesses)

    assert told(found) == ("proposed", "")
    assert found.measured_ms == 5 * DAY * 60_000
    assert 2.2 < found.active_w < 115


def test_seconds_without_power_are_no_level(tmp_path):
    """A meter that was cut off for some minutes: what it rests at is standby all the same."""
    found = learned(tmp_path, minutes("m", steps(5, 36.0, (100, 110, 0.0), (*EVENING, 1850.0))))

    assert [each.level for each in found.classes] == ["standby", "active"]
    assert 36 < found.active_w < 1850


def test_active_ends_above_what_standby_reaches(tmp_path):
    """A broad standby close below active: 80 % of the threshold would lie within it."""
    at_rest = [14.0] * 24 + [15, 16, 17, 18, 19, 20, 21, 22, 24, 26, 28, 31, 34, 37, 40, 43]
    readings = [
        [66.0 + minute * 13 % 45 if 1200 <= minute % DAY < 1380 else at_rest[minute * 17 % len(at_rest)]] * 6
        for minute in range(5 * DAY)
    ]
    found = learned(tmp_path, minutes("m", readings))

    assert told(found) == ("proposed", "")
    assert 0.8 * found.active_w < 43 < found.active_release_w < found.active_w < 66
    assert found.borders[0].clarity != "clear"


def test_standby_that_never_settles_is_energy_by_time(tmp_path):
    """IEC 62301: power that varies by 5 % or more within five minutes is not read, but averaged."""
    readings = [[118.0] * 6 if 1200 <= minute % DAY < 1380 else [1.0, 3.0] * 3 for minute in range(4 * DAY)]
    found = learned(tmp_path, minutes("m", readings))

    assert not found.standby.stable
    assert found.standby.watts == pytest.approx(2.0, rel=0.01)


def test_what_ran_within_the_span_alone_counts(tmp_path):
    write(tmp_path, minutes("m", [*steps(5, 2.1, (*EVENING, 118.0)), *steps(5, 2.1)]), {"m": "appliance"})
    reader = Reader(tmp_path, "testhouse")
    begin, end = reader.span()
    (whole,), (before,) = propose(reader, ["m"], begin, end, 1), propose(reader, ["m"], begin, begin + 5 * DAY, 1)
    (after,) = propose(reader, ["m"], begin + 5 * DAY, end, 1)
    reader.close()

    assert (whole.verdict, before.verdict) == ("proposed", "proposed")
    assert shares(before)["active"][0] == pytest.approx(2 * shares(whole)["active"][0])
    assert after.reason.startswith("it always draws about the same, 2.")


def test_of_a_long_span_some_hours_stand_for_all(tmp_path):
    found = learned(tmp_path, minutes("m", steps(30, 2.1, (*EVENING, 118.0))), every=5)

    assert found.measured_ms == pytest.approx(30 * DAY * 60_000, rel=0.01)
    assert shares(found)["active"][0] == pytest.approx(3 / 24, rel=0.05)
    assert 2.2 < found.active_w < 115


def test_the_hours_that_are_read_meet_every_hour_of_the_week():
    assert hours_apart(30 * DAY, 40) == 1
    every = hours_apart(365 * DAY, 40)
    assert {hour * every % 168 for hour in range(168)} == set(range(168))
    assert 365 * DAY * 40 / every <= 1_800_000


def test_every_load_of_the_invented_house(tmp_path):
    """Four days of it: what cycles is named; for the others every true power lies on its side of the threshold."""
    truth, rows = {}, []
    for number in range(4):
        day = ordinary_day(number + 1)
        for meter in (*CIRCUITS, *PLUGS):
            course = true_steps(meter, day)
            truth.setdefault(meter.name, set()).update(round(watts, 1) for _, watts in course)
            rows += minutes(meter.name, readings_of(course), BEGIN_MINUTE + number * DAY)
    write(tmp_path, rows, {meter.name: meter.role for meter in (*CIRCUITS, *PLUGS)})
    reader = Reader(tmp_path, "testhouse")
    found = {proposal.meter: proposal for proposal in propose(reader, list(truth), *reader.span(), 1)}
    reader.close()
    refused = {name: proposal.reason for name, proposal in found.items() if proposal.verdict != "proposed"}

    assert {name for name, reason in refused.items() if reason.startswith("it cycles by itself")} == {
        "refrigerator", "freezer", "heat-pump", "dehumidifier", "garage",  # the dehumidifier stands in it
    }  # fmt: skip
    assert {name for name, reason in refused.items() if reason.startswith("it always draws")} == {"network"}
    assert len(refused) == 6
    for name, proposal in found.items():
        if name not in refused:
            assert min(truth[name]) < 0.8 * proposal.active_w < proposal.active_w < max(truth[name])
            assert not [watts for watts in truth[name] if 0.8 * proposal.active_w < watts < proposal.active_w], name


def readings_of(course):
    """Six readings a minute of a day's steps of true power."""
    found, index = [], 0
    for minute in range(DAY):
        readings = []
        for part in range(6):
            while index + 1 < len(course) and course[index + 1][0] <= (minute * 6 + part) * 10_000:
                index += 1
            readings.append(course[index][1])
        found.append(readings)
    return found
