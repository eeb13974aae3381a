"""`wattround levels`: what each load's own history says of its thresholds."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from textwrap import wrap
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

from rich.console import Console
from rich.text import Text

from wattround.analysis.levels import DAY_MINUTES, Border, Class, Proposal, hours_apart, propose, watts_text
from wattround.config.model import Settings
from wattround.ledger.reader import Reader
from wattround.rules.marks import instant_ms

LOADS = ("circuit", "appliance")
DEFAULT_DAYS = 30
WIDTH = 80
BAR = 34
STYLES = {"off": "dim", "standby": "yellow", "active": "bold", "proposed": "green"}
UNICODE, ASCII = "█▏▎▍▌▋▊▉", "#.:=####"
"""A whole cell, then eighths of one."""


class WrongRequest(Exception):  # noqa: N818 - reads as what it is
    """A meter that there is none of, or a span without days."""


class Span(NamedTuple):
    """What is looked at: minutes, and of how many hours one."""

    from_minute: int
    to_minute: int
    every: int


def learn(
    settings: Settings, wanted: Sequence[str], first: date | None, last: date | None
) -> tuple[Span, list[Proposal]]:
    """Proposals for the wanted meters, or for every load.

    Raises:
        NoLedger: if there is none.
        WrongRequest: if a meter is no load of this house, or the days hold nothing.
        sqlite3.Error: if the ledger cannot be read.
    """
    reader = Reader(Path(settings.ledger.folder), settings.house.id)
    try:
        known = reader.meters()
        names = _names(settings, known, wanted)
        span = _span(reader.span(), first, last, ZoneInfo(settings.house.time_zone), len(known))
        return span, propose(reader, names, *span)
    finally:
        reader.close()


def _names(settings: Settings, known: Mapping[str, tuple[int, str]], wanted: Sequence[str]) -> list[str]:
    configured = {meter.name: meter.role for meter in settings.meters if not meter.captured}
    roles = {name: role for name, (_, role) in known.items()} | configured
    loads = [name for name, role in roles.items() if role in LOADS]
    for name in wanted:
        if name not in loads:
            what = f"is a {roles[name]}, not a load" if name in roles else "is not a meter of this house"
            raise WrongRequest(f'--meter: "{name}" {what}; its loads are {", ".join(sorted(loads)) or "none yet"}')
    return list(dict.fromkeys(wanted)) or sorted(loads)


def _span(kept: tuple[int, int] | None, first: date | None, last: date | None, zone: ZoneInfo, meters: int) -> Span:
    """Local days, both included; without them the last days that the ledger has."""
    if kept is None:
        raise WrongRequest("the ledger has no minutes yet: let the daemon run for some days")
    begin, end = kept
    to_minute = end if last is None else min(end, instant_ms(last + timedelta(days=1), 0, zone) // 60_000)
    from_minute = to_minute - DEFAULT_DAYS * DAY_MINUTES if first is None else instant_ms(first, 0, zone) // 60_000
    from_minute = max(begin, from_minute)
    if from_minute >= to_minute:
        has = f"{_day(begin, zone)} to {_day(end - 1, zone)}"
        raise WrongRequest(f"--from, --to: no minutes are kept of these days; the ledger has {has}")
    return Span(from_minute, to_minute, hours_apart(to_minute - from_minute, meters))


def _day(minute: int, zone: ZoneInfo) -> str:
    return f"{datetime.fromtimestamp(minute * 60, UTC).astimezone(zone):%Y-%m-%d}"


def as_json(settings: Settings, span: Span, found: Sequence[Proposal]) -> str:
    """Everything, as one JSON object."""
    loads: list[dict[str, Any]] = []
    for proposal in found:
        facts = asdict(proposal)
        facts["measured_h"] = facts.pop("measured_ms") / 3_600_000
        facts["histogram"] = [row._asdict() for row in proposal.rows]
        del facts["rows"]
        facts["classes"] = [each._asdict() for each in proposal.classes]
        facts["borders"] = [each._asdict() for each in proposal.borders]
        facts["standby"] = proposal.standby._asdict() if proposal.standby else None
        loads.append(facts)
    begin, end = (datetime.fromtimestamp(minute * 60, UTC).isoformat() for minute in span[:2])
    return json.dumps({"house": settings.house.id, "from": begin, "to": end, "hours_apart": span.every, "loads": loads})


def show(settings: Settings, span: Span, found: Sequence[Proposal]) -> None:
    """Print it for a person; without colours where it is not a terminal."""
    console = Console(highlight=False)
    width = min(console.width, WIDTH) if console.is_terminal else WIDTH
    labels = {meter.name: meter.title for meter in settings.meters}
    zone = ZoneInfo(settings.house.time_zone)
    days = f"{_day(span.from_minute, zone)} to {_day(span.to_minute - 1, zone)}"
    sampled = "" if span.every == 1 else f", one hour of every {span.every}"
    console.print(Text(f"{settings.house.id}: {days}{sampled}. Nothing is changed by this."))
    cells = UNICODE if console.encoding.lower().startswith("utf") else ASCII
    for proposal in found:
        console.print()
        for line in lines(proposal, labels.get(proposal.meter, proposal.meter), cells, width):
            console.print(line, no_wrap=True, overflow="ignore", crop=False)


def lines(proposal: Proposal, label: str, cells: str = UNICODE, width: int = WIDTH) -> Iterator[Text]:
    """One load: its histogram, its classes, how clear they are, and what to paste."""
    name = label if label == proposal.meter else f"{label} ({proposal.meter})"
    yield Text(f"{name}: {proposal.verdict}", style="bold underline")
    yield from _histogram(proposal, cells, max(4, width - WIDTH + BAR))
    if proposal.verdict != "proposed":
        yield from _wrapped(f"{proposal.reason}.", width)
        return
    yield Text(f"  {'':<10}{'watts':>16}{'mean':>9}{'of the time':>15}{'of the energy':>16}", style="underline")
    yield from (_class_line(each) for each in proposal.classes)
    for words in (*map(_border_words, proposal.borders), *_standby_words(proposal)):
        yield from _wrapped(words, width)
    yield Text("")
    yield from (Text(f"    {line}", style=STYLES["proposed"]) for line in toml(proposal))


def _wrapped(words: str, width: int) -> Iterator[Text]:
    return (Text(line) for line in wrap(words, width - 2, initial_indent="  ", subsequent_indent="  "))


def _class_line(each: Class) -> Text:
    seen = f"{watts_text(each.low_w, 3)} to {watts_text(each.high_w, 3)}"
    return Text(
        f"  {each.level:<10}{seen:>16}{watts_text(each.mean_w, 3):>9}"
        f"{_percent(each.time_share):>15}{_percent(each.energy_share):>16}",
        style=STYLES[each.level],
    )


def _border_words(border: Border) -> str:
    return (
        f"{border.level} from {border.watts:g} W: {border.clarity} (D {border.ashman_d:.1f},"
        f" {_percent(border.near_share)} of the smaller class is near it)"
    )


def _standby_words(proposal: Proposal) -> Iterator[str]:
    if proposal.standby:
        how = "stable, read directly" if proposal.standby.stable else "not stable: energy by time"
        yield f"in standby it draws {watts_text(proposal.standby.watts, 3)} W ({how}; IEC 62301)"


def _histogram(proposal: Proposal, cells: str, bar: int) -> Iterator[Text]:
    most = max((row.time_share for row in proposal.rows), default=1.0)
    marks = {"standby_w": proposal.standby_w, "active_w": proposal.active_w}
    for row in proposal.rows:
        begins, ends = watts_text(row.from_w), watts_text(row.to_w)
        line = Text(
            f"  {f'{begins} - {ends} W' if row.from_w else f'below {ends} W':>15} ",
            style=_style(row.from_w, row.to_w, proposal.classes),
        )
        line.append(f"{_bar(row.time_share / most, cells, bar):<{bar}}")
        line.append(f" {_percent(row.time_share):>7}")
        here = [f"{key} {at:g}" for key, at in marks.items() if at is not None and row.from_w <= at < row.to_w]
        line.append("".join(f"  < {mark}" for mark in here[:1]) if len(here) < 2 else "  < both thresholds")
        yield line


def _style(from_w: float, to_w: float, classes: Sequence[Class]) -> str:
    middle = (from_w * to_w) ** 0.5
    level = next((each.level for each in reversed(classes) if middle >= each.low_w), "off")
    return STYLES[level] if classes else ""


def _bar(share: float, cells: str, most: int) -> str:
    """A bar of at most so many cells; whatever is not nothing is seen."""
    eighths = round(share * most * 8)
    if share > 0:
        eighths = max(1, eighths)
    return cells[0] * (eighths // 8) + (cells[eighths % 8] if eighths % 8 else "")


def toml(proposal: Proposal) -> list[str]:
    """The keys for this meter's entry, as text to paste."""
    keys = {
        "standby_w": proposal.standby_w,
        "active_w": proposal.active_w,
        "active_release_w": proposal.active_release_w,
    }
    # a JSON string is a basic string of TOML
    head = ["[[meters]]", f"name = {json.dumps(proposal.meter, ensure_ascii=False)}"]
    return head + [f"{key} = {watts:g}" for key, watts in keys.items() if watts is not None]


def _percent(share: float) -> str:
    if 0 < share < 0.0005:
        return "<0.1 %"
    return f"{share * 100:.1f} %"
