"""Each kind of change on minutes that can be checked by hand, and what holds of any minutes at all."""

from array import array

import pytest
from hypothesis import given
from hypothesis import strategies as st

from support.supposing import load_of, uwh
from wattround.analysis.whatif.move import Move
from wattround.analysis.whatif.off import Off
from wattround.analysis.whatif.replace import Labelled, Replace
from wattround.analysis.whatif.shorter import Shorter
from wattround.analysis.whatif.slow import Slow
from wattround.analysis.whatif.standby import NoStandby
from wattround.analysis.whatif.yearly import YEAR_MS

KWH = 1_000_000_000
ALWAYS = ((0, 1 << 40),)


def one(change, load):
    (variant,) = change.variants(load)
    return variant.effect


def saved_kwh(change, load):
    return one(change, load).saved_uwh / KWH


def day(*runs, rest=2.0, length=1440):
    """Watts of a day at rest but for runs (from, to, watts)."""
    watts = [rest] * length
    for begin, end, draw in runs:
        watts[begin:end] = [draw] * (end - begin)
    return watts


# -- by hand --------------------------------------------------------------------------------------


def test_off_saves_all_that_was_taken_then_in_use_or_not():
    load = load_of(day((100, 130, 120.0)) + day((10, 20, 120.0)), begin=1000)
    effect = one(Off(((1120, 1140), (1000 + 1435, 1000 + 1455)), "then"), load)

    assert effect.saved_uwh == pytest.approx(uwh(120, 10 + 5) + uwh(2, 10 + 15), abs=50)
    assert set(effect.more) == {0}
    assert [place for place, less in enumerate(effect.less) if less] == [*range(120, 140), *range(1435, 1455)]


def test_without_standby_what_is_used_stays():
    load = load_of(day((100, 130, 120.0), (500, 560, 0.2)))

    assert one(NoStandby(None, ""), load).saved_uwh == pytest.approx(uwh(2, 1440 - 30 - 60), abs=1440)
    assert one(NoStandby(((0, 50), (110, 140)), "then"), load).saved_uwh == pytest.approx(uwh(2, 50 + 10), abs=60)


def test_a_run_is_shortened_at_its_end_and_rests_instead():
    """Two runs of 60 minutes, the second with a pause of four; one of 8 minutes."""
    load = load_of(day((100, 160, 102.0), (300, 330, 102.0), (334, 360, 102.0), (600, 608, 102.0)))

    assert load.runs() == [(100, 160), (300, 360), (600, 608)]
    by = one(Shorter("by", 10), load)
    assert [place for place, less in enumerate(by.less) if less] == [
        *range(150, 160),
        *range(350, 360),
        *range(600, 608),
    ]
    assert by.saved_uwh == pytest.approx(uwh(100, 28), abs=28)
    to = one(Shorter("to", 45), load)
    assert [place for place, less in enumerate(to.less) if less] == [*range(145, 160), *range(345, 360)]
    (variant,) = Shorter("to", 45).variants(load)
    assert variant.notes[0].startswith("3 runs, 2 of them shortened")


def test_a_minute_that_was_not_covered_ends_a_run():
    watts = day((100, 160, 102.0))
    watts[130] = None

    assert load_of(watts).runs() == [(100, 130), (131, 160)]
    assert load_of(day()).runs() == []


def test_use_moves_to_the_begin_of_the_next_window():
    """30 minutes in the evening go to one in the morning after; what was used within the window stays."""
    load = load_of([*day((1200, 1230, 102.0)), *day((70, 80, 102.0))])
    effect = one(Move(((60, 120), (1440 + 60, 1440 + 120)), "then"), load)

    assert [place for place, less in enumerate(effect.less) if less] == [*range(1200, 1230)]
    # the window begins at 60; from 70 to 80 the load is in use anyway
    assert [place - 1440 for place, more in enumerate(effect.more) if more] == [*range(60, 70), *range(80, 100)]
    assert sum(effect.less) == sum(effect.more) == pytest.approx(uwh(100, 30), abs=30)


def test_what_finds_no_room_stays_where_it_was():
    load = load_of([*day((1200, 1300, 102.0)), *day((600, 660, 102.0))])
    (variant,) = Move(((1440, 1470),), "then").variants(load)

    assert [place for place, less in enumerate(variant.effect.less) if less] == [*range(1200, 1230)]
    assert variant.notes == (
        "0.05 kWh moved, of 0.27 kWh in use",
        "0.12 kWh found no room in that time and stay where they were",
    )


