"""Two things at once: what is due while the clock is set, what is amended while the archive is told, and the like."""

import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from support.house import HouseRun
from wattround.ingest.delivery import LIVE, Ack
from wattround.metering.minute import MINUTE_MS

BEGIN = 1_780_000_020_000
HUB = '[[channels]]\nname = "hub"\nmqtt = true\n'
RULE = (
    '[[meters]]\nname = "m"\nhold = "30m"\nactive_w = 40\npower = { topic = "t/m" }\n'
    '[[rules]]\nname = "r"\nload = "m"\nlasting = "10m"\n'
)
STAMPED = '[[meters]]\nname = "m"\npower = { topic = "t/m", pointer = "/w", time_pointer = "/t", time_unit = "ms" }\n'
ARCHIVE = '[archive]\nurl = "http://127.0.0.1:1"\namended = "newest"\n'


def arrive(run, payload, ack=None):
    run.inbox.put(("t/m", json.dumps(payload).encode(), run.clock.mono_ms(), LIVE, ack))
    run.core.turn()


def raises(run):
    return [waiting for waiting in run.mail.told if json.loads(waiting.message.facts)["event"] == "raised"]


def test_an_episode_that_is_due_at_the_moment_in_which_the_clock_is_set_is_told_at_once(tmp_path):
    with HouseRun(tmp_path, RULE + HUB, BEGIN) as run:
        run.live("t/m", 100, 2)
        run.clock.pass_ms(15 * MINUTE_MS)
        run.clock.set_ms(run.clock.now_ms + 7_200_000)
        run.core.turn()
        run.core.turn()

        assert len(raises(run)) == 1


@pytest.mark.parametrize("step_ms", [7_200_000, -7_200_000])
def test_what_still_waits_when_the_clock_is_set_is_counted_by_its_own_time(tmp_path, monkeypatch, step_ms):
    """A flood on the same broker: what arrived has not been taken for minutes, and a load was switched off in them."""
    monkeypatch.setattr("wattround.core.loop.MANY_MESSAGES", 5)
    meter = '[[meters]]\nname = "m"\nhold = "10m"\npower = { topic = "t/m" }\n'
    with HouseRun(tmp_path, meter, BEGIN) as run:
        for number in range(40):
            run.clock.pass_ms(10_000)
            run.inbox.put(("t/m", b"600" if number < 10 else b"0", run.clock.mono_ms(), LIVE, None))
        run.core.turn()
        run.clock.set_ms(run.clock.now_ms + step_ms)
        run.live("t/m", 0, 60)
        run.clock.pass_ms(60_000)
        run.core.turn()
        run.commit(run.clock.now_ms)

        assert run.energy_uwh("m") == pytest.approx(600 * 100 / 3600 * 1e6, abs=1_000)  # 600 W for 100 s
        covered_ms = sum(row[2] for row in run.rows("m").values()) + run.house.metering.meters["m"].covered_ms
        assert covered_ms == pytest.approx(99 * 10_000 + 60_000, abs=1_000)


@pytest.mark.parametrize("clock_ms", [0, 3_600_000])
def test_a_row_that_may_have_been_shipped_before_a_kill_is_marked_when_it_is_amended_after_it(tmp_path, clock_ms):
    """Else the archive would get two values for one time, of which some databases keep either.

    Also where the clock is an hour back at the next start.
    """
    run = HouseRun(tmp_path, STAMPED + ARCHIVE, BEGIN)
    minute = BEGIN // MINUTE_MS
    for second in range(0, 600, 30):
        run.stamped("m", BEGIN + second * 1000, 1000, BEGIN + second * 1000)
    run.clock.pass_ms(600_000)
    run.core.turn()
    run.commit(run.clock.now_ms)
    parcel = run.core.archive.hand_out(run.core.writer, run.house.batch, run.settings, run.clock.now_ms)
    assert minute + 2 in {row.minute for row in parcel.rows}
    run.kill()  # the database has them, but nobody wrote that down

    with HouseRun(tmp_path, STAMPED + ARCHIVE, run.clock.now_ms - clock_ms) as again:
        again.stamped("m", BEGIN + 125_000, 5000, again.clock.now_ms)
        again.commit(again.clock.now_ms)
        rows = again.core.writer.lines.next_rows((-1, 0), minute + 3, 100, newest_wins=True)

        assert [row.revision for row in rows if row.minute == minute + 2] == [1]


def known(run):
    return {reading.at_ms for reading in run.core.writer.readings("m", 0, 1 << 50)}


