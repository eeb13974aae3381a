"""Without its standby: what a load took while it only waited is saved."""

from __future__ import annotations

from dataclasses import dataclass

from wattround.analysis.whatif.cautions import HEAT, KEEP_ON
from wattround.analysis.whatif.change import Effect, Variant
from wattround.analysis.whatif.load import Load, Stretch


@dataclass(frozen=True, slots=True)
class NoStandby:
    """A load is cut off from the mains whenever it is on standby: at all times, or in these stretches (`when`)."""

    stretches: tuple[Stretch, ...] | None
    when: str
    cautions: tuple[str, ...] = (KEEP_ON, HEAT)

    @property
    def title(self) -> str:
        """What would have been."""
        return f"no standby {self.when}".strip()

    def variants(self, load: Load) -> list[Variant]:
        """Without what it took on standby then; what it draws while it is in use stays."""
        effect = Effect.none(load)
        everywhere = [(load.begin, load.begin + len(load))]
        for first, last in load.places(everywhere if self.stretches is None else self.stretches):
            effect.less[first:last] = load.idle_uwh[first:last]
        return [Variant("", effect)]
