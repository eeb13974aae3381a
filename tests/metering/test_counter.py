"""Counters: what they gain is what the minutes sum to, whatever they do in between."""

import math

import hypothesis.strategies as st
import pytest
from hypothesis import given, settings
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from wattround.metering.counter import OLD_NEWS_MS, gain, settle
from wattround.metering.level import Thresholds
from wattround.metering.meter import Meter
from wattround.metering.minute import ESTIMATED, MINUTE_MS, Minute, uwh
from wattround.metering.spec import MeterSpec, Output

START_MS = 1_780_000_020_000
HOLD_MS = 300_000


def counter_meter(**changes):
    spec = MeterSpec("c", HOLD_MS, Thresholds(0.5, None, None), stamped=False, has_power=False, has_counter=True)
    out = Output()
    return Meter(spec._replace(**changes), out), out


def patched(row, patch):
    """The row after a patch, as the ledger adds it; a missing row is an uncovered minute."""
    base = row or Minute(patch.meter, patch.minute, 0, 0, 0, None, None, 0)
    return base._replace(
        in_uwh=max(0, base.in_uwh + patch.add_in_uwh),
        out_uwh=max(0, base.out_uwh + patch.add_out_uwh),
        covered_ms=min(MINUTE_MS, base.covered_ms + patch.add_covered_ms),
        origin=base.origin | patch.origin,
    )


def folded(out):
    """The ledger's rows after everything metering has said, as the ledger applies it."""
    rows = {}
    for item in out.rows:
        rows[item.minute] = item if isinstance(item, Minute) else patched(rows.get(item.minute), item)
    return rows


def finished(meter, out, end_ms):
    meter.follow_clock(end_ms + 10 * HOLD_MS)
    meter.emit()
    return folded(out)


@given(st.lists(st.tuples(st.integers(5_000, 3_600_000), st.integers(0, 3000)), min_size=2, max_size=40))
def test_minutes_sum_to_what_the_counter_gained(steps):
    """Any cadence, any gains: no energy is lost or made, no minute is covered twice, all time between is covered."""
    meter, out = counter_meter()
    now, value = START_MS, 1000.0
    meter.hear_counter(now, value)
    for gap, gained_tenths in steps:
        now += gap
        value += gained_tenths / 10 * gap / 3_600_000
        meter.hear_counter(now, value)

    rows = finished(meter, out, now)

    # what has been counted after the last move is placed by the next one
    expected = uwh((value - 1000.0 - meter.register.gained_wh) * 3_600_000)
    assert abs(sum(row.in_uwh for row in rows.values()) - expected) <= len(rows) * 2
    assert sum(row.covered_ms for row in rows.values()) == now - START_MS
    assert all(0 <= row.covered_ms <= MINUTE_MS and row.in_uwh >= 0 for row in rows.values())


def test_a_gap_is_filled_evenly_and_marked_as_estimated():
    meter, out = counter_meter()
    meter.hear_counter(START_MS, 0.0)
    meter.hear_counter(START_MS + 60_000, 10.0)
    meter.hear_counter(START_MS + 60_000 + 7_200_000, 210.0)

    rows = finished(meter, out, START_MS + 7_260_000)

    whole = [row for row in rows.values() if row.covered_ms == MINUTE_MS][2:-2]
    assert len(whole) >= 110
    assert all(math.isclose(row.in_uwh, 100e6 / 60, rel_tol=1e-6) for row in whole)
    assert all(row.origin & ESTIMATED for row in whole)


def test_a_reset_makes_no_negative_energy_and_no_spike():
    meter, out = counter_meter()
    for minute, value in enumerate((500.0, 501.0, 0.4, 1.4)):
        meter.hear_counter(START_MS + minute * 60_000, value)

    rows = finished(meter, out, START_MS + 180_000)

    assert sum(row.in_uwh for row in rows.values()) == uwh((1.0 + 0.4 + 1.0) * 3_600_000)


def test_a_rollover_counts_across_the_top():
    meter, out = counter_meter(rollover_wh=100_000.0)
    meter.hear_counter(START_MS, 99_990.0)
    meter.hear_counter(START_MS + 60_000, 15.0)

    rows = finished(meter, out, START_MS + 60_000)

    assert abs(sum(row.in_uwh for row in rows.values()) - 25_000_000) <= 2


