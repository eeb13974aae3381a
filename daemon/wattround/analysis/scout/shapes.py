"""The shape of a payload: what values are in it, where, and whether the daemon could read each of them there."""

from __future__ import annotations

import re
from collections.abc import Iterator
from math import isfinite
from typing import Any, Literal, NamedTuple

from wattround.analysis.scout.units import unit_of
from wattround.ingest.payload import BadPayload, as_stamp, parse_json
from wattround.ingest.senml import RELATIVE_BELOW_S, Record, resolve

MOST_VALUES = 200
"""Values of one payload that are looked at."""
DEEPEST = 10
MOST_OF_A_LIST = 64
LONGEST_WORD = 40
LONGEST_PLACE = 256
LONGEST_UNIT = 24
_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,3})?", re.ASCII)
_COMMA = re.compile(r"[+-]?\d+,\d+", re.ASCII)
_WITH_UNIT = re.compile(r"([+-]?\d+(?:[.,]\d+)?)\s*([A-Za-z°%€][A-Za-z0-9°%€³·/ -]{0,11})", re.ASCII)
_PAIR = re.compile(r"([A-Za-z][\w.-]{0,39})\s*[=:]\s*(\S.{0,39})")
_STAMP = re.compile(r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d.*")
_BETWEEN = re.compile(r"[, ]+")
_VALUE_KEYS = ("value", "v", "val", "reading", "state", "now", "current", "measurement", "data")
_UNIT_KEYS = ("unit", "units", "uom", "u")
_NAME_KEYS = ("name", "id", "label", "channel", "circuit", "meter", "sensor", "device", "key", "type", "register")

Way = Literal["plain", "pointer", "senml", "column", "pair"]
Form = Literal["number", "comma", "with unit", "word", "true or false", "time", "nothing"]


class Where(NamedTuple):
    """Where a value stands: the whole payload, at a JSON Pointer, in a SenML record, in a column, behind a key."""

    way: Way
    at: str = ""

    @property
    def readable(self) -> bool:
        """Whether the daemon has a way to get there."""
        return self.way in ("plain", "pointer", "senml")


class Leaf(NamedTuple):
    """A value: a number where `form` is one, a text in all other cases. `unit` and `name` stand beside it.

    `stamp_s`: its own time, where the shape has one by itself, as SenML has.
    """

    where: Where
    form: Form
    number: float
    text: str
    unit: str | None = None
    name: str = ""
    stamp_s: float | None = None

    @property
    def is_number(self) -> bool:
        """Whether there is a number, even if the daemon could not read it."""
        return self.form in ("number", "comma", "with unit")


class Shape(NamedTuple):
    """What a payload is; `cut` if it has more values than are looked at."""

    kind: Literal["plain", "json", "senml", "columns", "pairs", "text", "empty", "binary", "too long"]
    leaves: tuple[Leaf, ...] = ()
    cut: bool = False


def shape(payload: bytes, size: int) -> Shape:
    """Take a payload apart. Never fails, whatever it is."""
    if size != len(payload):
        return Shape("too long")
    try:
        text = payload.decode().strip()
    except UnicodeDecodeError:
        return Shape("binary")
    if not text:
        return Shape("empty")
    if "\0" in text:
        return Shape("binary")
    if text[0] in "[{":
        return _json(payload) or Shape("text")
    leaf = _plain(text, Where("plain"))
    if leaf is not None and leaf.is_number:
        return Shape("plain", (leaf,))
    several = _pairs(text) or _columns(text)
    if several is not None:
        return several
    return Shape("plain", (leaf,)) if leaf is not None else Shape("text")


def _plain(text: str, where: Where, unit: str | None = None, name: str = "") -> Leaf | None:
    """A text as a value: a number, a number with a comma or unit, a word; None for anything longer."""
    if len(text) > LONGEST_WORD:
        return None
    if _NUMBER.fullmatch(text):
        if not isfinite(float(text)):
            return None
        return Leaf(where, "number", float(text), text, unit, name)
    if _COMMA.fullmatch(text):
        return Leaf(where, "comma", float(text.replace(",", ".")), text, unit, name)
    if _STAMP.fullmatch(text) and (at_ms := _stamp_ms(text)) is not None:
        return Leaf(where, "time", at_ms, text, unit, name)
    match = _WITH_UNIT.fullmatch(text)
    if match and unit_of(match[2]) is not None:
        return Leaf(where, "with unit", float(match[1].replace(",", ".")), text, match[2].strip(), name)
    return Leaf(where, "word", 0.0, text, unit, name) if text.isprintable() else None


def _stamp_ms(text: str) -> float | None:
    """Milliseconds UTC of an RFC 3339 time with its offset."""
    try:
        return as_stamp(text, "rfc3339")
    except BadPayload:
        return None


# -- JSON -------------------------------------------------------------------------------------------


def _json(payload: bytes) -> Shape | None:
    try:
        document = parse_json(payload)
    except BadPayload:
        return None
    if _is_senml(document):
        try:
            return _senml(list(resolve(document, 0.0)))
        except BadPayload:
            pass
    leaves: list[Leaf] = []
    for leaf in _walk(document, (), ""):
        if len(leaf.where.at) > LONGEST_PLACE:
            continue
        if len(leaves) == MOST_VALUES:
            return Shape("json", tuple(leaves), cut=True)
        leaves.append(leaf)
    return Shape("json", tuple(leaves))


def _walk(found: Any, path: tuple[str, ...], name: str) -> Iterator[Leaf]:
    if len(path) > DEEPEST:
        return
    if isinstance(found, list):
        for index, each in enumerate(found[:MOST_OF_A_LIST]):
            yield from _walk(each, (*path, str(index)), _name_of(each, str(index)))
    elif isinstance(found, dict):
        units = _Units(found)
        for key, each in found.items():
            if isinstance(each, dict | list):
                yield from _walk(each, (*path, key), name)
            elif len(key) <= LONGEST_PLACE:
                yield _leaf(each, (*path, key), units.of(key), name)
    elif path:
        yield _leaf(found, path, None, "")


def _leaf(found: Any, path: tuple[str, ...], unit: str | None, name: str) -> Leaf:
    where = Where("pointer", "".join("/" + part.replace("~", "~0").replace("/", "~1") for part in path))
    nothing = Leaf(where, "nothing", 0.0, "", unit, name)
    if isinstance(found, bool):
        return Leaf(where, "true or false", 0.0, "true" if found else "false", unit, name)
    if isinstance(found, int | float):
        try:
            return Leaf(where, "number", float(found), "", unit, name) if isfinite(float(found)) else nothing
        except OverflowError:
            return nothing
    if isinstance(found, str):
        return _plain(found.strip(), where, unit, name) or nothing
    return nothing


class _Units:
    """Units that stand beside values: `power_unit` for `power`, `unit` for the one value there is."""

    def __init__(self, beside: dict[str, Any]) -> None:
        texts = {key.lower(): str(text) for key, text in beside.items() if _is_unit(text)}
        self._texts = texts
        self._stated = next((texts[key] for key in _UNIT_KEYS if key in texts), None)
        self._numbers = [key for key, value in beside.items() if _seems_number(value)] if self._stated else []

    def of(self, key: str) -> str | None:
        for end in ("_unit", "unit", ".unit", "_units", "_uom"):
            if key.lower() + end in self._texts:
                return self._texts[key.lower() + end]
        return self._stated if key.lower() in _VALUE_KEYS or self._numbers == [key] else None


def _is_unit(text: Any) -> bool:
    return isinstance(text, str) and len(text) <= LONGEST_UNIT


def _seems_number(value: Any) -> bool:
    if isinstance(value, str):
        return _NUMBER.fullmatch(value.strip()) is not None or _COMMA.fullmatch(value.strip()) is not None
    return isinstance(value, int | float) and not isinstance(value, bool)


def _name_of(entry: Any, otherwise: str) -> str:
    """What an entry of a list calls itself."""
    if isinstance(entry, dict):
        for key, value in entry.items():
            if key.lower() in _NAME_KEYS and isinstance(value, str | int) and not isinstance(value, bool):
                return str(value)[:LONGEST_WORD]
    return otherwise


# -- SenML ------------------------------------------------------------------------------------------


def _is_senml(document: Any) -> bool:
    """RFC 8428, section 4: a list of records that have a name, and a value or a sum."""
    if not isinstance(document, list) or not document or not all(isinstance(each, dict) for each in document):
        return False
    values = {"v", "vs", "vb", "vd", "s"}
    return any("n" in each or "bn" in each for each in document) and any(values & each.keys() for each in document)


def _senml(records: list[Record]) -> Shape:
    """The last record of each name; a pack may hold several of different times."""
    found = {record.name: record for record in records if record.value is not None}
    leaves = [
        Leaf(
            Where("senml", name),
            "number",
            float(record.value or 0.0),
            "",
            record.unit,
            stamp_s=record.time_s if record.time_s >= RELATIVE_BELOW_S else None,
        )
        for name, record in found.items()
        if len(name) <= LONGEST_PLACE and len(record.unit or "") <= LONGEST_UNIT
    ]
    return Shape("senml", tuple(leaves[:MOST_VALUES]), cut=len(leaves) > MOST_VALUES)


# -- lines of text ----------------------------------------------------------------------------------


def _columns(text: str) -> Shape | None:
    """Numbers side by side, as in CSV."""
    for mark in (";", "\t", "|", ",", " "):
        parts = [part.strip() for part in text.split(mark)]
        if 2 <= len(parts) <= MOST_VALUES:
            leaves = [_plain(part, Where("column", str(number))) for number, part in enumerate(parts, 1)]
            known = [leaf for leaf in leaves if leaf is not None]
            if len(known) == len(parts) and sum(leaf.is_number for leaf in known) * 2 >= len(parts):
                return Shape("columns", tuple(known))
    return None


def _pairs(text: str) -> Shape | None:
    """Values behind keys, as in `power=118;energy=4.2`."""
    text = re.sub(r"\s*([=:])\s*", r"\1", text)
    mark = next((mark for mark in (";", "&", "|", "\n", "\t") if mark in text), None)
    leaves: list[Leaf] = []
    for part in text.split(mark) if mark else _BETWEEN.split(text):
        match = _PAIR.fullmatch(part.strip())
        leaf = _plain(match[2].strip(), Where("pair", match[1])) if match else None
        if leaf is not None:
            leaves.append(leaf)
    if not any(leaf.is_number for leaf in leaves):
        return None
    return Shape("pairs", tuple(leaves[:MOST_VALUES]), cut=len(leaves) > MOST_VALUES)
