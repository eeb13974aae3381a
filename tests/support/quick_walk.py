"""`wattround walk` on a clock that runs fast. Arguments: the settings, how many times as fast."""

import sys
import time
from pathlib import Path

import typer

from wattround.cli.walking import go_round
from wattround.clock import ScaledClock

if __name__ == "__main__":
    clock = ScaledClock(time.time_ns() // 1_000_000, float(sys.argv[2]), time.monotonic_ns())
    try:
        go_round(Path(sys.argv[1]), "5%", [], clock)
    except typer.Exit as end:
        sys.exit(end.exit_code)  # as the command's own main does
