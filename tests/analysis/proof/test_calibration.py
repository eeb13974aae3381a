"""A small seeded version of tools/calibrate: simulated households whose true effects are known.

Bounds are those of the binomial distribution: what the tool shows on thousands (88 to 92 % covered, at most 10 % claimed
where there is nothing) stays within them on some hundred by all but bad luck, which the seed excludes.
"""

import pytest
from scipy.stats import binom
from threadpoolctl import threadpool_limits

from calibrate_proof import (
    BY_TEST,
    CLAIMED,
    FALSE_ALARM,
    FORMULA,
    FOUND,
    INTERVAL,
    NOTICED,
    SECOND,
    TOO_LITTLE,
    YEARLY,
    compared,
    tried,
    watched,
)
from simulated.loads import KINDS

EACH = 16
pytestmark = pytest.mark.timeout(600)  # some seconds of work, on a machine that may be busy


def asked(answers, question):
    return [each[question] for each in answers if question in each]


def at_least(values, share):
    """Whether so many successes are not refuted at one in a thousand."""
    return binom.cdf(sum(values), len(values), share) > 1e-3


def at_most(values, share):
    return binom.sf(sum(values) - 1, len(values), share) > 1e-3


@pytest.fixture(scope="module", autouse=True)
def one_thread():
    """The matrices are small: threads for them only wait for each other."""
    with threadpool_limits(1):
        yield


@pytest.fixture(scope="module")
def proofs():
    return {kind: [compared((5, kind, at)) for at in range(EACH)] for kind in KINDS}


@pytest.mark.parametrize("kind", KINDS)
def test_intervals_cover_the_truth_for_each_kind_of_load(proofs, kind):
    assert at_least(asked(proofs[kind], INTERVAL), 0.88)


def test_intervals_are_not_wider_than_they_need_to_be(proofs):
    covered = [each for kind in KINDS for each in asked(proofs[kind], INTERVAL)]
    assert at_most(covered, 0.92)
    formula = [each for kind in KINDS for each in asked(proofs[kind], FORMULA)]
    assert sum(formula) < sum(covered)


def test_hardly_anything_is_claimed_where_nothing_was_saved_and_much_where_something_was(proofs):
    none = [each for kind in KINDS for each in asked(proofs[kind], CLAIMED)]
    some = [each for kind in KINDS for each in asked(proofs[kind], FOUND)]
    assert at_most(none, 0.1)
    assert sum(some) > len(some) / 2


def test_most_households_get_an_answer(proofs):
    refused = [each for kind in KINDS for each in asked(proofs[kind], TOO_LITTLE)]
    assert sum(refused) < len(refused) / 4
    yearly = [each for kind in KINDS for each in asked(proofs[kind], YEARLY)]
    assert len(yearly) > len(refused) / 4
    assert at_least(yearly, 0.9)


def test_trials_cover_the_truth_both_ways():
    answers = [tried((5, kind, at)) for kind in KINDS for at in range(8)]
    assert at_least(asked(answers, INTERVAL), 0.9)
    assert at_least(asked(answers, SECOND), 0.88)
    assert at_most(asked(answers, BY_TEST), 0.1)


def test_the_wear_off_rule_mostly_keeps_still_and_mostly_notices():
    answers = [watched((5, kind, at)) for kind in KINDS for at in range(8)]
    assert at_most(asked(answers, FALSE_ALARM), 0.1)
    noticed = asked(answers, NOTICED)
    assert len(noticed) > 20
    assert sum(noticed) > 0.8 * len(noticed)