def test_a_glitch_to_zero_and_back_makes_no_energy():
    meter, out = counter_meter()
    for minute, value in enumerate((4_000_000.0, 4_000_001.0, 0.0, 4_000_001.5, 4_000_002.5)):
        meter.hear_counter(START_MS + minute * 60_000, value)

    rows = finished(meter, out, START_MS + 240_000)

    assert abs(sum(row.in_uwh for row in rows.values()) - 2_500_000) <= len(rows)


def test_a_glitch_after_hours_of_idleness_makes_no_energy_either():
    meter, out = counter_meter()
    for minute, value in enumerate((300_000.0, 300_001.0, *[300_001.0] * 480, 0.0, 300_001.0, 300_002.0)):
        meter.hear_counter(START_MS + minute * 60_000, value)

    rows = finished(meter, out, START_MS + 484 * 60_000)

    assert abs(sum(row.in_uwh for row in rows.values()) - 2_000_000) <= len(rows)


def test_a_value_that_comes_again_out_of_order_changes_nothing():
    """What the broker redelivers, untimed, is older than what was heard: no reset, no energy."""
    meter, out = counter_meter()
    for step in range(5):
        meter.hear_counter(START_MS + step * 60_000, 850_000.0 + 10 * step)
    for step in range(2, 5):
        meter.hear_counter_untimed(850_000.0 + 10 * step)
    meter.hear_counter(START_MS + 300_000, 850_050.0)

    rows = finished(meter, out, START_MS + 300_000)

    assert abs(sum(row.in_uwh for row in rows.values()) - 50_000_000) <= len(rows)


def test_an_untimed_value_that_no_load_can_have_counted_makes_no_energy():
    meter, out = counter_meter(highest_w=3600.0)
    meter.hear_counter(START_MS, 20_000.0)
    meter.hear_counter(START_MS + 60_000, 20_020.0)
    meter.hear_counter_untimed(500_000.0)
    meter.hear_counter(START_MS + 120_000, 500_001.0)
    meter.hear_counter(START_MS + 180_000, 500_021.0)

    rows = finished(meter, out, START_MS + 180_000)

    assert abs(sum(row.in_uwh for row in rows.values()) - 40_000_000) <= len(rows)


def test_the_first_step_of_a_coarse_register_is_not_put_into_the_minute_we_came_in():
    meter, out = counter_meter(highest_w=3600.0)
    for minute, value in enumerate((5000.0, 6000.0, 6000.0, 6000.0)):
        meter.hear_counter(START_MS + minute * 60_000, value)
    meter.hear_counter(START_MS + 3_660_000, 7000.0)

    rows = finished(meter, out, START_MS + 3_660_000)

    assert abs(sum(row.in_uwh for row in rows.values()) - 1_000_000_000) <= len(rows)
    assert max(row.in_uwh for row in rows.values()) <= 17_000_000


def test_a_gap_at_the_very_begin_of_power_and_counter_is_filled_too():
    meter, out = both()
    meter.hear_counter(START_MS, 1000.0)
    meter.hear_counter(START_MS + 1_200_000, 1600.0)

    rows = finished(meter, out, START_MS + 1_200_000)

    assert abs(sum(row.in_uwh for row in rows.values()) - 600_000_000) <= len(rows)


def test_a_coarse_counter_spreads_its_step_over_the_time_it_took():
    """A register that shows tenths of a kWh, read each minute, with 50 W: no minute of 100 Wh."""
    meter, out = counter_meter()
    for minute in range(400):
        true_wh = 50 * minute / 60
        meter.hear_counter(START_MS + minute * 60_000, math.floor(true_wh / 100) * 100.0)

    rows = finished(meter, out, START_MS + 399 * 60_000)

    assert sum(row.in_uwh for row in rows.values()) == 300_000_000 or abs(
        sum(row.in_uwh for row in rows.values()) - 300_000_000
    ) <= len(rows)
    assert max(row.in_uwh for row in rows.values()) <= 1_000_000


def test_values_of_unknown_time_count_and_are_placed_by_the_next_timed_one():
    """A retained or queued value survives a reset that would have hidden what was counted before it."""
    meter, out = counter_meter()
    meter.hear_counter(START_MS, 100.0)
    meter.hear_counter_untimed(150.0)
    meter.hear_counter_untimed(2.0)
    meter.hear_counter(START_MS + 3_600_000, 3.0)

    rows = finished(meter, out, START_MS + 3_600_000)

    assert abs(sum(row.in_uwh for row in rows.values()) - 53_000_000) <= len(rows)


