"""`wattround scout --tree`: who is within whom, from the ledger's minutes."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import NamedTuple
from zoneinfo import ZoneInfo

from rich.console import Console
from rich.table import Table
from rich.text import Text

from wattround.analysis.evidence import Evidence, Span
from wattround.analysis.known import known_meters
from wattround.analysis.scout.draft import quoted
from wattround.analysis.scout.links import FALSE_RATE
from wattround.analysis.scout.merging import Written, merged
from wattround.analysis.scout.notes import Note, notes
from wattround.analysis.scout.tree import Place, Wiring, infer
from wattround.cli.common import counted
from wattround.cli.history import day_text, span_of
from wattround.config.model import Meter, Settings
from wattround.ledger.survey import Survey

WIDTH = 118


class Seen(NamedTuple):
    """What the minutes of some days say."""

    span: Span
    days: int
    wiring: Wiring
    notes: list[Note]
    meters: dict[str, Meter]


def look(settings: Settings, first: date | None, last: date | None) -> Seen:
    """Look at the last days of the ledger, or those asked for; of many the fullest.

    Raises:
        NoLedger: if there is none.
        WrongSpan: if it has nothing of these days.
        sqlite3.Error: if it cannot be read.
    """
    survey = Survey(Path(settings.ledger.folder), settings.house.id)
    try:
        span = span_of(survey.span(), first, last, ZoneInfo(settings.house.time_zone))
        evidence = Evidence(survey, known_meters(survey, settings), span)
    finally:
        survey.close()
    meters = {name: meter for name, meter in evidence.meters.items() if not meter.computed}
    series = {name: evidence.watts[name] for name in meters}
    roles = {name: meter.role for name, meter in meters.items()}
    wiring = infer(series, roles)
    return Seen(span, len(evidence.days), wiring, list(notes(series, roles, wiring)), meters)


def show(settings: Settings, first: date | None, last: date | None) -> None:
    """Print it: a row for each meter, what else was seen, and the lines to paste."""
    seen = look(settings, first, last)
    console = _console(stderr=False)
    _tell(seen, settings, console)
    for line in _lines(seen):
        console.print(Text(line))


def show_merged(settings: Settings, file: Path, first: date | None, last: date | None, *, likely: bool) -> None:
    """Print the file's text with the places in it, and beside it, on standard error, what was found."""
    seen = look(settings, first, last)
    console = _console(stderr=True)
    _tell(seen, settings, console)
    places = {
        place.meter: Written(place.parent or "", _because(place))
        for place in _new(seen, likely=likely)
        if seen.meters[place.meter].within is None
    }
    done = merged(file.read_text(encoding="utf-8"), places)
    print(done.text, end="")
    console.print(
        Text(f"Written into {file.name}, on standard output: {counted(len(places) - len(done.left), 'place')}.")
    )
    if done.left:
        console.print(Text(f"Left to you, for there is no entry to write it into: {', '.join(done.left)}."))


def _because(place: Place) -> str:
    moved = f": {place.link.hits} of {place.link.looked} moves" if place.link is not None and place.link.looked else ""
    return f"{place.surety}{moved}{'; ' + place.why if place.why else ''}"


def _console(*, stderr: bool) -> Console:
    console = Console(highlight=False, stderr=stderr)
    if not console.is_terminal:
        console.width = WIDTH
    return console


def _tell(seen: Seen, settings: Settings, console: Console) -> None:
    zone = ZoneInfo(settings.house.time_zone)
    begin, end = day_text(seen.span.first, zone), day_text(seen.span.last - 1, zone)
    house = settings.house.name or settings.house.id
    looked = counted(seen.days, "day")
    console.print(Text(f"{house}: {begin} to {end}, minutes of {looked}. Nothing is changed by this."))
    console.print(_table(seen))
    for note in seen.notes:
        console.print(Text(f"{', '.join(note.meters)}: {note.says}"))
        console.print(Text(f"    {note.shown}"))
        if note.fix:
            console.print(Text(f"    {note.fix}"))
    console.print(Text(_method(seen.wiring)))


def _table(seen: Seen) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    for title, justify in (("Meter", "left"), ("Within", "left"), ("How", "left"), ("Moves with it", "right"),
                           ("By chance", "right"), ("", "left")):  # fmt: skip
        table.add_column(title, justify="right" if justify == "right" else "left", overflow="fold")
    for place in seen.wiring.places.values():
        table.add_row(*(Text(cell) for cell in _row(place, seen)))
    return table


def _row(place: Place, seen: Seen) -> tuple[str, ...]:
    link = place.link if place.parent is not None and place.link is not None and place.link.looked else None
    moves = counted(seen.wiring.moves[place.meter], "move")
    together = f"{link.hits} of {link.looked}" if link is not None else moves
    chance = f"{link.expected:.1f}" if link is not None else ""
    told = {"sure": "sure", "likely": "likely", "open": "not yet", "top": "the supply"}[place.surety]
    stated = seen.meters[place.meter].within
    differs = f"the settings say {stated}" if stated is not None and place.parent not in (None, stated) else ""
    return place.meter, place.parent or "", told, together, chance, "; ".join(filter(None, (differs, place.why)))


def _method(wiring: Wiring) -> str:
    return (
        f"Sure: so many moves together are no chance by {wiring.tests} tests, of which at most"
        f" {FALSE_RATE:.0%} in the mean are believed wrongly (Poisson binomial, Benjamini and Yekutieli:"
        f" p up to {wiring.limit:.1g}), and no other meter fits."
    )


def _new(seen: Seen, *, likely: bool = False) -> list[Place]:
    """Places that the settings do not say, or say otherwise: those that are sure, or likely as well."""
    sureties = ("sure", "likely") if likely else ("sure",)
    return [
        place for place in seen.wiring.places.values()
        if place.surety in sureties and place.parent is not None and seen.meters[place.meter].within != place.parent
    ]  # fmt: skip


def _lines(seen: Seen) -> Iterator[str]:
    """What to write into entries that do not say it yet."""
    new = _new(seen)
    if new:
        yield "To paste into the entries of these meters:"
    for place in new:
        yield f"    name = {quoted(place.meter)}"
        yield f"    within = {quoted(place.parent or '')}"
