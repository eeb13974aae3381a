"""Follows proven savings, a day at a time, when the day is over: whether each still holds."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import asdict
from datetime import date, timedelta
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

from wattround.config.model import Settings
from wattround.core.outdoor import Said, temperatures
from wattround.core.watched import Watched
from wattround.ledger.totals import Sums
from wattround.metering.localtime import instant_ms
from wattround.metering.minute import MINUTE_MS
from wattround.rules.drift import DriftRule, DriftState, follow

COVERED_ENOUGH = 0.9
MOST_DAYS = 400
"""A watch that begins longer ago is followed from then on."""
DAY = timedelta(days=1)


class Look(NamedTuple):
    """What is asked of the ledger: sums of minutes [from, to), and words."""

    sums: Callable[[int, int], Mapping[str, Sums]]
    said: Said


class _Followed(NamedTuple):
    """One watch, what its days have come to, and up to which day it was followed."""

    number: int
    entered_ms: int
    watched: Watched
    rule: DriftRule
    state: DriftState
    until: date


class Watches:
    """All savings of one house that are watched."""

    def __init__(self) -> None:
        self._followed: list[_Followed] = []

    def configure(self, entries: Mapping[int, tuple[int, Watched]]) -> None:
        """Take up what is in the book (by number: when it was entered, and the entry); what stays goes on."""
        known = {(each.number, each.entered_ms): each for each in self._followed}
        self._followed = [
            known.get((number, at_ms))
            or _Followed(number, at_ms, entry, DriftRule.from_json(entry.rule), DriftState(), entry.since - DAY)
            for number, (at_ms, entry) in entries.items()
        ]

    def worn_off(self, load: str) -> bool | None:
        """Whether some saving on a load is lost; None where none is watched, or no day was judged yet."""
        states = [each.state for each in self._followed if load in each.watched.on]
        judged = [state for state in states if state.days]
        return any(state.worn_off for state in judged) if judged else None

    def lost(self, load: str) -> Watched | None:
        """A saving on this load that is lost."""
        return next((each.watched for each in self._followed if load in each.watched.on and each.state.worn_off), None)

    def go_on(self, today: date, settings: Settings, look: Look) -> bool:
        """Follow all days before `today` that were not followed yet; whether there was one."""
        moved = False
        for at, each in enumerate(self._followed):
            first = max(each.until + DAY, today - MOST_DAYS * DAY)
            days = [first + offset * DAY for offset in range((today - first).days)]
            if not days:
                continue
            state, zone = each.state, ZoneInfo(settings.house.time_zone)
            known_c = (
                temperatures(days, settings, zone, look.said) if each.rule.expectation.coldest_c is not None else {}
            )
            for day in days:
                energy_wh = _energy_wh(each.watched.on, day, zone, look)
                if energy_wh is not None:
                    state = follow(each.rule, state, day, energy_wh, known_c.get(day))
            self._followed[at] = each._replace(state=state, until=days[-1])
            moved = True
        return moved

    def snapshot(self) -> list[dict[str, Any]]:
        """Plain values."""
        return [
            {
                "number": each.number,
                "at_ms": each.entered_ms,
                "until": each.until.isoformat(),
                "state": asdict(each.state),
            }
            for each in self._followed
        ]

    def restore(self, saved: Sequence[Mapping[str, Any]]) -> None:
        """Take up what was saved of the watches there are."""
        found = {(each["number"], each["at_ms"]): each for each in saved}
        for at, each in enumerate(self._followed):
            old = found.get((each.number, each.entered_ms))
            if old is not None:
                until = date.fromisoformat(old["until"])
                self._followed[at] = each._replace(state=DriftState(**old["state"]), until=until)

    def __iter__(self) -> Iterator[Watched]:
        return iter([each.watched for each in self._followed])


def _energy_wh(loads: Sequence[str], day: date, zone: ZoneInfo, look: Look) -> float | None:
    """Net energy of a local day; None unless all loads cover it well enough."""
    begin, end = (instant_ms(each, 0, zone) // MINUTE_MS for each in (day, day + DAY))
    sums = look.sums(begin, end)
    found = [sums.get(name) for name in loads]
    if any(each is None or each.covered_ms < COVERED_ENOUGH * (end - begin) * MINUTE_MS for each in found):
        return None
    return sum((each.in_uwh - each.out_uwh) / 1e6 for each in found if each is not None)
