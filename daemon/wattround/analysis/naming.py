"""What to say to somebody who named a load that is none."""

from __future__ import annotations

from collections.abc import Mapping
from difflib import get_close_matches

from wattround.config.model import Meter

LOADS = ("circuit", "appliance")
"""Roles of meters that are loads."""


def no_load(name: str, meters: Mapping[str, Meter]) -> str:
    """What was found and what was expected, for a name that no load has; nothing for one that a load has."""
    loads = [each for each, meter in meters.items() if meter.role in LOADS]
    if name in loads:
        return ""
    if name in meters:
        return f'"{name}" is a {meters[name].role}, not a load'
    near = get_close_matches(name, loads, 1)
    hint = f" (did you mean {near[0]}?)" if near else f"; its loads are {', '.join(sorted(loads)) or 'none yet'}"
    return f'found "{name}"; expected the name of a load of this house{hint}'
