"""Requests that come by MQTT: one JSON object each, answered by one."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

from wattround.ingest.payload import BadPayload, parse_json

WORDS = ("hush", "unhush")
MAX_BYTES = 2048
LONGEST_ID = 200


def answer_request(payload: bytes, carry_out: Callable[[dict[str, Any]], str], *, retained: bool) -> bytes:
    """Carry out a request, or say why not. Its `id` comes back with the answer.

    A retained one is refused: the broker would repeat it at every connection.
    """
    facts: Any = None
    try:
        facts = _facts(payload, retained=retained)
        return _answer(facts, {"ok": True, "done": carry_out(facts)})
    except (BadPayload, ValueError) as trouble:
        return _answer(facts, {"ok": False, "trouble": str(trouble)})


def _facts(payload: bytes, *, retained: bool) -> dict[str, Any]:
    if retained:
        raise ValueError("a retained request: publish it without the retain flag, and empty the topic")
    if len(payload) > MAX_BYTES:
        raise ValueError(f"a request of more than {MAX_BYTES} bytes")
    facts = parse_json(payload)
    if not isinstance(facts, dict):
        raise ValueError(  # noqa: TRY004 - told to who asked
            'expected one JSON object such as {"do": "hush", "rule": "NAME", "for_s": 7200}'
        )
    if facts.get("do") not in WORDS:
        raise ValueError(f"do: expected one of {', '.join(WORDS)}")
    unknown = sorted(set(facts) - {"do", "rule", "load", "for_s", "until", "id"})
    if unknown:
        raise ValueError(f"{unknown[0]}: an unknown key; known: do, rule, load, for_s, until, id")
    return facts


def _answer(facts: Any, answer: dict[str, Any]) -> bytes:
    number = facts.get("id") if isinstance(facts, dict) else None
    if isinstance(number, str | int) and len(str(number)) <= LONGEST_ID:
        answer["id"] = number
    return json.dumps(answer).encode()
