"""Commands of every day: run, check, now."""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Sequence
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from wattround.cli.common import DEFAULT_FILE, AsJson, File, counted, day_of, give_up, reader_left, settings_of
from wattround.config.kinds import duration_ms
from wattround.config.load import examine
from wattround.config.model import Settings
from wattround.config.problems import Problem

if TYPE_CHECKING:
    from wattround.analysis.livecheck import Line

commands = typer.Typer()


@commands.command()
def run(file: File = DEFAULT_FILE) -> None:
    """Read the broker, keep minutes, tell of forgotten loads: the daemon. Runs until told to stop."""
    from wattround.daemon import run as run_daemon

    run_daemon(str(file))


@commands.command()
def check(
    file: File = DEFAULT_FILE,
    history: Annotated[bool, typer.Option("--history", help="Hold the meters against the ledger, too.")] = False,
    begin: Annotated[str, typer.Option("--from", help="The first day of it, as 2026-03-01; default: 30 days.")] = "",
    end: Annotated[str, typer.Option("--to", help="The last day of it.")] = "",
    live: Annotated[bool, typer.Option("--live", help="Listen to the broker, too; try the archive.")] = False,
    span: Annotated[str, typer.Option("--for", help='With --live: listen for at most so long, as "5m".')] = "",
    send_test: Annotated[bool, typer.Option("--send-test", help="With --live: one message to each channel.")] = False,
    as_json: AsJson = False,
) -> None:
    """Say everything that is wrong with a settings file. Exit status 1 if it cannot be used."""
    first, last = day_of("--from", begin), day_of("--to", end)
    if (begin or end) and not history:
        print("wattround: --from and --to go with --history", file=sys.stderr)
        raise typer.Exit(2)
    if (span or send_test) and not live:
        print("wattround: --for and --send-test go with --live", file=sys.stderr)
        raise typer.Exit(2)
    if as_json and history:
        print("wattround: --json goes without --history", file=sys.stderr)
        raise typer.Exit(2)
    problems, settings = examine(file)
    if as_json:
        _check_json(file, problems, settings, span or "60s" if live else "", send_test=send_test)
        return
    for problem in problems:
        print(problem.text(str(file)))
    errors = sum(problem.severity == "error" for problem in problems)
    if errors or settings is None:
        print(f"{file}: {errors} error{'s' if errors != 1 else ''}, nothing would start", file=sys.stderr)
        raise typer.Exit(1)
    print(
        f"{file}: right. {counted(len(settings.meters), 'meter')}, {counted(len(settings.rules), 'rule')},"
        f" {counted(len(settings.channels), 'channel')}."
    )
    if history:
        _check_history(file, settings, first, last)
    if live:
        _check_live(settings, span or "60s", send_test=send_test)


def _check_json(
    file: Path, problems: Sequence[Problem], settings: Settings | None, span: str, *, send_test: bool
) -> None:
    """One object: what is wrong with the file, and what was seen live where it was looked at."""
    is_usable = settings is not None and not any(problem.severity == "error" for problem in problems)
    found = _looked(settings, span, send_test=send_test) if settings is not None and is_usable and span else []
    facts = {
        "at_ms": time.time_ns() // 1_000_000,
        "problems": [{"severity": each.severity, "text": each.text(file.name)} for each in problems],
        "live": [line._asdict() for line in found],
    }
    print(json.dumps(facts))
    if not is_usable or any(line.state == "look" for line in found):
        raise typer.Exit(1)


def _check_live(settings: Settings, span: str, *, send_test: bool) -> None:
    from wattround.cli.live import show

    found = _looked(settings, span, send_test=send_test)
    show(found, print)
    if any(line.state == "look" for line in found):
        raise typer.Exit(1)


def _looked(settings: Settings, span: str, *, send_test: bool) -> list[Line]:
    from wattround.cli.live import CannotVisit, MissingSecret, look

    try:
        seconds = duration_ms(span) / 1000
    except ValueError as trouble:
        print(f'--for: found "{span}"; expected {trouble}', file=sys.stderr)
        raise typer.Exit(2) from None
    try:
        return look(settings, seconds, send_test=send_test)
    except (CannotVisit, MissingSecret) as trouble:
        raise give_up(trouble) from None
    except KeyboardInterrupt:
        raise typer.Exit(130) from None


def _check_history(file: Path, settings: Settings, first: date | None, last: date | None) -> None:
    import sqlite3

    from wattround.cli.history import WrongSpan, lines, look
    from wattround.ledger.reader import NoLedger

    try:
        seen = look(settings, first, last)
    except WrongSpan as wrong:
        print(f"wattround: {wrong}", file=sys.stderr)
        raise typer.Exit(2) from None
    except (NoLedger, sqlite3.Error) as trouble:
        raise give_up(trouble) from None
    for line in lines(file, settings, seen):
        print(line)


@commands.command()
def now(
    file: File = DEFAULT_FILE,
    as_json: AsJson = False,
    once: Annotated[bool, typer.Option("--once", help="Print once and end, also on a terminal.")] = False,
) -> None:
    """Show every meter as it stands: watts, level, today's energy and money, open episodes."""
    from wattround.cli.now import show
    from wattround.control import NoDaemon

    settings = settings_of(file)
    folder = Path(settings.ledger.folder)
    try:
        show(folder, as_json=as_json, live=sys.stdout.isatty() and not once and not as_json)
    except (NoDaemon, ValueError) as trouble:
        raise give_up(trouble) from None
    except KeyboardInterrupt:
        raise typer.Exit(0) from None
    except BrokenPipeError:
        raise reader_left() from None


@commands.command()
def doctor(
    file: File = DEFAULT_FILE,
    to: Annotated[str, typer.Option(help="Where to write it; default: the terminal.")] = "",
    log: Annotated[Path | None, typer.Option(help="The daemon's log; default: the system's journal.")] = None,
) -> None:
    """Make one text for a bug report: versions, settings, counts, last lines; without secrets and names."""
    from wattround.cli.doctor import examine as write_report

    settings = settings_of(file)
    try:
        text = write_report(settings, log)
        if to:
            Path(to).write_text(text)
            print(f"{to} is written: read it before you send it.")
        else:
            print(text, end="")
    except (ValueError, OSError) as trouble:
        raise give_up(trouble) from None
