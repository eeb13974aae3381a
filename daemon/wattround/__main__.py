"""`wattround` on the command line. `run` is handled here, so that the daemon never imports the terminal's libraries."""

from __future__ import annotations

import sys


def main() -> None:
    """Entry point."""
    arguments = sys.argv[1:]
    if arguments[:1] == ["run"] and len(arguments) == 2 and not arguments[1].startswith("-"):
        from wattround.daemon import run  # noqa: PLC0415

        run(arguments[1])
    else:
        from wattround.cli.app import app  # noqa: PLC0415

        app()


if __name__ == "__main__":
    main()
