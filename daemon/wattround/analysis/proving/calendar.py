"""A trial as an iCalendar file (RFC 5545): one all-day event for each of its units."""

from __future__ import annotations

import uuid
from datetime import UTC, timedelta

from icalendar import Calendar, Event

from wattround.core.trial import Do, Trial, topic_level

PRODUCT = "-//wattround//trial//EN"


def calendar(trial: Trial, house: str) -> str:
    """The file's text. A unit always has the same UID, so that to take it in twice does not double it."""
    made = Calendar()
    made.add("prodid", PRODUCT)
    made.add("version", "2.0")
    for at, sign in enumerate(trial.order):
        first = trial.first + timedelta(days=at * trial.unit_days)
        do: Do = "on" if sign == "+" else "off"
        event = Event()
        event.add("uid", uuid.uuid5(uuid.NAMESPACE_URL, f"wattround:{house}/trial/{topic_level(trial.name)}/{first}"))
        event.add("dtstamp", trial.drawn.astimezone(UTC))
        event.add("dtstart", first)
        event.add("dtend", first + timedelta(days=trial.unit_days))  # the day after the last (RFC 5545, 3.6.1)
        event.add("summary", f"{trial.name}: {do.upper()}")
        if trial.means(do):
            event.add("description", trial.means(do))
        event.add("transp", "TRANSPARENT")  # nobody is busy because of it
        made.add_component(event)
    return str(made.to_ical(), "utf-8")
