"""From a draft and its recording to who is within whom, written into the draft."""

from __future__ import annotations

from collections.abc import Iterable

from wattround.analysis.scout.bins import Replay, width_ms
from wattround.analysis.scout.capture import Edge, Message
from wattround.analysis.scout.notes import notes
from wattround.analysis.scout.scouting import Scouted
from wattround.analysis.scout.tree import Place, infer
from wattround.config.model import Settings

ENOUGH_METERS = 2
ENOUGH_MS = 300_000


def rewire(of: Scouted, settings: Settings, found: Iterable[Message | Edge], *, likely: bool = False) -> None:
    """Look for moves in the recording that the draft was made of, and write down what they show.

    `likely`: places that are not sure are written down too, and say so.
    """
    known = {made.name: made for made in of.meters}
    heard = of.heard
    if len(known) < ENOUGH_METERS or heard.lasting_ms < ENOUGH_MS:
        return
    width = width_ms(heard.lasting_ms, (made.beat.median_s for made in known.values() if made.power is not None))
    span = heard.first_ms, heard.last_ms
    replay = Replay(settings, span, width)
    for each in found:
        if isinstance(each, Message):
            replay.take(each)
    series = {name: each for name, each in replay.series().items() if name in known}
    roles = {name: made.role for name, made in known.items() if name in series}
    of.wiring = infer(series, roles)
    for name, place in of.wiring.places.items():
        made = known[name]
        if place.parent is not None and (place.surety == "sure" or (likely and place.surety == "likely")):
            made.within, made.within_is_likely = place.parent, place.surety == "likely"
        elif place.surety == "likely":
            made.likely_within = place.parent
        made.notes += [text] if (text := told(place)) else []
    for note in notes(series, roles, of.wiring):
        asked = f"{', '.join(note.meters)}: {note.says}? {note.shown}. {note.fix}"
        known[note.meters[0]].questions.append(asked.rstrip(" ."))


def told(place: Place) -> str:
    """A place in words."""
    link = place.link
    shown = ""
    if link is not None and place.parent is not None and link.looked:
        shown = f": {link.whole} moved with it in {link.hits} of {link.looked} moves, by chance in {link.expected:.1f}"
    if place.surety == "sure":
        return f"sure: within {place.parent}{shown}"
    if place.surety == "likely":
        return f"likely within {place.parent}{shown}; {place.why}"
    return f"within what? {place.why}" if place.surety == "open" else ""
