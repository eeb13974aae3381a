"""Repeats made one figure with an honest uncertainty; how many more are wanted."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from wattround.analysis.walk.combine import Combined, Seen, combined, more_wanted, rounded, t95


@pytest.mark.parametrize("dof", [1, 2, 3, 4, 5, 7.5, 10, 13.2, 22, 37, 60, 100, 400])
def test_the_factor_is_students(dof):
    """scipy.stats.t; the table of the GUM has two decimals, between its rows it is near."""
    assert t95(dof) == pytest.approx(stats.t.ppf(0.975, dof), rel=0.01)


def test_the_factor_without_end_is_the_normal_one():
    assert t95(float("inf")) == pytest.approx(stats.norm.ppf(0.975), abs=5e-4)


def test_the_mean_is_numpys_weighted_one_and_its_uncertainty_that_of_the_weights():
    """With scatter as the uncertainties say, s is 1 (JCGM 100:2008, 5.1.2, of a weighted mean)."""
    seen = [Seen(9.0, 1.0, 4.0), Seen(11.0, 1.0, 4.0), Seen(10.0 + 2**0.5, 2.0, 4.0)]
    found = combined(seen)
    weights = [1, 1, 0.25]

    assert found.watts == pytest.approx(np.average([each.watts for each in seen], weights=weights))
    chi2 = sum(w * (each.watts - found.watts) ** 2 for w, each in zip(weights, seen, strict=True))
    assert found.own_u_w == pytest.approx(np.sqrt((4 + chi2) / 6 / sum(weights)))
    assert found.dof == 6


@given(st.lists(st.floats(-1e4, 1e4, allow_nan=False), min_size=1, max_size=12), st.floats(0.01, 100))
def test_repeats_alike_lie_among_them_and_become_surer_with_their_number(watts, u_w):
    found = combined([Seen(each, u_w, 4.0) for each in watts])

    assert min(watts) - 1e-6 <= found.watts <= max(watts) + 1e-6
    assert found.repeats + len(found.aside) == len(watts)
    assert found.after(4 * found.repeats).own_u_w == pytest.approx(found.own_u_w / 2)


def test_the_interval_has_the_truth_in_95_of_100_cases_and_where_noise_is_understated_in_not_many_less():
    """Simulated normal noise of which only four degrees of freedom are known (numpy)."""
    random = np.random.default_rng(11)
    hits = np.zeros(2)
    for _ in range(1500):
        for at, spread in enumerate((1.0, 1.7)):
            sigma = np.sqrt(random.chisquare(4) / 4)
            found = combined([Seen(float(each), float(sigma), 4.0) for each in random.normal(0, spread, 4)])
            hits[at] += abs(found.watts) <= found.expanded_w

    assert 0.935 <= hits[0] / 1500 <= 0.99
    assert 0.85 <= hits[1] / 1500 <= 0.97


def test_one_that_does_not_agree_is_set_aside_and_of_two_that_disagree_none():
    found = combined([Seen(60.0, 1, 4), Seen(60.5, 1, 4), Seen(140.0, 1, 4), Seen(59.6, 1, 4)])
    assert found.aside == (2,)
    assert found.watts == pytest.approx(60.0, abs=0.2)

    both = combined([Seen(60.0, 1, 4), Seen(140.0, 1, 4)])
    assert both.aside == ()
    assert both.expanded_w > 40


def test_what_all_repeats_share_never_becomes_less():
    one = combined([Seen(8.0, 0.3, 4)] * 3, shared_u_w=0.4)

    assert one.after(10_000).expanded_w == pytest.approx(1.96 * 0.4, rel=0.01)


def test_how_many_more_are_wanted():
    once = combined([Seen(50.0, 2.0, 4.0)])

    assert more_wanted(once, 100.0) == 2  # three at least
    wanted = more_wanted(once, 2.0)
    assert once.after(1 + wanted).expanded_w <= 2.0 < once.after(wanted).expanded_w
    assert more_wanted(once, 0.1) is None
    assert more_wanted(combined([Seen(50.0, 0.1, 4.0)] * 3), 2.0) == 0


def test_two_added_are_as_unsure_as_both_together():
    """Welch and Satterthwaite, the worked formula of JCGM 100:2008, G.4.1, by hand: 0.5^4/(0.3^4/4 + 0.4^4/8)."""
    found = Combined(50.0, 0.3, 0.0, 4.0, 3).plus(Combined(1.0, 0.4, 0.0, 8.0, 4))

    assert found.watts == 51.0
    assert found.own_u_w == pytest.approx(0.5)
    assert found.dof == pytest.approx(0.0625 / (0.0081 / 4 + 0.0256 / 8))


@pytest.mark.parametrize(
    ("watts", "half", "shown"),
    [
        (58.123, 0.93, ("58.12", "0.93")),
        (58.123, 2.34, ("58.1", "2.4")),
        (1702.3, 12.2, ("1702", "13")),
        (0.4321, 0.012, ("0.432", "0.012")),
    ],
)
def test_figures_have_no_more_digits_than_they_deserve(watts, half, shown):
    """At most two digits of the uncertainty, rounded up (JCGM 100:2008, 7.2.6)."""
    assert rounded(watts, half) == shown
