"""Another device: one of known watts with the same hours of use, or one with a label."""

from __future__ import annotations

from dataclasses import dataclass

from wattround.analysis.whatif.cautions import HEAT, LABEL
from wattround.analysis.whatif.change import Effect, Variant
from wattround.analysis.whatif.load import Load
from wattround.analysis.whatif.yearly import YEAR_MS
from wattround.metering.minute import WMS_PER_UWH


@dataclass(frozen=True, slots=True)
class Replace:
    """A device that draws so many watts in use, and so many at rest (None: as many as this one)."""

    watts: float
    standby_watts: float | None = None
    cautions: tuple[str, ...] = (HEAT,)

    @property
    def title(self) -> str:
        """What would have been."""
        rest = "" if self.standby_watts is None else f", {self.standby_watts:g} W at rest"
        return f"replaced by one that draws {self.watts:g} W{rest}"

    def variants(self, load: Load) -> list[Variant]:
        """In use for as long as this one was, at the same times. Time of which the watts are not known stays."""
        effect = Effect.none(load)
        for place, heard_ms in enumerate(load.heard_ms):
            if heard_ms:
                running_ms = load.running_ms[place]
                new = self.watts * running_ms / WMS_PER_UWH
                if self.standby_watts is None:
                    new += load.taken_uwh[place] - load.used_uwh[place]
                else:
                    new += self.standby_watts * (heard_ms - running_ms) / WMS_PER_UWH
                _change(effect, place, load.taken_uwh[place], round(new))
        return [Variant("", effect)]


@dataclass(frozen=True, slots=True)
class Labelled:
    """A device that takes so many kilowatt-hours a year, at the times at which this one does."""

    kwh_per_year: float
    cautions: tuple[str, ...] = (LABEL, HEAT)

    @property
    def title(self) -> str:
        """What would have been."""
        return f"replaced by one of {self.kwh_per_year:g} kWh a year"

    def variants(self, load: Load) -> list[Variant]:
        """The label's energy of the time covered, in proportion to what this load took; evenly if that is nothing."""
        effect, covered_ms = Effect.none(load), sum(load.covered_ms)
        label_uwh = self.kwh_per_year * 1e9 * covered_ms / YEAR_MS
        weights = load.taken_uwh if any(load.taken_uwh) else load.covered_ms
        whole, had, given = sum(weights), 0, 0
        for place, weight in enumerate(weights):
            if weight:
                had += weight
                new = round(label_uwh * had / whole) - given
                given += new
                _change(effect, place, load.taken_uwh[place], new)
        return [Variant("", effect)]


def _change(effect: Effect, place: int, old_uwh: int, new_uwh: int) -> None:
    effect.less[place], effect.more[place] = max(0, old_uwh - new_uwh), max(0, new_uwh - old_uwh)
