"""What a household has listed of the loads on a circuit: each with its watts and how sure they are."""

from __future__ import annotations

from collections.abc import Mapping

from wattround.core.inventory import Load, hours_text, watts_text
from wattround.pictures.ink import plain

SURE = {"measured": "measured", "plate": "by its plate", "guess": "a guess", None: "not known yet"}


def within_view(loads: Mapping[int, Load], circuit: str) -> list[dict[str, str]]:
    """Those on it, the largest first."""
    mine = [load for load in loads.values() if load.circuit == circuit]
    return [_row(load) for load in sorted(mine, key=lambda load: (-(load.on_w or 0), load.name))]


def _row(load: Load) -> dict[str, str]:
    return {
        "name": plain(load.name), "room": plain(load.room), "on": watts_text(load.on_w, load.on_uncertainty_w),
        "standby": watts_text(load.standby_w, load.standby_uncertainty_w), "hours": hours_text(load),
        "how": SURE[load.how],
    }  # fmt: skip
