"""What the page's handlers share: settings, the gate, the pulse, two lanes, templates, two workshops."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Hashable, Mapping
from pathlib import Path
from typing import Any, TypeVar
from urllib.parse import quote
from zoneinfo import ZoneInfo

from wattround.config.model import Settings
from wattround.ledger.reader import NoLedger
from wattround.ledger.tally import Tally
from wattround.page.day import Day
from wattround.page.figures import day_text, local
from wattround.page.gate import Gate
from wattround.page.lanes import KEEP_S, Lane
from wattround.page.live import Ask, Pulse, mark_of
from wattround.page.workshop import LIVE_CHECK, PROOFS, Workshop
from wattround.pictures.ink import plain
from wattround.pictures.paper import environment, look

T = TypeVar("T")
HERE = Path(__file__).parent / "templates"
PAGES = (
    ("/", "Now"), ("/episodes", "Episodes"), ("/account", "Account"), ("/proofs", "Proofs"), ("/letters", "Letters"),
    ("/upkeep", "Upkeep"),
)  # fmt: skip
"""What stands at the head of every page. A further page is a line here, a handler in `views.py` and a template."""


class Rooms:
    """Lives as long as the page is served; `file`: where the settings are from."""

    def __init__(self, settings: Callable[[], Settings], ask: Ask, gate: Gate, file: Path | None = None) -> None:
        self.settings, self.gate, self.pulse = settings, gate, Pulse(ask)
        self.quick, self.long = Lane("page-quick", settings), Lane("page-long", settings)
        self.day, self.workshop, self.checks = Day(), Workshop(PROOFS, file), Workshop(LIVE_CHECK, file)
        self._templates = environment("wattround.page.templates", "wattround.analysis.reporting")
        self._templates.filters["path"] = lambda text: quote(text, safe="")
        self.style = look() + self._templates.get_template("page.css.j2").render()
        self.script = (HERE / "page.js").read_text()
        self._version = hashlib.sha256((self.style + self.script).encode()).hexdigest()[:12]

    def render(self, template: str, at: str, facts: Mapping[str, Any] | None = None, **more: Any) -> str:
        """A page. `at`: where in the head it belongs; `facts`: the house as it stands, if it is shown."""
        house = self.settings().house
        zone = ZoneInfo(house.time_zone)
        now_ms = None if facts is None else facts["now_ms"]
        return self._templates.get_template(template).render(
            root=self.gate.prefix, at=at, pages=PAGES, version=self._version, currency=house.currency,
            house=plain(house.name or house.id), mark="" if facts is None else mark_of(dict(facts)),
            day="" if now_ms is None else day_text(now_ms, zone),
            clock="" if now_ms is None else f"{local(now_ms, zone):%H:%M:%S}", **more,
        )  # fmt: skip

    async def shown(
        self, key: Hashable, template: str, at: str, facts: Mapping[str, Any],
        view: Callable[[Tally | None], Mapping[str, Any]], keep_s: float = KEEP_S,
    ) -> str:  # fmt: skip
        """A page of the quick lane; its view is told None while there is no ledger."""

        def job(tally: Tally | None) -> str:
            return self.render(template, at, facts, **view(tally))

        try:
            return await self.quick.ask((template, key), job, keep_s)
        except NoLedger:
            return job(None)

    def close(self) -> None:
        """Send listeners away, end what goes on."""
        self.pulse.close()
        self.workshop.close()
        self.checks.close()
        self.quick.close()
        self.long.close()
