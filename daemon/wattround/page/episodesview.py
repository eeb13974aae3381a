"""Episodes: open and past, what they wasted, and what is hushed."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import timedelta
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

from wattround.analysis.episodes import Account, Total, account, lasting_ms
from wattround.config.kinds import duration_text
from wattround.config.model import Settings
from wattround.config.rule import Rule
from wattround.core.rulebook import HOUSE
from wattround.core.words import because, when
from wattround.ledger.batch import EpisodeRow
from wattround.ledger.tally import Tally
from wattround.metering.localtime import instant_ms, local_date
from wattround.money.amount import cell_text
from wattround.page.figures import moment_text
from wattround.page.notes import open_text
from wattround.pictures.ink import plain

DAYS = (7, 30, 365)
MOST_PAST = 200
FOR_S = {
    "2h": (7200, "for 2 hours"), "12h": (43_200, "for 12 hours"), "1d": (86_400, "for a day"),
    "3d": (259_200, "for 3 days"), "7d": (604_800, "for a week"),
}  # fmt: skip
UNTIL = {"off": "until it is next off", "good": "for good"}


def choices(rule: Rule) -> list[tuple[str, str]]:
    """How long a rule can be hushed: what a form sends, and what it says."""
    times = [(key, text) for key, (_, text) in FOR_S.items()]
    until = [(key, text) for key, text in UNTIL.items() if key == "good" or rule.of_load]
    return [*until[:-1], *times, until[-1]]


def asked_hush(how: str) -> dict[str, Any]:
    """What the core is asked for, for a choice of a form; unknown ones are handed on, for it to refuse."""
    return {"for_s": FOR_S[how][0]} if how in FOR_S else {"until": how}


def span_of(days: int, now_ms: int, zone: ZoneInfo) -> tuple[int, int]:
    """So many local days up to now."""
    first = local_date(now_ms, zone) - timedelta(days=days - 1)
    return instant_ms(first, 0, zone), now_ms + 1


def episodes_view(
    tally: Tally | None, settings: Settings, facts: Mapping[str, Any], days: int, load: str = ""
) -> dict[str, Any]:
    """What the template needs; `load`: only what is about it."""
    zone = ZoneInfo(settings.house.time_zone)
    rules = {rule.name: rule for rule in settings.rules}
    labels = {meter["name"]: plain(meter["label"]) for meter in facts["meters"]} | {HOUSE: "The house"}
    loads, currency = [load] if load else [], settings.house.currency
    found = account(tally, *span_of(days, facts["now_ms"], zone), (), loads) if tally is not None else None
    opened = [each for each in facts["episodes"] if not load or each["load"] == load]
    return {
        "days": days, "spans": DAYS,
        "open": [_open(each, settings, rules, zone) for each in opened],
        "past": list(_past(found, rules, labels, zone, currency))[:MOST_PAST] if found is not None else [],
        "by_rule": _totals(found.by_rule if found is not None else (), {}),
        "by_load": _totals(found.by_load if found is not None else (), labels),
        "rules": [_rule(rule, facts, currency) for rule in settings.rules],
        "hushes": [_hush(each, labels) for each in facts["hushes"]],
    }  # fmt: skip


def _open(episode: Mapping[str, Any], settings: Settings, rules: Mapping[str, Rule], zone: ZoneInfo) -> dict[str, Any]:
    rule = rules.get(episode["rule"])
    return {
        "rule": episode["rule"], "load": episode["load"], "label": plain(episode["label"]),
        "text": open_text(episode, settings), "began": moment_text(episode["began_ms"], zone),
        "lasting": duration_text(episode["lasting_s"] * 1000), "wh": f"{episode['waste_wh']:.0f}",
        "money": cell_text(Decimal(episode["cost"]), episode["unpriced_wh"]), "hushed": episode["hushed"],
        "choices": choices(rule) if rule is not None else [], "of_load": rule is not None and rule.of_load,
    }  # fmt: skip


def _past(
    found: Account, rules: Mapping[str, Rule], labels: Mapping[str, str], zone: ZoneInfo, currency: str
) -> Iterator[dict[str, str]]:
    for row in reversed(found.past):
        yield {
            "rule": row.rule, "label": label_of(row, labels), "began": moment_text(row.began_ms, zone),
            "lasting": duration_text(lasting_ms(row, found.as_of_ms)), "wh": f"{row.waste_uwh / 1e6:.0f}",
            "money": cell_text(Decimal(row.cost), row.unpriced_uwh), "because": _because(row, rules, currency),
        }  # fmt: skip


def _because(row: EpisodeRow, rules: Mapping[str, Rule], currency: str) -> str:
    reason: Any = row.reason
    return because(reason, rules.get(row.rule), currency)


def label_of(row: EpisodeRow, labels: Mapping[str, str]) -> str:
    """What people call an episode's load."""
    return labels.get(row.load) or plain(row.load.removesuffix("+"))


def _totals(totals: Sequence[Total], labels: Mapping[str, str]) -> list[dict[str, str]]:
    return [
        {
            "name": labels.get(total.name, plain(total.name.removesuffix("+"))), "episodes": f"{total.episodes}",
            "lasting": duration_text(total.lasting_s * 1000), "kwh": f"{total.waste_wh / 1000:.2f}",
            "money": cell_text(total.cost, total.unpriced_wh),
        }
        for total in totals
    ]  # fmt: skip


def _rule(rule: Rule, facts: Mapping[str, Any], currency: str) -> dict[str, Any]:
    hushes = [each["until"] for each in facts["hushes"] if each["rule"] == rule.name and each["load"] is None]
    opened = sum(1 for each in facts["episodes"] if each["rule"] == rule.name)
    return {
        "name": rule.name, "when": when(rule, currency), "open": opened,
        "hushed": hushes[0] if hushes else "", "choices": choices(rule),
    }  # fmt: skip


def _hush(hush: Mapping[str, Any], labels: Mapping[str, str]) -> dict[str, Any]:
    load = hush["load"]
    label = labels.get(load, plain(load)) if load else "all of its loads"
    return {"rule": hush["rule"], "load": load or "", "label": label, "until": hush["until"]}
