"""A judged trial as plain values, for programs."""

from __future__ import annotations

import math
from typing import Any

from wattround.analysis.proof.mixture import Estimate
from wattround.analysis.proving.trials import Tried
from wattround.analysis.proving.trialwords import verdict


def plain(of: Tried) -> dict[str, Any]:
    """Numbers that are not known are None."""
    judgement = of.judgement
    facts: dict[str, Any] = {
        "trial": of.trial.name, "number": of.number, "on": list(of.trial.on), "from": f"{of.trial.first}",
        "to": f"{of.trial.last}", "verdict": of.verdict, "sentence": verdict(of), "lacking": of.lacking or None,
        "more_days": of.more_days, "days": of.trial.days, "done": of.gone,
        "days_on": int(of.used.on.sum()), "days_off": int((~of.used.on).sum()),
        "left_out": [f"{day}" for day in of.trial.skipped], "saved_wh_per_day": None,
        "by_chance": None, "by_regression": None,
        "per_kwh": None if of.money.per_kwh is None else str(of.money.per_kwh), "currency": of.money.currency,
        "saved_money_per_day": None, "notes": [{"code": note.code, "text": note.text} for note in of.notes],
    }  # fmt: skip
    if judgement is not None:
        saved, chance = judgement.saved, judgement.randomisation
        facts["saved_wh_per_day"] = _estimate(saved)
        facts["smallest_seen_wh"] = saved.smallest_seen
        facts["by_chance"] = {
            "p": judgement.p_value, "orders": judgement.orders,
            "low": None if chance is None else chance[0], "high": None if chance is None else chance[1],
        }  # fmt: skip
        facts["by_regression"] = _estimate(judgement.regression)
        money = [of.money.of(wh) for wh in (saved.value, saved.low, saved.high)]
        facts["saved_money_per_day"] = None if None in money else [str(each) for each in money]
    return {key: _known(value) for key, value in facts.items()}


def _known(found: Any) -> Any:
    return None if isinstance(found, float) and not math.isfinite(found) else found


def _estimate(found: Estimate) -> dict[str, float | None]:
    return {"value": found.value, "low": _known(found.low), "high": _known(found.high), "level": found.level}
