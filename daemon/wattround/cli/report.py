"""`wattround report` on the terminal."""

from __future__ import annotations

from decimal import Decimal

from rich.console import Console
from rich.table import Table
from rich.text import Text

from wattround.analysis.comparison import changes
from wattround.analysis.profile import Profile, mean_w, money
from wattround.analysis.report import DAY_MS, Report
from wattround.analysis.reporting.inquiry import Found
from wattround.analysis.reporting.listed import listed_lines
from wattround.analysis.reporting.words import UWH_PER_KWH, WEEKDAYS, cells, days_text, headline, lines
from wattround.money.amount import cell_text

WIDTH = 100


def show(found: Found) -> None:
    """Print it; without colours where it is not a terminal."""
    console = Console(highlight=False)
    if not console.is_terminal:
        console.width = WIDTH
    if found.profile is not None:
        _show_profile(console, found.profile, found)
    if found.report is None:
        return
    console.print(Text(headline(found.report, found.zone)))
    console.print(_table(found.report))
    if found.before is not None:
        console.print()
        console.print(Text(f"Against {days_text(found.before, found.zone)}{_scaled(found.report, found.before)}:"))
        console.print(_compared(found.report, found.before))
    console.print()
    for line in (*lines(found.report, found.currency), *listed_lines(found.listed)):
        console.print(Text(line), soft_wrap=False)


def _table(found: Report) -> Table:
    grid = Table(box=None, pad_edge=False, header_style="underline", padding=(0, 2, 0, 0))
    for name in ("Load", "kWh", "Money", "A month", "Share", "Ran", "Standby", "A year", "Covered"):
        grid.add_column(name, justify="left" if name == "Load" else "right", no_wrap=True, overflow="ellipsis")
    for row in found.total.walk():
        grid.add_row(*cells(found, row), style={"total": "bold", "load": "", "part": "dim"}.get(row.kind, "italic"))
    return grid


def _compared(found: Report, before: Report) -> Table:
    grid = Table(box=None, pad_edge=False, header_style="underline", padding=(0, 2, 0, 0))
    for name in ("Load", "kWh then", "now", "more", "Money then", "now", "more"):
        grid.add_column(name, justify="left" if name == "Load" else "right", no_wrap=True, overflow="ellipsis")
    then = changes(found, before)
    for row in found.total.walk():
        was = then.get((row.kind, row.name))
        kwh, amount = (was.kwh, was.money) if was else (None, None)
        grid.add_row(
            "  " * row.depth + row.label, _text(kwh), f"{row.kwh}", _more(row.kwh, kwh), _text(amount), f"{row.money}",
            _more(row.money, amount), style="bold" if row.kind == "total" else "",
        )  # fmt: skip
    return grid


def _text(of: Decimal | None) -> str:
    return "" if of is None else f"{of}"


def _more(now: Decimal, then: Decimal | None) -> str:
    return "" if then is None else f"{now - then:+}"


def _scaled(found: Report, before: Report) -> str:
    return (
        ", scaled to the same length" if round(found.elapsed_ms / DAY_MS) != round(before.elapsed_ms / DAY_MS) else ""
    )


# -- a load's profile -----------------------------------------------------------------------------


def _show_profile(console: Console, of: Profile, found: Found) -> None:
    console.print(Text(f"{of.label}: {days_text(of, found.zone)}; mean watts by hour and weekday, local time."))
    grid = Table(box=None, pad_edge=False, header_style="underline", padding=(0, 2, 0, 0))
    for name in ("Hour", *WEEKDAYS, "All days", "kWh", found.currency):
        grid.add_column(name, justify="right")
    week, day = range(7), range(24)
    for label, hours in (*((f"{hour:02}", range(hour, hour + 1)) for hour in day), ("All", day)):
        cells = [mean_w(of.over([weekday], hours)) for weekday in week]
        total = of.over(week, hours)
        grid.add_row(
            label, *map(_watts, cells), _watts(mean_w(total)), f"{total.net_uwh / UWH_PER_KWH:.2f}",
            cell_text(money(total), total.unpriced_uwh), style="bold" if label == "All" else "",
        )  # fmt: skip
    console.print(grid)


def _watts(of: float | None) -> str:
    return "" if of is None else f"{of:.0f}" if abs(of) >= 10 else f"{of:.1f}"
