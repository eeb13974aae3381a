"""What the inventory commands say and ask: options to entries, entries to lines."""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

from rich.console import Console
from rich.table import Table
from rich.text import Text

from wattround.analysis.inventory import Amount, Explained
from wattround.analysis.inventoryfind import Check, Inventory, Listed
from wattround.cli.booking import ask_book
from wattround.config.model import Settings
from wattround.core.inventory import Load, hours_text, watts_text
from wattround.money.amount import to_cents

NOTHING = "-"
WIDTH = 130
HOURS = re.compile(r"(?P<low>\d{1,2}(\.\d{1,3})?)\s*(-\s*(?P<high>\d{1,2}(\.\d{1,3})?))?\s*h?")
OPTIONS = {
    "circuit": "circuit", "on_w": "watts", "on_uncertainty_w": "plus-minus", "standby_w": "standby",
    "standby_uncertainty_w": "standby-plus-minus", "inrush_w": "inrush", "hours": "hours", "how": "how", "room": "room",
    "name": "name", "note": "note",
}  # fmt: skip
COLUMNS = (
    "number", "name", "room", "circuit", "how", "measured", "on_w", "on_uncertainty_w", "standby_w",
    "standby_uncertainty_w", "inrush_w", "hours_low", "hours_high", "kwh_per_year", "kwh_per_year_low",
    "kwh_per_year_high", "money_per_year", "money_per_year_low", "money_per_year_high", "note",
)  # fmt: skip


def hours_of(found: str) -> tuple[Decimal, Decimal]:
    """Hours a day of "3" or "2-4", the lower and the higher.

    Raises:
        ValueError: for anything else.
    """
    match = HOURS.fullmatch(found.strip().replace(",", "."))
    low, high = (Decimal(match["low"]), Decimal(match["high"] or match["low"])) if match else (Decimal(-1), Decimal(0))
    if match is None or high > 24 or low > high:
        raise ValueError(f'--hours: found "{found}"; expected hours a day such as 3, or a range such as 2-4, up to 24')
    return low, high


def add(settings: Settings, stated: Mapping[str, str]) -> tuple[int, Load]:
    """Enter a load; its number, and as it now stands.

    Raises:
        ValueError: with a reason, in the words of the options.
    """
    return _put(settings, "add", _entry({key: value for key, value in stated.items() if value != NOTHING}))


def edit(settings: Settings, known: Mapping[int, Load], which: str, stated: Mapping[str, str]) -> tuple[int, Load]:
    """Change an entry; its number, and as it now stands. What was measured is no longer, once its watts are typed.

    Raises:
        ValueError: with a reason, in the words of the options.
    """
    number, before = pick(known, which)
    entry = before.model_dump(mode="json", exclude_defaults=True)
    wanted = _entry(stated)
    if "on_w" in wanted:
        entry = {key: value for key, value in entry.items() if key not in ("measured", "how", "on_uncertainty_w")}
    if "standby_w" in wanted:
        entry.pop("standby_uncertainty_w", None)
    kept = {key: value for key, value in (entry | wanted).items() if value != NOTHING}
    return _put(settings, "change", kept, number=number)


def _put(settings: Settings, do: str, entry: dict[str, Any], **facts: Any) -> tuple[int, Load]:
    if "on_w" in entry and "how" not in entry:
        entry["how"] = "measured" if "on_uncertainty_w" in entry else "guess"
    try:
        number = ask_book(settings, do, "load", entry=entry, **facts)
    except ValueError as refusal:
        key, _, rest = str(refusal).partition(":")
        named = {**OPTIONS, "hours_low": "hours", "hours_high": "hours"}.get(key)
        raise ValueError(f"--{named}:{rest}" if named and key != "name" else refusal) from None
    return number, Load.model_validate(entry)


