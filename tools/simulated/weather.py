"""Daily mean outdoor temperatures for simulations: a real series shifted and mixed by blocks, or a seeded generator."""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
YEAR_DAYS = 365
BLOCK_DAYS = 30
"""Long enough to keep spells of weather, short enough to make many years of four."""
SHIFT_DAYS = 10


@cache
def real_series_c() -> Floats:
    """Seattle 2012 to 2015, (maximum + minimum)/2, in degrees Celsius; from NOAA, as vega_datasets ships it."""
    from vega_datasets import local_data

    table = local_data.seattle_weather()
    return ((table["temp_max"] + table["temp_min"]) / 2).to_numpy(dtype=float)


def resampled_c(random: np.random.Generator, first_day_of_year: int, days: int) -> Floats:
    """Blocks of the real series from the same weeks of a random year, in a random climate: warmer or wider."""
    series = real_series_c()
    years = len(series) // YEAR_DAYS
    pieces = []
    for begin in range(0, days, BLOCK_DAYS):
        shift = int(random.integers(-SHIFT_DAYS, SHIFT_DAYS + 1))
        at = (first_day_of_year + begin + shift) % YEAR_DAYS + YEAR_DAYS * int(random.integers(years))
        pieces.append(series[np.arange(at, at + BLOCK_DAYS) % len(series)])
    drawn = np.concatenate(pieces)[:days]
    mean = float(series.mean())
    return mean + random.uniform(-2, 7) + (drawn - mean) * random.uniform(0.9, 1.4)


def generated_c(random: np.random.Generator, first_day_of_year: int, days: int) -> Floats:
    """A yearly wave and a first-order autoregression around it, whose spells last some days."""
    day = first_day_of_year + np.arange(days)
    wave = random.uniform(7, 17) - random.uniform(6, 12) * np.cos(2 * np.pi * (day - 20) / YEAR_DAYS)
    return wave + lingering(random, days, random.uniform(0.6, 0.8)) * random.uniform(2, 4)


def weather_c(random: np.random.Generator, first_day_of_year: int, days: int) -> Floats:
    """One of the two, at even odds."""
    make = resampled_c if random.random() < 0.5 else generated_c
    return make(random, first_day_of_year, days)


def lingering(random: np.random.Generator, days: int, phi: float) -> Floats:
    """A stationary first-order autoregression of unit variance, of so many days."""
    from scipy.signal import lfilter

    shocks = random.standard_normal(days) * np.sqrt(1 - phi * phi)
    shocks[0] /= np.sqrt(1 - phi * phi)
    made: Floats = lfilter([1.0], [1.0, -phi], shocks)
    return made
