"""Episodes: brewing, raised, settled; each told once, whatever the batching, across restarts."""

import json

import pytest

from support.rules import HOUR, MINUTE, OFF, ON, STANDBY, WATTS, Bench, spec
from wattround.rules.condition import AtLevel, Draws, HouseIs
from wattround.rules.engine import Engine
from wattround.rules.load import NOTHING_KNOWN, Drawn
from wattround.rules.occupancy import Presence, Ways
from wattround.rules.usage import StartsOften

LASTING, RELEASE = 10 * MINUTE, 2 * MINUTE
ACTIVE = AtLevel(frozenset({"active"}))


def bench(**how):
    return Bench(lambda: [spec(ACTIVE, **how)])


def empty_house():
    """A rule about an empty house, raised at 601 s, told up to 1,000 s; and who is home."""
    presence = Presence.of(Ways({"imre": 10**12}))
    presence.hear("imre", 0, is_home=False, retained=False)
    house = Bench(lambda: [spec(ACTIVE, HouseIs("empty", presence))])
    house.on(1_000)
    house.news(1_000_000)
    return house, presence


def test_a_rule_that_holds_long_enough_is_raised_at_that_very_instant():
    house = bench()
    house.on(1_000)
    assert house.news(1_000 + LASTING) == []

    (raised,) = house.news(1_000 + LASTING + 1)
    assert (raised.what, raised.began_ms, raised.at_ms) == ("raised", 1_000, 1_000 + LASTING)
    assert raised.waste_uwh == round(WATTS * LASTING / 3.6)


def test_it_is_raised_at_its_own_instant_however_late_time_is_told():
    house = bench()
    house.on(1_000)

    assert house.story(100 * HOUR) == [("raised", 1_000 + LASTING)]


def test_it_settles_when_it_no_longer_held_and_wastes_until_then():
    house = bench()
    house.on(1_000)
    house.draw(2_000_000, "tv", STANDBY)

    raised, settled = house.news(2_000_000 + RELEASE + 1)
    assert (settled.what, settled.at_ms, settled.reason) == ("settled", 2_000_000, "level")
    assert settled.waste_uwh == round(WATTS * (2_000_000 - 1_000) / 3.6)
    assert raised.began_ms == settled.began_ms


def test_a_flicker_shorter_than_the_release_changes_nothing():
    house = bench()
    house.on(1_000)
    house.draw(300_000, "tv", STANDBY)
    house.on(300_000 + RELEASE - 1)

    assert house.story(1_000 + LASTING + 1) == [("raised", 1_000 + LASTING)]


def test_a_flicker_over_the_instant_of_the_raise_delays_it_to_the_flickers_end():
    house = bench()
    house.on(0)
    house.off(LASTING - 1)
    house.on(LASTING + 5)

    assert house.story(LASTING + 6) == [("raised", LASTING + 5)]


def test_what_stops_while_it_brews_is_never_told():
    house = bench()
    house.on(1_000)
    house.off(LASTING - 1)

    assert house.news(10_000_000) == []


def test_unknown_occupancy_never_counts_as_empty():
    presence = Presence.of(Ways({"imre": 10**12}))
    house = Bench(lambda: [spec(ACTIVE, HouseIs("empty", presence))])
    house.on(1_000)
    assert house.news(10_000_000) == []

    presence.hear("imre", 10_000_000, is_home=False, retained=False)
    house.engine.signals_changed(10_000_000)
    assert [item.began_ms for item in house.news(20_000_000)] == [10_000_000]


def test_a_load_that_falls_silent_settles_without_claiming_that_it_is_off():
    house = bench()
    house.on(1_000)
    house.draw(1_000_000, "tv", NOTHING_KNOWN)

    assert [item.reason for item in house.news(2_000_000)] == [None, "level-unknown"]


def test_a_known_no_is_the_reason_before_an_unknown():
    house, presence = empty_house()
    presence.hear("imre", 1_000_000, is_home=True, retained=False)
    house.engine.signals_changed(1_000_000)
    house.draw(1_000_000, "tv", NOTHING_KNOWN)

    assert [item.reason for item in house.news(2_000_000)] == ["occupancy"]


