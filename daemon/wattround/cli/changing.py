"""What the change commands say and ask: options to entries, entries to lines."""

from __future__ import annotations

import re
import time
from collections.abc import Mapping
from datetime import UTC, datetime
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

from rich.console import Console
from rich.table import Table

from wattround.cli.booking import ask_book
from wattround.config.model import Settings
from wattround.core.change import Change

NOTHING = "-"
OPTIONS = {"expect_wh": "expect", "along_with": "with"}
_ENERGY = re.compile(r"(?P<number>-?\d{1,9}(\.\d{1,6})?)\s*(?P<unit>k?Wh)", re.IGNORECASE)


def add(settings: Settings, stated: Mapping[str, Any]) -> tuple[int, Change]:
    """Enter a change; its number, and as it now stands.

    Raises:
        ValueError: with a reason, in the words of the options.
    """
    return _put(settings, "add", {"at": _moment("at", "now", settings)} | _entry(stated, settings))


def edit(settings: Settings, known: Mapping[int, Change], which: str, stated: Mapping[str, Any]) -> tuple[int, Change]:
    """Change an entry; its number, and as it now stands.

    Raises:
        ValueError: with a reason, in the words of the options.
    """
    number, before = pick(known, which)
    entry = before.model_dump(mode="json", exclude_defaults=True) | _entry(stated, settings)
    kept = {key: value for key, value in entry.items() if value != NOTHING}
    return _put(settings, "change", kept, number=number)


def _put(settings: Settings, do: str, entry: dict[str, Any], **facts: Any) -> tuple[int, Change]:
    try:
        number = ask_book(settings, do, "change", entry=entry, **facts)
    except ValueError as refusal:
        key, _, rest = str(refusal).partition(":")
        raise ValueError(f"--{OPTIONS.get(key, key)}:{rest}" if key in Change.model_fields else refusal) from None
    return number, Change.model_validate(entry)


def _entry(stated: Mapping[str, Any], settings: Settings) -> dict[str, Any]:
    """What options say, as an entry has it: texts with units become plain numbers, local times get their offset."""
    names = {option: key for key, option in OPTIONS.items()}
    entry: dict[str, Any] = {names.get(key, key): value for key, value in stated.items() if value}
    for key in ("at", "until"):
        if key in entry:
            entry[key] = _moment(key, entry[key], settings)
    expected = entry.get("expect_wh", NOTHING)
    if expected != NOTHING:
        entry["expect_wh"] = f"{energy_wh('--expect', expected):f}"
    return entry


def energy_wh(option: str, stated: str) -> Decimal:
    """Watt-hours of a text such as "800Wh" or "1.2kWh".

    Raises:
        ValueError: for anything else.
    """
    found = _ENERGY.fullmatch(stated.strip())
    if found is None:
        raise ValueError(f'{option}: found "{stated}"; expected energy a day, such as "800Wh" or "1.2kWh"')
    return Decimal(found["number"]) * (1000 if found["unit"].lower() == "kwh" else 1)


def _moment(key: str, found: str, settings: Settings) -> str:
    """A local time with its offset."""
    zone = ZoneInfo(settings.house.time_zone)
    if found == "now":
        return datetime.fromtimestamp(int(time.time()), UTC).astimezone(zone).isoformat()
    try:
        at = datetime.fromisoformat(found)
    except ValueError:
        raise ValueError(f'--{key}: found "{found}"; expected a moment such as 2026-06-03T09:00') from None
    return (at if at.tzinfo is not None else at.replace(tzinfo=zone)).isoformat()


def pick(known: Mapping[int, Change], which: str) -> tuple[int, Change]:
    """The change of a name or number.

    Raises:
        ValueError: if there is none.
    """
    for number, change in known.items():
        if which in (change.name, str(number)):
            return number, change
    names = ", ".join(f'{number} "{change.name}"' for number, change in known.items())
    raise ValueError(f'found "{which}"; expected a change by its name or number: {names or "none has been entered"}')


def shown(change: Change, settings: Settings) -> str:
    """One line about it."""
    zone = ZoneInfo(settings.house.time_zone)
    parts = [f'"{change.name}" on {", ".join(change.on)} since {change.at.astimezone(zone):%Y-%m-%d %H:%M}']
    if change.until is not None:
        parts.append(f"until {change.until.astimezone(zone):%Y-%m-%d %H:%M}")
    if change.cost is not None:
        parts.append(f"for {change.cost} {settings.house.currency}")
    if change.expect_wh is not None:
        who = f"{change.by} expects" if change.by else "expected"
        way = "to save" if change.expect_wh >= 0 else "to use"
        parts.append(f"{who} {way} {abs(change.expect_wh) / 1000:.2f} kWh a day{' more' * (change.expect_wh < 0)}")
    if change.along_with is not None:
        parts.append(f'not to be told apart from "{change.along_with}"')
    return ", ".join(parts)


def listed(found: Mapping[int, Change], settings: Settings) -> None:
    """Print all of them."""
    if not found:
        print('No change has been entered: wattround change add "pump slower" --on pool-pump')
        return
    zone = ZoneInfo(settings.house.time_zone)
    grid = Table(box=None, pad_edge=False, header_style="underline", padding=(0, 2, 0, 0))
    for name in ("No.", "Change", "On", "Since", "Until", "Cost", "Expected"):
        grid.add_column(name, justify="right" if name in ("No.", "Cost", "Expected") else "left")
    for number, change in sorted(found.items(), key=lambda item: item[1].at_ms):
        until = "" if change.until is None else f"{change.until.astimezone(zone):%Y-%m-%d %H:%M}"
        expected = "" if change.expect_wh is None else f"{change.expect_wh / 1000:.2f} kWh/day"
        grid.add_row(
            str(number), change.name, ", ".join(change.on), f"{change.at.astimezone(zone):%Y-%m-%d %H:%M}", until,
            "" if change.cost is None else f"{change.cost}", expected,
        )  # fmt: skip
    Console(highlight=False).print(grid)


def listed_plain(found: Mapping[int, Change]) -> list[dict[str, Any]]:
    """For programs."""
    return [{"number": number, **change.model_dump(mode="json")} for number, change in found.items()]
