"""The house's saved state through the ages: what an older wattround wrote, in today's form."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

FORMAT = 2
_CLOSED_SUMS_AT = 12


def upgraded(state: Mapping[str, Any]) -> Mapping[str, Any]:
    """A saved state as `HouseCore.restore` expects it."""
    if state.get("format") == FORMAT:
        return state
    # format 1: meters without sums of closed minutes, rules by name, no signals, no manners
    meters = {name: [*plain[:_CLOSED_SUMS_AT], 0.0, 0.0, *plain[_CLOSED_SUMS_AT:]] for name, plain in
              state["meters"].items()}  # fmt: skip
    runs = [{"rule": name, **run} for name, run in state["rules"].items()]
    return {
        "meters": meters,
        "rules": {"runs": runs, "loads": {}},
        "hearsay": {"presence": state["presence"], "signals": {}},
        "manners": {"ref": 0, "hushes": [], "open": [], "channels": {}},
        "patterns": state["patterns"],
        "format": FORMAT,
    }