def test_a_changed_rule_settles_its_episode_and_starts_afresh():
    house = bench()
    house.on(1_000)
    house.news(1_000_000)
    house.engine.configure([spec(ACTIVE, lasting=60_000, stated="otherwise")], 1_000_000, {"tv": ON})

    assert [(item.what, item.reason) for item in house.news(1_060_001)] == [
        ("settled", "rule-changed"),
        ("raised", None),
    ]


def test_rules_taken_up_again_unchanged_make_no_difference_even_late():
    """What fell due before is told at its own instant."""
    house = bench()
    house.on(1_000)
    house.engine.configure(house.specs(), 5 * HOUR, {"tv": ON})

    assert house.story(6 * HOUR) == [("raised", 1_000 + LASTING)]


def test_a_rule_that_is_removed_settles_what_had_not_ended_before():
    house = bench()
    house.on(1_000)
    house.off(HOUR)
    house.on(3 * HOUR)
    house.engine.configure([], 5 * HOUR, {})

    assert [(item.what, item.at_ms, item.reason) for item in house.news(6 * HOUR)] == [
        ("raised", 1_000 + LASTING, None),
        ("settled", HOUR, "level"),
        ("raised", 3 * HOUR + LASTING, None),
        ("settled", 5 * HOUR, "rule-changed"),
    ]
    assert house.engine.meters == []


def test_without_lasting_and_release_an_episode_is_exactly_as_long_as_it_holds():
    house = bench(lasting=0, release=0)
    house.on(1_000)
    house.off(5_000)
    house.on(9_000)
    house.off(9_001)

    assert house.story(10_000) == [("raised", 1_000), ("settled", 5_000), ("raised", 9_000), ("settled", 9_001)]


def test_what_holds_again_only_when_the_release_is_over_is_a_new_episode():
    house = bench(lasting=0)
    house.on(1_000)
    house.off(5_000)
    house.on(5_000 + RELEASE)

    assert house.story(HOUR) == [("raised", 1_000), ("settled", 5_000), ("raised", 5_000 + RELEASE)]


def test_a_level_that_lasts_no_millisecond_has_never_been():
    house = bench(lasting=0, release=0)
    house.on(1_000)
    house.off(1_000)

    assert house.news(10_000) == []


def test_watts_must_pass_the_bound_to_begin_and_fall_below_the_release_to_end():
    house = Bench(lambda: [spec(Draws(100.0, None, 90.0), lasting=0, release=0)])
    for at_ms, watts in enumerate([99.9, 100.0, 90.0, 89.9, 95.0, 100.0], 1):
        house.engine.drawn(at_ms * 1000, "tv", Drawn("active", watts))

    assert house.story(HOUR) == [("raised", 2_000), ("settled", 4_000), ("raised", 6_000)]


def test_watts_below_a_bound_end_only_at_the_release():
    house = Bench(lambda: [spec(Draws(None, 20.0, 22.0), lasting=0, release=0)])
    for at_ms, watts in enumerate([20.0, 19.9, 21.9, 22.0, 21.0, 19.0], 1):
        house.engine.drawn(at_ms * 1000, "tv", Drawn("standby", watts))

    assert house.story(HOUR) == [("raised", 2_000), ("settled", 4_000), ("raised", 6_000)]


def both(*conditions, **how):
    return spec(*conditions, name="both", load="both+", members=("a", "b"), **how)


def test_loads_taken_together_are_active_while_one_of_them_is_and_waste_what_all_do():
    house = Bench(lambda: [both(ACTIVE)])
    house.on(0, "a")
    house.on(5 * MINUTE, "b")
    house.off(8 * MINUTE, "a")
    house.off(30 * MINUTE, "b")

    raised, settled = house.news(HOUR)
    assert (raised.load, raised.began_ms, raised.at_ms) == ("both+", 0, LASTING)
    assert settled.at_ms == 30 * MINUTE
    assert settled.waste_uwh == round(WATTS * (8 + 25) * MINUTE / 3.6)
    assert house.engine.meters == ["a", "b"]


def test_loads_taken_together_are_off_only_when_every_one_is_known_to_be():
    house = Bench(lambda: [both(AtLevel(frozenset({"off"})), lasting=0, release=0)])
    house.off(1_000, "a")
    assert house.news(2_000) == []
    house.off(2_000, "b")
    house.draw(3_000, "a", NOTHING_KNOWN)

    assert [(item.what, item.at_ms, item.reason) for item in house.news(4_000)] == [
        ("raised", 2_000, None),
        ("settled", 3_000, "level-unknown"),
    ]


