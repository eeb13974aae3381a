"""`wattround bill list` and `wattround bill check` on the terminal."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from decimal import Decimal

from rich.console import Console
from rich.table import Table
from rich.text import Text

from wattround.analysis.billcheck import UWH_PER_KWH, Check, Side
from wattround.analysis.billdata import HOW, TARIFF, WORDS, Found, bill_text, notes
from wattround.analysis.billwords import alike, reasons, says
from wattround.analysis.limits import expanded
from wattround.config.model import Settings
from wattround.core.bill import Bill

WIDTH = 100


def _console() -> Console:
    console = Console(highlight=False)
    if not console.is_terminal:
        console.width = WIDTH
    return console


def _grid(*columns: str) -> Table:
    grid = Table(box=None, pad_edge=False, header_style="underline", padding=(0, 2, 0, 0))
    for name in columns:
        grid.add_column(name, justify="left" if name in LEFT else "right", no_wrap=name not in WRAPPED)
    return grid


LEFT = ("From", "To", "Class", "Supply", "Note", "Energy", "Tariff", "", " ")
WRAPPED = ("Note", " ")


def listed(bills: Mapping[int, Bill], settings: Settings) -> None:
    """Print them."""
    console = _console()
    if not bills:
        console.print(Text("No bill has been entered."))
        return
    heads = ("No.", "From", "To", "Days", "kWh", "Given back", settings.house.currency, "Class", "Supply", "Note")
    rows = [
        (number, bill.first, bill.last, bill.days, bill.bought_kwh, bill.export_kwh, bill.money, bill.meter_class,
         bill.supply, bill.note or None)
        for number, bill in sorted(bills.items(), key=lambda item: item[1].first)
    ]  # fmt: skip
    stated = [at for at in range(len(heads)) if any(row[at] is not None for row in rows)]
    grid = _grid(*(heads[at] for at in stated))
    for row in rows:
        grid.add_row(*(Text("" if row[at] is None else str(row[at])) for at in stated))
    console.print(grid)


def show(found: Found) -> None:
    """Print the bill that was asked for; else a line for each, and the latest."""
    console = _console()
    if found.asked is None and len(found.checks) > 1:
        console.print(_overview(found.checks))
        console.print()
    of = found.asked or found.checks[-1]
    currency = found.settings.house.currency
    supply = f", supply {of.bill.supply}" if of.bill.supply else ""
    console.print(Text(f"Bill {of.number}: {bill_text(of.bill, currency)}{supply}."))
    console.print(_table(of, currency))
    console.print()
    for line in says(of, currency):
        console.print(Text(line))
    behind = reasons(of, found.roles, alike(found.checks, of))
    if behind:
        console.print(Text("What may be behind it:"))
        causes = Table.grid(padding=(0, 1, 0, 0))
        for line in behind:
            causes.add_row(Text(" -"), Text(line))
        console.print(causes)
    for line in notes(of):
        console.print(Text(f"Note: {line}."))
    if of.bought.covered:
        console.print(Text(HOW))


def _overview(checks: Sequence[Check]) -> Table:
    grid = _grid("No.", "From", "To", "Billed", "Metered", "Apart", "Allowed", "Covered", "Energy", "Tariff")
    for of in checks:
        side = of.bought
        ours = (_two(side.metered_uwh), _percent(side), _two(side.allowed_uwh)) if side.covered else ("", "", "")
        grid.add_row(
            str(of.number), str(of.bill.first), str(of.bill.last), _two(side.billed_uwh), *ours,
            f"{100 * side.covered:.1f} %", WORDS[side.verdict], TARIFF[of.money.verdict],
        )  # fmt: skip
    return grid


def _table(of: Check, currency: str) -> Table:
    money = of.money
    grid = _grid("", "kWh", currency, " ")
    known = money.metered is not None and not money.unpriced_uwh
    metered = money.metered.total if known and money.metered is not None else None
    billed = None if money.unpriced_uwh else money.billed.total
    apart = metered - billed if metered is not None and billed is not None else None
    _side(grid, of.bought, (metered, billed, apart), _register(of.bill))
    if money.invoice is not None:
        grid.add_row("The invoice has", "", f"{money.invoice:.2f}", Text(""))
    if of.given is not None:
        grid.add_row(Text("Given back", style="italic"), "", "", Text(""))
        _side(grid, of.given, (None, None, None), "")
    return grid


def _register(bill: Bill) -> str:
    return "" if bill.kwh is not None else f"the register from {bill.reading_from} to {bill.reading_to}"


def _side(grid: Table, side: Side, money: tuple[Decimal | None, ...], register: str) -> None:
    metered, billed, apart = ("" if each is None else f"{each:.2f}" for each in money)
    limits = side.limits
    if side.covered:
        grid.add_row("Metered", _two(side.metered_uwh), metered, Text("money: by the settings" if metered else ""))
    grid.add_row("Billed", _two(side.billed_uwh), billed, Text(register))
    if not side.covered:
        return
    grid.add_row("Metered less billed", f"{side.difference_uwh / UWH_PER_KWH:+.2f}", _signed(apart), _percent(side))
    ours = f"ours {_two(expanded(limits.ours))}" + (f" ({len(limits.ours)} meters)" if len(limits.ours) > 1 else "")
    how = f"{ours}, the utility's {_two(limits.utility)}, rounding {_two(sum(limits.rounding))}"
    grid.add_row("The meters allow", _two(side.allowed_uwh), "", Text(f"{how}; at worst {_two(side.worst_uwh)}"))
    gaps = f"{100 * (1 - side.covered):.1f} % of the time is not covered"
    if side.missed is None:
        grid.add_row("May be missing", "?", "", Text(gaps))
    elif side.missed.most_uwh:
        likely = f"at most; likely {_two(side.missed.likely_uwh)}: {gaps}"
        grid.add_row("May be missing", _two(side.missed.most_uwh), "", Text(likely))


def _two(uwh: float) -> str:
    return f"{uwh / UWH_PER_KWH:.2f}"


def _signed(amount: str) -> str:
    return amount if not amount or amount.startswith("-") else f"+{amount}"


def _percent(side: Side) -> str:
    return f"{100 * side.difference_uwh / side.billed_uwh:+.1f} %" if side.billed_uwh else ""
