"""Weekly letters that were made: which weeks had one, and each as its text.

A letter is shown as its text, under the page's policy. Its own page is made for mail, with a style within it: that is
shown apart, under a policy that allows this one style and nothing else.
"""

from __future__ import annotations

import base64
import hashlib
import re
from collections.abc import Sequence
from datetime import timedelta
from typing import Any
from zoneinfo import ZoneInfo

from wattround.config.model import Settings
from wattround.core.letters import monday_of
from wattround.ledger.mail import SentLetter
from wattround.ledger.tally import Tally
from wattround.page.figures import moment_text
from wattround.pictures.ink import plain

STYLE = re.compile(r"<style>(.*?)</style>", re.DOTALL)
SIX_DAYS = timedelta(days=6)


def letters_view(tally: Tally | None, settings: Settings) -> dict[str, Any]:
    """What the template of the list needs."""
    found = tally.letters() if tally is not None else []
    return {
        "letters": [_row(each, settings) for each in found],
        "configured": settings.letter is not None,
    }


def letter_view(letters: Sequence[SentLetter], week: str, settings: Settings) -> dict[str, Any] | None:
    """What the template of one needs, with the weeks before and after it that had one; None: there is none."""
    weeks = [each.week for each in letters]
    if week not in weeks:
        return None
    at = weeks.index(week)
    return {
        "letter": {**_row(letters[at], settings), "body": "\n".join(map(plain, letters[at].body.splitlines()))},
        "later": weeks[at - 1] if at else "", "earlier": weeks[at + 1] if at + 1 < len(weeks) else "",
    }  # fmt: skip


def policy_of(html: str) -> str:
    """A content security policy for a letter's own page: its style, and no script, no picture, no form, no way out."""
    found = STYLE.search(html)
    digest = hashlib.sha256(found.group(1).encode()).digest() if found is not None else b""
    style = f"'sha256-{base64.b64encode(digest).decode()}'" if digest else "'none'"
    return (
        f"sandbox; default-src 'none'; style-src {style}; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    )


def _row(letter: SentLetter, settings: Settings) -> dict[str, Any]:
    zone, first = ZoneInfo(settings.house.time_zone), monday_of(letter.week)
    return {
        "week": letter.week, "first": f"{first}", "last": f"{first + SIX_DAYS}", "title": plain(letter.title),
        "made": moment_text(letter.made_ms, zone),
        "channels": ", ".join(
            name if sent_ms is not None else f"{name} (not sent)" for name, sent_ms in letter.channels.items()
        ),
    }  # fmt: skip
