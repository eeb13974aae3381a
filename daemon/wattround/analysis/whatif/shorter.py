"""Shorter runs: the end of each is cut off, and the load rests instead."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from wattround.analysis.whatif.cautions import HEAT, KEEP_ON, MADE_UP
from wattround.analysis.whatif.change import Effect, Variant
from wattround.analysis.whatif.load import PAUSE_MINUTES, Load


@dataclass(frozen=True, slots=True)
class Shorter:
    """Each run is so many minutes shorter (`by`), or goes on for so many at most (`to`)."""

    how: Literal["by", "to"]
    minutes: int
    cautions: tuple[str, ...] = (KEEP_ON, MADE_UP, HEAT)

    @property
    def title(self) -> str:
        """What would have been."""
        return f"each run {self.minutes} min shorter" if self.how == "by" else f"no run longer than {self.minutes} min"

    def variants(self, load: Load) -> list[Variant]:
        """Without what was used in the minutes cut off, beyond what the load takes at rest."""
        effect, rest_w, runs, cut = Effect.none(load), load.rest_w, load.runs(), 0
        for begin, end in runs:
            first = max(begin, end - self.minutes) if self.how == "by" else begin + self.minutes
            cut += first < end
            for place in range(first, end):
                effect.less[place] = load.above_rest_uwh(place, rest_w)
        note = (
            f"{len(runs)} run{'' if len(runs) == 1 else 's'}, {cut} of them shortened; a pause of up to {PAUSE_MINUTES}"
            " minutes is within a run"
        )
        return [Variant("", effect, (note,))]
