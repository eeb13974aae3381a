"""Commands about the archive."""

from __future__ import annotations

import json
import sys
from datetime import date
from pathlib import Path
from typing import Annotated

import typer

from wattround.cli.common import DEFAULT_FILE, File, give_up, settings_of
from wattround.config.model import Settings

commands = typer.Typer()


def _with_archive(file: Path) -> tuple[Settings, Path]:
    settings = settings_of(file)
    if settings.archive is None:
        print(f"{file}: no [archive] is configured", file=sys.stderr)
        raise typer.Exit(1)
    return settings, Path(settings.ledger.folder)


@commands.command("status")
def archive_status(file: File = DEFAULT_FILE, as_json: Annotated[bool, typer.Option("--json")] = False) -> None:
    """Say how far the archive has got, what waits, and what is wrong."""
    from wattround.cli.archive import status, status_text

    settings, folder = _with_archive(file)
    try:
        facts = status(settings, folder)
    except Exception as trouble:  # noqa: BLE001 - shown to the person
        raise give_up(trouble) from None
    print(json.dumps(facts) if as_json else status_text(facts, settings))


@commands.command("refill")
def archive_refill(
    file: File = DEFAULT_FILE,
    begin: Annotated[str, typer.Option("--from", help="The first day to ship again, as 2026-03-01.")] = "",
) -> None:
    """Ship everything from a day on again, for an archive that was emptied or lost rows."""
    from wattround.cli.archive import refill

    settings, folder = _with_archive(file)
    try:
        day = date.fromisoformat(begin)
    except ValueError:
        print(f'--from: found "{begin}"; expected a day such as 2026-03-01', file=sys.stderr)
        raise typer.Exit(2) from None
    try:
        print(refill(settings, folder, day))
    except Exception as trouble:  # noqa: BLE001 - shown to the person
        raise give_up(trouble) from None
