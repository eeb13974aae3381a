"""Commands that take in what others have measured: import temperature."""

from __future__ import annotations

import time
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Any

import typer

from wattround.cli.common import DEFAULT_FILE, ByName, settings_of, told
from wattround.config.model import Settings

commands = typer.Typer(no_args_is_help=True)


@commands.command("temperature")
def import_temperature(
    table: Annotated[Path, typer.Argument(metavar="FILE", help="A CSV file: times or days, and degrees.")],
    file: ByName = DEFAULT_FILE,
    time_column: Annotated[str, typer.Option("--time", help="Its column of times; default: found by its name.")] = "",
    column: Annotated[str, typer.Option("--column", help="Its column of degrees; default: found by its name.")] = "",
    unit: Annotated[str, typer.Option(help="C or F.")] = "C",
) -> None:
    """Take in outdoor temperatures: savings are judged by them. What the daemon hears itself goes before them."""
    from zoneinfo import ZoneInfo

    from wattround.analysis.sheet import Shape, WrongSheet, read

    settings = settings_of(file)
    with told():
        if unit.upper() not in ("C", "F"):
            raise ValueError(f'--unit: found "{unit}"; expected C or F')
        try:
            text = table.read_text("utf-8")
        except (OSError, UnicodeDecodeError) as trouble:
            reason = trouble.strerror if isinstance(trouble, OSError) else "not UTF-8 text"
            raise ValueError(f"{table}: {reason}") from None
        zone = ZoneInfo(settings.house.time_zone)
        try:
            sheet = read(text, zone, Shape(time_column, column, unit.upper()), time.time_ns() // 1_000_000)
        except WrongSheet as wrong:
            raise ValueError(f"{table}: nothing was taken in.\n{wrong}") from None
        _hand_over(settings, sheet.rows)
        hours = sum(span == "hour" for _, span, _ in sheet.rows)
        parts = [f"{count} {name}" for count, name in ((hours, "hours"), (len(sheet.rows) - hours, "days")) if count]
        empty = f"; {sheet.empty} empty cells left out" if sheet.empty else ""
        coldest, warmest = min(row[2] for row in sheet.rows), max(row[2] for row in sheet.rows)
        print(
            f'Taken in from column "{sheet.column}": {" and ".join(parts)}, {coldest:.1f} to {warmest:.1f} °C{empty}.'
        )


def _hand_over(settings: Settings, rows: Sequence[tuple[int, str, float]]) -> None:
    """To the daemon, or where none runs to the ledger. To say a row twice changes nothing."""
    from wattround.control import NoDaemon, ask_daemon
    from wattround.core.offline import offline_outdoor
    from wattround.core.outdoor import MOST_ROWS

    folder = Path(settings.ledger.folder)
    for first in range(0, len(rows), MOST_ROWS):
        part: list[Any] = [list(row) for row in rows[first : first + MOST_ROWS]]
        try:
            ask_daemon(folder, "outdoor", rows=part)
        except NoDaemon:
            offline_outdoor(settings, folder, time.time_ns() // 1_000_000, part)
