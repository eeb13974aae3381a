"""Commands about what could be: whatif."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from wattround.cli.common import DEFAULT_FILE, AsJson, day_of, give_up, reader_left, settings_of

commands = typer.Typer()


@commands.command()
def whatif(
    load: Annotated[str, typer.Argument(metavar="[LOAD]", help="The load; without one, what to do first.")] = "",
    file: Annotated[Path, typer.Option("--file", "-f", help="The settings, one TOML file.")] = DEFAULT_FILE,
    off: Annotated[str, typer.Option(help="Off between edges of the day, as 23:00-06:30 or bedtime-rising.")] = "",
    off_when_empty: Annotated[bool, typer.Option("--off-when-empty", help="Off while nobody is home.")] = False,
    no_standby: Annotated[bool, typer.Option("--no-standby", help="Cut off the mains while on standby.")] = False,
    between: Annotated[str, typer.Option(help="With --no-standby: only then.")] = "",
    weekdays: Annotated[str, typer.Option(help="With times: only on these days, as mon,tue.")] = "",
    shorten_by: Annotated[str, typer.Option(help="Each run so much shorter, as 10m.")] = "",
    shorten_to: Annotated[str, typer.Option(help="No run longer than this, as 30m.")] = "",
    move_to: Annotated[str, typer.Option(help="Use moved to the next such time, as 01:00-05:00.")] = "",
    speed_from: Annotated[str, typer.Option(help="A pump's speed now, in rpm.")] = "",
    speed_to: Annotated[str, typer.Option(help="A pump's lower speed: in rpm, or as 80%.")] = "",
    watts: Annotated[float | None, typer.Option(help="Replaced by a device that draws this in use.")] = None,
    standby_watts: Annotated[float | None, typer.Option(help="And this at rest; default: as now.")] = None,
    kwh_per_year: Annotated[float | None, typer.Option(help="Replaced by a device with this label.")] = None,
    price: Annotated[str, typer.Option(help="What the change costs: when does it pay?")] = "",
    period: Annotated[str, typer.Option(help="As in report; default: the last 365 days.")] = "",
    begin: Annotated[str, typer.Option("--from", help="The first day, as 2026-03-01, in place of a period.")] = "",
    end: Annotated[str, typer.Option("--to", help="The last day; default: today.")] = "",
    as_json: AsJson = False,
) -> None:
    """Work out what a change would have saved; without a load, list what is worth doing first. Changes nothing."""
    import sqlite3
    import time

    from wattround.analysis.periods import WrongPeriod
    from wattround.analysis.whatif.asking import Asked, WrongQuestion
    from wattround.cli.whatif import When, find, show
    from wattround.cli.whatifdata import as_json as json_of
    from wattround.ledger.reader import NoLedger

    if "/" in load or Path(load).is_file():
        print(f'wattround: LOAD: found "{load}", a file; expected -f before a settings file', file=sys.stderr)
        raise typer.Exit(2)
    settings = settings_of(file)
    asked = Asked(
        off, off_when_empty, no_standby, between, weekdays, shorten_by, shorten_to, move_to, speed_from, speed_to,
        watts, standby_watts, kwh_per_year, price,
    )  # fmt: skip
    when = When(period, day_of("--from", begin), day_of("--to", end))
    try:
        found = find(settings, load, asked, when, time.time_ns() // 1_000_000)
    except (WrongPeriod, WrongQuestion) as wrong:
        print(f"wattround: {wrong}", file=sys.stderr)
        raise typer.Exit(2) from None
    except (NoLedger, sqlite3.Error) as trouble:
        raise give_up(trouble) from None
    try:
        if as_json:
            print(json_of(found, file, when))
        else:
            show(found, file, when)
        sys.stdout.flush()
    except BrokenPipeError:
        raise reader_left() from None