def test_a_value_of_unknown_time_begins_nothing():
    """The first value of all, retained for days: what it was counted over is not known."""
    meter, out = counter_meter()
    meter.hear_counter_untimed(100.0)
    meter.hear_counter(START_MS, 5000.0)
    meter.hear_counter(START_MS + 60_000, 5001.0)

    rows = finished(meter, out, START_MS + 60_000)

    assert abs(sum(row.in_uwh for row in rows.values()) - 1_000_000) <= 2


def both():
    return counter_meter(has_power=True, hold_ms=90_000)


def test_power_shapes_and_the_counter_has_the_last_word():
    """A clamp that reads 4 % low beside a true counter: every settled minute is 4 % more, in the clamp's shape."""
    meter, out = both()
    true_wh = 0.0
    for second in range(0, 3_600, 10):
        watts = 2000.0 if second % 1200 < 600 else 200.0
        meter.hear_power(START_MS + second * 1000, watts * 0.96)
        meter.hear_counter(START_MS + second * 1000, 7000.0 + true_wh)
        true_wh += watts * 10 / 3600
    rows = finished(meter, out, START_MS + 3_600_000)

    settled = {
        minute: row for minute, row in rows.items() if START_MS // MINUTE_MS < minute < START_MS // MINUTE_MS + 44
    }
    for minute, row in settled.items():
        second = minute * 60 - START_MS // 1000
        watts = 2000.0 if second % 1200 < 600 else 200.0
        if second % 600 < 540:
            assert math.isclose(row.in_uwh, watts / 60 * 1e6, rel_tol=0.002), second


def test_a_gap_in_power_is_filled_from_the_counter_not_above_the_busiest_minute():
    meter, out = both()
    for second in range(0, 600, 10):
        meter.hear_power(START_MS + second * 1000, 100.0)
        meter.hear_counter(START_MS + second * 1000, 100.0 * second / 3600)
    meter.hear_power(START_MS + 4_200_000, 100.0)
    meter.hear_counter(START_MS + 4_200_000, 100.0 * 4200 / 3600)

    rows = finished(meter, out, START_MS + 4_200_000)

    whole = [row for row in rows.values() if row.covered_ms == MINUTE_MS]
    assert len(whole) >= 65
    assert all(math.isclose(row.in_uwh, 100 / 60 * 1e6, rel_tol=0.01) for row in whole[:68])
    assert any(row.origin & ESTIMATED for row in whole)


@given(
    st.integers(1, 5_000_000),
    st.floats(0, 1e12),
    st.dictionaries(st.integers(0, 100), st.tuples(st.floats(0, 1e9), st.integers(1, 60_000)), max_size=20),
)
def test_settling_adds_up(span_ms, total_wms, slices):
    """What settling adds, with what was measured, is the counter's gain."""
    to_ms = span_ms
    inside = {
        minute: (wms, min(ms, max(0, min(to_ms, (minute + 1) * MINUTE_MS) - minute * MINUTE_MS)))
        for minute, (wms, ms) in slices.items()
        if minute * MINUTE_MS < to_ms
    }
    inside = {minute: (wms, ms) for minute, (wms, ms) in inside.items() if ms > 0}

    shares = settle(0, to_ms, total_wms, inside)

    measured = sum(wms for wms, _ in inside.values())
    added = sum(share.wms for share in shares)
    assert math.isclose(measured + added, total_wms, rel_tol=1e-6, abs_tol=1e-3)
    assert all(share.covered_ms + inside.get(share.minute, (0, 0))[1] <= MINUTE_MS for share in shares)
    assert all(inside.get(share.minute, (0.0, 0))[0] + share.wms >= -1e-3 for share in shares)


def test_what_was_measured_outside_the_span_by_a_clock_that_was_wrong_counts_there_and_not_again():
    shares = settle(6_000_000, 6_600_000, 1_000.0, {3: (400.0, 60_000), 100: (100.0, 60_000)})

    assert math.isclose(sum(share.wms for share in shares), 500.0)
    assert {share.minute for share in shares} == set(range(100, 110))


