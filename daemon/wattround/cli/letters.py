"""Commands about the weekly letter."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from wattround.cli.common import DEFAULT_FILE, ByName, give_up, reader_left, settings_of

if TYPE_CHECKING:
    from wattround.analysis.letter.writing import Letter
    from wattround.config.model import Settings

commands = typer.Typer()


@commands.command()
def letter(
    file: ByName = DEFAULT_FILE,
    week: Annotated[str, typer.Option(help="An ISO week, as 2026-W12; default: the last whole one.")] = "",
    html: Annotated[Path | None, typer.Option(help="Write it as a page to this file instead.")] = None,
    send: Annotated[bool, typer.Option("--send", help="Have the daemon send it now to the letter's channels.")] = False,
) -> None:
    """Write what changed in the house in a week, short enough to read standing up. Changes nothing."""
    if html is not None and send:
        print("wattround: expected one of --html and --send", file=sys.stderr)
        raise typer.Exit(2)
    settings = settings_of(file)
    if send and settings.letter is None:
        print("wattround: --send: found no [letter] in the settings; expected one with its channels", file=sys.stderr)
        raise typer.Exit(2)
    if html is not None:
        _page(html, settings, week)
        return
    found = _written(settings, week)
    if send:
        _send(settings, found)
        return
    try:
        print(found.body, end="")
        sys.stdout.flush()
    except BrokenPipeError:
        raise reader_left() from None


def _written(settings: Settings, week: str) -> Letter:
    import sqlite3
    import time
    from zoneinfo import ZoneInfo

    from wattround.analysis.letter.writing import written
    from wattround.analysis.periods import WrongPeriod
    from wattround.core.letters import monday_of, newest_whole
    from wattround.ledger.reader import NoLedger

    now_ms = time.time_ns() // 1_000_000
    if week:
        try:
            monday_of(week)
        except ValueError as wrong:
            print(f'wattround: --week: found "{week}"; expected {wrong}', file=sys.stderr)
            raise typer.Exit(2) from None
    try:
        return written(settings, week or newest_whole(now_ms, ZoneInfo(settings.house.time_zone)), now_ms)
    except (WrongPeriod, ValueError) as wrong:
        print(f"wattround: {wrong}", file=sys.stderr)
        raise typer.Exit(2) from None
    except (NoLedger, sqlite3.Error) as trouble:
        raise give_up(trouble) from None


def _page(file: Path, settings: Settings, week: str) -> None:
    from wattround.cli.pagefile import WrongPlace, examine, write

    try:
        place = examine(file)
        text = _written(settings, week).html
        write(place, text)
    except WrongPlace as wrong:
        print(f"wattround: {wrong}", file=sys.stderr)
        raise typer.Exit(2) from None
    print(f"{place}: written, {len(text.encode()) / 1000:.0f} kB")


def _send(settings: Settings, found: Letter) -> None:
    from wattround.control import NoDaemon, ask_daemon

    try:
        channels = ask_daemon(Path(settings.ledger.folder), "letter", letter=found._asdict())
    except (NoDaemon, ValueError) as trouble:
        raise give_up(trouble) from None
    print(f"On its way to {', '.join(channels)}: {found.title}")
