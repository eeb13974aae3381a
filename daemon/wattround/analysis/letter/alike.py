"""What a day was to be expected to take: what days like it took in this house's own past.

Working days are compared with working days, weekends with weekends (Monday to Friday and the rest: common practice, no
source). Of those the ones with the nearest outdoor temperature count, NEAREST of them, none further off than NEAR_K;
where the temperature is not known, the last days of the same weekday.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from math import sqrt
from statistics import fmean, variance
from typing import Literal, NamedTuple

NEAREST, LEAST = 5, 3
"""Days that stand behind an expectation, and without which there is none (common practice, no source)."""
NEAR_K = 3.0
YEAR = timedelta(days=365)
WEEKEND = 5

Figures = Mapping[date, float]


class Expected(NamedTuple):
    """Of one day: mean and variance (n - 1) of days like it, in Wh; which days they are, and how they are alike."""

    mean_wh: float
    variance_wh2: float
    like: Sequence[date]
    by: Literal["temperature", "weekday"]


class Week(NamedTuple):
    """Of those days that were heard and of which something was expected: what they took, and what was expected.

    `scatter_wh`: a standard deviation of their difference, days taken as independent. `like`: all days behind it.
    """

    days: Sequence[date]
    took_wh: float
    expected_wh: float
    scatter_wh: float
    like: int
    by_weekday: Sequence[date]


def expected(day: date, before: date, took_wh: Figures, outdoor_c: Figures) -> Expected | None:
    """What `day` was to be expected to take, by days of the year before `before`; None if too few are alike."""
    working = _is_working(day)
    known = [each for each in took_wh if before - YEAR <= each < before and _is_working(each) == working]
    if day in outdoor_c:
        off_k = {each: abs(outdoor_c[each] - outdoor_c[day]) for each in known if each in outdoor_c}
        near = [each for each in off_k if off_k[each] <= NEAR_K]
        near.sort(key=lambda each: (off_k[each], before - each))
        if len(near) >= LEAST:
            return _mean(near[:NEAREST], took_wh, "temperature")
    same = sorted((each for each in known if each.weekday() == day.weekday()), reverse=True)
    return _mean(same[:NEAREST], took_wh, "weekday") if len(same) >= LEAST else None


def week(days: Sequence[date], before: date, took_wh: Figures, outdoor_c: Figures) -> Week | None:
    """The same of several days together; None if nothing can be said of any."""
    found = {day: expected(day, before, took_wh, outdoor_c) for day in days if day in took_wh}
    told = {day: each for day, each in found.items() if each is not None}
    if not told:
        return None
    # a new day scatters as those behind it do, and their mean is off by a part of that
    spread = sum(each.variance_wh2 * (1 + 1 / len(each.like)) for each in told.values())
    return Week(
        list(told), sum(took_wh[day] for day in told), sum(each.mean_wh for each in told.values()), sqrt(spread),
        len({like for each in told.values() for like in each.like}),
        [day for day, each in told.items() if each.by == "weekday"],
    )  # fmt: skip


def _is_working(day: date) -> bool:
    return day.weekday() < WEEKEND


def _mean(like: Sequence[date], took_wh: Figures, by: Literal["temperature", "weekday"]) -> Expected:
    values = [took_wh[day] for day in like]
    return Expected(fmean(values), variance(values), like, by)