def _entry(stated: Mapping[str, str]) -> dict[str, Any]:
    names = {option: key for key, option in OPTIONS.items()}
    entry: dict[str, Any] = {names[option]: value for option, value in stated.items() if value}
    hours = entry.pop("hours", None)
    if hours == NOTHING:
        entry |= {"hours_low": NOTHING, "hours_high": NOTHING}
    elif hours is not None:
        low, high = hours_of(hours)
        entry |= {"hours_low": f"{low:f}", "hours_high": f"{high:f}"}
    return entry


def pick(known: Mapping[int, Load], which: str) -> tuple[int, Load]:
    """The load of a name or number.

    Raises:
        ValueError: if there is none.
    """
    for number, load in known.items():
        if which in (load.name, str(number)):
            return number, load
    names = ", ".join(f'{number} "{load.name}"' for number, load in known.items())
    raise ValueError(f'found "{which}"; expected a load by its name or number: {names or "none has been entered"}')


def shown(load: Load) -> str:
    """One line about it."""
    parts = [f'"{load.name}"{f" in {load.room}" if load.room else ""}']
    parts += [f"on {load.circuit}"] if load.circuit else []
    parts += (
        [f"{watts_text(load.on_w, load.on_uncertainty_w)} W in use"]
        if load.on_w is not None
        else ["watts not known yet"]
    )
    if load.standby_w is not None:
        parts.append(f"{watts_text(load.standby_w, load.standby_uncertainty_w)} W in standby")
    parts += [f"{hours_text(load)} h a day"] if load.hours_low is not None else []
    return ", ".join(parts)


# -- lists ------------------------------------------------------------------------------------------


def _console() -> Console:
    console = Console(highlight=False)
    if not console.is_terminal:
        console.width = WIDTH
    return console


def _grid(names: tuple[str, ...], left: tuple[str, ...]) -> Table:
    grid = Table(box=None, pad_edge=False, header_style="underline", padding=(0, 2, 0, 0))
    for name in names:
        grid.add_column(name, justify="left" if name in left else "right", no_wrap=name not in left)
    return grid


def listed(found: Inventory) -> None:
    """Print all loads, and their sum."""
    if not found.rows:
        print('No load is listed: wattround walk, or wattround inventory add "Desk lamp" --room study')
        return
    currency, console = found.settings.house.currency, _console()
    left = ("Load", "Room", "Circuit", "How")
    grid = _grid((*left[:3], "In use W", "Standby W", "Hours", "kWh a year", "Range", currency, "Range ", "How"), left)
    for row in found.rows:
        load = row.load
        grid.add_row(
            Text(load.name), Text(load.room), load.circuit or "", watts_text(load.on_w, load.on_uncertainty_w),
            watts_text(load.standby_w, load.standby_uncertainty_w), hours_text(load),
            *_cells(row.kwh), *_cells(row.money, 2),
            _how(load),
        )  # fmt: skip
    grid.add_row("All", "", "", "", "", "", *_cells(found.kwh), *_cells(found.money, 2), "")
    console.print(grid)
    for note in _notes(found):
        console.print(Text(note))


def _cells(of: Amount | None, digits: int = 0) -> tuple[str, str]:
    if of is None:
        return "", ""
    return f"{of.value:.{digits}f}", f"{of.low:.{digits}f}-{of.high:.{digits}f}"


def _how(load: Load) -> str:
    if load.switched:
        return f"begun, {len(load.switched)} switches"
    if load.how == "measured" and load.measured is not None:
        return f"measured {load.measured:%Y-%m-%d}"
    return load.how or "to do"


def _notes(found: Inventory) -> Iterator[str]:
    open_ones = [row.load.name for row in found.rows if row.kwh is None]
    if open_ones:
        yield f"Not in the sum, for want of watts or hours: {', '.join(open_ones)}."
    if found.money is None:
        yield "No price is known."
    yield "Ranges have the truth in some 95 of 100 cases. Money: at the prices of the last year, as if all was bought."


def plain(found: Inventory) -> Iterator[dict[str, Any]]:
    """For programs, a row for each load."""
    for row in found.rows:
        yield dict(zip(COLUMNS, _values(row), strict=True))


