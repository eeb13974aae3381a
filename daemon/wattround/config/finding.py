"""A problem before it has a line."""

from __future__ import annotations

from collections.abc import Collection
from typing import Literal, NamedTuple

from wattround.config.positions import Path
from wattround.config.problems import nearest


class Finding(NamedTuple):
    """What is wrong at a path of keys, and what would be right."""

    path: Path
    found: str
    expected: str
    hint: str = ""
    severity: Literal["error", "warning"] = "error"


def no_meter(path: Path, name: str, known: Collection[str], *, captures: bool) -> Finding:
    """An unknown meter is an error, or only doubtful where a pattern may yet capture its name."""
    if captures:
        expected = "no meter of this name yet: it works once a pattern has captured it"
        return Finding(path, f'"{name}"', expected, nearest(name, known), "warning")
    return Finding(path, f'"{name}"', "the name of a meter", nearest(name, known))
