"""Moves: steps and runs, and what another meter did at the same place."""

from array import array
from math import nan

import pytest

from wattround.analysis.scout.moves import STEP, Movements, area, looked_for, moves


def of(*parts):
    """Watts of a series, as (bins, watts)."""
    return array("d", [watts for bins, watts in parts for _ in range(bins)])


def test_a_long_stretch_is_two_steps():
    found = moves(of((40, 2.0), (30, 120.0), (40, 2.0)))

    assert [(move.span, round(move.amount)) for move in found] == [(STEP, 118), (STEP, -118)]


def test_what_is_soon_back_is_one_run_with_its_energy():
    (run,) = moves(of((40, 1.0), (3, 2001.0), (60, 1.0)))

    assert run.span > STEP
    assert run.amount == pytest.approx(3 * 2000.0)


def test_a_bin_that_is_not_known_is_no_move():
    assert moves(of((40, 2.0), (30, nan), (40, 2.0))) == []


def test_noise_is_no_move():
    series = array("d", [100.0 + (7 if at % 2 else -7) for at in range(200)])

    assert moves(series) == []


@pytest.mark.parametrize("later", [-1, 0, 1, 2])
def test_another_meter_may_be_two_bins_late_or_one_early(later):
    plug, circuit = of((40, 2.0), (30, 120.0), (60, 2.0)), of((40 + later, 52.0), (30, 170.0), (60 - later, 52.0))
    hits = looked_for(moves(plug), Movements(circuit), 1.0)

    assert [each.hit for each in hits] == [True, True]


@pytest.mark.parametrize("later", [-1, 0, 1])
def test_a_run_may_be_a_bin_late_or_early(later):
    plug, circuit = of((40, 0.0), (3, 2000.0), (60, 0.0)), of((40 + later, 52.0), (3, 2052.0), (60 - later, 52.0))
    hits = looked_for(moves(plug), Movements(circuit), 1.0)

    assert [each.hit for each in hits] == [True]


def test_one_that_stays_as_it_is_is_still_and_one_that_moves_elsewhere_is_neither():
    plug = moves(of((40, 2.0), (30, 120.0), (60, 2.0)))
    calm = looked_for(plug, Movements(of((130, 52.0))), 1.0)
    other = looked_for(plug, Movements(of((40, 52.0), (30, 352.0), (60, 52.0))), 1.0)

    assert [(each.hit, each.still) for each in calm] == [(False, True)] * 2
    assert [(each.hit, each.still) for each in other] == [(False, False)] * 2


def test_the_share_of_places_at_which_it_moves_so_far_is_counted_thereabouts():
    """By hand: a step of 100 W can be seen from four places around it (and is then 50 W or 100 W)."""
    circuit = Movements(of((60, 0.0), (60, 100.0)))
    seen = sum(90 <= circuit.amount(at, STEP) <= 110 for at in range(120))

    assert circuit.share(60, STEP, 90.0, 110.0) == pytest.approx((seen + 1) / (114 + 1), abs=0.002)
    assert circuit.share(60, STEP, 300.0, 400.0) == pytest.approx(1 / 115, abs=0.002)


def test_areas_that_are_added_up_once_are_those_worked_out_one_by_one():
    series = array("d", [((at * 37) % 101) * 3.5 for at in range(90)])
    made = Movements(series)

    for span in (4, 7):
        for at in range(2, 70):
            assert made.amount(at, span) == pytest.approx(area(series, at, span))
