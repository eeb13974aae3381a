"""`wattround` on the command line. `run` is handled here, so that the daemon never imports the terminal's libraries."""

from __future__ import annotations

import signal
import sys


def lean() -> None:
    """Keep structlog from bringing in what happens to be installed: 7 MB for tracebacks that a daemon never shows."""
    for name in ("rich", "greenlet"):
        sys.modules[name] = None  # type: ignore[assignment] # Python's own way of saying that there is none


def main() -> None:
    """Entry point."""
    arguments = sys.argv[1:]
    if arguments[:1] == ["run"] and len(arguments) == 2 and not arguments[1].startswith("-"):
        signal.signal(signal.SIGHUP, signal.SIG_IGN)  # until the daemon heeds it; its settings are not read yet
        lean()
        from wattround.daemon import run  # noqa: PLC0415

        run(arguments[1])
    else:
        from wattround.cli.app import app  # noqa: PLC0415

        app()


if __name__ == "__main__":
    main()
