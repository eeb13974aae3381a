"""Invented loads for tests of proofs: days with a known model, a known change, seeded noise."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np

from simulated.weather import generated_c, lingering
from wattround.analysis.proof.data import Frame, LoadHistory

FIRST = date(2024, 1, 1)


def days(count, first=FIRST):
    return [first + timedelta(days=at) for at in range(count)]


def weather(count, seed=1, first=FIRST):
    return generated_c(np.random.default_rng(seed), first.timetuple().tm_yday, count)


def frame(energy_wh, temperature_c=None, first=FIRST, **further):
    ordinal = first.toordinal() + np.arange(float(len(energy_wh)))
    columns = np.column_stack(list(further.values())) if further else np.zeros((len(energy_wh), 0))
    return Frame(ordinal, np.asarray(energy_wh, float), temperature_c, columns, tuple(further))


def noise(count, sigma_wh, seed=2, phi=0.0, share=0.0):
    random = np.random.default_rng(seed)
    lasting = lingering(random, count, phi) * np.sqrt(share)
    return sigma_wh * (lasting + random.standard_normal(count) * np.sqrt(1 - share))


def heater(count, saved_wh=0.0, at=None, sigma_wh=300.0, seed=3, temperature_c=None):
    """A heater below 15 degrees, and what a change on day `at` saves of it each day."""
    outdoor = weather(count) if temperature_c is None else temperature_c
    energy = 2000 + 400 * np.maximum(15 - outdoor, 0) + noise(count, sigma_wh, seed, 0.5, 0.3)
    if at is not None:
        energy[at:] -= saved_wh
    return LoadHistory(days(count), energy, np.ones(count), outdoor)


def steady(count, saved_wh=0.0, at=None, sigma_wh=50.0, seed=6, level_wh=1000.0, **noise_of):
    """A load that knows no weather."""
    energy = level_wh + noise(count, sigma_wh, seed, **noise_of)
    if at is not None:
        energy[at:] -= saved_wh
    return LoadHistory(days(count), energy, np.ones(count))
