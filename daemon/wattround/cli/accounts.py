"""Commands about money: report."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from wattround.cli.common import DEFAULT_FILE, AsJson, File, day_of, give_up, reader_left, settings_of

if TYPE_CHECKING:
    from wattround.analysis.reporting.inquiry import Asked
    from wattround.config.model import Settings

commands = typer.Typer()


@commands.command()
def report(
    file: File = DEFAULT_FILE,
    period: Annotated[
        str, typer.Option(help="today, yesterday, week, month (default), last-month, year, last7 or last30.")
    ] = "",
    begin: Annotated[str, typer.Option("--from", help="The first day, as 2026-03-01, in place of a period.")] = "",
    end: Annotated[str, typer.Option("--to", help="The last day; default: today.")] = "",
    against: Annotated[str, typer.Option(help='Compare with "previous", or days as 2026-02-01..2026-02-28.')] = "",
    load: Annotated[str, typer.Option(help="When this load draws: by hour of the day and weekday.")] = "",
    as_json: AsJson = False,
    as_csv: Annotated[bool, typer.Option("--csv", help="One table, for spreadsheets.")] = False,
    html: Annotated[Path | None, typer.Option(help="Write a page with pictures to this file instead.")] = None,
) -> None:
    """Show where the money goes: every load's energy, its share of the bill, what is left. Changes nothing."""
    import time

    from wattround.analysis.reporting.data import as_csv as csv_of
    from wattround.analysis.reporting.data import as_json as json_of
    from wattround.analysis.reporting.inquiry import Asked, find

    forms = [name for name, given in (("--html", html), ("--json", as_json), ("--csv", as_csv)) if given]
    if len(forms) > 1:
        print(f"wattround: expected one of {', '.join(forms[:-1])} and {forms[-1]}", file=sys.stderr)
        raise typer.Exit(2)
    settings = settings_of(file)
    asked = Asked(period, day_of("--from", begin), day_of("--to", end), against, load)
    now_ms = time.time_ns() // 1_000_000
    if html is not None:
        _page(html, settings, asked, now_ms)
        return
    with _refusals():
        found = find(settings, asked, now_ms)
    try:
        if as_json:
            print(json_of(found))
        elif as_csv:
            print(csv_of(found), end="")
        else:
            from wattround.cli.report import show

            show(found)
        sys.stdout.flush()
    except BrokenPipeError:
        raise reader_left() from None


def _page(file: Path, settings: Settings, asked: Asked, now_ms: int) -> None:
    """Write the report as a page."""
    from wattround.cli.pagefile import WrongPlace, examine, write
    from wattround.cli.reportpage import page

    try:
        place = examine(file)
        with _refusals():
            text = page(settings, asked, now_ms)
        write(place, text)
    except WrongPlace as wrong:
        print(f"wattround: {wrong}", file=sys.stderr)
        raise typer.Exit(2) from None
    print(f"{place}: written, {len(text.encode()) / 1000:.0f} kB")


@contextmanager
def _refusals() -> Iterator[None]:
    """What cannot be reported is said, and ends the command."""
    import sqlite3

    from wattround.analysis.periods import WrongPeriod
    from wattround.ledger.reader import NoLedger

    try:
        yield
    except WrongPeriod as wrong:
        print(f"wattround: {wrong}", file=sys.stderr)
        raise typer.Exit(2) from None
    except (NoLedger, sqlite3.Error) as trouble:
        raise give_up(trouble) from None
