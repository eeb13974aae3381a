"""A slower pump: the affinity laws, for the same hours and for the same volume.

Flow goes with the speed, power with its cube where there is no static head; with one, in practice, with something
between the square and the cube (common practice, no source). So for the same hours the energy in use goes with the
speed to the power of 3 (or 2); for the same volume the hours go with 1 / speed, and the energy to the power of 2 (1).
"""

from __future__ import annotations

from dataclasses import dataclass

from wattround.analysis.whatif.cautions import HEAT, PUMP
from wattround.analysis.whatif.change import Effect, Variant
from wattround.analysis.whatif.load import Load

EXPONENTS = {"no static head": 3, "some static head": 2}


@dataclass(frozen=True, slots=True)
class Slow:
    """A pump runs at this share of its speed; 0 < ratio < 1."""

    ratio: float
    stated: str
    cautions: tuple[str, ...] = (PUMP, HEAT)

    @property
    def title(self) -> str:
        """What would have been."""
        return f"slowed {self.stated}"

    def variants(self, load: Load) -> list[Variant]:
        """Each answer with and without a static head."""
        same_hours = [
            Variant(f"same hours, {head}", self._same_hours(load, exponent)) for head, exponent in EXPONENTS.items()
        ]
        return same_hours + [self._same_volume(load, exponent, head) for head, exponent in EXPONENTS.items()]

    def _same_hours(self, load: Load, exponent: int) -> Effect:
        effect, stays = Effect.none(load), self.ratio**exponent
        for place, used in enumerate(load.used_uwh):
            if used:
                effect.less[place] = used - round(used * stays)
        return effect

    def _same_volume(self, load: Load, exponent: int, head: str) -> Variant:
        """Each run goes on for longer, wherever the pump was not running anyway; `owed` is what it still has to do."""
        effect = self._same_hours(load, exponent)
        longer = 1 / self.ratio - 1
        owed_ms, owed_uwh = 0.0, 0.0
        for place, (used, running_ms) in enumerate(zip(load.used_uwh, load.running_ms, strict=True)):
            if running_ms:
                owed_ms += running_ms * longer
                owed_uwh += (used - effect.less[place]) * longer
            elif owed_ms > 0 and load.covered_ms[place]:
                lasting_ms = min(owed_ms, load.covered_ms[place])
                effect.more[place] = round(owed_uwh * lasting_ms / owed_ms)
                owed_uwh -= owed_uwh * lasting_ms / owed_ms
                owed_ms -= lasting_ms
        notes: tuple[str, ...] = ()
        short = owed_ms / (sum(load.running_ms) * (1 + longer)) if owed_ms > 0 else 0.0
        if short >= 0.005:
            notes = (f"the volume would have been {100 * short:.0f} % short: there was no time left to run longer in",)
        return Variant(f"same volume, {head}", effect, notes)
