"""`wattround now`: the house on one screen."""

from __future__ import annotations

import json
import time
from datetime import UTC, datetime
from decimal import Decimal
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from rich.console import Console, Group
from rich.live import Live
from rich.table import Table
from rich.text import Text

from wattround.config.kinds import duration_text
from wattround.control import ask_daemon
from wattround.core.viewwords import OCCUPANCY, trouble_lines
from wattround.money.amount import cell_text

REFRESH_S = 1.0


def show(folder: Path, *, as_json: bool, live: bool) -> None:
    """Print the house once, or keep showing it until interrupted."""
    if as_json:
        print(json.dumps(ask_daemon(folder, "now")))
        return
    console = Console()
    if not live:
        console.print(screen(ask_daemon(folder, "now")))
        return
    with Live(screen(ask_daemon(folder, "now")), console=console, auto_refresh=False, screen=False) as display:
        while True:
            time.sleep(REFRESH_S)
            display.update(screen(ask_daemon(folder, "now")), refresh=True)


def screen(facts: dict[str, Any]) -> Group:
    """What is open, what is wrong, and the table: a small window cuts off the end of it, not the news."""
    parts: list[Any] = [Text(headline(facts))]
    parts += [Text(text) for text in episode_lines(facts)]
    parts += [Text(text, style="italic") for text in trouble_lines(facts)]
    return Group(*parts, table(facts))


def headline(facts: dict[str, Any]) -> str:
    """House, who is home, the hour."""
    parts = [facts["house"], f"{_local(facts):%H:%M:%S}"]
    if facts["occupancy"] is not None:
        parts.append(OCCUPANCY[facts["occupancy"]])
    return " · ".join(parts)


def _local(facts: dict[str, Any]) -> datetime:
    return datetime.fromtimestamp(facts["now_ms"] / 1000, UTC).astimezone(ZoneInfo(facts["time_zone"]))


def table(facts: dict[str, Any]) -> Table:
    """Every meter, nested as in the tree; the rest that no meter within saw comes last in each."""
    grid = Table(box=None, pad_edge=False, header_style="underline")
    grid.add_column("Meter", no_wrap=True, ratio=1)
    exports = any(meter["today_out_wh"] > 0 for meter in facts["meters"])
    for name in (
        "Watts",
        "Level",
        "kWh today",
        *(["kWh out"] if exports else []),
        f"{facts['currency']} today",
        "Heard",
    ):
        grid.add_column(name, justify="left" if name == "Level" else "right", no_wrap=True)
    open_loads = {episode["load"] for episode in facts["episodes"]}
    for meter in facts["meters"]:
        indent = "  " * meter["depth"]
        marked = meter["name"] in open_loads
        grid.add_row(
            Text(indent + meter["label"]), _watts(meter["watts_w"]), meter["level"] or "", _kwh(meter["today_in_wh"]),
            *([_kwh(meter["today_out_wh"]) if meter["today_out_wh"] else ""] if exports else []),
            _money(meter), _age(meter),
            style="bold" if marked else "dim" if meter["watts_w"] is None else "",
        )  # fmt: skip
        if meter["unmeasured_w"] is not None:
            grid.add_row(f"{indent}  (not metered within)", _watts(meter["unmeasured_w"]), style="dim")
    return grid


def _watts(watts: float | None) -> str:
    return "-" if watts is None else str(round(watts))


def _kwh(energy_wh: float) -> str:
    return f"{energy_wh / 1000:.2f}"


def _money(meter: dict[str, Any]) -> str:
    if meter["role"] in ("generation", "storage"):
        return ""
    return cell_text(Decimal(meter["today_cost"]), meter["today_unpriced_wh"])


def _age(meter: dict[str, Any]) -> str:
    age_s = meter["age_s"]
    if age_s is None:
        return "never" if meter["watts_w"] is None else "not live yet"
    return "now" if age_s < 2 else f"{duration_text(int(age_s * 1000))} ago"


def episode_lines(facts: dict[str, Any]) -> list[str]:
    """Open episodes, each with what it has cost so far."""
    return [
        f"{'hushed' if episode['hushed'] else 'open'}: {episode['label']} for"
        f" {duration_text(episode['lasting_s'] * 1000)},"
        f" {episode['waste_wh']:.0f} Wh, {cell_text(Decimal(episode['cost']), episode['unpriced_wh'])}"
        f" {facts['currency']} (rule {episode['rule']})"
        for episode in facts["episodes"]
    ]
