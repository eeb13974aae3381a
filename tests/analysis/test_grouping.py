"""Groups of watts: the optimal split, what keeps groups apart, thresholds between them. Known classes, any scale."""

import math
from itertools import combinations, pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sklearn.cluster import KMeans

from wattround.analysis.grouping import ashman_d, gap_w, groups, near_share, optimal_groups, threshold_w, valley
from wattround.analysis.histogram import STEP, Histogram, position, spread_factor
from wattround.ledger.spread import BINS, Spread, bin_of, edge_w

HOUR_MS = 3_600_000.0


def histogram(*points):
    """(watts, hours) of each point."""
    spread = Spread()
    for watts, hours in points:
        spread.add(bin_of(watts), hours * HOUR_MS, hours * watts * 1e6)
    return Histogram.of(spread)


def hump(middle_w, hours, width):
    """A class: nine powers within a factor of 1 + width either way, most time in the middle."""
    weights = [1, 2, 4, 6, 8, 6, 4, 2, 1]
    return [
        (middle_w * (1 + width) ** ((index - 4) / 4), hours * weight / sum(weights))
        for index, weight in enumerate(weights)
    ]


classes = st.tuples(
    st.floats(2.0, 20.0),
    st.lists(st.tuples(st.floats(6.0, 40.0), st.floats(1.0, 200.0), st.floats(0.0, 0.3)), min_size=2, max_size=3),
)
"""The lowest middle in watts; of each class: times how much the one below, hours, width."""


def made(lowest_w, parts, factor=1.0):
    middle, humps = lowest_w * factor / parts[0][0], []
    for times, hours, width in parts:
        middle *= times
        humps.append(hump(middle, hours, width))
    return humps


@given(classes)
def test_true_classes_are_found_and_thresholds_lie_between_them(given_classes):
    humps = made(*given_classes)
    seen = histogram(*(point for each in humps for point in each))
    found = groups(seen)

    assert len(found) == len(humps)
    assert sum(seen.time_ms(*group) for group in found) == pytest.approx(seen.time_ms())
    assert sum(seen.energy_uwh(*group) for group in found) == pytest.approx(seen.energy_uwh())
    for group, points in zip(found, humps, strict=True):
        assert all(group.first <= bin_of(watts) < group.last for watts, _ in points)
        assert seen.mean_w(*group) == pytest.approx(
            sum(watts * hours for watts, hours in points) / sum(hours for _, hours in points)
        )
    for (low, high), (below, above) in zip(pairwise(found), pairwise(humps), strict=True):
        # the outermost twentieth of a class's time is its end, and a bin is as far as one can see
        assert below[-2][0] / math.exp(STEP) < threshold_w(seen, low, high) < above[1][0] * math.exp(STEP)
        assert near_share(seen, low, high) <= 0.2


@settings(max_examples=60)
@given(classes, st.floats(1.0, 5.0))
def test_scaled_watts_have_scaled_thresholds(given_classes, factor):
    """Watts times a factor: thresholds times the same, but for the bins' width. (Above the floor of "nothing".)"""
    plain, scaled = (
        histogram(*(point for each in made(given_classes[0] + 4, given_classes[1], by) for point in each))
        for by in (1.0, factor)
    )
    before = [threshold_w(plain, *both) for both in pairwise(groups(plain))]
    after = [threshold_w(scaled, *both) for both in pairwise(groups(scaled))]

    assert len(before) == len(after)
    for one, other in zip(before, after, strict=True):
        assert abs(math.log(other / one / factor)) <= 2 * STEP


points = st.lists(
    st.tuples(st.integers(0, BINS - 1), st.floats(0.01, 100.0)), min_size=2, max_size=9, unique_by=lambda each: each[0]
)


def within(numbers, weights, cuts):
    """Sum of squares around the mean of each part."""
    total = 0.0
    for first, last in pairwise([0, *cuts, len(numbers)]):
        places, mass = [position(number) for number in numbers[first:last]], weights[first:last]
        mean = sum(w * x for w, x in zip(mass, places, strict=True)) / sum(mass)
        total += sum(w * (x - mean) ** 2 for w, x in zip(mass, places, strict=True))
    return total


