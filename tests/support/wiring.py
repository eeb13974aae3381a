"""The invented houses of known wiring (`simulated.wiring`) as a ledger has them."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from simulated.wiring import Watts
from support.history import BEGIN_MINUTE
from wattround.metering.minute import Minute


def rows(minutes: Mapping[str, Watts]) -> list[Minute]:
    """Minutes of meters as rows of the ledger."""
    return [
        Minute(name, BEGIN_MINUTE + at, max(0, uwh), max(0, -uwh), 60_000, round(mean * 1000), round(mean * 1000), 1)
        for name, watts in minutes.items()
        for at, mean in enumerate(watts)
        if not np.isnan(mean)
        for uwh in (round(mean / 60 * 1e6),)
    ]