@pytest.mark.parametrize("restart", ["not", "before it is noticed", "later"])
def test_while_the_clock_is_two_hours_back_readings_by_right_clocks_are_not_taken_for_the_future(tmp_path, restart):
    """What was acknowledged is in the ledger: it was our clock that was wrong, and there it had been further once."""
    run = HouseRun(tmp_path, STAMPED, BEGIN)
    acks = [Ack(1, number, 1) for number in range(3)]
    arrive(run, {"w": 100, "t": BEGIN}, acks[0])
    run.clock.pass_ms(60_000)
    run.core.turn()
    run.commit(run.clock.now_ms)
    if restart == "before it is noticed":
        run.kill()
        run = HouseRun(tmp_path, STAMPED, run.clock.now_ms - 7_200_000)
    else:
        run.clock.set_ms(run.clock.now_ms - 7_200_000)
    if restart == "later":
        run.core.turn()
        run.commit(run.clock.now_ms)
        run.kill()
        run = HouseRun(tmp_path, STAMPED, run.clock.now_ms)
    with run:
        run.core.turn()
        arrive(run, {"w": 200, "t": BEGIN + 60_000}, acks[1])
        run.clock.set_ms(run.clock.now_ms + 7_200_000)
        run.core.turn()
        arrive(run, {"w": 300, "t": BEGIN + 120_000}, acks[2])
        arrive(run, {"w": 300, "t": BEGIN + 7_200_000})  # no clock of ours has ever been there
        run.commit(run.clock.now_ms)

        assert known(run) == {BEGIN, BEGIN + 60_000, BEGIN + 120_000}
        assert run.acked == acks[0 if restart == "not" else 1 :]


def test_a_start_with_the_time_at_which_the_box_was_last_seen_refuses_nothing_of_the_hours_since(tmp_path):
    """No battery, six hours without current: it starts half an hour before what was saved, and is set right later."""
    run = HouseRun(tmp_path, STAMPED, BEGIN)
    arrive(run, {"w": 100, "t": BEGIN})
    run.clock.pass_ms(60_000)
    run.core.turn()
    run.commit(run.clock.now_ms)
    run.kill()
    true_ms = run.clock.now_ms + 6 * 3_600_000
    with HouseRun(tmp_path, STAMPED, run.clock.now_ms - 1_800_000) as again:
        again.core.turn()
        arrive(again, {"w": 200, "t": true_ms}, Ack(1, 1, 1))
        again.clock.set_ms(true_ms + 10_000)
        again.core.turn()
        arrive(again, {"w": 200, "t": true_ms + 3_600_000}, Ack(1, 2, 1))  # now our clock is right
        again.commit(again.clock.now_ms)

        assert known(again) == {BEGIN, true_ms}


def test_until_the_clock_has_been_set_readings_with_a_time_wait_unacknowledged(tmp_path):
    """A box without a battery starts in 1970 after an outage: the broker hands over at once what it has kept."""
    with HouseRun(tmp_path, STAMPED, 60_000) as run:
        run.core.turn()
        acks = [Ack(1, number, 1) for number in range(40)]
        for number, ack in enumerate(acks):
            arrive(run, {"w": 360, "t": BEGIN + number * 60_000}, ack)
        run.clock.pass_ms(90_000)
        run.core.turn()
        assert run.acked == []
        run.clock.set_ms(BEGIN + 40 * 60_000)
        run.core.turn()
        run.commit(run.clock.now_ms)

        assert len(known(run)) == 40
        assert run.acked == acks
        assert [row[0] for row in run.rows("m").values()][:38] == [6_000_000] * 38  # 360 W for a minute


def test_what_waits_for_the_clock_and_comes_again_by_a_new_connection_is_taken_once(tmp_path):
    with HouseRun(tmp_path, STAMPED, 60_000) as run:
        run.core.turn()
        for generation in (1, 2):
            for number in range(3):
                arrive(run, {"w": 360, "t": BEGIN + number * 60_000}, Ack(generation, number, 1))
        run.clock.set_ms(BEGIN + 600_000)
        run.core.turn()
        run.commit(run.clock.now_ms)

        assert len(known(run)) == 3
        assert run.acked == [Ack(2, number, 1) for number in range(3)]


COUNTED = '[[meters]]\nname = "m"\nhold = "5m"\nhighest_w = 5000\ncounter = { topic = "t/m", unit = "Wh" }\n'
BOTH = '[[meters]]\nname = "m"\npower = { topic = "t/w" }\ncounter = { topic = "t/m", unit = "Wh" }\n'


