"""Payloads to numbers and words. Anything else is refused with a reason that quotes nothing secret.

A new way to decode is a function here that returns a `Decode`, and a key in `config.model.Source`.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import datetime
from math import isfinite
from typing import Any, Literal, NoReturn

MAX_PAYLOAD_BYTES = 65_536
MAX_NUMBER_BYTES = 64
EARLIEST_MS = 946_684_800_000  # 2000-01-01: no home broker has older readings
LATEST_S = 1e11

Value = tuple[float, int | None]
"""A number, and the time it carried in milliseconds UTC (None: it carried none)."""
Decode = Callable[[bytes, int], list[Value]]
"""From a payload and its arrival in milliseconds to values; raises BadPayload."""
Read = Callable[[object], float]
"""From a text, or what stands in a JSON document, to a number; raises BadPayload."""
TimeUnit = Literal["s", "ms", "rfc3339"]


class BadPayload(Exception):  # noqa: N818 - reads as what it is
    """A payload that is not what was configured; the text is short and says what was expected."""


def plain_number(payload: bytes, arrival_ms: int) -> list[Value]:  # noqa: ARG001 - one signature
    """A payload that is one decimal number and nothing else."""
    return [(_number(payload), None)]


def _number(payload: bytes | str) -> float:
    # float() also takes nan, inf and underscores
    if len(payload) > MAX_NUMBER_BYTES:
        raise BadPayload("more than a number")
    try:
        value = float(payload)
    except ValueError:
        raise BadPayload("no number") from None
    if not isfinite(value) or (b"_" in payload if isinstance(payload, bytes) else "_" in payload):
        raise BadPayload("no finite number")
    return value


def plain_text(read: Read) -> Decode:
    """A payload that is one number, written in a way of its own, and nothing else."""

    def decode(payload: bytes, arrival_ms: int) -> list[Value]:  # noqa: ARG001 - one signature
        if len(payload) > MAX_NUMBER_BYTES:
            raise BadPayload("more than a number")
        try:
            return [(read(payload.decode()), None)]
        except UnicodeDecodeError:
            raise BadPayload("no UTF-8 text") from None

    return decode


def written_number(behind: str | None, *, decimal_comma: bool) -> Read:
    """How to read a number with this text behind it, or with a comma before its decimals. Anything else is refused.

    A JSON number needs no comma, and has nothing behind it.
    """

    def read(found: object) -> float:
        if not isinstance(found, str):
            if behind is not None:
                raise BadPayload(f'no "{behind}" behind a number')
            return as_number(found)
        text = found.strip()
        if behind is not None:
            if not text.endswith(behind):
                raise BadPayload(f'no "{behind}" behind a number')
            text = text.removesuffix(behind).rstrip()
        if decimal_comma:
            if "." in text:
                raise BadPayload("a point where a decimal comma was expected")
            text = text.replace(",", ".", 1)
        if not text.isascii():
            raise BadPayload("no number")
        return _number(text)

    return read


def json_number(pointer: str, time_pointer: str | None, time_unit: TimeUnit, read: Read | None = None) -> Decode:
    """Decode a JSON payload: the number at a pointer, and the time at another; `read`: one that is no bare number."""
    as_value = read or as_number
    find = json_pointer(pointer)
    find_time = json_pointer(time_pointer) if time_pointer is not None else None

    def decode(payload: bytes, arrival_ms: int) -> list[Value]:  # noqa: ARG001 - one signature
        document = parse_json(payload)
        value = as_value(find(document))
        at_ms = None if find_time is None else checked_stamp(as_stamp(find_time(document), time_unit))
        return [(value, at_ms)]

    return decode


def parse_json(payload: bytes) -> Any:
    """A JSON document (RFC 8259: no NaN, no infinity), of bounded size and depth."""
    if len(payload) > MAX_PAYLOAD_BYTES:
        raise BadPayload(f"more than {MAX_PAYLOAD_BYTES} bytes")
    try:
        return json.loads(payload.decode(), parse_constant=_no_constant)  # RFC 8259: UTF-8 and nothing else
    except (ValueError, RecursionError):
        raise BadPayload("no JSON") from None


def _no_constant(word: str) -> NoReturn:
    raise BadPayload(f"{word} is no JSON")


def as_number(found: object) -> float:
    """A JSON number, or a number in a string, as some senders write it."""
    if isinstance(found, str):
        return _number(found)
    if isinstance(found, bool) or not isinstance(found, int | float):
        raise BadPayload(f"no number but {_kind(found)}")
    try:
        return finite(float(found))
    except OverflowError:
        raise BadPayload("no finite number") from None


def finite(value: float) -> float:
    """The value, if it is one."""
    if not isfinite(value):
        raise BadPayload("no finite number")
    return value


def _kind(found: object) -> str:
    names = {dict: "an object", list: "a list", bool: "true or false", type(None): "null", str: "text"}
    return names.get(type(found), "something else")


def as_stamp(found: object, unit: TimeUnit) -> int:
    """Milliseconds UTC of a time in a payload: Unix seconds or milliseconds, or RFC 3339 with its offset."""
    if unit == "rfc3339":
        if not isinstance(found, str):
            raise BadPayload("no RFC 3339 time")
        try:
            moment = datetime.fromisoformat(found)
        except ValueError:
            raise BadPayload("no RFC 3339 time") from None
        if moment.tzinfo is None:
            raise BadPayload("a time without an offset from UTC")
        return round(moment.timestamp() * 1000)
    return as_ms(as_number(found) / (1 if unit == "s" else 1000))


def as_ms(seconds: float) -> int:
    """Whole milliseconds of a time in seconds that a payload gave."""
    if not abs(seconds) < LATEST_S:
        raise BadPayload("a time beyond all calendars")
    return round(seconds * 1000)


def checked_stamp(at_ms: int) -> int:
    """The stamp if a meter can have been there at that time."""
    if at_ms < EARLIEST_MS:
        raise BadPayload("a time before the year 2000")
    return at_ms


def json_pointer(pointer: str) -> Callable[[Any], Any]:
    """Evaluate RFC 6901 pointers, prepared once. The result raises BadPayload where the pointer names no value."""
    tokens = [token.replace("~1", "/").replace("~0", "~") for token in pointer.split("/")[1:]]

    def find(document: Any) -> Any:
        for token in tokens:
            if isinstance(document, dict) and token in document:
                document = document[token]
            elif isinstance(document, list) and _is_index(token) and int(token) < len(document):
                document = document[int(token)]
            else:
                raise BadPayload(f"nothing at {pointer}")
        return document

    return find


def _is_index(text: str) -> bool:
    # RFC 6901, section 4: no leading zeros
    return text.isascii() and text.isdigit() and len(text) < 10 and (text == "0" or text[0] != "0")


def word(pointer: str | None) -> Callable[[bytes], str]:
    """Decode a signal's payload to a word: plain text, or a JSON string, number or boolean at a pointer."""
    find = json_pointer(pointer) if pointer is not None else None

    def decode(payload: bytes) -> str:
        if find is not None:
            found = find(parse_json(payload))
            if isinstance(found, bool):
                return "true" if found else "false"
            if isinstance(found, str | int | float):
                return str(found)
            raise BadPayload(f"no word but {_kind(found)}")
        if len(payload) > 256:
            raise BadPayload("more than 256 bytes where a word was expected")
        try:
            return payload.decode().strip()
        except UnicodeDecodeError:
            raise BadPayload("no UTF-8 text") from None

    return decode
