"""Has a saving worn off? A cumulative sum over days, against a model that a proof has left behind.

Each day's energy is compared with what the proven change leads to expect. Deviations linger, so what the last days
have shown is taken off first (the innovations of a first-order autoregression with noise, by a scalar Kalman filter);
what is new is added up, less an allowance, never below zero (Page 1954). Beyond a threshold the saving has worn off.
Single days count for no more than CLIP (as in the robust schemes of Lucas and Crosier 1982): one feast is no trend.

All figures come from the analysis as plain numbers; nothing here needs more than the standard library.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from datetime import date
from math import sqrt
from typing import Any

CLIP = 3.0
"""Standard deviations."""
AWAY_SHARE = 0.05
"""Below this share of a day nobody was there all day."""
OCCUPANCY = "occupancy"
NOBODY = "nobody there"
FORGET_DAYS = 60
"""After so long without a usable day, what lingers is forgotten."""


def presence(share: float) -> dict[str, float]:
    """The regressors that an occupancy makes: that nobody was there all day, and the share of it that anybody was."""
    return {NOBODY: float(share <= AWAY_SHARE), OCCUPANCY: share}


@dataclass(frozen=True, slots=True)
class Expectation:
    """What a load uses on a day, in Wh: a sum over its weekday, its degree days and further regressors."""

    base_wh: float
    weekday_wh: tuple[float, ...]
    """What each day of the week adds, Monday first."""
    heating_c: float | None = None
    heating_wh_per_k: float = 0.0
    cooling_c: float | None = None
    cooling_wh_per_k: float = 0.0
    further_wh: tuple[tuple[str, float], ...] = ()
    """Wh for each unit of a named regressor."""
    coldest_c: float | None = None
    """Days outside what the proof has seen are not judged."""
    warmest_c: float | None = None

    def of(self, day: date, temperature_c: float | None, further: Mapping[str, float]) -> float | None:
        """Wh of a day; None where something that it depends on is not known, or beyond what was seen."""
        expected = self.base_wh + self.weekday_wh[day.weekday()]
        if self.coldest_c is not None and self.warmest_c is not None:
            if temperature_c is None or not self.coldest_c <= temperature_c <= self.warmest_c:
                return None
            if self.heating_c is not None:
                expected += self.heating_wh_per_k * max(self.heating_c - temperature_c, 0.0)
            if self.cooling_c is not None:
                expected += self.cooling_wh_per_k * max(temperature_c - self.cooling_c, 0.0)
        for name, each_wh in self.further_wh:
            if name not in further:
                return None
            expected += each_wh * further[name]
        return expected


@dataclass(frozen=True, slots=True)
class DriftRule:
    """A proven change, as its analysis left it, and when to say that it has worn off.

    `sigma_wh` and `level_wh` are above 0, `phi` and `lingering` from 0 to below 1, `proportion` from 0 to below 1.
    """

    expectation: Expectation
    sigma_wh: float
    """Standard deviation of a day of which `level_wh` is expected."""
    proportion: float
    """Share of the variance that grows with the square of what is expected."""
    level_wh: float
    phi: float
    """What lingers of a deviation from one day to the next."""
    lingering: float
    """Share of the variance that lingers."""
    allowance: float
    threshold: float

    def scatter_wh(self, expected_wh: float) -> float:
        """Standard deviation of a day, Wh."""
        grown = (max(expected_wh, 0.0) / self.level_wh) ** 2
        return self.sigma_wh * sqrt(1 - self.proportion + self.proportion * grown)

    def to_json(self) -> dict[str, Any]:
        """Plain numbers, names and lists."""
        return asdict(self)

    @classmethod
    def from_json(cls, stored: Mapping[str, Any]) -> DriftRule:
        """What `to_json` made, also after a round through JSON's text."""
        told = dict(stored["expectation"])
        told["weekday_wh"] = tuple(told["weekday_wh"])
        told["further_wh"] = tuple((name, each_wh) for name, each_wh in told["further_wh"])
        return cls(**{**stored, "expectation": Expectation(**told)})


@dataclass(frozen=True, slots=True)
class DriftState:
    """What is carried from day to day: plain numbers."""

    last_day: int | None = None
    """Proleptic Gregorian ordinal of the last usable day."""
    lingers: float = 0.0
    uncertain: float = 0.0
    surprise: float = 0.0
    """What was new on the last usable day, in standard deviations, clipped."""
    cumulated: float = 0.0
    days: int = 0
    worn_off: bool = False


def follow(
    rule: DriftRule, state: DriftState, day: date, energy_wh: float,
    temperature_c: float | None = None, further: Mapping[str, float] | None = None,
) -> DriftState:  # fmt: skip
    """The state after a covered day; unchanged where it cannot be judged, or does not come after the last."""
    expected_wh = rule.expectation.of(day, temperature_c, further or {})
    at = day.toordinal()
    if expected_wh is None or (state.last_day is not None and at <= state.last_day):
        return state
    lingers, uncertain = _predicted(rule, state, at)
    scatter_wh = rule.scatter_wh(expected_wh)
    spread = sqrt(uncertain + 1 - rule.lingering)
    surprise = max(-CLIP, min(CLIP, ((energy_wh - expected_wh) / scatter_wh - lingers) / spread))
    gain = uncertain / spread**2
    cumulated = max(0.0, state.cumulated + surprise - rule.allowance)
    return replace(
        state,
        last_day=at,
        lingers=lingers + gain * surprise * spread,
        uncertain=uncertain * (1 - gain),
        surprise=surprise,
        cumulated=cumulated,
        days=state.days + 1,
        worn_off=state.worn_off or cumulated > rule.threshold,
    )


def _predicted(rule: DriftRule, state: DriftState, at: int) -> tuple[float, float]:
    """What lingers from the last usable day, and its variance."""
    if state.last_day is None or at - state.last_day > FORGET_DAYS:
        return 0.0, rule.lingering
    kept = rule.phi ** (at - state.last_day)
    return kept * state.lingers, kept * kept * state.uncertain + (1 - kept * kept) * rule.lingering
