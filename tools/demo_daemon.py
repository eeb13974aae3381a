"""The real daemon on a clock that starts at a chosen instant and runs fast. Arguments: file, start in ms, factor."""

from __future__ import annotations

import sys
import time

from wattround.clock import ScaledClock
from wattround.daemon import run

if __name__ == "__main__":
    file, start_ms, factor, zero_ns = sys.argv[1], int(sys.argv[2]), float(sys.argv[3]), int(sys.argv[4])
    run(file, ScaledClock(start_ms, factor, zero_ns or time.monotonic_ns()))
