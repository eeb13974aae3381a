"""What stands in the margin: what is open, what was changed, what has gone quiet."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from decimal import Decimal
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

from wattround.config.kinds import duration_text
from wattround.config.model import Settings
from wattround.core.change import Change
from wattround.core.trial import Trial
from wattround.core.viewwords import trouble_lines
from wattround.core.words import when
from wattround.metering.localtime import local_date
from wattround.money.amount import cell_text
from wattround.page.figures import is_quiet, moment_text
from wattround.page.trialsview import today_text
from wattround.pictures.ink import plain

DAY_MS = 86_400_000
CHANGES_FOR_MS = 14 * DAY_MS
MOST_QUIET = 5
"""Meters that are each worth a note; with more it is the broker, or the daemon has just been started."""


class Note(NamedTuple):
    """A note, and the meters that it is about; `about`: the rule of an open episode."""

    text: str
    meters: tuple[str, ...] = ()
    about: str = ""
    letter: str = ""


def notes(
    facts: Mapping[str, Any],
    settings: Settings,
    changes: Mapping[int, Change],
    trials: Mapping[int, Trial],
    zone: ZoneInfo,
) -> list[Note]:
    """All of them, those of a meter with a letter each."""
    found = [
        *_troubles(facts), *_open(facts, settings), *_quiet(facts), *_tried(facts, trials, zone),
        *_changed(facts, changes, zone),
    ]  # fmt: skip
    letters = iter(range(len(found)))
    return [note._replace(letter=_letter(next(letters))) if note.meters else note for note in found]


def _letter(number: int) -> str:
    """From a to z, then aa."""
    return (chr(96 + number // 26) if number >= 26 else "") + chr(97 + number % 26)


def _troubles(facts: Mapping[str, Any]) -> Iterator[Note]:
    yield from (Note(f"{line[:1].upper()}{line[1:]}.") for line in trouble_lines(dict(facts)))


def open_text(episode: Mapping[str, Any], settings: Settings) -> str:
    """An open episode in a line: "on, nobody home, for 2 h: 240 Wh, 0.07 EUR"."""
    rule = next((each for each in settings.rules if each.name == episode["rule"]), None)
    currency = settings.house.currency
    lasting = duration_text(episode["lasting_s"] * 1000)
    cost = cell_text(Decimal(episode["cost"]), episode["unpriced_wh"])
    return f"{when(rule, currency)}, for {lasting}: {episode['waste_wh']:.0f} Wh, {cost} {currency}"


def _open(facts: Mapping[str, Any], settings: Settings) -> Iterator[Note]:
    known = {meter["name"] for meter in facts["meters"]}
    for episode in facts["episodes"]:
        hushed = " (hushed)" if episode["hushed"] else ""
        meters = (episode["load"],) if episode["load"] in known else ()
        text = f"{episode['label']} is {open_text(episode, settings)}{hushed}."
        yield Note(text, meters, episode["rule"])


def _quiet(facts: Mapping[str, Any]) -> Iterator[Note]:
    quiet = [meter for meter in facts["meters"] if is_quiet(meter) and not meter["computed"]]
    if len(quiet) > MOST_QUIET:
        yield Note(f"Nothing is heard of {len(quiet)} meters of {len(facts['meters'])}.")
        return
    for meter in quiet:
        age_s = meter["age_s"]
        since = "was never heard" if age_s is None else f"was last heard {duration_text(int(age_s * 1000))} ago"
        yield Note(f"{meter['label']} {since}.", (meter["name"],))


def _tried(facts: Mapping[str, Any], trials: Mapping[int, Trial], zone: ZoneInfo) -> Iterator[Note]:
    today = local_date(facts["now_ms"], zone)
    for trial in trials.values():
        said = today_text(trial, today)
        if said:
            yield Note(f"Tried today: {plain(trial.name)} is {said}.", trial.on)


def _changed(facts: Mapping[str, Any], changes: Mapping[int, Change], zone: ZoneInfo) -> Iterator[Note]:
    for change in sorted(changes.values(), key=lambda each: -each.at_ms):
        ended = change.until_ms
        if facts["now_ms"] - (ended or change.at_ms) <= CHANGES_FOR_MS:
            what = (
                f"taken back {moment_text(ended, zone)}"
                if ended is not None
                else f"since {moment_text(change.at_ms, zone)}"
            )
            yield Note(f"Changed: {change.name}, {what}.", change.on)
