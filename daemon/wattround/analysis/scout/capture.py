"""A recording of what a broker said: one JSON object a line, in the order of arrival.

    {"wattround_capture": 1, "begun_ms": 1781064000000}
    {"at_ms": 1781064000120, "topic": "plugs/tv/watts", "text": "118.5"}
    {"at_ms": 1781064000140, "topic": "plugs/tv/online", "text": "yes", "retained": true}
    {"at_ms": 1781064000190, "topic": "meter/raw", "base64": "AP8Q"}
    {"at_ms": 1781064000210, "topic": "camera/still", "bytes": 912344}
    {"ended_ms": 1781064600000}

`at_ms` is the arrival; all times are whole milliseconds UTC. A payload is `text` where it is UTF-8, else `base64`; of
one beyond 65,536 bytes only the length is kept, as `bytes`. `retained` and `duplicate` (sent again by the broker) are
left out where they are false. A file without its last line is one whose recording was cut off.
"""

from __future__ import annotations

import base64
import binascii
import json
from collections.abc import Iterable, Iterator
from typing import Any, NamedTuple, TypeGuard

from wattround.ingest.payload import MAX_PAYLOAD_BYTES

VERSION = 1
MOST_LINE_BYTES = 8 * MAX_PAYLOAD_BYTES
"""Every byte of a payload may be written as six characters, and a topic may be as long."""


class BrokenCapture(Exception):  # noqa: N818 - reads as what it is
    """A file that is no recording of this format; the text says in which line, and what was expected."""


class Message(NamedTuple):
    """What arrived. Of a payload that is too long there is only its `size`."""

    at_ms: int
    topic: str
    payload: bytes
    size: int
    retained: bool = False
    duplicate: bool = False


class Edge(NamedTuple):
    """When the recording was begun, or ended."""

    at_ms: int


def message(at_ms: int, topic: str, payload: bytes, *, retained: bool = False, duplicate: bool = False) -> Message:
    """A message as it arrived, without a payload that is too long."""
    kept = payload if len(payload) <= MAX_PAYLOAD_BYTES else b""
    return Message(at_ms, topic, kept, len(payload), retained, duplicate)


def first_line(begun_ms: int) -> str:
    """What a recording begins with."""
    return json.dumps({"wattround_capture": VERSION, "begun_ms": begun_ms})


def line(of: Message) -> str:
    """A message as a line of the recording."""
    facts: dict[str, Any] = {"at_ms": of.at_ms, "topic": of.topic}
    if of.size != len(of.payload):
        facts["bytes"] = of.size
    else:
        try:
            facts["text"] = of.payload.decode()
        except UnicodeDecodeError:
            facts["base64"] = base64.b64encode(of.payload).decode()
    facts |= {key: True for key in ("retained", "duplicate") if getattr(of, key)}
    return json.dumps(facts)


def last_line(ended_ms: int) -> str:
    """What a recording ends with."""
    return json.dumps({"ended_ms": ended_ms})


def messages(lines: Iterable[bytes]) -> Iterator[Message | Edge]:
    """What a recording holds.

    Raises:
        BrokenCapture: where it is not in the format above; a last line that was cut off is no fault.
    """
    number = 0
    for number, raw in enumerate(lines, 1):
        if number == 1:
            yield _first(raw)
        elif raw.strip():
            found = _read(raw, number)
            if found is None:
                return
            yield found
    if not number:
        raise BrokenCapture("it is empty; a recording begins with a line that has wattround_capture in it")


def _first(raw: bytes) -> Edge:
    facts = _json(raw)
    if not isinstance(facts, dict) or "wattround_capture" not in facts:
        raise BrokenCapture('line 1: no recording of wattround: expected {"wattround_capture": 1, "begun_ms": ...}')
    if facts["wattround_capture"] != VERSION:
        raise BrokenCapture(f"line 1: a recording of version {facts['wattround_capture']!r}; this one reads {VERSION}")
    begun_ms = facts.get("begun_ms")
    if not _is_time(begun_ms):
        raise BrokenCapture("line 1: expected begun_ms, a whole number of milliseconds UTC")
    return Edge(begun_ms)


def _read(raw: bytes, number: int) -> Message | Edge | None:
    """A line's message; None for a last line that was cut off."""
    facts = _json(raw)
    if facts is None and not raw.endswith(b"\n"):
        return None
    if not isinstance(facts, dict):
        raise BrokenCapture(f"line {number}: no JSON object, or one of more than {MOST_LINE_BYTES} bytes")
    ended = facts.get("ended_ms")
    if _is_time(ended):
        return Edge(ended)
    at_ms, topic = facts.get("at_ms"), facts.get("topic")
    if not _is_time(at_ms) or not isinstance(topic, str):
        raise BrokenCapture(f"line {number}: expected at_ms, a whole number of milliseconds UTC, and topic, a text")
    payload, size = _payload(facts, number)
    return Message(at_ms, topic, payload, size, facts.get("retained") is True, facts.get("duplicate") is True)


def _json(raw: bytes) -> Any:
    try:
        return json.loads(raw)
    except (ValueError, RecursionError):
        return None


def _is_time(found: Any) -> TypeGuard[int]:
    return isinstance(found, int) and not isinstance(found, bool) and 0 <= found < 1 << 53


def _payload(facts: dict[str, Any], number: int) -> tuple[bytes, int]:
    text, coded, size = facts.get("text"), facts.get("base64"), facts.get("bytes")
    if isinstance(text, str):
        try:
            payload = text.encode()
        except UnicodeEncodeError:
            raise BrokenCapture(f"line {number}: text that cannot be written as UTF-8") from None
        return payload, len(payload)
    if isinstance(coded, str):
        try:
            payload = base64.b64decode(coded, validate=True)
        except (binascii.Error, ValueError):
            raise BrokenCapture(f"line {number}: base64 that cannot be decoded") from None
        return payload, len(payload)
    if _is_time(size):
        return b"", size
    raise BrokenCapture(f"line {number}: expected the payload as text, base64, or its length as bytes")
