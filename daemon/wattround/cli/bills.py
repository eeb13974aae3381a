"""Commands about the utility's bills: bill add, list, remove, check."""

from __future__ import annotations

import json
from typing import Annotated, Any

import typer

from wattround.cli.common import DEFAULT_FILE, AsJson, ByName, day_of, settings_of, told

commands = typer.Typer(no_args_is_help=True)


@commands.command("add")
def bill_add(
    begin: Annotated[str, typer.Option("--from", help="The first day, as 2026-03-01.")],
    end: Annotated[str, typer.Option("--to", help="The last day; it belongs to the bill, too.")],
    kwh: Annotated[str, typer.Option(help="What was bought, with all digits of the bill: 312.4.")] = "",
    reading_from: Annotated[str, typer.Option(help="Or the register as the first day begins")] = "",
    reading_to: Annotated[str, typer.Option(help="and as the last day ends.")] = "",
    export_kwh: Annotated[str, typer.Option(help="What was given back.")] = "",
    money: Annotated[str, typer.Option(help="What is to be paid, tax included.")] = "",
    meter_class: Annotated[str, typer.Option("--class", help="On the utility's meter: 1, 2, A, B or C.")] = "",
    supply: Annotated[str, typer.Option(help="Only this meter of role supply; default: all of the house.")] = "",
    note: Annotated[str, typer.Option(help="Whatever you want to remember.")] = "",
    file: ByName = DEFAULT_FILE,
) -> None:
    """Enter a bill or reading of the utility for some days; on disk at once, whether the daemon runs or not."""
    from wattround.analysis.billdata import bill_text
    from wattround.cli.booking import ask_book
    from wattround.core.bill import Bill

    settings = settings_of(file)
    stated = {
        "from": day_of("--from", begin), "to": day_of("--to", end), "kwh": kwh, "reading_from": reading_from,
        "reading_to": reading_to, "export_kwh": export_kwh, "money": money, "class": meter_class.upper(),
        "supply": supply, "note": note,
    }  # fmt: skip
    entry: dict[str, Any] = {key: str(value) for key, value in stated.items() if value}
    with told():
        number = _ask(ask_book, settings, "add", entry=entry)
        print(f"Bill {number} is entered: {bill_text(Bill.model_validate(entry), settings.house.currency)}.")
        print(f"Hold it against the meters: wattround bill check {number} -f {file}")


def _ask(ask_book: Any, settings: Any, do: str, **facts: Any) -> int:
    """Ask for it; a refusal names the option, not the key."""
    try:
        return int(ask_book(settings, do, "bill", **facts))
    except ValueError as refusal:
        key, _, rest = str(refusal).partition(":")
        named = f"--{key.replace('_', '-')}:{rest}" if key in ENTERED else str(refusal)
        raise ValueError(named) from None


ENTERED = ("from", "to", "kwh", "reading_from", "reading_to", "export_kwh", "money", "class", "supply", "note")
Number = Annotated[int, typer.Argument(metavar="N", help="The bill, by its number.")]


@commands.command("list")
def bill_list(file: ByName = DEFAULT_FILE, as_json: AsJson = False) -> None:
    """List the bills that were entered."""
    from wattround.analysis.billdata import listed_plain
    from wattround.cli.billpage import listed
    from wattround.cli.booking import entered
    from wattround.core.bill import Bill

    settings = settings_of(file)
    with told():
        found = entered(settings, Bill)
        if as_json:
            print(json.dumps(listed_plain(found, settings)))
        else:
            listed(found, settings)


@commands.command("remove")
def bill_remove(number: Number, file: ByName = DEFAULT_FILE) -> None:
    """Take a bill out. Its number is not given again."""
    from wattround.cli.booking import ask_book

    settings = settings_of(file)
    with told():
        print(f"Bill {_ask(ask_book, settings, 'remove', number=number)} is removed.")


@commands.command("check")
def bill_check(
    number: Annotated[int | None, typer.Argument(metavar="[N]", help="Only this bill; default: all.")] = None,
    file: ByName = DEFAULT_FILE,
    as_json: AsJson = False,
) -> None:
    """Hold bills against the meters: do they agree, and is the tariff right? Changes nothing."""
    from wattround.analysis.billdata import as_json as json_of
    from wattround.analysis.billdata import find
    from wattround.cli.billpage import show

    settings = settings_of(file)
    with told():
        found = find(settings, number)
        if as_json:
            print(json_of(found))
        else:
            show(found)
