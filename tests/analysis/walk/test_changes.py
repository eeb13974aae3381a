"""Changes of level, held against a change-point library of others (ruptures) and against open recordings."""

import csv
import gzip
from itertools import pairwise

import numpy as np
import pytest
import ruptures
from scipy.stats import median_abs_deviation

from wattround.analysis.walk.changes import cuts, shifts, sigma_w

SIZES = (3.5, 5.0, 8.0, 20.0)


def series(seed, *, least=SIZES[0]):
    """Noise of 1 W with up to five steps that are far enough apart; where they are."""
    random = np.random.default_rng(seed)
    length = int(random.integers(40, 240))
    wanted = int(random.integers(0, 6))
    places = [int(at) for at in sorted(random.choice(np.arange(10, length - 10), wanted, replace=False))]
    places = [at for before, at in pairwise([-10, *places]) if at - before >= 10]
    watts = random.normal(100, 1, length)
    for at in places:
        watts[at:] += random.choice([-1, 1]) * random.choice([size for size in SIZES if size >= least])
    return watts, places


@pytest.mark.parametrize("seed", range(60))
def test_the_cut_is_the_librarys(seed):
    """ruptures.Pelt, model l2, the same price: the optimum is one."""
    watts, _ = series(seed)
    price = 3 * sigma_w(watts.tolist()) ** 2 * np.log(len(watts))

    theirs = ruptures.Pelt(model="l2", min_size=2, jump=1).fit(watts).predict(pen=price)[:-1]
    assert cuts(watts.tolist(), price) == theirs


def test_steps_over_three_times_the_noise_are_where_the_library_has_them_to_within_a_sample():
    """ruptures.Dynp (dynamic programming), told how many there are, is the other opinion; the truth is the third."""
    total = found = near = 0
    for seed in range(100, 200):
        watts, places = series(seed, least=5.0)
        if not places:
            continue
        theirs = ruptures.Dynp(model="l2", min_size=2, jump=1).fit(watts).predict(n_bkps=len(places))[:-1]
        ours = [shift.at for shift in shifts(watts.tolist(), sigma_w(watts.tolist()))]
        total += len(places)
        found += sum(any(abs(at - place) <= 1 for at in ours) for place in places)
        near += sum(any(abs(at - other) <= 1 for at in ours) for other in theirs)

    assert total > 150
    assert found >= 0.98 * total
    assert near >= 0.98 * total


def test_noise_alone_seldom_makes_a_change():
    seen = 0
    for seed in range(200):
        watts = np.random.default_rng(seed).normal(50, 1, 60).tolist()
        seen += bool(shifts(watts, sigma_w(watts)))

    assert seen <= 10


def test_the_noise_of_a_reading_is_its_standard_deviation_whatever_steps_there_are():
    """The scale of scipy.stats.median_abs_deviation(scale="normal") of the differences, over sqrt(2)."""
    watts = np.random.default_rng(3).normal(0, 2.0, 1001)
    watts[400:] += 900
    theirs = median_abs_deviation(np.diff(watts), scale="normal") / np.sqrt(2)

    assert sigma_w(watts.tolist()) == pytest.approx(theirs, rel=1e-6)
    assert theirs == pytest.approx(2.0, rel=0.1)


@pytest.mark.parametrize("watts", [[], [5.0], [5.0, 7.0], [5.0, 9.0, 9.0]])
def test_too_little_has_no_change(watts):
    assert cuts(watts, 1.0) == []
    assert shifts(watts, sigma_w(watts)) == []


def test_a_kettle_and_a_refrigerator_step_where_the_library_says(open_data):
    """UK-DALE (CC BY 4.0, Kelly and Knottenbelt 2015), 6 s, in stretches of ten minutes: ours against ruptures'."""
    with gzip.open(open_data / "ukdale" / "2014-11-09.csv.gz", "rt") as file:
        rows = list(csv.reader(file))
    columns = {name: at for at, name in enumerate(rows[0])}
    total = same = 0
    for name in (each for each in columns if "fridge" in each or "microwave" in each):
        watts = np.array([float(row[columns[name]] or 0) for row in rows[1:]])
        for begin in range(0, len(watts) - 100, 100):
            part = watts[begin : begin + 100]
            if np.ptp(part) < 20:
                continue
            sigma = max(1.0, sigma_w(part.tolist()))
            theirs = (
                ruptures.Pelt(model="l2", min_size=2, jump=1).fit(part).predict(pen=3 * sigma**2 * np.log(100))[:-1]
            )
            edges = [0, *theirs, len(part)]
            clear = [
                at for before, at, after in zip(edges[:-2], edges[1:-1], edges[2:], strict=True)
                if abs(np.median(part[at:after]) - np.median(part[before:at])) > 3 * sigma
            ]  # fmt: skip
            ours = [shift.at for shift in shifts(part.tolist(), sigma)]
            total += len(clear)
            same += sum(any(abs(at - each) <= 1 for each in ours) for at in clear)

    assert total > 50
    assert same == total
