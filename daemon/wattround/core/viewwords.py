"""What `view` has, in words."""

from __future__ import annotations

from typing import Any

OCCUPANCY = {"empty": "nobody home", "occupied": "somebody home", "unknown": "who is home is not known"}

NOT_YET = {"connecting": "no answer yet", "subscribing": "no answer to our subscriptions yet"}


def trouble_lines(facts: dict[str, Any]) -> list[str]:
    """What keeps the figures from being whole."""
    daemon = facts["daemon"]
    lines = []
    if daemon["broker"] != "connected":
        state = daemon["broker"]
        why = daemon["broker_trouble"] or NOT_YET.get(state)
        lines.append(f"broker: {state}: {why}" if why else f"broker: {state}")
    elif daemon["broker_trouble"]:
        lines.append(f"broker: {daemon['broker_trouble']}")
    if daemon["ledger_trouble"]:
        lines.append(f"ledger cannot be written: {daemon['ledger_trouble']}; measuring goes on in memory")
    if daemon["messages_dropped"]:
        lines.append(f"{daemon['messages_dropped']} readings were dropped: they came faster than they could be taken")
    if daemon.get("names_refused"):
        lines.append(f"{daemon['names_refused']} messages refused: more names than a pattern's at_most allows")
    lines += [
        f"bad payloads from {name}: {entry['count']}, last: {entry['last']}"
        for name, entry in facts["bad_payloads"].items()
    ]
    return lines
