"""Use at another time: the same energy, in the next stretch of time that comes after it."""

from __future__ import annotations

from dataclasses import dataclass

from wattround.analysis.whatif.cautions import KEEP_ON, UNAWARE
from wattround.analysis.whatif.change import Effect, Variant, kwh
from wattround.analysis.whatif.load import Load, Stretch


@dataclass(frozen=True, slots=True)
class Move:
    """What a load was used for waits for the next of these stretches, which do not overlap, in order of time.

    Minute for minute, from the begin of the stretch on, wherever the load was not in use then anyway; what finds no
    room stays where it was, and so does what the load takes at rest.
    """

    stretches: tuple[Stretch, ...]
    when: str
    cautions: tuple[str, ...] = (KEEP_ON, UNAWARE)

    @property
    def title(self) -> str:
        """What would have been."""
        return f"its use moved to {self.when}"

    def variants(self, load: Load) -> list[Variant]:
        """As much less here as more there."""
        effect, rest_w = Effect.none(load), load.rest_w
        before, stayed = 0, 0
        for first, last in load.places(self.stretches):
            waiting = [place for place in range(before, first) if load.running_ms[place]]
            room = [place for place in range(first, last) if not load.running_ms[place]]
            for source, target in zip(waiting, room, strict=False):
                effect.less[source] = effect.more[target] = load.above_rest_uwh(source, rest_w)
            stayed += sum(load.used_uwh[place] for place in waiting[len(room) :])
            before = last
        notes = [f"{kwh(sum(effect.more))} moved, of {kwh(sum(load.used_uwh))} in use"]
        if stayed:
            notes.append(f"{kwh(stayed)} found no room in that time and stay where they were")
        return [Variant("", effect, tuple(notes), tuple(end for _, end in self.stretches))]
