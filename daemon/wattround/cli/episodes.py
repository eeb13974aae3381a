"""`wattround episodes`, `hush` and `unhush`."""

from __future__ import annotations

import time
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from rich.console import Console, Group
from rich.table import Table
from rich.text import Text

from wattround.analysis.episodes import Account, Total, lasting_ms
from wattround.config.kinds import duration_text
from wattround.config.model import Settings
from wattround.control import NoDaemon, ask_daemon
from wattround.core.hushing import hush_text
from wattround.core.offline import offline_hush
from wattround.core.rulebook import HOUSE
from wattround.core.words import because
from wattround.ledger.batch import EpisodeRow
from wattround.money.amount import cell_text
from wattround.rules.marks import instant_ms, local_date

DEFAULT_DAYS = 7
MOST_PAST = 40


def request(settings: Settings, facts: dict[str, Any]) -> str:
    """Ask the daemon to hush or un-hush; where none runs, write it into the ledger for the next one."""
    folder = Path(settings.ledger.folder)
    try:
        return str(ask_daemon(folder, "hush", request=facts))
    except NoDaemon:
        return f"{offline_hush(settings, folder, time.time_ns() // 1_000_000, facts)} (no daemon runs: from its start)"


def span(begin: date | None, end: date | None, zone: ZoneInfo, now_ms: int) -> tuple[int, int]:
    """Begin of the first day and end of the last one; the last week where none are named."""
    last = end or local_date(now_ms, zone)
    first = begin or last - timedelta(days=DEFAULT_DAYS - 1)
    return instant_ms(first, 0, zone), instant_ms(last + timedelta(days=1), 0, zone)


class Page:
    """Episodes on a terminal."""

    def __init__(self, settings: Settings) -> None:
        self._zone = ZoneInfo(settings.house.time_zone)
        self._currency = settings.house.currency
        self._rules = {rule.name: rule for rule in settings.rules}
        self._labels = {meter.name: meter.title for meter in settings.meters}
        self._labels[HOUSE] = settings.house.name or settings.house.id

    def show(self, found: Account) -> None:
        """Print it."""
        Console().print(self.page(found))

    def page(self, found: Account) -> Group:
        """Open ones, past ones, totals, hushes."""
        parts: list[Any] = [Text(f"As the ledger stood at {self._clock(found.as_of_ms)}.")]
        if found.open:
            parts += [Text("\nOpen", style="bold"), self._episodes(found.open, found, past=False)]
        if found.past:
            parts += [Text("\nOver", style="bold"), self._episodes(found.past[-MOST_PAST:], found, past=True)]
        if len(found.past) > MOST_PAST:
            parts.append(Text(f"and {len(found.past) - MOST_PAST} before these"))
        if not found.open and not found.past:
            parts.append(Text("No episodes in this span."))
        else:
            parts += [Text("\nBy rule", style="bold"), self._totals(found.by_rule, "Rule", {})]
            parts += [Text("\nBy load", style="bold"), self._totals(found.by_load, "Load", self._labels)]
        parts += [Text(f"hushed: {hush.rule}{f', {hush.load}' if hush.load else ''}"
                       f" {hush_text(hush, found.as_of_ms)}") for hush in found.hushes]  # fmt: skip
        return Group(*parts)

    def _clock(self, at_ms: int) -> str:
        return f"{datetime.fromtimestamp(at_ms / 1000, UTC).astimezone(self._zone):%a %d %b %H:%M}"

    def _label(self, row: EpisodeRow) -> str:
        label = self._labels.get(row.load)
        return label or row.load.removesuffix("+")

    def _episodes(self, rows: list[EpisodeRow], found: Account, *, past: bool) -> Table:
        grid = Table(box=None, pad_edge=False, header_style="underline")
        for name, right in (("Began", False), ("Lasted", True), ("Load", False), ("Rule", False), ("Wh", True),
                            (self._currency, True), *((("Over because", False),) if past else ())):  # fmt: skip
            grid.add_column(name, justify="right" if right else "left", no_wrap=name not in ("Load", "Over because"))
        for row in rows:
            cells = [
                self._clock(row.began_ms), duration_text(lasting_ms(row, found.as_of_ms)), self._label(row), row.rule,
                f"{row.waste_uwh / 1e6:.0f}", cell_text(Decimal(row.cost), row.unpriced_uwh),
            ]  # fmt: skip
            if past:
                cells.append(because(_reason(row), self._rules.get(row.rule), self._currency))
            grid.add_row(*map(Text, cells))
        return grid

    def _totals(self, totals: list[Total], head: str, labels: dict[str, str]) -> Table:
        grid = Table(box=None, pad_edge=False, header_style="underline")
        for name in (head, "Episodes", "Lasted", "Wh", self._currency):
            grid.add_column(name, justify="left" if name == head else "right", no_wrap=True)
        for total in totals:
            grid.add_row(
                Text(labels.get(total.name, total.name.removesuffix("+"))), str(total.episodes),
                duration_text(total.lasting_s * 1000), f"{total.waste_wh:.0f}",
                cell_text(total.cost, total.unpriced_wh),
            )  # fmt: skip
        return grid


def _reason(row: EpisodeRow) -> Any:
    return row.reason
