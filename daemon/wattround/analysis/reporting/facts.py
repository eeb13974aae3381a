"""Everything that the report's page shows, drawn and in words."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from wattround.analysis.report import Report, report
from wattround.analysis.reporting.changed import changed, compared
from wattround.analysis.reporting.inquiry import Asked, Look
from wattround.analysis.reporting.listed import listed, listed_lines
from wattround.analysis.reporting.parts import Parts
from wattround.analysis.reporting.words import cells, days_text, lines
from wattround.pictures.ink import plain

KINDS = {"total": "total", "load": "load", "part": "part"}
"""How rows are set; all others are what is left."""
DEEPEST = 8


def facts(look: Look, asked: Asked, *, maps: bool = True) -> dict[str, Any]:
    """What the templates of this folder are filled with; hours of the day only with `maps`.

    Raises:
        WrongPeriod: if the ledger has nothing of the time to compare with that was asked for.
    """
    found, (before, why_not) = report(look.scene, *look.span, look.kept), compared(look, asked.against)
    parts, currency = Parts(look, found), found.settings.house.currency
    return {
        "house": plain(found.total.label), "days": days_text(found, look.scene.zone), "currency": currency,
        "marked": bool(found.total.unpriced_uwh), "strips": parts.strips(),
        "heats": parts.heats(asked.load) if maps else {},
        "base": parts.base(before),
        "bridge": changed(look, found, before, parts.name) if before else {"rows": [], "says": why_not, "notes": []},
        "account": list(_account(found)),
        "lines": [*lines(found, currency), *map(plain, listed_lines(listed(look.scene, found)))],
    }  # fmt: skip


def _account(found: Report) -> Iterator[dict[str, Any]]:
    """The rows of the report, as the terminal shows them."""
    for row in found.total.walk():
        names = ("label", "kwh", "money", "month", "share", "ran", "standby", "year", "covered")
        texts = dict(zip(names, cells(found, row), strict=True))
        label = plain(texts["label"].strip())
        yield {**texts, "label": label, "kind": KINDS.get(row.kind, "left"), "depth": min(row.depth, DEEPEST)}
