"""Commands about the loads of the house: inventory list, add, edit, remove, check."""

from __future__ import annotations

import json
import time
from typing import Annotated

import typer

from wattround.cli.common import DEFAULT_FILE, AsJson, ByName, day_of, settings_of, told
from wattround.config.model import Settings
from wattround.core.inventory import Load

commands = typer.Typer(no_args_is_help=True)

Which = Annotated[str, typer.Argument(metavar="LOAD", help="The load, by its name or number.")]
Room = Annotated[str, typer.Option(help="Where it stands.")]
Circuit = Annotated[str, typer.Option(help="The meter it hangs on, the innermost.")]
Watts = Annotated[str, typer.Option(help="What it draws in use, standby included.")]
PlusMinus = Annotated[str, typer.Option("--plus-minus", help="How far that may be off, in watts.")]
Standby = Annotated[str, typer.Option(help="What it draws while it is off, in watts.")]
StandbyPlusMinus = Annotated[str, typer.Option("--standby-plus-minus", help="How far that may be off.")]
Inrush = Annotated[str, typer.Option(help="How many watts more it draws at first.")]
Hours = Annotated[str, typer.Option(help="Hours a day in use, in the mean of a year: 3, or 2-4.")]
How = Annotated[str, typer.Option(help="How sure the watts are: measured, plate or guess.")]
Note = Annotated[str, typer.Option(help="Whatever you want to remember.")]


@commands.command("list")
def inventory_list(
    file: ByName = DEFAULT_FILE,
    as_csv: Annotated[bool, typer.Option("--csv", help="One table, for spreadsheets.")] = False,
    as_json: AsJson = False,
) -> None:
    """List the loads of the house with their watts, energy and money a year."""
    from wattround.analysis.inventoryfind import inventory
    from wattround.cli.inventory import as_csv as csv_of
    from wattround.cli.inventory import as_json as json_of
    from wattround.cli.inventory import listed

    settings = settings_of(file)
    with told():
        if as_csv and as_json:
            raise ValueError("expected one of --csv and --json")
        found = inventory(settings, time.time_ns() // 1_000_000)
        if as_csv:
            print(csv_of(found), end="")
        elif as_json:
            print(json_of(found))
        else:
            listed(found)


@commands.command("add")
def inventory_add(
    name: Annotated[str, typer.Argument(help='A name of its own, such as "Desk lamp".')],
    room: Room = "",
    circuit: Circuit = "",
    watts: Watts = "",
    plus_minus: PlusMinus = "",
    standby: Standby = "",
    standby_plus_minus: StandbyPlusMinus = "",
    inrush: Inrush = "",
    hours: Hours = "",
    how: How = "",
    note: Note = "",
    file: ByName = DEFAULT_FILE,
) -> None:
    """Enter a load by hand; without watts it waits for the round."""
    from wattround.cli.inventory import add, shown

    settings = settings_of(file)
    with told():
        stated = {
            "name": name, "room": room, "circuit": circuit, "watts": watts, "plus-minus": plus_minus,
            "standby": standby, "standby-plus-minus": standby_plus_minus, "inrush": inrush, "hours": hours, "how": how,
            "note": note,
        }  # fmt: skip
        number, load = add(settings, stated)
        print(f"Load {number} is entered: {shown(load)}.")


@commands.command("edit")
def inventory_edit(
    which: Which,
    name: Annotated[str, typer.Option(help="Another name.")] = "",
    room: Room = "",
    circuit: Circuit = "",
    watts: Watts = "",
    plus_minus: PlusMinus = "",
    standby: Standby = "",
    standby_plus_minus: StandbyPlusMinus = "",
    inrush: Inrush = "",
    hours: Hours = "",
    how: How = "",
    note: Note = "",
    file: ByName = DEFAULT_FILE,
) -> None:
    """Correct a load; what is not named stays, and "-" takes a value out."""
    from wattround.cli.inventory import edit, shown

    settings = settings_of(file)
    with told():
        stated = {
            "name": name, "room": room, "circuit": circuit, "watts": watts, "plus-minus": plus_minus,
            "standby": standby, "standby-plus-minus": standby_plus_minus, "inrush": inrush, "hours": hours, "how": how,
            "note": note,
        }  # fmt: skip
        number, load = edit(settings, _entered(settings), which, stated)
        print(f"Load {number} is now: {shown(load)}.")


@commands.command("remove")
def inventory_remove(which: Which, file: ByName = DEFAULT_FILE) -> None:
    """Take a load out of the list."""
    from wattround.cli.booking import ask_book
    from wattround.cli.inventory import pick

    settings = settings_of(file)
    with told():
        number, _ = pick(_entered(settings), which)
        ask_book(settings, "remove", "load", number=number)
        print(f"Load {number} is removed.")


@commands.command("check")
def inventory_check(
    file: ByName = DEFAULT_FILE,
    period: Annotated[str, typer.Option(help="As in report; default: the last 30 days.")] = "",
    begin: Annotated[str, typer.Option("--from", help="The first day, as 2026-03-01, in place of a period.")] = "",
    end: Annotated[str, typer.Option("--to", help="The last day; default: today.")] = "",
    as_json: AsJson = False,
) -> None:
    """Hold the listed loads against what their circuits used. Changes nothing."""
    from wattround.analysis.inventoryfind import check
    from wattround.analysis.periods import WrongPeriod
    from wattround.analysis.reporting.inquiry import Asked
    from wattround.cli.inventory import held, held_plain

    settings = settings_of(file)
    first, last = day_of("--from", begin), day_of("--to", end)
    with told():
        try:
            asked = Asked(period or ("" if first or last else "last30"), first, last)
            found = check(settings, asked, time.time_ns() // 1_000_000)
        except WrongPeriod as wrong:
            raise ValueError(wrong) from None
        if as_json:
            print(json.dumps(held_plain(found)))
        else:
            held(found)


def _entered(settings: Settings) -> dict[int, Load]:
    from wattround.cli.booking import entered

    return entered(settings, Load)