def _values(row: Listed) -> Iterator[Any]:
    load = row.load
    yield from (row.number, load.name, load.room, load.circuit, load.how)
    yield load.measured.isoformat() if load.measured is not None else None
    for each in (load.on_w, load.on_uncertainty_w, load.standby_w, load.standby_uncertainty_w, load.inrush_w):
        yield None if each is None else float(each)
    for each in (load.hours_low, load.hours_high):
        yield None if each is None else float(each)
    for amount, is_money in ((row.kwh, False), (row.money, True)):
        for value in (amount.value, amount.low, amount.high) if amount is not None else (None, None, None):
            if value is None:
                yield None
            else:
                yield str(to_cents(Decimal(repr(value)))) if is_money else round(value, 3)
    yield load.note


def as_csv(found: Inventory) -> str:
    """One table (RFC 4180)."""
    out = io.StringIO()
    table = csv.DictWriter(out, COLUMNS, lineterminator="\r\n")
    table.writeheader()
    table.writerows(plain(found))
    return out.getvalue()


def as_json(found: Inventory) -> str:
    """One JSON object. Money is text, so that no program makes it inexact."""
    return json.dumps({"currency": found.settings.house.currency, "loads": list(plain(found))})


# -- what they explain ------------------------------------------------------------------------------


def held(found: Check) -> None:
    """Print every circuit with what its loads explain of it."""
    zone = ZoneInfo(found.settings.house.time_zone)
    first, last = (datetime.fromtimestamp(at / 1000, UTC).astimezone(zone) for at in (found.from_ms, found.to_ms - 1))
    console = _console()
    console.print(
        Text(f"What the listed loads explain of each circuit, {first:%Y-%m-%d} to {last:%Y-%m-%d}; Wh a day.")
    )
    grid = _grid(("Circuit", "Used", "Listed", "Range", "Loads", "Explains", " "), ("Circuit", " "))
    for each in found.circuits:
        grid.add_row(
            each.circuit, f"{each.used_wh:.0f}", f"{each.listed.value:.0f}",
            f"{each.listed.low:.0f} to {each.listed.high:.0f}", str(each.loads), _share(each), Text(says(each)),
        )  # fmt: skip
    console.print(grid)
    if found.nowhere:
        console.print(Text(f"On no circuit yet: {', '.join(found.nowhere)}."))
    console.print(Text("Used: what the circuit took beyond the meters within it."))


def _share(of: Explained) -> str:
    return "" if of.share is None or not of.loads else f"{100 * of.share.value:.0f} %"


def says(of: Explained) -> str:
    """In words, what a circuit's loads explain of it."""
    missing = f"; no hours or watts: {', '.join(of.missing)}" if of.missing else ""
    share = of.share
    if share is None:
        return f"nothing was used{missing}"
    if not of.loads:
        return f"nothing is listed{missing}"
    low, high = (f"{100 * each:.0f}" for each in (share.low, share.high))
    between = f"between {low} and {high} %"
    if share.high < 1:
        return f"{between}: something is not listed{missing}"
    if share.low > 1:
        return f"{between}: more is listed than was used; fewer hours?{missing}"
    return f"{between}: may be all of it{missing}"


def held_plain(found: Check) -> dict[str, Any]:
    """For programs."""
    return {
        "from_ms": found.from_ms, "to_ms": found.to_ms, "nowhere": list(found.nowhere),
        "circuits": [
            {
                "circuit": each.circuit, "used_wh_per_day": round(each.used_wh, 3), "minutes": each.minutes,
                "listed_wh_per_day": round(each.listed.value, 3), "listed_low": round(each.listed.low, 3),
                "listed_high": round(each.listed.high, 3), "loads": each.loads, "missing": list(each.missing),
                "share": None if each.share is None else round(each.share.value, 4),
                "share_low": None if each.share is None else round(each.share.low, 4),
                "share_high": None if each.share is None else round(each.share.high, 4),
            }
            for each in found.circuits
        ],
    }  # fmt: skip