@pytest.mark.parametrize("has_power", [False, True])
def test_a_value_whose_time_lies_decades_back_fills_no_decades(has_power):
    """A meter that came up in the year 2000 and was set right: millions of minutes would stop the daemon."""
    meter, out = counter_meter(stamped=True, has_power=has_power)
    meter.hear_counter(946_684_800_000, 1000.0)
    meter.hear_counter(946_684_860_000, 1001.0)
    meter.hear_counter(START_MS, 1500.0)
    meter.hear_counter(START_MS + 1_200_000, 1520.0)
    meter.hear_counter(START_MS + 2_400_000, 1540.0)

    rows = finished(meter, out, START_MS + 2_400_000)

    assert len(rows) < 100
    assert sum(row.in_uwh for row in rows.values()) >= 40_000_000 - len(rows)


def test_a_register_that_has_not_moved_for_years_fills_a_year_at_most():
    meter, out = counter_meter(stamped=True)
    for day in range(0, 800, 10):
        meter.hear_counter(START_MS + day * 86_400_000, 1000.0)
    before = len(out.rows)
    meter.hear_counter(START_MS + 800 * 86_400_000, 1001.0)

    assert len(out.rows) - before < 402 * 1440 + 11 * 1440


def test_a_sum_that_gets_smaller_has_wrapped_or_been_reset():
    """RFC 8428 on sums; the verdict says which."""
    assert gain(100.0, 105.0, 50.0, None) == (5.0, "gained")
    assert gain(100.0, 3.0, 50.0, None) == (3.0, "reset")
    assert gain(99_999.0, 3.0, 50.0, 100_000.0) == (4.0, "rollover")
    assert gain(100.0, 5000.0, 50.0, None) == (0.0, "implausible")


class CounterMachine(RuleBasedStateMachine):
    """A counter that counts, is read, restarts, and is unheard for a while, beside what its values can tell."""

    @initialize()
    def begin(self):
        self.meter, self.out = counter_meter()
        self.now, self.register = START_MS, 250.0
        self.meter.hear_counter(self.now, self.register)
        self.last_wh = self.register
        self.heard_wh = 0.0

    @rule(span=st.integers(1_000, 1_800_000), watts=st.integers(0, 3000))
    def counts(self, span, watts):
        self.now += span
        self.register += watts * span / 3_600_000

    @rule()
    def is_read(self):
        self.now += 1_000
        self.meter.hear_counter(self.now, self.register)
        # all that values can tell: one that is not below the last one has not been reset, so far as anybody knows
        self.heard_wh += self.register - self.last_wh if self.register >= self.last_wh else self.register
        self.last_wh = self.register

    @rule()
    def restarts(self):
        """What was counted since the last reading is forgotten by the device itself, which was off for a while.

        It was read for some time before: one that begins again twice within minutes of its values cannot be told from
        one whose values come late.
        """
        for _ in range(2):
            self.now += OLD_NEWS_MS
            self.is_read()
        self.now += 2 * OLD_NEWS_MS
        self.register = 0.0

    @invariant()
    def energy_is_what_was_heard(self):
        if not hasattr(self, "meter"):
            return
        snapshot = Output(rows=list(self.out.rows))
        rows = folded(snapshot)
        if self.meter.covered_ms:
            rows[self.meter.minute] = self.meter.row()
        total = sum(row.in_uwh for row in rows.values()) / 1e6 + self.meter.register.gained_wh
        assert abs(total - self.heard_wh) <= 1e-5 * max(1.0, len(rows))
        assert all(row.in_uwh >= 0 and row.covered_ms <= MINUTE_MS for row in rows.values())


TestCounterMachine = CounterMachine.TestCase
TestCounterMachine.settings = settings(max_examples=60, stateful_step_count=30, deadline=None)


def test_values_that_were_held_up_and_come_all_at_once_count():
    """A line that stood still for ten minutes, or a meter that catches up: each value a moment after the other."""
    meter, out = counter_meter()
    meter.hear_counter(START_MS, 1_000.0)
    meter.hear_counter(START_MS + 60_000, 1_020.0)
    for number in range(10):
        assert meter.hear_counter(START_MS + 660_000 + number, 1_040.0 + 20 * number) == "gained"

    rows = finished(meter, out, START_MS + 661_000)

    assert abs(sum(row.in_uwh for row in rows.values()) - 220_000_000) <= len(rows)


def test_what_may_come_late_is_no_more_than_what_a_load_could_have_drawn_before():
    meter, _ = counter_meter(highest_w=3600.0)
    meter.hear_counter(START_MS, 1_000.0)
    meter.hear_counter(START_MS + 60_000, 1_020.0)

    assert meter.hear_counter(START_MS + 60_001, 1_059.0) == "gained"  # 60 Wh a minute at most, 20 of them are had
    assert meter.hear_counter(START_MS + 60_002, 1_062.0) == "implausible"