def test_a_pump_from_1800_to_1500_rpm_saves_145_of_344_watts():
    """Common practice, no source: the saving was 145 W; by the cube law the draw was 145 / (1 - (5/6)^3), some 344 W."""
    draw = 145 / (1 - (1500 / 1800) ** 3)
    load = load_of(day((480, 960, draw), rest=0.0))
    cube, square, volume, volume_square = Slow(1500 / 1800, "").variants(load)

    assert draw == pytest.approx(344, abs=0.5)
    assert cube.effect.saved_uwh / 8 / 1e6 == pytest.approx(145, abs=0.01)
    assert square.effect.saved_uwh / 8 / 1e6 == pytest.approx(draw * (1 - 25 / 36), abs=0.01)
    # the same volume takes 9.6 hours: P r^3 x 8 h / r
    assert volume.effect.saved_uwh / 1e6 == pytest.approx(draw * 8 * (1 - 25 / 36), abs=0.1)
    assert volume_square.effect.saved_uwh / 1e6 == pytest.approx(draw * 8 * (1 - 5 / 6), abs=0.1)
    assert [place for place, more in enumerate(volume.effect.more) if more] == [*range(960, 960 + 96)]
    slow_w = draw * (5 / 6) ** 3
    assert max(volume.effect.more) == pytest.approx(uwh(slow_w), abs=2)
    assert volume.notes == ()


def test_a_pump_that_runs_all_day_has_no_time_to_run_longer():
    *_, volume, _ = Slow(0.5, "").variants(load_of([300.0] * 1440))

    assert volume.notes == ("the volume would have been 50 % short: there was no time left to run longer in",)


def test_a_pump_in_the_last_minutes_is_a_little_short():
    *_, volume, _ = Slow(0.8, "").variants(load_of(day((1300, 1400, 300.0), rest=0.0, length=1410)))

    assert volume.notes == ("the volume would have been 12 % short: there was no time left to run longer in",)


def test_another_device_runs_for_the_same_hours():
    load = load_of(day((100, 220, 100.0), rest=2.0))

    assert saved_kwh(Replace(12.0), load) == pytest.approx(88 * 2 / 1000, abs=1e-6)
    assert saved_kwh(Replace(12.0, 0.5), load) == pytest.approx((88 * 2 + 1.5 * 22) / 1000, abs=1e-6)
    assert saved_kwh(Replace(130.0), load) == pytest.approx(-30 * 2 / 1000, abs=1e-6)


def test_a_label_counts_for_the_time_that_was_covered():
    load = load_of([*day((100, 220, 100.0)), *[None] * 1440])
    taken = sum(load.taken_uwh)

    assert saved_kwh(Labelled(36.525), load) == pytest.approx(taken / KWH - 0.1, abs=1e-8)
    assert saved_kwh(Labelled(0.0), load) * KWH == pytest.approx(taken)
    assert saved_kwh(Labelled(365.25), load_of([0.0] * 1440)) == pytest.approx(-1.0)


# -- against figures of others --------------------------------------------------------------------


@pytest.mark.parametrize(
    ("watts", "hours", "days", "kwh"),
    [
        # US DOE: a window fan of 200 W for 4 hours on 120 days
        (200, 4, 120, 96.0),
        # US DOE: a computer and monitor of 270 W for 4 hours on 365 days
        (270, 4, 365, 394.2),
        # common practice, no source: a 65-inch television draws around 190 W, the lights of a garage around 75 W
        (190, 5, 365, 346.75),
        (75, 24, 365, 657.0),
    ],
)
def test_a_load_left_off_saves_watts_times_hours(watts, hours, days, kwh):
    load = load_of(day((0, 60 * hours, watts), rest=0.0) * days)

    assert saved_kwh(Off(ALWAYS, "always"), load) == pytest.approx(kwh, rel=1e-6)
    assert saved_kwh(NoStandby(None, ""), load) == 0


# -- of any minutes -------------------------------------------------------------------------------

watts_lists = st.lists(
    st.one_of(st.none(), st.sampled_from([0.0, 0.3, 2.1, 39.9, 118.0, 1800.0])), min_size=1, max_size=400
)
stretches = st.lists(st.tuples(st.integers(-50, 450), st.integers(1, 60)), max_size=5).map(
    lambda found: tuple(sorted_apart(found))
)