class Meter:
    """1,000 W since the begin: what its register shows, at any time."""

    def __init__(self, run):
        self.run, self.passed_ms = run, 0

    def live(self, minutes):
        for _ in range(minutes):
            self.passed_ms += MINUTE_MS
            self.run.clock.pass_ms(MINUTE_MS)
            if self.run.settings.meters[0].power is not None:
                self.run.inbox.put(("t/w", b"1000", self.run.clock.mono_ms(), LIVE, None))
            self.say()

    def say(self):
        self.run.inbox.put(("t/m", str(500 + self.passed_ms / 3_600).encode(), self.run.clock.mono_ms(), LIVE, None))
        self.run.core.turn()

    def energy_wh(self):
        self.run.clock.pass_ms(10 * MINUTE_MS)  # nothing more is heard: what is open is closed
        self.run.core.turn()
        self.run.commit(self.run.clock.now_ms)
        return self.run.energy_uwh("m") / 1e6


@pytest.mark.parametrize("step_ms", [7_200_000, -7_200_000])
@pytest.mark.parametrize("text", [COUNTED, BOTH])
def test_an_outage_that_a_counter_remembers_is_counted_though_the_clock_is_set_right_after_it(tmp_path, text, step_ms):
    with HouseRun(tmp_path, text, BEGIN) as run:
        meter = Meter(run)
        run.core.turn()
        meter.say()
        meter.live(30)
        run.clock.pass_ms(60 * MINUTE_MS)  # an hour in which nothing is heard
        meter.passed_ms += 60 * MINUTE_MS
        if text == BOTH:
            meter.say()  # power and counter: the gap is known, and not settled yet
        run.clock.set_ms(run.clock.now_ms + step_ms)
        run.core.turn()
        meter.live(20)  # two hours back these minutes were not lived yet

        assert abs(meter.energy_wh() - 110_000 / 60) <= (
            1 if text == COUNTED else 26
        )  # the hold after the last reading


@pytest.mark.parametrize("text", [COUNTED, BOTH])
@pytest.mark.parametrize("start_ms", [60_000, BEGIN])
def test_an_outage_is_counted_though_the_clock_is_behind_at_the_next_start_and_set_right_later(
    tmp_path, text, start_ms
):
    """A box that starts with the time at which it was last seen, or in 1970: three hours without current."""
    run = HouseRun(tmp_path, text, BEGIN)
    meter = Meter(run)
    run.core.turn()
    meter.say()
    meter.live(30)
    run.commit(run.clock.now_ms)
    true_ms = run.clock.now_ms
    run.kill()
    away_ms = 180 * MINUTE_MS
    with HouseRun(tmp_path, text, start_ms) as again:
        meter.run, meter.passed_ms = again, meter.passed_ms + away_ms
        again.core.turn()
        meter.live(5)
        again.clock.set_ms(true_ms + away_ms + 5 * MINUTE_MS)
        again.core.turn()
        meter.live(40)

        assert abs(meter.energy_wh() - (30 + 180 + 5 + 40) * 1000 / 60) <= (1 if text == COUNTED else 26)
        rows = again.rows("m").values()
        assert all(row[2] > 0 for row in rows if row[0] > 0)  # energy without any time would be a riddle
        assert all(row[2] <= MINUTE_MS for row in rows)


