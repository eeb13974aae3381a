"""Savings that the daemon watches: each with what it last saved of it, and whether it holds, in words."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from wattround.core.book import entries
from wattround.core.watched import Watched
from wattround.ledger.reader import Reader


def watched(reader: Reader) -> Iterator[tuple[Watched, Mapping[str, Any]]]:
    """Each watch with the state that the daemon last saved of it; none of one that was entered since."""
    entered_ms = {row.number: row.at_ms for row in reader.book.rows(Watched.kind)}
    saved = reader.state("watches")
    states = {(each["number"], each["at_ms"]): each["state"] for each in (saved[1] if saved else ())}
    for number, entry in entries(reader.book, Watched).items():
        yield entry, states.get((number, entered_ms[number]), {})


def holds(entry: Watched, state: Mapping[str, Any]) -> str:
    """What was proven, and whether it is still so."""
    days, saved = state.get("days", 0), f"{float(entry.saved_wh) / 1000:.2f} kWh a day"
    if not days:
        return f"{saved} were proven; no day has been judged yet."
    if state["worn_off"]:
        return f"{saved} were proven, and are at least partly lost: something was set back, or the load has changed."
    return f"{saved} were proven, and still hold after {days} {'day' if days == 1 else 'days'}."
