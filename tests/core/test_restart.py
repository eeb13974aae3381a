"""Kills, restarts, clocks that are set, disks that are full: nothing twice, nothing guessed, little lost."""

import json
import math
import sqlite3

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from support.house import HouseRun, settings_of
from wattround.ingest.delivery import LIVE, QUEUED, RETAINED, Ack
from wattround.metering.minute import MINUTE_MS

BEGIN = 1_780_000_020_000
LIVE_METER = '[[meters]]\nname = "m"\nhold = "90s"\nactive_w = 40\npower = { topic = "t/m" }\n'
STAMPED_METER = '[[meters]]\nname = "m"\nhold = "90s"\npower = { topic = "t/m", pointer = "/w", time_pointer = "/t", time_unit = "ms" }\n'
COUNTER_METER = '[[meters]]\nname = "m"\nhold = "5m"\ncounter = { topic = "t/m", unit = "Wh" }\n'


def reopen(run, text, now_ms, *, clean=False):
    folder = run.folder.parent
    if clean:
        run.clock.now_ms = now_ms
        run.core.close()
    else:
        run.kill()
    return HouseRun(folder, text, now_ms)


def covered(run):
    return sum(row[2] for row in run.rows("m").values())


def test_a_clean_stop_loses_nothing(tmp_path):
    run = HouseRun(tmp_path, LIVE_METER, BEGIN)
    for second in range(0, 600, 10):
        run.take("t/m", 360.0, BEGIN + second * 1000)
    run = reopen(run, LIVE_METER, BEGIN + 600_000, clean=True)
    with run:
        for second in range(600, 1210, 10):
            run.take("t/m", 360.0, BEGIN + second * 1000)
        run.tick(BEGIN + 1_260_000)
        run.commit(BEGIN + 1_260_000)

        assert covered(run) >= 1_200_000
        assert math.isclose(run.energy_uwh("m"), covered(run) / 3_600_000 * 360e6, rel_tol=1e-6)


@settings(max_examples=40)
@given(
    st.lists(
        st.tuples(st.integers(1, 40), st.integers(0, 3000), st.sampled_from(["go", "go", "go", "commit", "kill"])),
        max_size=60,
    )
)
def test_a_kill_loses_at_most_what_came_after_the_last_commit_and_counts_nothing_twice(tmp_path_factory, steps):
    """Arrival-stamped power: the ledger never exceeds the truth, and misses only time since the last commit."""
    run = HouseRun(tmp_path_factory.mktemp("kill"), LIVE_METER, BEGIN)
    now, watts = BEGIN, None
    truth, saved_truth = 0.0, 0.0
    for gap_s, value, what in steps:
        if watts is not None:
            truth += watts * min(gap_s * 1000, 90_000)
        now += gap_s * 1000
        run.take("t/m", value, now)
        watts = value
        if what == "commit":
            run.tick(now)
            assert run.commit(now)
            saved_truth = truth
        elif what == "kill":
            run = reopen(run, LIVE_METER, now)
            truth, watts = saved_truth, None
    truth += (watts or 0) * 90_000  # the hold after the last reading
    run.tick(now + 3_600_000)
    run.commit(now + 3_600_000)
    total = run.energy_uwh("m") * 3.6
    run.close()

    assert math.isclose(total, truth, rel_tol=1e-6, abs_tol=20 * len(steps) + 1)


@settings(max_examples=40)
@given(
    st.lists(
        st.tuples(st.integers(1, 100), st.integers(0, 3000), st.sampled_from(["go", "go", "commit", "kill"])),
        max_size=50,
    )
)
def test_stamped_readings_that_were_not_acknowledged_come_again_and_count_once(tmp_path_factory, steps):
    """The broker redelivers what was not acknowledged: the minutes are those of the whole series, whatever the kills."""
    run = HouseRun(tmp_path_factory.mktemp("again"), STAMPED_METER, BEGIN)
    plain = HouseRun(tmp_path_factory.mktemp("plain"), STAMPED_METER, BEGIN)
    now, unacknowledged = BEGIN, []

    def hear(target, at_ms, watts, ack=None):
        target.take("t/m", json.dumps({"w": watts, "t": at_ms}), now, ack=ack)

    for number, (gap_s, watts, what) in enumerate(steps):
        now += gap_s * 1000
        unacknowledged.append((number, now, watts))
        hear(run, now, watts, Ack(1, number, 1))
        hear(plain, now, watts)
        if what == "commit":
            run.commit(now)
            unacknowledged = [item for item in unacknowledged if Ack(1, item[0], 1) not in run.acked]
        if what == "kill":
            run = reopen(run, STAMPED_METER, now)
            for again, at_ms, value in unacknowledged:
                hear(run, at_ms, value, Ack(1, again, 1))
    for target in (run, plain):
        target.silence("m", now)
        target.commit(now)
        target.silence("m", now)
        target.commit(now)

    assert run.rows("m") == plain.rows("m")
    run.close()
    plain.close()


