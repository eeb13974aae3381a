"""What all commands share: how settings are read, how a command gives up."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date
from pathlib import Path
from typing import Annotated

import typer

from wattround.config.load import WrongSettings, load
from wattround.config.model import Settings

File = Annotated[Path, typer.Argument(help="The settings, one TOML file.")]
AsJson = Annotated[bool, typer.Option("--json", help="One JSON object, for scripts.")]
ByName = Annotated[Path, typer.Option("--file", "-f", help="The settings, one TOML file.")]
DEFAULT_FILE = Path("/etc/wattround/wattround.toml")
UNAVAILABLE = 69
"""Exit status: no daemon, no ledger (EX_UNAVAILABLE of sysexits.h)."""


def settings_of(file: Path) -> Settings:
    """The settings; a wrong file is told, and ends the command with status 78."""
    try:
        return load(file).settings
    except WrongSettings as wrong:
        print(wrong, file=sys.stderr)
        raise typer.Exit(78) from None


def counted(number: int, noun: str) -> str:
    """As people say it: 1 meter, 2 meters."""
    return f"{number} {noun}{'' if number == 1 else 's'}"


@contextmanager
def told() -> Iterator[None]:
    """Refusals end a command with status 2, a ledger that cannot be used with status 69, a full pipe with 0."""
    import sqlite3

    from wattround.ledger.opening import LedgerBusy, LedgerUnusable
    from wattround.ledger.reader import NoLedger
    from wattround.ledger.schema import NewerLedger

    try:
        yield
        sys.stdout.flush()
    except ValueError as refusal:
        print(f"wattround: {refusal}", file=sys.stderr)
        raise typer.Exit(2) from None
    except BrokenPipeError:
        raise reader_left() from None
    except (NoLedger, LedgerBusy, LedgerUnusable, NewerLedger, sqlite3.Error) as trouble:
        raise give_up(trouble) from None


def give_up(trouble: object) -> typer.Exit:
    """There is no daemon, no ledger, or it cannot be read: say so, and what to raise."""
    print(f"wattround: {trouble}", file=sys.stderr)
    return typer.Exit(UNAVAILABLE)


def reader_left() -> typer.Exit:
    """The reader of a pipe has seen enough: nothing more may be written, not even at exit."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    return typer.Exit(0)


def day_of(option: str, found: str) -> date | None:
    """The day of an option, None if it was not given."""
    try:
        return date.fromisoformat(found) if found else None
    except ValueError:
        print(f'{option}: found "{found}"; expected a day such as 2026-03-01', file=sys.stderr)
        raise typer.Exit(2) from None
