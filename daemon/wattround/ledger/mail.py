"""What became of messages, by channel; and the letters among them."""

from __future__ import annotations

import sqlite3
from typing import NamedTuple


class Mail(NamedTuple):
    """A channel's messages: waiting, sent, given up; when the last was sent, and what went wrong with a waiting one."""

    channel: str
    waiting: int
    sent: int
    given_up: int
    sent_ms: int | None
    trouble: str


def mail(connection: sqlite3.Connection, house: str) -> list[Mail]:
    """Every channel that ever had a message."""
    rows = connection.execute(
        "SELECT channel, sum(sent_ms IS NULL AND given_up_ms IS NULL), count(sent_ms), count(given_up_ms),"
        " max(sent_ms),"
        " coalesce(max(CASE WHEN sent_ms IS NULL AND given_up_ms IS NULL THEN trouble END), '')"
        " FROM outbox WHERE house = ? GROUP BY channel ORDER BY channel",
        (house,),
    )
    return [Mail(*row) for row in rows.fetchall()]


class SentLetter(NamedTuple):
    """A week's letter as it was last handed to its channels; of each of those when it was sent (None: it was not)."""

    week: str
    title: str
    body: str
    made_ms: int
    channels: dict[str, int | None]


def letter_html(connection: sqlite3.Connection, house: str, week: str) -> str | None:
    """A week's letter as the page that was last handed to its channels; None: there is none."""
    row = connection.execute(
        "SELECT json_extract(facts, '$.html') FROM outbox WHERE house = ? AND json_extract(facts, '$.event') = 'letter'"
        " AND json_extract(facts, '$.week') = ? ORDER BY id DESC LIMIT 1",
        (house, week),
    ).fetchone()
    return None if row is None else row[0]


def letters(connection: sqlite3.Connection, house: str) -> list[SentLetter]:
    """One for each week that had one, the latest first, for as long as the outbox keeps them."""
    rows = connection.execute(
        "SELECT json_extract(facts, '$.week') AS week, title, body, created_ms, channel, sent_ms FROM outbox"
        " WHERE house = ? AND json_extract(facts, '$.event') = 'letter' ORDER BY week DESC, id DESC",
        (house,),
    )
    found: dict[str, SentLetter] = {}
    for week, title, body, made_ms, channel, sent_ms in rows.fetchall():
        newest = found.setdefault(week, SentLetter(week, title, body, made_ms, {}))
        if newest.made_ms == made_ms:
            newest.channels[channel] = sent_ms
    return list(found.values())
