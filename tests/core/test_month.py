"""Some simulated days with their truth: what is told is true, what is true is told, nothing is said of people unheard.

The same code as tools/month, which judges whole months of several seeds.
"""

from datetime import date

import pytest

from judge_month import judge, table
from simulated.score import total


def test_what_was_forgotten_is_told_and_nothing_else():
    """Five days around the end of summer time, with restarts, silent meters, late and flapping phones."""
    verdict = judge(10, 5, "known", date(2026, 10, 21))

    found = total(list(verdict.scores.values()))
    assert len(found.found) >= 12
    assert found.missed == []
    assert found.false == []
    assert verdict.told.false == 0
    assert verdict.told.untold == 0
    assert max(verdict.told.normal) <= 2
    assert "nobody home" in table([verdict])


@pytest.mark.parametrize("presence", ["none", "stale"])
def test_while_nobody_knows_who_is_home_rules_of_occupancy_say_nothing(presence):
    verdict = judge(36, 3, presence, date(2026, 10, 23))

    assert verdict.scores["nobody-home"].missed  # there was something to tell
    assert verdict.of_occupancy == (0, 0)