def test_acknowledgements_follow_the_commit(tmp_path):
    with HouseRun(tmp_path, STAMPED_METER, BEGIN) as run:
        run.take("t/m", json.dumps({"w": 5, "t": BEGIN}), BEGIN, ack=Ack(1, 7, 1))
        run.take("t/m", b"junk", BEGIN, ack=Ack(1, 8, 1))
        assert run.acked == []

        run.commit(BEGIN)

        assert run.acked == [
            Ack(1, 7, 1),
            Ack(1, 8, 1),
        ]  # what cannot be read is acknowledged too, or it comes for ever


def test_a_counter_remembers_what_was_missed(tmp_path):
    run = HouseRun(tmp_path, COUNTER_METER, BEGIN)
    run.take("t/m", 1000, BEGIN)
    run.take("t/m", 1010, BEGIN + 60_000)
    run.commit(BEGIN + 60_000)
    run = reopen(run, COUNTER_METER, BEGIN + 7_260_000)
    with run:
        run.take("t/m", 1200, BEGIN + 7_255_000, QUEUED)
        run.take("t/m", 1210, BEGIN + 7_260_000)
        run.tick(BEGIN + 8_000_000)
        run.commit(BEGIN + 8_000_000)

        assert abs(run.energy_uwh("m") - 210_000_000) <= 200
        assert covered(run) == 7_260_000


def test_a_retained_value_makes_no_energy_and_primes_the_display(tmp_path):
    with HouseRun(tmp_path, LIVE_METER, BEGIN) as run:
        run.take("t/m", 500, BEGIN, RETAINED)
        run.tick(BEGIN + 120_000)
        run.commit(BEGIN + 120_000)

        assert run.rows("m") == {}
        assert run.house.metering.meters["m"].watts == 500


@pytest.mark.parametrize("step_s", [7200, -7200, 90, -90, 5, -5, 40, -40, 86_400 * 20_000])
def test_a_clock_that_is_set_makes_no_energy_and_covers_nothing_twice(tmp_path, step_s):
    """Ten minutes at 600 W, the clock is set, two and a half hours more: never more energy than time that passed."""
    with HouseRun(tmp_path, LIVE_METER, BEGIN) as run:
        core, clock = run.core, run.clock

        def live(minutes):
            for _ in range(minutes * 6):
                clock.pass_ms(10_000)
                run.inbox.put(run_arrival(clock))
                core.turn()

        def run_arrival(clock):
            return "t/m", b"600", clock.mono_ms(), LIVE, None

        core.turn()
        live(10)
        clock.set_ms(clock.now_ms + step_s * 1000)
        live(150)
        run.commit(clock.now_ms)

        passed_ms = 160 * MINUTE_MS
        rows = run.rows("m").values()
        assert all(row[2] <= MINUTE_MS for row in rows)
        assert run.energy_uwh("m") <= passed_ms / 3_600_000 * 600e6 + len(rows)
        overlap_ms = 11 * MINUTE_MS if -7200 * 2 < step_s < 0 else MINUTE_MS
        assert covered(run) >= passed_ms - overlap_ms - 2 * MINUTE_MS


def test_a_clock_that_starts_in_1970_and_is_then_set_right(tmp_path):
    with HouseRun(tmp_path, LIVE_METER, 60_000) as run:
        run.core.turn()
        run.take("t/m", 100, 61_000)
        run.clock.pass_ms(30_000)
        run.core.turn()
        run.clock.set_ms(BEGIN)
        run.core.turn()
        run.take("t/m", 100, BEGIN + 1_000)
        run.tick(BEGIN + 60_000)
        run.commit(BEGIN + 60_000)

        assert covered(run) <= 30_000 + 60_000
        assert max(run.rows("m")) == BEGIN // MINUTE_MS