@given(points, st.integers(2, 4))
def test_the_split_is_the_best_of_all(some, most):
    """Against trying them all."""
    some = sorted(some)
    numbers, weights = [number for number, _ in some], [weight for _, weight in some]
    seen = histogram(*((edge_w(number) * 1.001 or 0.1, weight) for number, weight in some))
    cuts = [numbers.index(group.first) for group in optimal_groups(seen, most)[1:]]
    best = min(within(numbers, weights, tried) for tried in combinations(range(1, len(some)), min(most, len(some)) - 1))

    assert within(numbers, weights, cuts) <= best + 1e-6


@settings(max_examples=20)
@given(classes)
def test_no_k_means_is_better(given_classes):
    """Against scikit-learn's KMeans on the same log watts: the same criterion, without its chance."""
    humps = made(*given_classes)
    seen = histogram(*(point for each in humps for point in each))
    numbers = [number for number in range(BINS) if seen.time[number]]
    weights = [seen.time[number] / HOUR_MS for number in numbers]
    places = np.array([[position(number)] for number in numbers])
    if len(numbers) < len(humps):
        return
    model = KMeans(len(humps), n_init=4, random_state=0).fit(places, sample_weight=weights)
    cuts = [numbers.index(group.first) for group in optimal_groups(seen, len(humps))[1:]]

    assert within(numbers, weights, cuts) <= model.inertia_ + 1e-6


def test_one_even_spread_has_no_classes():
    """Watts that lie evenly on the log scale, cut in half, have Ashman's D of sqrt(12): less than what is asked."""
    seen = histogram(*((5 * 1.02**index, 1.0) for index in range(150)))
    low, high = optimal_groups(seen, 2)

    assert ashman_d(seen, low, high) == pytest.approx(math.sqrt(12), rel=0.02)
    assert valley(seen, low, high) > 0.9
    assert len(groups(seen)) == 1


def test_a_meter_of_whole_watts_makes_no_comb():
    seen = histogram((1.0, 60), (2.0, 40), (3.0, 20), (110.0, 20), (111.0, 3))

    assert [seen.range_w(0, *group)[0] for group in groups(seen)] == [
        pytest.approx(0.949, abs=0.01),
        pytest.approx(104, abs=1),
    ]


def test_a_group_of_a_few_minutes_is_a_chance():
    common = (*hump(3.0, 100, 0.1), *hump(100.0, 20, 0.1))

    assert len(groups(histogram(*common, (2000.0, 0.16)))) == 2
    assert len(groups(histogram(*common, (2000.0, 0.17)))) == 3


def test_nothing_and_one_power_are_no_split():
    assert groups(histogram()) == []
    assert len(groups(histogram((30.0, 5)))) == 1


def test_off_reaches_up_to_a_watt_where_there_is_room():
    """What never drew between 0.3 and 100 W is not called active at 5.5 W, but at 10."""
    seen = histogram((0.0, 90), (100.0, 10))

    assert threshold_w(seen, *groups(seen)) == pytest.approx(10, rel=0.05)
    assert gap_w(seen, *groups(seen))[0] == 1.0


@given(st.floats(0.31, 100_000))
def test_a_bin_holds_its_watts(watts):
    assert edge_w(bin_of(watts)) <= watts * (1 + 1e-12)
    assert watts <= edge_w(bin_of(watts) + 1) * (1 + 1e-12)


@given(points, st.floats(0, 1), st.floats(0, 1))
def test_quantiles_rise_and_hold_their_share(some, one, other):
    seen = histogram(*((edge_w(number) * 1.001, weight) for number, weight in some))
    low, high = sorted((one, other))

    assert seen.quantile_bin(low) <= seen.quantile_bin(high)
    assert seen.time_ms(0, seen.quantile_bin(high) + 1) >= high * seen.time_ms() * (1 - 1e-9)


def test_how_widely_powers_lie():
    assert spread_factor({}) == 1
    assert spread_factor({50: 3.0}) == 1
    assert spread_factor({10: 1.0, 100: 1.0}) == pytest.approx(math.exp(STEP))
    assert spread_factor(dict.fromkeys(range(40, 65), 2.0)) == pytest.approx(10)
