"""The part of the report's page that says what has changed, and which loads account for it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from decimal import Decimal
from typing import Any

from wattround.analysis.comparison import Bridge, Step, bridge, scale
from wattround.analysis.periods import WrongPeriod, against
from wattround.analysis.report import DAY_MS, Report, report
from wattround.analysis.reporting.inquiry import Look
from wattround.analysis.reporting.words import UWH_PER_KWH, days_text
from wattround.pictures.bridge import bars, draw
from wattround.pictures.ink import plain
from wattround.pictures.paper import minus, picture

MOST_STEPS = 11
KEPT_ENOUGH = 0.5
"""Share of the time before that the ledger must have, if nobody has asked for it (common practice, no source)."""
HEARD_ENOUGH = 0.9
"""With less of the time heard, a change may be one of hearing (common practice, no source)."""


def compared(look: Look, words: str) -> tuple[Report | None, str]:
    """The report to compare with, as asked for or else of the time before; or why there is none.

    Raises:
        WrongPeriod: if the ledger has nothing of what was asked for.
    """
    try:
        days = against(words or "previous", look.days)
        span = look.clip(days)
    except WrongPeriod as wrong:
        if words:
            raise
        return None, f"There is nothing to compare with: {wrong}."
    if not words and span[1] - span[0] < KEPT_ENOUGH * days.number * DAY_MS:
        return None, (
            f"There is little to compare with: of {days.first} to {days.last} the ledger has less than half."
            " Ask for days that it has, with --against."
        )
    return report(look.scene, *span, look.kept), ""


def changed(look: Look, found: Report, before: Report, name: Callable[[str], str]) -> dict[str, Any]:
    """The bridge from one total to the other, in few rows and in all of them."""
    whole, currency = bridge(found, before), found.settings.house.currency
    shown = whole.shortened(MOST_STEPS)
    more = minus(f"{whole.total.kwh:+} kWh, {whole.total.money:+} {currency}")
    return {
        "rows": list(_rows(shown, currency, name)), "all": [_figures(each) for each in (*whole.steps, whole.total)],
        "says": f"Against {days_text(before, look.scene.zone)}: {more}. {_lengths(found, before)}",
        "notes": list(_notes(shown, found, before)),
    }  # fmt: skip


def _rows(of: Bridge, currency: str, name: Callable[[str], str]) -> Iterator[dict[str, Any]]:
    total = of.total
    labels = ["Before", *(plain(each.label) or f"{each.others} others" for each in of.steps), "Now"]
    doubts = [False, *map(_doubtful, of.steps), False]
    kwh = _column(labels, "kWh", total.then_kwh, [each.kwh for each in of.steps], name("bridge"))
    money = _column(labels, currency, total.then_money, [each.money for each in of.steps], name("bridge"))
    for label, doubt, *cells in zip(labels, doubts, kwh, money, strict=True):
        yield {"label": label, "doubt": doubt, "kwh": cells[0], "money": cells[1]}


def _column(labels: list[str], unit: str, then: Decimal, steps: list[Decimal], name: str) -> Iterator[dict[str, Any]]:
    texts = [f"{then}", *(f"{step:+}" for step in steps), f"{sum(steps, then)}"]
    says = [f"{label}: {text} {unit}" for label, text in zip(labels, texts, strict=True)]
    for text, drawn in zip(texts, draw(name, bars(then, steps), says), strict=True):
        yield {"text": text, "bar": picture(drawn)}


def _notes(of: Bridge, found: Report, before: Report) -> Iterator[str]:
    if any(map(_doubtful, of.steps)):
        enough = f"{100 * HEARD_ENOUGH:.0f} %"
        yield f"* Heard for less than {enough} of the time, then or now: some of this may be a change of hearing."
    then, now = (each.total.unpriced_uwh / UWH_PER_KWH for each in (before, found))
    if then or now:
        yield f"{then:.2f} kWh then and {now:.2f} now have no known price: the money says nothing of them."


def _doubtful(step: Step) -> bool:
    return any(heard is not None and heard < HEARD_ENOUGH for heard in step.heard)


def _figures(step: Step) -> dict[str, Any]:
    return {
        "label": plain(step.label), "kwh": (f"{step.then_kwh}", f"{step.now_kwh}", f"{step.kwh:+}"),
        "money": (f"{step.then_money}", f"{step.now_money}", f"{step.money:+}"),
        "heard": ["" if heard is None else f"{100 * heard:.1f} %" for heard in step.heard],
    }  # fmt: skip


def _lengths(found: Report, before: Report) -> str:
    """How long both times are, and what was done about it."""
    now, then = (each.elapsed_ms / DAY_MS for each in (found, before))
    times = scale(found, before)
    if times != 1:
        return (
            f"These are {now:.2f} days and those before {then:.2f}, so the figures before are multiplied by"
            f" {times:.4f}: by length alone, not by weather or time of day."
        )
    if now == then:
        return "Both are equally long."
    return f"They are {now:.2f} and {then:.2f} days long: nothing is scaled."
