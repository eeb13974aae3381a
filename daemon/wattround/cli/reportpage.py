"""`wattround report --html`: the report with its pictures, as one page for a browser or for paper."""

from __future__ import annotations

from wattround.analysis.reporting.facts import facts
from wattround.analysis.reporting.inquiry import Asked, looking
from wattround.config.model import Settings
from wattround.pictures.paper import render


def page(settings: Settings, asked: Asked, now_ms: int) -> str:
    """The whole page, drawn before anything is written.

    Raises:
        WrongPeriod: if the days make no sense, the ledger has nothing of them, or there is no such load.
        NoLedger: if there is no ledger.
        sqlite3.Error: if it cannot be read.
    """
    with looking(settings, asked, now_ms) as look:
        return render("wattround.analysis.reporting", "report.html.j2", facts(look, asked))
