"""All commands, one below the other in the order in which a household needs them."""

from __future__ import annotations

from typing import Annotated, Any

import typer

from wattround import __version__
from wattround.cli import (
    accounts,
    archiving,
    bills,
    changes,
    daily,
    importing,
    inventories,
    ledgers,
    letters,
    proving,
    settingup,
    supposing,
    walking,
    watching,
)

app = typer.Typer(help="Finds what a house pays for and nobody needs.", no_args_is_help=True, add_completion=False)
app.add_typer(settingup.commands)
app.add_typer(daily.commands)
app.add_typer(watching.commands)
app.add_typer(accounts.commands)
app.add_typer(letters.commands)
app.add_typer(supposing.commands)
app.add_typer(walking.commands)
app.add_typer(inventories.commands, name="inventory", help="The loads of the house, room by room.")
app.add_typer(bills.commands, name="bill", help="The utility's bills, held against the meters.")
app.add_typer(changes.commands, name="change", help="What people changed, to be proved.")
app.add_typer(proving.commands, name="prove", help="Did a change save anything?")
app.add_typer(importing.commands, name="import", help="Take in what others have measured.")
app.add_typer(ledgers.commands, name="ledger", help="The ledger's file: copies of it.")
app.add_typer(archiving.commands, name="archive", help="The time-series database that follows the ledger.")


def _version(wanted: bool) -> None:
    if wanted:
        print(f"wattround {__version__}")
        raise typer.Exit


@app.callback()
def main(
    version: Annotated[bool, typer.Option("--version", callback=_version, is_eager=True)] = False,
) -> Any:
    """Finds what a house pays for and nobody needs."""
