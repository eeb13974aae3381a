"""The house's time: it runs fast, and its wall clock can be set by others while the daemon reads it."""

from __future__ import annotations

import mmap
import struct
import time
from pathlib import Path

FACTOR = 600
"""House seconds in a second: hours pass in a run of some seconds."""
_LAYOUT = struct.Struct("<qqqq")  # the house's begin in ms, our monotonic ns of it, how far the wall is off, the factor


class HouseClock:
    """The daemon's clock, and the harness's own view of the same time. It lies in a file that both map.

    It is `wattround.clock.Clock`; what `set_wrong` says is seen by the daemon at its next look.
    """

    def __init__(self, file: Path) -> None:
        with file.open("r+b") as opened:
            self._map = mmap.mmap(opened.fileno(), _LAYOUT.size)
        self.begin_ms, self._zero_ns, _, self._factor = _LAYOUT.unpack(self._map)

    @classmethod
    def make(cls, file: Path, begin_ms: int, factor: int = FACTOR) -> HouseClock:
        """A clock that shows `begin_ms` now, and is right."""
        file.write_bytes(_LAYOUT.pack(begin_ms, time.monotonic_ns(), 0, factor))
        return cls(file)

    def mono_ms(self) -> int:
        """House milliseconds since the begin."""
        return (time.monotonic_ns() - self._zero_ns) * self._factor // 1_000_000

    def wall_ms(self) -> int:
        """What the house's wall clock shows."""
        return self.true_ms() + int(_LAYOUT.unpack(self._map)[2])

    def true_ms(self) -> int:
        """What it would show if it were right."""
        return self.begin_ms + self.mono_ms()

    def set_wrong(self, by_ms: int) -> None:
        """Set the wall clock: so many milliseconds ahead of the truth, 0 to set it right."""
        struct.pack_into("<q", self._map, 16, by_ms)
