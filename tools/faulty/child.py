"""The real daemon on the house's fast clock. Arguments: its settings, the clock's file."""

from __future__ import annotations

import signal
import sys
from pathlib import Path


def main() -> None:
    signal.signal(signal.SIGHUP, signal.SIG_IGN)  # as `wattround run` does until it heeds it
    from wattround.__main__ import lean

    lean()
    from faulty.clock import HouseClock
    from wattround.daemon import run

    quicken()
    run(sys.argv[1], HouseClock(Path(sys.argv[2])))


def quicken() -> None:
    """What waits by the machine's own clock waits shorter, as the house's clock runs faster."""
    from wattround.archive import shipper
    from wattround.ingest import broker

    broker.FIRST_WAIT_S, broker.LONGEST_WAIT_S = 0.1, 0.8
    shipper.IDLE_S, shipper.FIRST_WAIT_S, shipper.LONGEST_WAIT_S = 0.15, 0.1, 0.8


if __name__ == "__main__":
    main()
