"""Models of a load's daily energy: classes of weekdays, terms of outdoor temperature, further regressors."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from wattround.analysis.proof.data import Floats, Frame

DayClasses = Literal["all alike", "workday and weekend", "each weekday"]
Shape = Literal["none", "heating", "cooling", "degree days", "heating and cooling"]
"""No temperature; the 3-parameter heating and cooling models; heating and cooling degree days at one base; the
5-parameter change-point model (notation of ASHRAE RP-1050, CalTRACK 2.0, 3.2). With daily mean temperatures, degree
days of one kind alone are the 3-parameter model with that change point, so they are not listed twice."""

DAY_CLASSES: tuple[DayClasses, ...] = ("all alike", "workday and weekend", "each weekday")
CHANGE_POINTS: dict[Shape, int] = {"none": 0, "heating": 1, "cooling": 1, "degree days": 1, "heating and cooling": 2}
DAY_NAMES = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")


@dataclass(frozen=True)
class Spec:
    """One model: which terms, and at which change points (degrees Celsius)."""

    day_classes: DayClasses
    shape: Shape
    further: tuple[int, ...] = ()
    """Columns of `Frame.further`."""
    heating_c: float | None = None
    cooling_c: float | None = None


def heating_degrees(temperature_c: Floats, base_c: float) -> Floats:
    """Heating degree days of each day: max(base - daily mean, 0), in K·d (CalTRACK 2.0, 3.3.4.1.1)."""
    return np.maximum(base_c - temperature_c, 0.0)


def cooling_degrees(temperature_c: Floats, base_c: float) -> Floats:
    """Cooling degree days of each day: max(daily mean - base, 0), in K·d (CalTRACK 2.0, 3.3.5.1.1)."""
    return np.maximum(temperature_c - base_c, 0.0)


def class_columns(classes: DayClasses, frame: Frame) -> Floats:
    """The intercept and contrasts of weekdays, each with mean 0 over a week: the intercept is an even week's mean."""
    ones = np.ones((len(frame), 1))
    weekday = frame.weekday
    if classes == "all alike":
        return ones
    if classes == "workday and weekend":
        return np.column_stack([ones, (weekday >= 5) - 2 / 7])
    contrasts = [(weekday == each).astype(float) - (weekday == 6) for each in range(6)]
    return np.column_stack([ones, *contrasts])


def class_names(classes: DayClasses) -> tuple[str, ...]:
    """Names of the columns of `class_columns`."""
    contrasts = {"all alike": (), "workday and weekend": ("weekend",), "each weekday": DAY_NAMES[:6]}
    return ("intercept", *contrasts[classes])


def design(spec: Spec, frame: Frame, centres: Floats) -> Floats:
    """Columns of a model for each day, shape (n, p).

    Further regressors are taken from `centres`, their means over the baseline, so that the intercept is what the load
    draws with everything as usual.
    """
    parts = [class_columns(spec.day_classes, frame)]
    if spec.further:
        chosen = list(spec.further)
        parts.append(frame.further[:, chosen] - centres[chosen])
    if frame.temperature_c is not None:
        if spec.heating_c is not None:
            parts.append(heating_degrees(frame.temperature_c, spec.heating_c)[:, None])
        if spec.cooling_c is not None:
            parts.append(cooling_degrees(frame.temperature_c, spec.cooling_c)[:, None])
    return np.column_stack(parts)


def names(spec: Spec, further: tuple[str, ...]) -> tuple[str, ...]:
    """Names of the columns of `design`."""
    found = [*class_names(spec.day_classes), *(further[each] for each in spec.further)]
    found += [] if spec.heating_c is None else ["heating degree days"]
    found += [] if spec.cooling_c is None else ["cooling degree days"]
    return tuple(found)
