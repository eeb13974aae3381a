"""Places written into settings that there are already: one line more in an entry, and nothing else of the text changes.

Every line is proved: the text must still be read, and mean what it meant, but for the one key. Where it would not, the
text stays as it was, and the meter is handed back.
"""

from __future__ import annotations

import copy
import re
import tomllib
from collections.abc import Iterator, Mapping
from typing import Any, NamedTuple

from wattround.analysis.scout.draft import quoted
from wattround.config.kinds import placeholder
from wattround.config.positions import Positions

_NAME = re.compile(r"""\bname\s*=\s*(?:"(?:[^"\\]|\\.)*"|'[^']*')""")
_ASKED = re.compile(r"\s*#\s*within\s*=")


class Written(NamedTuple):
    """What a meter is within, and why that is thought."""

    parent: str
    because: str


class Merged(NamedTuple):
    """The new text, and the meters that it could not be written for."""

    text: str
    left: tuple[str, ...]


def merged(text: str, places: Mapping[str, Written]) -> Merged:
    """The text of right settings with places of meters that have none. A captured meter gets an entry of its own."""
    left = []
    for name, place in places.items():
        done = _with(text, name, place)
        if done is None:
            left.append(name)
        else:
            text = done
    return Merged(text, tuple(left))


def _with(text: str, name: str, place: Written) -> str | None:
    """The text with one place more, by the first way that proves right; None if none does."""
    document = tomllib.loads(text)
    wanted = copy.deepcopy(document)
    at = next((index for index, each in enumerate(document["meters"]) if each["name"] == name), None)
    if at is not None:
        wanted["meters"][at]["within"] = place.parent
        tries = _inside(text, Positions(text).line(("meters", at, "name")) - 1, name, place)
        return next((each for each in tries if _means(each, wanted)), None)
    wanted["meters"].append({"name": name, "within": place.parent})
    # one without a source is fed by the first pattern: of several it may be another that captured the name
    is_fed = sum(placeholder(each["name"]) is not None for each in document["meters"]) == 1
    added = _added(text, name, place)
    return added if is_fed and _means(added, wanted) else None


def _inside(text: str, number: int, name: str, place: Written) -> Iterator[str]:
    """In the entry whose name stands on that line: a line of its own in a section, beside the name in a short table."""
    lines = text.split("\n")
    entry = f"within = {quoted(place.parent)}"
    remark = _remark(place)
    end = next((at for at in range(number + 1, len(lines)) if lines[at].lstrip().startswith("[")), len(lines))
    asked = next((at for at in range(number + 1, end) if _ASKED.match(lines[at])), None)
    if asked is not None:
        yield "\n".join([*lines[:asked], entry + remark, *lines[asked + 1 :]])
    yield "\n".join([*lines[: number + 1], entry + remark, *lines[number + 1 :]])
    for at in range(number, len(lines)):  # the entries of a list in brackets have no line of their own
        for match in _NAME.finditer(lines[at]):
            if _says(match[0], name):
                line = f"{lines[at][: match.end()]}, {entry}{lines[at][match.end() :]}"
                yield "\n".join([*lines[:at], line, *lines[at + 1 :]])


def _says(text: str, name: str) -> bool:
    try:
        return bool(tomllib.loads(text)["name"] == name)
    except tomllib.TOMLDecodeError:
        return False


def _remark(place: Written) -> str:
    shown = "".join(sign if sign.isprintable() else " " for sign in place.because)
    return f"    # {' '.join(shown.split())}"


def _added(text: str, name: str, place: Written) -> str:
    entry = ["", "[[meters]]", f"name = {quoted(name)}", f"within = {quoted(place.parent)}{_remark(place)}", ""]
    return text.rstrip("\n") + "\n" + "\n".join(entry)


def _means(text: str, wanted: dict[str, Any]) -> bool:
    try:
        return tomllib.loads(text) == wanted
    except tomllib.TOMLDecodeError:
        return False
