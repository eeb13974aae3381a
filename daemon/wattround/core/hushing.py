"""Requests to hush a rule, or to let it speak again: from a command, or by MQTT."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from wattround.config.kinds import duration_text
from wattround.config.model import Meter
from wattround.config.rule import Rule
from wattround.core.rulebook import subjects
from wattround.rules.hush import Hush
from wattround.rules.manners import Manners
from wattround.rules.signals import FOREVER_MS

DEFAULT_S = 86_400
LONGEST_S = 366 * 86_400


def carry_out(
    manners: Manners, rules: Mapping[str, Rule], meters: Mapping[str, Meter], facts: Mapping[str, Any], now_ms: int
) -> str:
    """Hush or un-hush as a request says: `do` (hush or unhush), `rule`, `load`, `for_s` or `until`. What was done.

    Without `for_s` and `until` a load is hushed until it is next off, a rule about the house for a day.

    Raises:
        ValueError: with a reason, for a request that cannot be carried out.
    """
    name, load = facts.get("rule"), facts.get("load")
    if not isinstance(name, str) or name not in rules:
        raise ValueError(f"rule: expected the name of a rule; known: {', '.join(rules) or 'none'}")
    rule = rules[name]
    known = [found.load for found in subjects(rule, meters)]
    if load is not None and load not in known:
        raise ValueError(f"load: expected a load of this rule: {', '.join(known)}")
    whom = name if load is None else f"{name}, {load}"
    if facts["do"] == "unhush":
        ended = manners.unhush(name, load, now_ms)
        return f"{whom}: speaks again" if ended else f"{whom}: was not hushed"
    hush = _hush(rule, load, facts, now_ms)
    manners.hush(hush)
    return f"{whom}: hushed {hush_text(hush, now_ms)}"


def _hush(rule: Rule, load: str | None, facts: Mapping[str, Any], now_ms: int) -> Hush:
    until, for_s = facts.get("until"), facts.get("for_s")
    if until is None and for_s is None:
        until, for_s = ("off", None) if rule.of_load else (None, DEFAULT_S)
    if until is not None:
        if until not in ("off", "good") or for_s is not None:
            raise ValueError('until: expected "off" (until the load is next off) or "good" (until it is lifted), alone')
        if until == "off" and not rule.of_load:
            raise ValueError("until: this rule is about the house, which is never off: say for_s or good")
        return Hush(rule.name, load, until, FOREVER_MS, now_ms)
    if type(for_s) is not int or not 1 <= for_s <= LONGEST_S:
        raise ValueError("for_s: expected whole seconds, from 1 to a year of them")
    return Hush(rule.name, load, "time", now_ms + for_s * 1000, now_ms)


def hush_text(hush: Hush, now_ms: int) -> str:
    """Until when, for a person."""
    if hush.until == "time":
        return f"for {duration_text(max(0, hush.until_ms - now_ms))}"
    return "until the load is next off or on standby" if hush.until == "off" else "for good"
