"""Commands about the ledger's file: ledger backup, ledger restore."""

from __future__ import annotations

import time
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from wattround.cli.common import DEFAULT_FILE, ByName, give_up, settings_of, told

if TYPE_CHECKING:
    from wattround.config.model import Settings
    from wattround.ledger.backup import Contents

commands = typer.Typer(no_args_is_help=True)
Copy = Annotated[Path, typer.Argument(metavar="FILE", help="The copy, one file.")]


@commands.command("backup")
def ledger_backup(copy: Copy, file: ByName = DEFAULT_FILE) -> None:
    """Copy the whole ledger to a new file, also while the daemon runs: everything as of one moment."""
    from wattround.ledger.backup import back_up

    settings = settings_of(file)
    with told():
        try:
            contents = back_up(Path(settings.ledger.folder), copy)
        except OSError as trouble:
            raise give_up(trouble) from None
        print(f"{copy}: {_contents_text(contents, settings)}")


@commands.command("restore")
def ledger_restore(copy: Copy, file: ByName = DEFAULT_FILE) -> None:
    """Make a copy the ledger again. The daemon must be stopped; the ledger that is there is kept beside it."""
    from wattround.ledger.backup import put_back

    settings = settings_of(file)
    folder = Path(settings.ledger.folder)
    with told():
        try:
            contents, aside = put_back(copy, folder, settings.house.id, time.time_ns() // 1_000_000)
        except OSError as trouble:
            raise give_up(trouble) from None
        print(f"{folder}: now {_contents_text(contents, settings)}")
        if aside is not None:
            print(f"The ledger that was there is kept as {aside}.")
        if contents.waiting:
            print(
                f"{contents.waiting} messages had not been sent when it was copied: they will be, once more if need be."
            )
        print("Start the daemon: it goes on from there. Counters remember what was used since; watts do not.")


def _contents_text(contents: Contents, settings: Settings) -> str:
    """What a copy holds, for a person."""
    from datetime import UTC, datetime
    from zoneinfo import ZoneInfo

    zone = ZoneInfo(settings.house.time_zone)

    def local(seconds: int) -> datetime:
        return datetime.fromtimestamp(seconds, UTC).astimezone(zone)

    span = ""
    if contents.first_minute is not None and contents.end_minute is not None:
        days = (local(contents.first_minute * 60), local(contents.end_minute * 60 - 60))
        span = f", minutes of {days[0]:%Y-%m-%d} to {days[1]:%Y-%m-%d}"
    return (
        f"the ledger of {contents.house} as of {local(contents.saved_ms // 1000):%Y-%m-%d %H:%M}:"
        f" {contents.meters} meters{span}, {contents.size_bytes / 1e6:.1f} MB"
    )
