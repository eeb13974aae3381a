"""`wattround rehearse`: what the rules would have done, from the ledger's past."""

from __future__ import annotations

import gc
import json
import sys
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from rich.console import Console
from rich.progress import Progress
from rich.table import Table
from rich.text import Text

from wattround.analysis import rehearsal
from wattround.analysis.rehearsal import Part, Rehearsal, Scene
from wattround.analysis.replay import Episode
from wattround.analysis.replay import Progress as Advance
from wattround.analysis.strip import Look, Strip, days_of, painter, ruler
from wattround.analysis.variants import variants
from wattround.config.kinds import duration_text
from wattround.config.model import Settings
from wattround.config.rule import Rule
from wattround.core.rulebook import HOUSE, draws, subjects
from wattround.core.telling import energy_text
from wattround.ledger.past import Past
from wattround.metering.minute import MINUTE_MS
from wattround.money.amount import cell_text
from wattround.rules.marks import instant_ms, local_date

DEFAULT_DAYS = 30
MOST_PICTURES = 31
WIDTH = 80
UNICODE, ASCII = " ·─░█", " .-o#"
LEGEND = ("not known", "not on", "on", "brewing", "raised")


class WrongSpan(Exception):  # noqa: N818 - a person asked for what there is not
    """Days of which no minutes are kept."""


def rehearse(
    file: Path, settings: Settings, names: Sequence[str], tries: Sequence[str], days: tuple[date | None, date | None]
) -> Rehearsal:
    """Rehearse the named rules, or all of them, over local days (both included), or the last ones in the ledger.

    Raises:
        CannotTry: for a rule, key or value that is not possible.
        WrongSpan: if the ledger has nothing of these days.
        NoLedger: if there is none.
        sqlite3.Error: if it cannot be read.
    """
    chosen = variants(file.read_text(), settings, names, tries)
    past = Past(Path(settings.ledger.folder), settings.house.id)
    gc.disable()  # millions of rows, and no cycles among them: looking for some takes a fifth of the time
    try:
        from_ms, to_ms = _span(past.span(), *days, ZoneInfo(settings.house.time_zone))
        with _progress() as advance:
            return rehearsal.rehearse(past, settings, chosen, from_ms, to_ms, advance)
    finally:
        gc.enable()
        past.close()


