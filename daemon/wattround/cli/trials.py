"""Commands about trials: prove trials, and show, skip, remove."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

import typer

from wattround.cli.common import DEFAULT_FILE, AsJson, ByName, give_up, settings_of, told

commands = typer.Typer(invoke_without_command=True)

Which = Annotated[str, typer.Argument(metavar="TRIAL", help="The trial, by its name or number.")]


@commands.callback()
def trials(context: typer.Context, file: ByName = DEFAULT_FILE, as_json: AsJson = False) -> None:
    """List the trials, with what is to be done today."""
    if context.invoked_subcommand is not None:
        return
    from wattround.cli.booking import entered
    from wattround.cli.trying import as_plain, listed
    from wattround.core.trial import Trial

    settings = settings_of(file)
    with told():
        found = entered(settings, Trial)
        if as_json:
            print(json.dumps([as_plain(number, trial, settings) for number, trial in found.items()]))
        else:
            listed(found, settings)


@commands.command("show")
def trials_show(
    which: Which,
    ics: Annotated[Path | None, typer.Option("--ics", help="Write its days to this file, for any calendar.")] = None,
    file: ByName = DEFAULT_FILE,
    as_json: AsJson = False,
) -> None:
    """Show a trial's days."""
    from wattround.cli.booking import entered
    from wattround.cli.trying import as_plain, pick, shown
    from wattround.core.trial import Trial

    settings = settings_of(file)
    with told():
        number, trial = pick(entered(settings, Trial), which)
        if as_json:
            print(json.dumps(as_plain(number, trial, settings)))
        else:
            print("\n".join(shown(number, trial, settings, file)))
        if ics is not None:
            try:
                from wattround.cli.icsfile import place_of, write_calendar
            except ModuleNotFoundError as missing:
                raise give_up(f"{missing.name} is not installed: pip install 'wattround[analysis]'") from None
            write_calendar(place_of(ics), trial, settings.house.id)


@commands.command("skip")
def trials_skip(
    which: Which,
    day: Annotated[list[str] | None, typer.Option("--day", help="A day, as 2026-06-03; may be repeated.")] = None,
    followed: Annotated[bool, typer.Option("--followed", help="It was done as said, after all.")] = False,
    file: ByName = DEFAULT_FILE,
) -> None:
    """Say that on a day something else was done than the trial said: it is left out."""
    from wattround.cli.trying import skip

    settings = settings_of(file)
    with told():
        print(skip(settings, which, day or [], followed=followed))


@commands.command("remove")
def trials_remove(which: Which, file: ByName = DEFAULT_FILE) -> None:
    """Take a trial out, as if it had never been planned."""
    from wattround.cli.trying import remove

    settings = settings_of(file)
    with told():
        print(remove(settings, which))
