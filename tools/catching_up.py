"""The real daemon on a clock that begins in the past, runs fast until it has caught up, and is right from then on.

Arguments: the settings; the instant in which it begins to run, in nanoseconds of the monotonic clock; how far it is behind
then, and how long it takes to catch up, both in seconds; a file for how late this machine was at most, in seconds.
"""

from __future__ import annotations

import sys
import threading
import time
from dataclasses import dataclass
from pathlib import Path

from wattround.daemon import run

BEAT_S = 0.02


@dataclass(frozen=True)
class CatchingUp:
    """Behind by so much at `zero_ns`, right after `for_s`; never goes backwards."""

    zero_ns: int
    behind_s: float
    for_s: float

    def wall_ms(self) -> int:
        """Milliseconds since the epoch."""
        left = min(1.0, 1 - (time.monotonic_ns() - self.zero_ns) / 1e9 / self.for_s)
        return time.time_ns() // 1_000_000 - round(1000 * self.behind_s * max(0.0, left))

    def mono_ms(self) -> int:
        """The same, of a clock that nobody sets."""
        passed_s = (time.monotonic_ns() - self.zero_ns) / 1e9
        return round(1000 * (passed_s + self.behind_s * min(1.0, max(0.0, passed_s / self.for_s))))


def note_lateness(file: Path) -> None:
    """How much later than it should a thread beside the daemon's wakes: what is late for it is late for them."""
    most_s, due_s = 0.0, time.monotonic()
    while True:
        due_s += BEAT_S
        time.sleep(max(0.0, due_s - time.monotonic()))
        late_s = time.monotonic() - due_s
        due_s += late_s
        if late_s > most_s + 0.01:
            most_s = late_s
            file.write_text(f"{most_s:.3f}")


if __name__ == "__main__":
    threading.Thread(target=note_lateness, args=(Path(sys.argv[5]),), daemon=True).start()
    run(sys.argv[1], CatchingUp(int(sys.argv[2]), float(sys.argv[3]), float(sys.argv[4])))
