"""Off at times: all that a load took then is saved."""

from __future__ import annotations

from dataclasses import dataclass

from wattround.analysis.whatif.cautions import HEAT, KEEP_ON, MADE_UP
from wattround.analysis.whatif.change import Effect, Variant
from wattround.analysis.whatif.load import Load, Stretch


@dataclass(frozen=True, slots=True)
class Off:
    """A load is off in these stretches; `when` as in "from bedtime to rising"."""

    stretches: tuple[Stretch, ...]
    when: str
    notes: tuple[str, ...] = ()
    cautions: tuple[str, ...] = (KEEP_ON, MADE_UP, HEAT)

    @property
    def title(self) -> str:
        """What would have been."""
        return f"off {self.when}"

    def variants(self, load: Load) -> list[Variant]:
        """Without what it took then, in use or not."""
        effect = Effect.none(load)
        for first, last in load.places(self.stretches):
            effect.less[first:last] = load.taken_uwh[first:last]
        return [Variant("", effect, self.notes)]