def sorted_apart(found):
    """Windows (begin, length) in order that do not overlap."""
    last = -100
    for begin, length in sorted(found):
        first = max(begin, last)
        yield first, first + length
        last = first + length


changes = st.one_of(
    stretches.map(lambda found: Off(found, "")),
    st.one_of(st.none(), stretches).map(lambda found: NoStandby(found, "")),
    st.tuples(st.sampled_from(["by", "to"]), st.integers(1, 90)).map(lambda found: Shorter(*found)),
    stretches.map(lambda found: Move(found, "")),
    st.floats(0.05, 0.99).map(lambda ratio: Slow(ratio, "")),
    st.tuples(st.floats(0, 3000), st.one_of(st.none(), st.floats(0, 50))).map(lambda found: Replace(*found)),
    st.floats(0, 2000).map(Labelled),
)


@given(watts_lists, changes)
def test_nothing_saves_more_than_the_load_took_in_any_minute(watts, change):
    load = load_of(watts)
    for variant in change.variants(load):
        less, more = variant.effect
        assert all(0 <= each <= taken for each, taken in zip(less, load.taken_uwh, strict=True))
        assert min(more) >= 0
        assert variant.effect.saved_uwh <= sum(load.taken_uwh)


@given(watts_lists)
def test_off_always_saves_everything(watts):
    load = load_of(watts)

    assert one(Off(ALWAYS, ""), load).less == load.taken_uwh


@given(watts_lists, stretches)
def test_energy_that_is_moved_is_conserved_and_only_use_moves(watts, windows):
    load = load_of(watts)
    less, more = one(Move(windows, ""), load)

    inside = {place for first, last in load.places(windows) for place in range(first, last)}
    assert sum(less) == sum(more) <= sum(load.used_uwh)
    assert all(place in inside and not load.running_ms[place] for place, each in enumerate(more) if each)
    assert all(place not in inside for place, each in enumerate(less) if each)
    # minute for minute, in order
    assert [each for each in more if each] == [each for each in less if each]
    first, last = (next((place for place, each in enumerate(of) if each), None) for of in (less, more))
    assert first is None or first < last


@given(watts_lists, st.integers(1, 90))
def test_runs_shortened_to_what_they_are_save_nothing(watts, minutes):
    load = load_of(watts)
    longest = max((end - begin for begin, end in load.runs()), default=0)

    assert one(Shorter("to", max(longest, 1)), load).saved_uwh == 0
    # by as much as the longest: all of the use goes, but for the rest that takes its place
    gone = one(Shorter("by", max(longest, 1)), load)
    assert gone.less == array("q", [load.above_rest_uwh(place, load.rest_w) for place in range(len(load))])
    assert one(Shorter("by", minutes), load).saved_uwh <= gone.saved_uwh


@given(watts_lists, st.floats(0.1, 0.95))
def test_a_slow_pump_delivers_the_volume_or_says_how_much_is_short(watts, ratio):
    """What a volume takes at a speed: its energy times ratio^2 (or ratio), of the part that found time."""
    load = load_of(watts)
    used = sum(load.used_uwh)
    same, _, volume, _ = Slow(ratio, "").variants(load)

    assert same.effect.saved_uwh == pytest.approx(used * (1 - ratio**3), abs=len(watts))
    if not volume.notes:
        assert volume.effect.saved_uwh == pytest.approx(used * (1 - ratio**2), rel=0.01, abs=len(watts))
    assert volume.effect.saved_uwh >= used * (1 - ratio**2) - len(watts)


@given(watts_lists, st.integers(1, 399), st.one_of(st.just(Off(ALWAYS, "")), st.just(NoStandby(None, "")),
       st.just(Replace(12.0, 0.5)), st.just(Slow(0.8, ""))))  # fmt: skip
def test_two_parts_of_the_time_make_the_whole(watts, cut, change):
    whole = change.variants(load_of(watts))[0].effect
    parts = [change.variants(load_of(some, begin))[0].effect
             for some, begin in ((watts[:cut], 0), (watts[cut:], cut)) if some]  # fmt: skip

    assert sum(part.saved_uwh for part in parts) == whole.saved_uwh


@given(watts_lists, st.floats(0, 2000))
def test_a_labels_energy_is_what_is_left(watts, label):
    load = load_of(watts)
    covered = sum(load.covered_ms)
    left = sum(load.taken_uwh) - one(Labelled(label), load).saved_uwh

    assert left == pytest.approx(label * KWH * covered / YEAR_MS, abs=1)
