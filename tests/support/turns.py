"""Houses of a known truth whose loads go on and off in turns."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wattround.analysis.proof.alternating import draw
from wattround.core.trial import Trial

Floats = NDArray[np.float64]


def degrees_c(days: Sequence[date], rng: np.random.Generator) -> Floats:
    """A year between 1 and 21 degrees, with the weather's own ups and downs."""
    of_year = np.array([day.timetuple().tm_yday for day in days])
    return 11 - 10 * np.cos(2 * np.pi * (of_year - 15) / 365) + rng.normal(0, 3, len(days))


def lasting(count: int, rng: np.random.Generator, sigma: float, share: float = 0.4) -> Floats:
    """Deviations that stay for some days (a first-order autoregression)."""
    found = np.zeros(count)
    for at in range(1, count):
        found[at] = share * found[at - 1] + rng.normal(0, sigma)
    return found


def entry(
    name: str,
    on: str,
    first: date,
    blocks: int,
    *,
    unit_days: int = 1,
    block_units: int = 2,
    seed: int = 1,
    **more: Any,
) -> dict[str, Any]:
    """A trial as it stands in the book, drawn on the day before its first."""
    order = draw(first, blocks, unit_days=unit_days, block_units=block_units, seed=seed).on
    return {
        "name": name, "on": [on], "from": f"{first}", "unit_days": unit_days, "block_units": block_units, "seed": seed,
        "order": "".join("+" if each else "-" for each in order),
        "drawn": f"{first - timedelta(days=1)}T10:00:00+01:00", **more,
    }  # fmt: skip


def trial(*words: Any, **more: Any) -> Trial:
    """The same, as it is read back."""
    return Trial.model_validate(entry(*words, **more))


def on_days(of: Trial, days: Sequence[date]) -> NDArray[np.bool_]:
    """Whether the change is on, day by day."""
    return np.array([of.do(day) == "on" for day in days])