@contextmanager
def _progress() -> Iterator[Advance]:
    """A bar on a terminal, nothing elsewhere."""
    if not sys.stderr.isatty():
        yield lambda _done, _of: None
        return
    with Progress(console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("rehearsing")
        yield lambda done, of: bar.update(task, completed=done, total=of)


def _span(kept: tuple[int, int] | None, first: date | None, last: date | None, zone: ZoneInfo) -> tuple[int, int]:
    if kept is None:
        raise WrongSpan("the ledger has no minutes yet: let the daemon run for some days")
    begin_ms, end_ms = (minute * MINUTE_MS for minute in kept)
    last = last or local_date(end_ms - 1, zone)
    first = first or last - timedelta(days=DEFAULT_DAYS - 1)
    from_ms = max(begin_ms, instant_ms(first, 0, zone))
    to_ms = min(end_ms, instant_ms(last + timedelta(days=1), 0, zone))
    if from_ms >= to_ms:
        has = f"{local_date(begin_ms, zone)} to {local_date(end_ms - 1, zone)}"
        raise WrongSpan(f"--from, --to: no minutes are kept of {first} to {last}; the ledger has {has}")
    return from_ms, to_ms


# -- for a person ---------------------------------------------------------------------------------


def show(found: Rehearsal) -> None:
    """Print it; without colours where it is not a terminal."""
    console = Console(highlight=False)
    if not console.is_terminal:
        console.width = WIDTH
    signs = UNICODE if console.encoding.lower().startswith("utf") else ASCII
    page = Page(found, signs)
    console.print(Text(page.headline()))
    if found.scenes[0].parts:
        console.print(page.table())
    for line in page.lines():
        console.print(Text(line), soft_wrap=False)
    for title, lines in page.pictures():
        console.print()
        console.print(Text(title, style="bold"))
        for line in lines:
            console.print(Text(line), no_wrap=True, overflow="crop")


class Page:
    """A rehearsal in words and signs."""

    def __init__(self, found: Rehearsal, signs: str) -> None:
        self._found, self._signs = found, signs
        self._labels = {name: meter.title for name, meter in found.meters.items() if not meter.captured}
        self._labels[HOUSE] = found.settings.house.name or found.settings.house.id
        self._told = any(not channel.is_raw for channel in found.settings.channels)

    def headline(self) -> str:
        """House and days."""
        found = self._found
        first, last = local_date(found.from_ms, found.zone), local_date(found.to_ms - 1, found.zone)
        count = (last - first).days + 1
        days = f"{first} to {last}, {count} day{'s' if count > 1 else ''}"
        return f"{self._labels[HOUSE]}: {days}; nobody is told."

    def table(self) -> Table:
        """A row for each rule and variant."""
        grid = Table(box=None, pad_edge=False, header_style="underline", padding=(0, 2, 0, 0))
        names = (
            "Rule",
            "Raised",
            "In all",
            "Longest",
            "Waste",
            self._found.purse.currency,
            *(["Told"] if self._told else []),
        )
        for name in names:
            grid.add_column(
                name, justify="left" if name == "Rule" else "right", no_wrap=name != "Rule", overflow="fold"
            )
        scenes = self._found.scenes
        for name, part in scenes[0].parts.items():
            grid.add_row(Text(name, style="bold" if len(scenes) > 1 else ""), *self._figures(part))
            for scene in scenes[1:]:
                grid.add_row(Text(f"  {scene.variant.text}"), *self._figures(scene.parts[name]))
        return grid

    def _figures(self, part: Part) -> list[str]:
        people = [channel.name for channel in self._found.settings.channels if not channel.is_raw]
        told = [str(sum(part.told.get(name, 0) for name in people))] if self._told else []
        if not part.episodes:
            return ["0", "", "", "", "", *told]
        lasted = [self._found.lasting_ms(each) for each in part.episodes]
        waste = [energy_text(part.waste_uwh), cell_text(*part.worth)] if wastes(part.rule) else ["", ""]
        return [str(len(lasted)), duration_text(sum(lasted)), duration_text(max(lasted)), *waste, *told]

    def lines(self) -> Iterator[str]:
        """Messages, then what keeps the figures from saying all."""
        found = self._found
        yield ""
        for scene in found.scenes:
            of = f" with {scene.variant.text}" if len(found.scenes) > 1 and scene.variant.given else ""
            yield f"Messages{of}: {self._messages(scene)}."
        if len(found.scenes[0].variant.own_names) < len(found.settings.rules):
            yield "That is for these rules alone: the others have messages of their own."
        for name, notes in found.notes.items():
            for note in notes:
                yield f"{name}: {note}."
        for name, why in found.left_out.items():
            yield f"not rehearsed: {name}: {why}."

    def _messages(self, scene: Scene) -> str:
        parts = []
        for channel in self._found.settings.channels:
            count, digests = scene.messages[channel.name], scene.digests[channel.name]
            more = (
                " (raw: each raise and settle)"
                if channel.is_raw
                else f" ({digests} of them digests)"
                if digests
                else ""
            )
            parts.append(f"{channel.name} {count}{more}")
        return ", ".join(parts) or "no channel is configured"

    # -- pictures ---------------------------------------------------------------------------------

    def pictures(self) -> Iterator[tuple[str, list[str]]]:
        """Of each rule and load as they are: the days that have an episode, hour by hour, and the episodes."""
        if any(part.episodes for part in self._found.scenes[0].parts.values()):
            signs = ", ".join(f"{sign} {word}" for sign, word in list(zip(self._signs, LEGEND, strict=True))[1:])
            yield f"Day by day: {signs}; blank: {LEGEND[0]}", []
        for name, part in self._found.scenes[0].parts.items():
            by_load: dict[str, list[Episode]] = {}
            for each in part.episodes:
                by_load.setdefault(each.load, []).append(each)
            for load, episodes in by_load.items():
                yield f"{name}: {self._label(load, part.rule)}", list(self._days(part.rule, load, episodes))

    def _label(self, load: str, rule: Rule) -> str:
        members = next((each.members for each in subjects(rule, self._found.meters) if each.load == load), ())
        return ", ".join(self._labels.get(name, name) for name in members or (load,))

    def _days(self, rule: Rule, load: str, episodes: Sequence[Episode]) -> Iterator[str]:
        found = self._found
        strip, paint = Strip(found.zone, found.album, found.to_ms), painter(self._signs)
        look = self._look(rule, load)
        days: dict[date, list[Episode]] = {}
        for each in episodes:
            for day in days_of(each, found.zone, found.to_ms):
                days.setdefault(day, []).append(each)
        if len(days) > MOST_PICTURES:
            yield f"the last {MOST_PICTURES} of {len(days)} days; --from and --to show the others"
        yield f"       {ruler()}"
        for day in sorted(days)[-MOST_PICTURES:]:
            yield f"{day:%d %b} {paint(strip.day(day, look, days[day])).rstrip()}"
            for each in days[day]:
                if local_date(each.raised_ms, found.zone) == day:
                    yield f"       {self._episode(each, rule, day)}"

    def _look(self, rule: Rule, load: str) -> Look:
        found = self._found
        subject = next(each for each in subjects(rule, found.meters) if each.load == load)
        meters = (subject.members or (load,)) if rule.of_load else ()
        return Look(rule, meters, draws(rule, found.meters.get(load), found.settings))

    def _episode(self, each: Episode, rule: Rule, day: date) -> str:
        found = self._found
        began, raised = (_clock(at_ms, found.zone, day) for at_ms in (each.began_ms, each.raised_ms))
        until = "the end" if each.settled_ms is None else _clock(each.settled_ms, found.zone, day)
        text = f"{began} to {until}, {duration_text(found.lasting_ms(each))}, raised at {raised}"
        if not wastes(rule):
            return text
        return f"{text}: {energy_text(each.waste_uwh)}, {found.purse.worth_text(each.worth)}"


def wastes(rule: Rule) -> bool:
    """Whether what a load takes during the rule's episodes is waste."""
    return rule.of_load and ("active" in rule.levels or rule.above_w is not None)


def _clock(at_ms: int, zone: ZoneInfo, day: date) -> str:
    moment = datetime.fromtimestamp(at_ms / 1000, UTC).astimezone(zone)
    return f"{moment:%H:%M}" if moment.date() == day else f"{moment:%H:%M (%d %b)}"


# -- for a script ---------------------------------------------------------------------------------


def as_json(found: Rehearsal) -> str:
    """Everything but the pictures, as one JSON object."""
    rules: list[dict[str, Any]] = [
        {
            "rule": name,
            "not_rehearsed": None,
            "notes": list(found.notes[name]),
            "variants": [_variant(found, scene, scene.parts[name]) for scene in found.scenes],
        }
        for name in found.scenes[0].parts
    ]
    rules += [{"rule": name, "not_rehearsed": why, "notes": [], "variants": []} for name, why in found.left_out.items()]
    messages = [{"with": dict(scene.variant.given), "channels": _channels(found, scene)} for scene in found.scenes]
    return json.dumps(
        {
            "house": found.settings.house.id, "time_zone": found.zone.key, "currency": found.purse.currency,
            "from": _iso(found.from_ms), "to": _iso(found.to_ms), "rules": rules, "messages": messages,
        }
    )  # fmt: skip


def _channels(found: Rehearsal, scene: Scene) -> Mapping[str, Any]:
    return {
        channel.name: {"messages": scene.messages[channel.name], "digests": scene.digests[channel.name]}
        for channel in found.settings.channels
    }


def _variant(found: Rehearsal, scene: Scene, part: Part) -> dict[str, Any]:
    lasted = [found.lasting_ms(each) // 1000 for each in part.episodes]
    worth = part.worth
    return {
        "with": dict(scene.variant.given), "raised": len(lasted), "lasting_s": sum(lasted),
        "longest_s": max(lasted, default=0), "waste_wh": round(part.waste_uwh / 1e6, 3),
        "cost": str(round(worth.amount, 4)), "unpriced_wh": round(worth.unknown_uwh / 1e6, 3), "told": dict(part.told),
        "episodes": [_facts(found, each) for each in part.episodes],
    }  # fmt: skip


def _facts(found: Rehearsal, each: Episode) -> dict[str, Any]:
    return {
        "load": each.load, "began": _iso(each.began_ms), "raised": _iso(each.raised_ms),
        "settled": None if each.settled_ms is None else _iso(each.settled_ms), "because": each.reason,
        "lasting_s": found.lasting_ms(each) // 1000, "waste_wh": round(each.waste_uwh / 1e6, 3),
        "cost": str(round(each.worth.amount, 4)), "unpriced_wh": round(each.worth.unknown_uwh / 1e6, 3),
    }  # fmt: skip


def _iso(at_ms: int) -> str:
    return datetime.fromtimestamp(at_ms / 1000, UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