def test_watts_of_a_sum_are_unknown_while_one_part_is():
    house = Bench(lambda: [both(Draws(150.0, None, 140.0), lasting=0, release=0)])
    house.engine.drawn(1_000, "a", Drawn("active", 200.0))
    house.engine.drawn(2_000, "b", Drawn("active", -60.0))
    house.engine.drawn(3_000, "b", Drawn("active", -50.0))
    house.engine.drawn(4_000, "b", NOTHING_KNOWN)

    assert house.story(5_000) == [("raised", 3_000), ("settled", 4_000)]


@pytest.mark.parametrize("order", [("a", "b"), ("b", "a")])
def test_a_sum_has_no_states_between_the_inputs_of_one_instant(order):
    """One goes off as the other goes on: the sum has not started anew, in whatever order that is heard."""
    house = Bench(lambda: [both(StartsOften(1), lasting=0)])
    house.off(0, "a")
    house.off(0, "b")
    house.on(1_000, "a")
    for name in order:
        house.draw(2_000, name, OFF if name == "a" else ON)

    assert house.news(3_000) == []


def test_rules_on_one_load_and_on_a_sum_with_it_run_beside_each_other():
    house = Bench(lambda: [spec(ACTIVE, load="a"), both(ACTIVE)])
    house.on(0, "a")
    house.off(20 * MINUTE, "a")

    assert sorted((item.what, item.load) for item in house.news(HOUR)) == [
        ("raised", "a"), ("raised", "both+"), ("settled", "a"), ("settled", "both+"),
    ]  # fmt: skip


def test_an_episode_survives_a_restart_without_a_second_message():
    house = bench()
    house.on(1_000)
    assert [item.what for item in house.news(1_000_000)] == ["raised"]

    house.restart(1_000_000, heard=False)
    house.engine.drawn(1_030_000, "tv", ON)  # the first reading after the restart
    assert house.news(5_000_000) == []

    house.off(5_000_000)
    assert [(item.what, item.began_ms) for item in house.news(6_000_000)] == [("settled", 1_000)]


def test_an_episode_that_brewed_across_a_restart_is_raised_once():
    house = bench()
    house.on(1_000)
    house.restart(300_000, heard=False)
    house.engine.drawn(310_000, "tv", ON)

    assert [(item.what, item.began_ms) for item in house.news(10_000_000)] == [("raised", 1_000)]


def test_an_episode_whose_load_is_never_heard_again_settles_after_the_release():
    house = bench()
    house.on(1_000)
    house.news(1_000_000)
    house.restart(1_000_000, heard=False)

    assert [item.reason for item in house.news(1_000_000 + RELEASE + 1)] == ["level-unknown"]


@pytest.mark.parametrize("release", [0, 10_000])
def test_a_restart_ends_no_episode_before_its_load_can_have_been_heard_again(release):
    """A release shorter than from one reading to the next: two restarts, the second before anything was heard."""
    house = bench(release=release, rehear=90_000)
    house.on(1_000)
    house.news(1_000_000)
    house.restart(1_000_000, heard=False)
    house.engine.advance(1_020_000)
    house.restart(1_020_000, heard=False)
    house.engine.drawn(1_070_000, "tv", ON)
    assert house.news(5_000_000) == []

    house.off(5_000_000)
    assert house.story(5_000_000 + release + 1) == [("settled", 5_000_000)]


@pytest.mark.parametrize(("heard_ms", "reason"), [(1_050_000, "level"), (None, "level-unknown")])
def test_after_a_restart_an_episode_is_over_once_its_load_is_heard_to_be_off_or_not_heard_in_time(heard_ms, reason):
    house = bench(release=0, rehear=90_000)
    house.on(1_000)
    house.news(1_000_000)
    house.restart(1_000_000, heard=False)
    if heard_ms is not None:
        house.off(heard_ms)
    found = house.news((heard_ms or 1_090_000) + 1)

    assert [(item.what, item.at_ms, item.reason) for item in found] == [("settled", 1_000_000, reason)]


def test_an_episode_that_was_over_before_a_restart_settles_after_its_release_however_long_its_load_may_be_silent():
    house = bench(rehear=HOUR)
    house.on(1_000)
    house.news(1_000_000)
    house.off(1_000_000)
    house.restart(1_010_000, heard=False)

    found = house.news(1_000_000 + RELEASE + 1)
    assert [(item.what, item.at_ms, item.reason) for item in found] == [("settled", 1_000_000, "level")]