def test_a_closed_minute_of_a_silent_stamped_meter_goes_with_the_commit_that_closes_it(tmp_path):
    meter = STAMPED_METER.replace("90s", "60s")
    run = HouseRun(tmp_path, meter, BEGIN)
    begin = BEGIN // MINUTE_MS * MINUTE_MS + 50_000
    run.take("t/m", json.dumps({"w": 1000, "t": begin}), begin)
    run.tick(begin + 12_000)
    run.clock.pass_ms(begin + 67_000 - run.clock.now_ms)
    run.core.close()

    assert [row[2] for row in run.rows("m").values()] == [10_000, 50_000]


def test_a_clock_that_is_hours_back_at_the_next_start_blinds_nothing(tmp_path):
    run = HouseRun(tmp_path, RULE_METER, BEGIN)
    for second in range(0, 600, 10):
        run.take("t/m", 1000, BEGIN + second * 1000)
    run = reopen(run, RULE_METER, BEGIN + 600_000, clean=True)
    run.kill()
    with HouseRun(tmp_path, RULE_METER, BEGIN - 6_600_000) as run:
        for second in range(0, 1200, 10):
            run.take("t/m", 1000, BEGIN - 6_600_000 + second * 1000)
            run.tick(BEGIN - 6_600_000 + second * 1000)
        run.commit(BEGIN - 5_400_000)

        assert run.energy_uwh("m") >= (600 + 1200 - 70) / 3600 * 1e9
        assert max(row[0] for row in run.rows("m").values()) <= 16_666_667
        assert len(run.house.engine.open_episodes(BEGIN - 5_400_000)) == 1


def test_a_small_step_back_before_a_restart_covers_nothing_twice(tmp_path):
    run = HouseRun(tmp_path, LIVE_METER, BEGIN)

    def live(turns):
        run.live("t/m", 1000, turns, every_ms=5_000)

    live(9)
    run.clock.set_ms(run.clock.now_ms - 60_000)
    live(4)
    now = run.clock.now_ms
    run.core.close()
    with HouseRun(tmp_path, LIVE_METER, now) as run:
        live(40)
        run.commit(run.clock.now_ms)

        assert max(row[0] for row in run.rows("m").values()) <= 16_666_667


def reload(run, text, now_ms):
    run.house.configure(settings_of(text, run.folder), now_ms)


def test_a_rule_that_comes_by_reload_sees_a_load_that_is_active_already(tmp_path):
    with HouseRun(tmp_path, LIVE_METER, BEGIN) as run:
        for second in range(0, 1500, 30):
            run.take("t/m", 100, BEGIN + second * 1000)
            if second == 300:
                reload(run, RULE_METER, BEGIN + 300_000)
            run.tick(BEGIN + second * 1000)

        assert len(run.house.engine.open_episodes(BEGIN + 1_500_000)) == 1


def test_a_rule_that_was_away_does_not_remember_an_old_level(tmp_path):
    with HouseRun(tmp_path, RULE_METER, BEGIN) as run:
        run.take("t/m", 100, BEGIN)
        reload(run, LIVE_METER, BEGIN + 10_000)
        run.take("t/m", 1, BEGIN + 20_000)
        reload(run, RULE_METER, BEGIN + 30_000)
        for second in range(40, 1500, 30):
            run.take("t/m", 1, BEGIN + second * 1000)
            run.tick(BEGIN + second * 1000)

        assert run.house.engine.open_episodes(BEGIN + 1_500_000) == []


def test_a_load_that_falls_silent_after_a_reload_raises_nothing(tmp_path):
    with HouseRun(tmp_path, RULE_METER, BEGIN) as run:
        for second in range(0, 120, 30):
            run.take("t/m", 100, BEGIN + second * 1000)
        reload(run, RULE_METER.replace("90s", "80s"), BEGIN + 120_000)
        run.tick(BEGIN + 1_000_000)

        assert run.house.engine.open_episodes(BEGIN + 1_000_000) == []