@settings(max_examples=60)
@given(st.lists(st.tuples(st.integers(0, 40), st.sampled_from([0, 7_200_000, -7_200_000])), min_size=1, max_size=3))
def test_power_and_counter_keep_to_the_counter_through_silences_and_clocks_that_are_set(tmp_path_factory, mishaps):
    """1,000 W: some minutes heard, some not, the clock is set wrong in the middle of them and right again later."""
    with HouseRun(tmp_path_factory.mktemp("both"), BOTH, BEGIN) as run:
        meter = Meter(run)
        run.core.turn()
        meter.say()
        meter.live(3)
        for silent, wrong_ms in mishaps:
            for half in (silent // 2, silent - silent // 2):
                run.clock.pass_ms(half * MINUTE_MS)
                meter.passed_ms += half * MINUTE_MS
                run.core.turn()
                if half == silent // 2:
                    run.clock.set_ms(run.clock.now_ms + wrong_ms)
            meter.live(4)
            run.clock.set_ms(run.clock.now_ms - wrong_ms)
            run.core.turn()
            if wrong_ms:
                break  # a second time it would come by minutes that were lived already
        meter.live(20)
        lived_ms = meter.passed_ms

        assert abs(meter.energy_wh() - lived_ms / 3_600) <= 26  # the hold after the last reading


@pytest.mark.parametrize("text", [COUNTED, BOTH])
def test_minutes_filled_by_a_clock_that_was_ahead_take_none_of_a_counters_energy(tmp_path, text):
    """Two hours ahead at the start, set right later: what is counted in the minutes filled then is added to them."""
    run = HouseRun(tmp_path, text, BEGIN)
    meter = Meter(run)
    run.core.turn()
    meter.say()
    meter.live(30)
    run.commit(run.clock.now_ms)
    true_ms = run.clock.now_ms
    run.kill()
    with HouseRun(tmp_path, text, true_ms + 140 * MINUTE_MS) as again:
        meter.run, meter.passed_ms = again, meter.passed_ms + 20 * MINUTE_MS
        again.core.turn()
        meter.live(5)
        again.clock.set_ms(true_ms + 25 * MINUTE_MS)
        again.core.turn()
        meter.live(40)

        assert abs(meter.energy_wh() - 95_000 / 60) <= (18 if text == COUNTED else 26)  # the open minute; the hold
        assert all(row[2] <= MINUTE_MS for row in again.rows("m").values())


def test_a_broken_value_after_an_outage_does_not_hide_what_was_counted_in_it(tmp_path):
    with HouseRun(tmp_path, BOTH, BEGIN) as run:
        meter = Meter(run)
        run.core.turn()
        meter.say()
        meter.live(30)
        run.clock.pass_ms(60 * MINUTE_MS)
        meter.passed_ms += 60 * MINUTE_MS
        run.inbox.put(("t/m", b"1e9", run.clock.mono_ms(), LIVE, None))
        run.core.turn()
        meter.live(20)

        assert abs(meter.energy_wh() - 110_000 / 60) <= 26


@pytest.mark.parametrize("text", [COUNTED, BOTH])
def test_a_clock_that_was_ahead_and_is_right_at_the_next_start_blinds_counters_for_minutes_only(tmp_path, text):
    """It looks like one that is behind and will be set right; after ten minutes it is believed."""
    run = HouseRun(tmp_path, text, BEGIN + 120 * MINUTE_MS)
    meter = Meter(run)
    run.core.turn()
    meter.say()
    meter.live(30)
    run.commit(run.clock.now_ms)
    run.kill()
    with HouseRun(tmp_path, text, BEGIN + 35 * MINUTE_MS) as again:
        meter.run, meter.passed_ms = again, meter.passed_ms + 5 * MINUTE_MS
        again.core.turn()
        meter.live(40)

        assert abs(meter.energy_wh() - 75_000 / 60) <= (18 if text == COUNTED else 26)
        assert sum(feed.health.bad for feed in again.house.router.feeds) == 0
        assert all(row[2] <= MINUTE_MS for row in again.rows("m").values())


@pytest.mark.parametrize("text", [COUNTED, BOTH, RULE])
def test_a_clock_that_was_not_set_when_the_daemon_ended_and_is_right_at_the_next_start(tmp_path, text):
    """Nothing reaches over the years in between: no minutes, no episode, and no more than a moment to start."""
    run = HouseRun(tmp_path, text, 60_000)
    meter = Meter(run)
    run.core.turn()
    if text == RULE:
        run.live("t/m", 100, 30)
    else:
        meter.say()
        meter.live(5)
    run.commit(run.clock.now_ms)
    run.kill()
    with HouseRun(tmp_path, text, BEGIN) as again:
        again.core.turn()
        if text == RULE:
            again.live("t/m", 100, 30)
            (news,) = again.house.engine.open_episodes(again.clock.now_ms) or [None]
            assert news is None or news.began_ms > BEGIN
        else:
            meter.run, meter.passed_ms = again, meter.passed_ms + 10 * MINUTE_MS
            meter.live(20)
            assert abs(meter.energy_wh() - 35_000 / 60) <= (18 if text == COUNTED else 26)
        again.commit(again.clock.now_ms)

        assert len(again.rows("m")) < 60


def test_a_clock_that_is_hours_back_fills_no_minute_twice_and_loads_no_years_of_them(tmp_path):
    run = HouseRun(tmp_path, RULE, BEGIN)
    run.live("t/m", 1000, 600, every_ms=MINUTE_MS)
    run.commit(run.clock.now_ms)
    run.kill()
    with HouseRun(tmp_path, RULE, BEGIN - MINUTE_MS) as again:
        for _ in range(10):
            again.live("t/m", 1000, 60, every_ms=MINUTE_MS)
            again.commit(again.clock.now_ms)
            assert len(again.house.metering.meters["m"].occupied) <= 181

        assert again.energy_uwh("m") <= (602 + 30) / 60 * 1e9  # and the hold after the last reading