def test_a_single_value_far_above_makes_no_energy_and_hides_none():
    """One broken value, then the register goes on where it was: that is no reset, and no 4 MWh."""
    meter, out = counter_meter()
    for minute, value in enumerate((4_000_000.0, 4_000_001.0, 9e9, 4_000_003.0, 4_000_004.0)):
        meter.hear_counter(START_MS + minute * 60_000, value)

    rows = finished(meter, out, START_MS + 240_000)

    assert abs(sum(row.in_uwh for row in rows.values()) - 4_000_000) <= len(rows)


def test_a_value_far_above_that_comes_just_before_the_next_right_one_hides_none_either():
    meter, out = counter_meter()
    for at_ms, value in ((0, 4_000_000.0), (60_000, 4_000_020.0), (119_999, 9e9), (120_000, 4_000_040.0)):
        meter.hear_counter(START_MS + at_ms, value)

    rows = finished(meter, out, START_MS + 120_000)

    assert abs(sum(row.in_uwh for row in rows.values()) - 40_000_000) <= len(rows)


def test_a_register_that_was_exchanged_for_a_higher_one_goes_on_from_there():
    meter, out = counter_meter()
    for minute, value in enumerate((100.0, 101.0, 50_000.0, 50_001.0, 2.0, 3.0)):
        meter.hear_counter(START_MS + minute * 60_000, value)

    rows = finished(meter, out, START_MS + 300_000)

    assert abs(sum(row.in_uwh for row in rows.values()) - (1 + 1 + 2 + 1) * 1_000_000) <= len(rows)


def test_values_that_overtake_each_other_make_no_energy():
    """A meter that was cut off says what is new before it has said all that it had kept: that is no reset."""
    meter, out = counter_meter()
    for minute in range(30):
        meter.hear_counter(START_MS + minute * 60_000, 1_000.0 + 20 * minute)
    for number, minute in enumerate((50, 30, 31, 48, 49, 50, 51)):
        meter.hear_counter(START_MS + 50 * 60_000 + number * 700, 1_000.0 + 20 * minute)
    meter.hear_counter(START_MS + 52 * 60_000, 1_000.0 + 20 * 52)

    rows = finished(meter, out, START_MS + 52 * 60_000)

    assert abs(sum(row.in_uwh for row in rows.values()) - 20 * 52 * 1_000_000) <= len(rows)


def test_values_that_were_sent_again_after_an_outage_make_no_energy():
    """The meter does not know that its last ones had arrived, and says what is new before it says them again."""
    meter, out = counter_meter()
    for minute in range(30):
        meter.hear_counter(START_MS + minute * 60_000, 1_000.0 + 20 * minute)
    for number, minute in enumerate((60, 28, 29, 30, 59, 61)):
        meter.hear_counter(START_MS + 60 * 60_000 + number * 700, 1_000.0 + 20 * minute)

    rows = finished(meter, out, START_MS + 61 * 60_000)

    assert abs(sum(row.in_uwh for row in rows.values()) - 20 * 61 * 1_000_000) <= len(rows)


def test_a_register_that_begins_again_within_minutes_loses_no_more_than_it_showed():
    """It passes values that it had a moment ago, which may be old ones: nobody can tell."""
    meter, out = counter_meter()
    for minute in range(60):
        meter.hear_counter(START_MS + minute * 60_000, 20.0 * (minute if minute < 4 else minute - 3.5))

    rows = finished(meter, out, START_MS + 59 * 60_000)

    true_uwh, shown_uwh = 1_170_000_000, 60_000_000
    assert true_uwh - shown_uwh - len(rows) <= sum(row.in_uwh for row in rows.values()) <= true_uwh + len(rows)


def test_a_register_that_begins_again_is_known_at_once_where_it_showed_more_than_minutes_energy():
    meter, out = counter_meter()
    for minute in range(60):
        meter.hear_counter(START_MS + minute * 60_000, 20.0 * (minute if minute < 40 else minute - 39.5))

    rows = finished(meter, out, START_MS + 59 * 60_000)

    assert abs(sum(row.in_uwh for row in rows.values()) - (20 * 39 + 20 * 19.5) * 1_000_000) <= len(rows)