def test_a_rule_and_its_load_that_go_together_settle_with_what_was_wasted(tmp_path):
    with HouseRun(tmp_path, RULE_METER, BEGIN) as run:
        for second in range(0, 900, 30):
            run.take("t/m", 100, BEGIN + second * 1000)
            run.tick(BEGIN + second * 1000)
        reload(run, LIVE_METER.replace('"m"', '"n"').replace("t/m", "t/n"), BEGIN + 900_000)

        settled = run.house.batch.episodes[-1]
        assert settled.reason == "rule-changed"
        assert abs(settled.waste_uwh - 99.5 * 900 / 3.6 * 1000) < 1e6


@pytest.mark.parametrize("restart", [True, False])
def test_a_meter_that_loses_its_counter_for_a_while_counts_nothing_twice(tmp_path, restart):
    both = '[[meters]]\nname = "m"\nhold = "90s"\npower = { topic = "t/m" }\ncounter = { topic = "t/c", unit = "Wh" }\n'
    run = HouseRun(tmp_path, both, BEGIN)
    for minute in range(100):
        now = BEGIN + minute * 60_000
        if minute in (20, 60):
            text = both if minute == 60 else LIVE_METER
            if restart:
                run = reopen(run, text, now, clean=True)
            else:
                reload(run, text, now)
        run.take("t/m", 1000, now)
        run.take("t/c", 5000 + 1000 * minute / 60, now)
        run.tick(now)
    run.commit(BEGIN + 6_000_000)

    assert 0.9 * 100 / 60 * 1e9 <= run.energy_uwh("m") <= 1.01 * 100 / 60 * 1e9
    run.close()


RULE_METER = LIVE_METER + '[[rules]]\nname = "r"\nload = "m"\nlasting = "10m"\n'


@pytest.mark.parametrize("step_s", [7200, -7200, 86_400 * 400])
def test_a_clock_that_is_set_raises_nothing_early_and_silences_nothing(tmp_path, step_s):
    """Twenty seconds of load, the clock is set: it takes ten minutes of load all the same, and then it is told."""
    with HouseRun(tmp_path, RULE_METER, BEGIN) as run:

        def live(turns):
            run.live("t/m", 600, turns)

        live(3)
        run.clock.set_ms(run.clock.now_ms + step_s * 1000)
        live(55)
        assert run.house.engine.open_episodes(run.clock.now_ms) == []

        live(5)
        (open_one,) = run.house.engine.open_episodes(run.clock.now_ms)
        assert 590_000 <= open_one.at_ms - open_one.began_ms <= 640_000


def test_a_counter_read_by_a_clock_that_is_not_set_yet_keeps_the_outage(tmp_path):
    """No battery: the box starts in 1970 after eight hours without current; then its clock is set right."""
    run = HouseRun(tmp_path, COUNTER_METER, BEGIN)
    run.take("t/m", 1000, BEGIN)
    run.take("t/m", 1010, BEGIN + 60_000)
    run.commit(BEGIN + 60_000)
    run.kill()
    with HouseRun(tmp_path, COUNTER_METER, 60_000) as run:
        run.core.turn()
        run.take("t/m", 6000, 61_000)
        run.clock.pass_ms(5_000)
        run.core.turn()
        run.clock.set_ms(BEGIN + 28_860_000)
        run.core.turn()
        run.take("t/m", 6010, BEGIN + 28_900_000)
        run.tick(BEGIN + 29_900_000)
        run.commit(BEGIN + 29_900_000)

        assert abs(run.energy_uwh("m") - 5_010_000_000) <= 1_000


def test_back_and_forth_within_two_minutes_covers_nothing_twice(tmp_path):
    with HouseRun(tmp_path, LIVE_METER, BEGIN) as run:

        def live(turns):
            run.live("t/m", 1000, turns)

        live(12)
        run.clock.set_ms(run.clock.now_ms - 60_000)
        live(1)
        run.clock.set_ms(run.clock.now_ms + 30_000)
        live(30)
        run.commit(run.clock.now_ms)

        assert max(row[0] for row in run.rows("m").values()) <= 16_666_667


def test_a_meter_that_goes_by_reload_leaves_no_late_reading_behind(tmp_path):
    with HouseRun(tmp_path, STAMPED_METER + LIVE_METER.replace('"m"', '"n"').replace("t/m", "t/n"), BEGIN) as run:
        run.take("t/m", json.dumps({"w": 5, "t": BEGIN}), BEGIN)
        run.take("t/m", json.dumps({"w": 5, "t": BEGIN - 1000}), BEGIN)
        run.house.configure(run.settings.model_copy(update={"meters": run.settings.meters[1:]}), BEGIN)

        assert run.commit(BEGIN)


