"""Pictures of a proof: energy against temperature with both periods' models, and what was avoided as it added up."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import NamedTuple
from zoneinfo import ZoneInfo

import numpy as np

from wattround.analysis.proof.answer import Evidence
from wattround.analysis.proof.data import Floats, Frame
from wattround.analysis.proof.estimate import Comparison, mixed
from wattround.analysis.proof.terms import design
from wattround.metering.localtime import instant_ms
from wattround.pictures.chart import Axis, Chart, Mark, even_axis
from wattround.pictures.grain import Days, day_ticks

GRID = 60
BAND_POINTS = 24
MOST_TICKS = 9


class Grown(NamedTuple):
    """Avoided energy in Wh from the first reporting day to each of some days, with its interval."""

    days: Sequence[date]
    value_wh: Floats
    low_wh: Floats
    high_wh: Floats


def by_weather(name: str, evidence: Evidence) -> str | None:
    """Days as dots, hollow before and full after; the model of each period as a line. None without temperatures."""
    compared = evidence.comparison
    temperature = compared.frame.temperature_c
    if temperature is None:
        return None
    kwh, after = compared.frame.energy_wh / 1000, compared.after
    chart = Chart(
        even_axis(list(temperature), "outdoor temperature, °C"), even_axis(list(kwh), "kWh a day", from_zero=True)
    )
    for chosen, dashed in ((~after, False), (after, True)):
        chart.dots(list(temperature[chosen]), list(kwh[chosen]), hollow=not dashed)
        grid = np.linspace(temperature[chosen].min(), temperature[chosen].max(), GRID)
        chart.line(list(grid), list(_model(compared, grid, after=dashed) / 1000), dashed=dashed)
    before, since = (float(kwh[chosen].mean()) for chosen in (~after, after))
    says = (
        f"{int((~after).sum())} days before, {before:.2f} kWh a day in the mean, as hollow dots with a solid line;"
        f" {int(after.sum())} days after, {since:.2f} kWh, as full dots with a broken line"
    )
    return chart.drawing.svg(name, "Energy of each day against outdoor temperature", says)


def _model(compared: Comparison, grid: Floats, *, after: bool) -> Floats:
    """The chosen model with a period's own coefficients, over a week's mean, at some temperatures."""
    frame, spec = compared.frame, compared.found.chosen
    chosen = compared.after if after else ~compared.after
    coefficients = np.linalg.pinv(design(spec, frame, compared.centres)[chosen]) @ frame.energy_wh[chosen]
    pooled = frame.further[chosen].mean(axis=0)
    count = 7 * len(grid)
    usual = Frame(
        np.resize(np.arange(1.0, 8.0), count), np.zeros(count), np.repeat(grid, 7),
        np.broadcast_to(pooled, (count, len(pooled))), frame.names,
    )  # fmt: skip
    made: Floats = (design(spec, usual, compared.centres) @ coefficients).reshape(len(grid), 7).mean(axis=1)
    return made


def grown(evidence: Evidence) -> Grown:
    """How avoided energy added up; the interval's width is that of the chosen model."""
    compared, level = evidence.comparison, evidence.avoided_wh_per_day.level
    frame, after = compared.frame, compared.after
    inside = np.flatnonzero(after)
    columns = design(compared.found.chosen, frame, compared.centres)
    solver = np.linalg.pinv(columns[~after])
    sums = np.cumsum((compared.expected_wh - frame.energy_wh)[after])
    ends = np.unique(np.linspace(1, len(inside), min(BAND_POINTS, len(inside))).round().astype(int))
    low, high = [], []
    for end in ends:
        contrast = np.zeros((len(frame), 1))
        contrast[~after, 0] = columns[inside[:end]].sum(axis=0) @ solver
        contrast[inside[:end], 0] = -1.0
        found = mixed(contrast, frame, compared.noise, np.ones(1)).estimate(level)
        low.append(sums[end - 1] + found.low - found.value)
        high.append(sums[end - 1] + found.high - found.value)
    days = [date.fromordinal(int(frame.ordinal[inside[end - 1]])) for end in ends]
    return Grown(days, sums[ends - 1], np.array(low), np.array(high))


def adding_up(name: str, evidence: Evidence, zone: ZoneInfo) -> str:
    """Avoided energy since the change, with its band."""
    found = grown(evidence)
    xs = [float(day.toordinal()) for day in found.days]
    lines = [found.value_wh / 1000, found.low_wh / 1000, found.high_wh / 1000]
    up = even_axis([float(each) for line in lines for each in line], "kWh avoided until then", from_zero=True)
    chart = Chart(days_axis(found.days, zone), up)
    chart.band(xs, list(lines[1]), list(lines[2]))
    chart.line(xs, list(lines[0]))
    last = f"{lines[0][-1]:.1f} kWh, between {lines[1][-1]:.1f} and {lines[2][-1]:.1f}"
    return chart.drawing.svg(name, "Avoided energy as it added up", f"by {found.days[-1]}: {last}")


def over_time(name: str, evidence: Evidence, zone: ZoneInfo) -> str:
    """Each day's energy as a dot, hollow before and full after, with what was expected as a line."""
    series = evidence.series
    xs = [float(day.toordinal()) for day in series.days]
    measured, expected = series.measured_wh / 1000, series.expected_wh / 1000
    chart = Chart(days_axis(series.days, zone), even_axis([*measured, *expected], "kWh a day", from_zero=True))
    chart.line(xs, list(expected))
    for chosen, hollow in ((~series.after, True), (series.after, False)):
        at = [xs[index] for index in np.flatnonzero(chosen)]
        chart.dots(at, list(measured[chosen]), hollow=hollow)
    says = "hollow dots before the change, full ones after; the line is what the days before led to expect"
    return chart.drawing.svg(name, "Energy of each day", says)


def days_axis(days: Sequence[date], zone: ZoneInfo) -> Axis:
    """An axis from the first of some days to the last, by their ordinals."""
    first_ms, last_ms = instant_ms(days[0], 0, zone), instant_ms(days[-1], 0, zone)
    found = Days.of(first_ms, last_ms + 1, zone)
    by_edge = dict(zip(found.edges, found.days, strict=False))
    marks = [Mark(float(by_edge[tick.at_ms].toordinal()), tick.label) for tick in day_ticks(found, MOST_TICKS)]
    low, high = float(days[0].toordinal()), float(days[-1].toordinal())
    return Axis(low, max(high, low + 1), marks, "")
