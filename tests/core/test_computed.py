"""A running house with computed meters: live watts, rules, minutes, and a past made anew when a formula is."""

import json

import pytest

from support.house import HouseRun, settings_of
from wattround.core.view import view
from wattround.ingest.delivery import LIVE
from wattround.ledger.reader import Reader

MINUTE = 60_000
METERS = """
[[meters]]
name = "supply"
role = "supply"
power = { topic = "t/supply" }
[[meters]]
name = "dryer"
label = "Dryer"
within = "supply"
sum_of = ["leg-a", "leg-b"]
standby_w = 10
active_w = 100
[[meters]]
name = "leg-a"
power = { topic = "t/a" }
[[meters]]
name = "leg-b"
power = { topic = "t/b" }
[[meters]]
name = "others"
sum_of = ["supply"]
less = ["dryer"]
"""
RULES = """
[[rules]]
name = "dryer-long"
load = "dryer"
lasting = "5m"
release = "1m"
[[rules]]
name = "others-high"
load = "others"
above_w = 500
lasting = "2m"
release = "1m"
[[rules]]
name = "dryer-silent"
load = "dryer"
unheard = "10m"
[[rules]]
name = "much"
load = "dryer"
spent = { over_wh = 100 }
"""
BEGIN = 1_780_000_000_000 // MINUTE * MINUTE


def live(run, minutes, **watts):
    """Readings every ten seconds, each meter a little after the one before."""
    for _ in range(minutes * 6):
        for name, value in watts.items():
            run.clock.pass_ms(100)
            run.inbox.put((f"t/{name}", str(value).encode(), run.clock.mono_ms(), LIVE, None))
            run.core.turn()
        run.clock.pass_ms(10_000 - 100 * len(watts))
        run.core.turn()


def stories(run):
    return run.core.writer._db.execute(
        "SELECT rule, load, raised_ms - ?, settled_ms IS NULL, waste_uwh FROM episode ORDER BY raised_ms", (BEGIN,)
    ).fetchall()


def shown(run):
    return {meter["name"]: meter for meter in view(run.house, run.clock.now_ms)["meters"]}


@pytest.fixture
def run(tmp_path):
    with HouseRun(tmp_path, METERS + RULES, BEGIN) as made:
        yield made


def test_now_shows_what_the_parts_make(run):
    live(run, 3, supply=900, a=250, b=255)
    found = shown(run)

    assert found["dryer"]["watts_w"] == 505
    assert found["others"]["watts_w"] == 395
    assert found["supply"]["unmeasured_w"] == 395
    assert found["dryer"]["level"] == "active"
    assert [(meter["name"], meter["depth"]) for meter in view(run.house, run.clock.now_ms)["meters"]] == [
        ("supply", 0), ("dryer", 1), ("leg-a", 2), ("leg-b", 2), ("others", 0),
    ]  # fmt: skip
    assert found["dryer"]["today_in_wh"] == pytest.approx(
        found["leg-a"]["today_in_wh"] + found["leg-b"]["today_in_wh"], rel=1e-3
    )
    assert json.dumps(found)


def test_minutes_are_written_for_it(run):
    live(run, 3, supply=900, a=250, b=255)
    run.commit(run.clock.now_ms)
    reader = Reader(run.folder, "testhouse")
    rows = {
        name: {row.minute: row for row in reader.minutes(0, 1 << 31, name)}
        for name in ("leg-a", "leg-b", "dryer", "others")
    }
    reader.close()

    whole = [minute for minute, row in rows["dryer"].items() if row.covered_ms == MINUTE]
    assert len(whole) >= 1
    for minute in whole:
        assert rows["dryer"][minute].in_uwh == rows["leg-a"][minute].in_uwh + rows["leg-b"][minute].in_uwh
        assert rows["others"][minute].in_uwh == pytest.approx(395 / 60 * 1e6, abs=2)