def test_a_late_reading_of_a_meter_that_was_only_just_captured(tmp_path):
    pattern = '[[meters]]\nname = "{x}"\npower = { topic = "z/{x}/p", pointer = "/w", time_pointer = "/t", time_unit = "ms" }\n'
    with HouseRun(tmp_path, pattern, BEGIN) as run:
        run.take("z/q/p", json.dumps({"w": 5, "t": BEGIN}), BEGIN)
        run.take("z/q/p", json.dumps({"w": 5, "t": BEGIN - 1000}), BEGIN)

        assert run.commit(BEGIN)


@pytest.mark.parametrize("table", ["meter", "hour", "outbox_waiting"])
def test_damage_that_a_clean_stop_hides_is_found_by_the_second_start(tmp_path, table):
    run = HouseRun(tmp_path, LIVE_METER, BEGIN)
    for second in range(0, 7200, 30):
        run.take("t/m", 100, BEGIN + second * 1000)
    run.clock.now_ms = BEGIN + 7_300_000
    run.core.writer._db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    page = run.core.writer._db.execute("SELECT rootpage FROM sqlite_master WHERE name = ?", (table,)).fetchone()[0]
    run.core.close()
    file = run.folder / "ledger.sqlite3"
    data = bytearray(file.read_bytes())
    data[2048 * (page - 1) : 2048 * page] = b"\xa5" * 2048
    file.write_bytes(data)

    from wattround.ledger.opening import suspect

    for _ in range(3):
        try:
            again = HouseRun(tmp_path, LIVE_METER, BEGIN + 8_000_000)
            again.commit(BEGIN + 8_000_000)
            break
        except sqlite3.DatabaseError:
            suspect(run.folder)  # what the daemon does before it ends
    else:
        pytest.fail("never set aside")
    assert list(run.folder.glob("ledger-damaged-*.sqlite3"))
    again.close()


def test_while_the_disk_is_full_measuring_goes_on_and_catches_up(tmp_path):
    with HouseRun(tmp_path, LIVE_METER, BEGIN) as run:
        database = run.core.writer._db
        pages = database.execute("PRAGMA page_count").fetchone()[0]
        database.execute(f"PRAGMA max_page_count = {pages}")
        for second in range(0, 36_000, 30):
            run.take("t/m", 100, BEGIN + second * 1000, ack=Ack(1, second, 1) if second == 0 else None)
            if run.tick(BEGIN + second * 1000) or second % 600 == 0:
                run.commit(BEGIN + second * 1000)
        assert "full" in run.keeper.trouble
        behind = len(run.house.batch.rows)
        assert behind > 100

        database.execute("PRAGMA max_page_count = 1000000")
        assert run.commit(BEGIN + 36_000_000)

        assert run.keeper.trouble == ""
        assert abs(run.energy_uwh("m") - 100 * 10 * 1e6) <= 1_000_000 + 600
        assert covered(run) >= 36_000_000 - 60_000


def test_a_ledger_that_turns_out_damaged_ends_the_daemon_rather_than_be_written_on(tmp_path):
    run = HouseRun(tmp_path, LIVE_METER, BEGIN)
    run.take("t/m", 100, BEGIN)
    run.core.writer.commit = lambda *_: (_ for _ in ()).throw(sqlite3.DatabaseError("database disk image is malformed"))

    with pytest.raises(sqlite3.DatabaseError, match="malformed"):
        run.commit(BEGIN)
    run.close()


def test_after_damage_a_message_says_so(tmp_path):
    run = HouseRun(tmp_path, LIVE_METER, BEGIN)
    run.kill()
    (run.folder / "ledger.sqlite3").write_bytes(b"nothing" * 1000)
    channel = '[[channels]]\nname = "hub"\nmqtt = true\n'
    with HouseRun(tmp_path, LIVE_METER + channel, BEGIN) as run:
        run.core.turn()
        run.core.turn()

        assert [waiting.message.title for waiting in run.mail.told] == ["The ledger was damaged"]
        assert "ledger-damaged-" in run.mail.told[0].message.body
