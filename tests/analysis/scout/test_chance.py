"""Chances of coincidences and what may be believed of many: against scipy."""

import random

import pytest
from scipy.stats import binom, false_discovery_control, poisson_binom

from wattround.analysis.scout.chance import believable, tail


@pytest.mark.parametrize("hits", [0, 1, 3, 7, 20])
def test_with_equal_shares_it_is_the_binomials_upper_tail(hits):
    assert tail([0.13] * 20, hits) == pytest.approx(binom.sf(hits - 1, 20, 0.13), rel=1e-10)


@pytest.mark.parametrize("seed", range(5))
def test_with_unequal_shares_it_is_the_poisson_binomials(seed):
    rng = random.Random(seed)
    shares = [rng.uniform(0.001, 0.4) for _ in range(rng.randrange(1, 120))]
    for hits in range(1, len(shares) + 1, 5):
        assert tail(shares, hits) == pytest.approx(poisson_binom.sf(hits - 1, shares), rel=1e-6, abs=1e-14)


def test_more_hits_than_trials_cannot_be():
    assert tail([0.5, 0.5], 3) == 0.0


@pytest.mark.parametrize("seed", range(8))
def test_what_is_believed_is_what_benjamini_and_yekutieli_reject(seed):
    """scipy's adjusted p-values at or below the rate."""
    rng = random.Random(seed)
    chances = [rng.random() ** rng.choice((1, 1, 9)) for _ in range(300)]
    limit = believable(chances, 0.05, len(chances))
    adjusted = false_discovery_control(chances, method="by")

    assert {at for at, chance in enumerate(chances) if chance <= limit} == {
        at for at, each in enumerate(adjusted) if each <= 0.05
    }


def test_hopeless_tests_count_too():
    assert believable([1e-4], 0.01, 1) == 1e-4
    assert believable([1e-4], 0.01, 1000) == 0.0