def test_what_is_heard_after_all_says_why_an_episode_is_over():
    """A load that is heard to be off within the release was not lost sight of, after a restart or a silence."""
    restarted, silent = bench(), bench()
    for house in (restarted, silent):
        house.on(1_000)
        house.news(1_000_000)
    restarted.restart(1_000_000, heard=False)
    silent.draw(1_000_000, "tv", NOTHING_KNOWN)
    for house in (restarted, silent):
        house.off(1_010_000)
        (settled,) = house.news(2_000_000)
        assert (settled.at_ms, settled.reason) == (1_000_000, "level")


def test_what_ends_otherwise_while_a_load_is_not_heard_does_not_say_why_it_is_over():
    """It was over when the load was lost sight of; that somebody came home later is not why."""
    house, presence = empty_house()
    house.draw(1_000_000, "tv", NOTHING_KNOWN)
    house.engine.advance(1_010_000)
    presence.hear("imre", 1_010_000, is_home=True, retained=False)
    house.engine.signals_changed(1_010_000)

    (settled,) = house.news(2_000_000)
    assert (settled.at_ms, settled.reason) == (1_000_000, "level-unknown")


@pytest.mark.parametrize("as_saved", ["mark", "text"])
@pytest.mark.parametrize("meanwhile", ["the rule", "another rule"])
def test_a_rule_is_known_again_by_what_it_states_however_that_was_saved(as_saved, meanwhile):
    """A mark of it is saved each minute; before there were marks, the text itself was."""
    text = "the rule"
    house = Bench(lambda: [spec(ACTIVE, stated=text)])
    house.on(1_000)
    house.news(HOUR)
    saved = house.engine.snapshot()
    assert text not in json.dumps(saved)
    if as_saved == "text":
        saved["runs"][0]["stated"] = text
    engine = Engine(house.meters.energy, house.zone)
    engine.configure([spec(ACTIVE, stated=meanwhile)], 2 * HOUR, {})
    engine.restore(saved, HOUR, 2 * HOUR)

    assert [item.reason for item in engine.news] == ([] if meanwhile == text else ["rule-changed"])
    assert len(engine.open_episodes(2 * HOUR)) == (meanwhile == text)


def test_an_episode_of_a_rule_that_is_gone_after_a_restart_settles_with_what_it_had_wasted():
    house = bench()
    house.on(1_000)
    house.news(HOUR)
    saved = house.engine.snapshot()
    engine = Engine(house.meters.energy, house.zone)
    engine.configure([], 2 * HOUR, {})
    engine.restore(saved, HOUR, 2 * HOUR)

    (settled,) = engine.news
    assert (settled.reason, settled.at_ms) == ("rule-changed", HOUR)
    assert settled.waste_uwh == round(WATTS * (HOUR - 1_000) / 3.6)


def test_open_episodes_are_told_with_their_waste_so_far():
    house = bench()
    house.on(0)
    house.news(HOUR)

    (found,) = house.engine.open_episodes(HOUR)
    assert (found.began_ms, found.at_ms, found.waste_uwh) == (0, HOUR, round(WATTS * HOUR / 3.6))


@pytest.mark.parametrize("by_ms", [-3 * HOUR, 5 * HOUR])
def test_what_brews_goes_on_when_the_clock_is_set(by_ms):
    house = bench()
    at_ms = 100 * HOUR
    house.on(at_ms)
    house.engine.advance(at_ms + 4 * MINUTE)
    house.engine.clock_was_set(by_ms, at_ms + 4 * MINUTE + by_ms)

    assert house.story(at_ms + by_ms + LASTING) == []
    assert house.story(at_ms + by_ms + LASTING + 1) == [("raised", at_ms + by_ms + LASTING)]


def test_a_release_goes_on_when_the_clock_is_set():
    house = bench()
    house.on(100 * HOUR)
    house.off(101 * HOUR)
    house.news(101 * HOUR + MINUTE)
    house.engine.clock_was_set(-HOUR, 100 * HOUR + MINUTE)

    assert house.story(100 * HOUR + RELEASE) == []
    assert [what for what, _ in house.story(100 * HOUR + RELEASE + 1)] == ["settled"]
