"""What the core looks after now and then: its own troubles, base load by night, what periods have had until now."""

from __future__ import annotations

import shutil
from collections.abc import Iterator, Mapping
from datetime import timedelta
from pathlib import Path
from typing import Any

from wattround.core.house import HouseCore
from wattround.core.nightly import SETTLED_MINUTES, judged_ms, night_from, night_span
from wattround.core.rulebook import HOUSE
from wattround.core.watched import Watched
from wattround.core.watches import Look
from wattround.ledger.writer import HOUR_MS, Writer
from wattround.metering.consumption import house_energy, sources
from wattround.metering.minute import MINUTE_MS
from wattround.rules.marks import instant_ms, local_date, period_begin
from wattround.rules.nights import RECENT_NIGHTS, TRAILING_NIGHTS

LOOK_EVERY_MS = 10_000
DISK_NEARLY_FULL_BYTES = 200_000_000
DISK_NEARLY_FULL_SHARE = 0.02
FAILING_ATTEMPTS = 3
AHEAD_MINUTES = 180
"""How far ahead rows are looked for that a clock set back will come by: each hour anew, there may be years of them."""


class Rounds:
    """Tells the house what its rules cannot know by themselves."""

    def __init__(self, house: HouseCore, writer: Writer, folder: Path) -> None:
        self._house, self._writer, self._folder = house, writer, folder
        self._look_ms = 0
        self._night_ms = 0
        self._day_ms = 0
        self._is_restored = False
        self._ahead_ms = 0

    def rows_ahead(self, now_ms: int) -> dict[str, set[int]]:
        """Minutes, by meter, that have rows already though they are still to come: the clock was set back."""
        minute = now_ms // MINUTE_MS
        self._ahead_ms = now_ms + HOUR_MS
        return self._writer.occupied(minute, minute + AHEAD_MINUTES)

    def begin(self, now_ms: int) -> None:
        """After a start, a change of settings or of the clock: what the ledger says of nights and periods."""
        self._look_ms = 0
        self.anchor(now_ms)
        today = local_date(now_ms, self._house.zone)
        self._house.nights.forget_after(today)
        if self._wanted:
            for back in range(RECENT_NIGHTS + TRAILING_NIGHTS, -1, -1):
                self._judge(today - timedelta(days=back), now_ms)
        self._plan_night(now_ms)
        self.watch(now_ms)

    def watch(self, now_ms: int) -> None:
        """Take up the savings that the book has to be watched, and follow them up to yesterday."""
        watches, writer = self._house.facts.watches, self._writer
        rows = [row for row in writer.book.rows(Watched.kind) if row.body is not None]
        watches.configure({row.number: (row.at_ms, Watched.model_validate_json(row.body or "")) for row in rows})
        if not self._is_restored:
            saved = writer.state("watches")
            watches.restore(saved[1] if saved is not None else ())
            self._is_restored = True
        self._follow(now_ms)

    def _follow(self, now_ms: int) -> None:
        house, today = self._house, local_date(now_ms, self._house.zone)
        self._day_ms = instant_ms(today + timedelta(days=1), SETTLED_MINUTES, house.zone)
        house.engine.advance(now_ms)
        if house.facts.watches.go_on(today, house.settings, Look(self._writer.sums, self._writer.words)):
            house.batch.states["watches"] = house.facts.watches.snapshot()
        house.engine.signals_changed(now_ms)

    @property
    def _wanted(self) -> bool:
        return any(rule.base_load_up_w is not None for rule in self._house.settings.rules)

    def anchor(self, now_ms: int) -> None:
        """Where the running days, weeks and months of watched loads stand, by the ledger."""
        house = self._house
        found: dict[str, dict[str, tuple[int, int]]] = {}
        for load, per in house.spending.watched:
            if per not in found:
                begin = period_begin(now_ms, per, house.zone) // MINUTE_MS
                sums = self._writer.sums(begin, now_ms // MINUTE_MS + 1)
                found[per] = {name: (total.in_uwh, total.out_uwh) for name, total in sums.items()}
            house.spending.anchor(load, per, now_ms, self._had(load, found[per]))

    def _had(self, load: str, sums: Mapping[str, tuple[int, int]]) -> int:
        house = self._house
        if load == HOUSE:
            return round(house_energy(sources(house.tree), lambda name: sums.get(name, (0, 0))).consumed)
        return sum(sums.get(name, (0, 0))[0] for name in house.facts.members.get(load, (load,)))

    # -- each turn --------------------------------------------------------------------------------

    def look(
        self, now_ms: int, health: Mapping[str, Any], outbox_attempts: Iterator[int], ledger: str, archive: str
    ) -> None:
        """Look at the daemon's own health, and judge the night when it is over."""
        if 0 <= now_ms - self._look_ms < LOOK_EVERY_MS:
            return
        self._look_ms = now_ms
        if now_ms >= self._ahead_ms:
            self._house.metering.occupy(self.rows_ahead(now_ms))
        house, facts = self._house, self._house.facts
        connected = health.get("broker", "connected") == "connected"
        troubles = {
            "broker": not connected,
            "ledger": bool(ledger),
            "archive": bool(archive),
            "channel": any(attempts >= FAILING_ATTEMPTS for attempts in outbox_attempts),
            "disk": self._disk_nearly_full(),
        }
        now_troubled = frozenset(name for name, is_so in troubles.items() if is_so)
        listening_ms = (facts.listening_ms or now_ms) if connected else None
        if (now_troubled, listening_ms) != (facts.troubles_now, facts.listening_ms):
            house.engine.advance(now_ms)
            facts.troubles_now, facts.listening_ms = now_troubled, listening_ms
            house.engine.signals_changed(now_ms)
        if now_ms >= self._night_ms and self._wanted:
            house.engine.advance(now_ms)
            self._judge(local_date(now_ms, house.zone), now_ms)
            self._plan_night(now_ms)
            house.engine.signals_changed(now_ms)

        if now_ms >= self._day_ms:
            self._follow(now_ms)

    def _disk_nearly_full(self) -> bool:
        try:
            usage = shutil.disk_usage(self._folder)
        except OSError:
            return False
        return usage.free < min(DISK_NEARLY_FULL_BYTES, DISK_NEARLY_FULL_SHARE * usage.total)

    def _plan_night(self, now_ms: int) -> None:
        zone = self._house.zone
        today = local_date(now_ms, zone)
        due_ms = judged_ms(today, zone)
        self._night_ms = due_ms if now_ms < due_ms else judged_ms(today + timedelta(days=1), zone)

    def _judge(self, day: Any, now_ms: int) -> None:
        house = self._house
        if now_ms < judged_ms(day, house.zone):
            return
        rows = self._writer.hours(*night_span(day, house.zone))
        night = night_from(day, rows, house.tree)
        if night is not None:
            house.nights.put(night)
