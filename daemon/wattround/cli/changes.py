"""Commands about changes that people made: change add, list, edit, end, remove."""

from __future__ import annotations

import json
from typing import Annotated, Any

import typer

from wattround.cli.common import DEFAULT_FILE, AsJson, ByName, settings_of, told
from wattround.config.model import Settings

commands = typer.Typer(no_args_is_help=True)

Which = Annotated[str, typer.Argument(metavar="CHANGE", help="The change, by its name or number.")]
On = Annotated[list[str] | None, typer.Option("--on", help="The load that was changed; may be repeated.")]
At = Annotated[str, typer.Option("--at", help="Since when, in the house's time, as 2026-06-03T09:00; default: now.")]
Cost = Annotated[str, typer.Option(help="What it cost, in the house's money.")]
Expect = Annotated[str, typer.Option(help='What somebody expects it to save a day, as "1.2kWh"; -1.2kWh: to use more.')]
By = Annotated[str, typer.Option(help="Who expects that.")]
With = Annotated[str, typer.Option("--with", help="An earlier change that this one cannot be told apart from.")]
Note = Annotated[str, typer.Option(help="Whatever you want to remember.")]


@commands.command("add")
def change_add(
    name: Annotated[str, typer.Argument(help='A name of its own, such as "pump slower".')],
    on: On = None,
    at: At = "",
    cost: Cost = "",
    expect: Expect = "",
    by: By = "",
    along_with: With = "",
    note: Note = "",
    file: ByName = DEFAULT_FILE,
) -> None:
    """Enter a change that was made to a load, so that it can be proved what came of it."""
    from wattround.cli.changing import add, shown

    settings = settings_of(file)
    with told():
        stated = {"name": name, "on": on, "at": at, "cost": cost, "expect": expect, "by": by, "with": along_with}
        number, change = add(settings, {**stated, "note": note})
        print(f"Change {number} is entered: {shown(change, settings)}.")
        print(f'What came of it: wattround prove "{name}" -f {file}')


@commands.command("list")
def change_list(file: ByName = DEFAULT_FILE, as_json: AsJson = False) -> None:
    """List the changes that were entered."""
    from wattround.cli.changing import listed, listed_plain

    settings = settings_of(file)
    with told():
        found = _entered(settings)
        if as_json:
            print(json.dumps(listed_plain(found)))
        else:
            listed(found, settings)


@commands.command("edit")
def change_edit(
    which: Which,
    name: Annotated[str, typer.Option(help="Another name.")] = "",
    on: On = None,
    at: At = "",
    cost: Cost = "",
    expect: Expect = "",
    by: By = "",
    along_with: With = "",
    note: Note = "",
    file: ByName = DEFAULT_FILE,
) -> None:
    """Correct what was entered; what is not named stays, and "-" takes a value out."""
    from wattround.cli.changing import edit, shown

    settings = settings_of(file)
    with told():
        stated = {"name": name, "on": on, "at": at, "cost": cost, "expect": expect, "by": by, "with": along_with}
        number, change = edit(settings, _entered(settings), which, {**stated, "note": note})
        print(f"Change {number} is now: {shown(change, settings)}.")


@commands.command("end")
def change_end(which: Which, at: At = "", file: ByName = DEFAULT_FILE) -> None:
    """Say that a change was taken back."""
    from wattround.cli.changing import edit, shown

    settings = settings_of(file)
    with told():
        number, change = edit(settings, _entered(settings), which, {"until": at or "now"})
        print(f"Change {number} has ended: {shown(change, settings)}.")


@commands.command("remove")
def change_remove(which: Which, file: ByName = DEFAULT_FILE) -> None:
    """Take a change out, as if it had never been entered."""
    from wattround.cli.booking import ask_book
    from wattround.cli.changing import pick

    settings = settings_of(file)
    with told():
        number, _ = pick(_entered(settings), which)
        ask_book(settings, "remove", "change", number=number)
        print(f"Change {number} is removed.")


def _entered(settings: Settings) -> dict[int, Any]:
    from wattround.cli.booking import entered
    from wattround.core.change import Change

    return entered(settings, Change)