def test_rules_hold_for_it_by_level_and_watts_with_its_waste(run):
    live(run, 2, supply=900, a=4, b=4)
    live(run, 10, supply=1200, a=300, b=305)
    live(run, 3, supply=300, a=0, b=0)
    run.commit(run.clock.now_ms)
    found = {rule: (raised, is_open, waste) for rule, _, raised, is_open, waste in stories(run)}

    raised, is_open, waste = found["dryer-long"]
    assert raised == pytest.approx(7 * MINUTE, abs=11_000)
    assert not is_open
    assert waste == pytest.approx((605 - 10) / 6 * 1e6, rel=0.02)
    assert found["others-high"][0] == pytest.approx(2 * MINUTE, abs=11_000)
    assert found["much"][0] == pytest.approx(2 * MINUTE + 100 / 605 * 60 * MINUTE, rel=0.1)


def test_it_is_unknown_while_a_part_is_silent(run):
    live(run, 3, supply=900, a=300, b=305)
    live(run, 30, supply=900, a=300)
    run.commit(run.clock.now_ms)
    found = {rule: (raised, is_open) for rule, _, raised, is_open, _ in stories(run)}

    assert shown(run)["dryer"]["watts_w"] is None
    assert "dryer-long" not in found
    assert found["dryer-silent"][0] == pytest.approx(13 * MINUTE, abs=61_000)
    assert "much" not in found  # what one leg takes meanwhile is not what the dryer takes


def test_an_episode_of_it_survives_a_restart(tmp_path):
    with HouseRun(tmp_path, METERS + RULES, BEGIN) as first:
        live(first, 8, supply=900, a=300, b=305)
        first.commit(first.clock.now_ms)
        (before,) = [row for row in stories(first) if row[0] == "dryer-long"]
        now_ms = first.clock.now_ms
        first.kill()
    with HouseRun(tmp_path, METERS + RULES, now_ms) as again:
        live(again, 2, supply=900, a=300, b=305)
        live(again, 3, supply=900, a=0, b=0)
        again.commit(again.clock.now_ms)
        (after,) = [row for row in stories(again) if row[0] == "dryer-long"]

    assert before[:4] == (*after[:3], 1)
    assert not after[3]
    assert after[4] == pytest.approx(595 / 6 * 1e6, rel=0.03)


def test_the_past_of_a_new_computed_meter_is_made_a_day_at_a_turn(tmp_path):
    plain = METERS.split('[[meters]]\nname = "others"', maxsplit=1)[0].replace(
        'sum_of = ["leg-a", "leg-b"]', 'sum_of = ["leg-a"]'
    )
    with HouseRun(tmp_path, plain, BEGIN) as first:
        live(first, 5, supply=900, a=300, b=305)
        first.commit(first.clock.now_ms)
        live(first, 60, supply=900, a=300, b=305)
        now_ms = first.clock.now_ms
        first.core.close()
    with HouseRun(tmp_path, METERS, now_ms) as again:
        for _ in range(4):
            again.core.turn()
        again.commit(again.clock.now_ms)
        reader = Reader(again.folder, "testhouse")
        rows = {
            name: {row.minute: row.in_uwh for row in reader.minutes(0, 1 << 31, name) if row.covered_ms == MINUTE}
            for name in ("leg-a", "leg-b", "dryer", "others")
        }
        reader.close()
        assert again.core.writer.state("computed")[1]["left"] == {}

    assert len(rows["dryer"]) >= 60
    assert all(energy == rows["leg-a"][minute] + rows["leg-b"][minute] for minute, energy in rows["dryer"].items())
    assert rows["others"].keys() == rows["dryer"].keys()


def test_new_settings_take_up_computed_meters(run):
    live(run, 3, supply=900, a=300, b=305)
    run.house.configure(
        settings_of(METERS.replace('sum_of = ["leg-a", "leg-b"]', 'sum_of = ["leg-b"]\nmultiple = 2.0'), run.folder),
        run.clock.now_ms,
    )
    run.core.recomputing.configure(run.house.computing.formulas, run.house.batch, run.clock.now_ms)
    live(run, 2, supply=900, a=300, b=305)
    run.commit(run.clock.now_ms)

    assert shown(run)["dryer"]["watts_w"] == 610
    reader = Reader(run.folder, "testhouse")
    assert {row.in_uwh for row in reader.minutes(0, 1 << 31, "dryer") if row.covered_ms == MINUTE} == {
        2 * row.in_uwh for row in reader.minutes(0, 1 << 31, "leg-b") if row.covered_ms == MINUTE
    }
    reader.close()
