"""Words for a person, facts for a machine: what an episode's news says."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import UTC, datetime
from decimal import Decimal
from typing import NamedTuple
from zoneinfo import ZoneInfo

from wattround.config.kinds import duration_text
from wattround.config.model import Rule
from wattround.money.flat import FlatTariff
from wattround.rules.engine import EpisodeNews

UWH_PER_KWH = 1e9
_BECAUSE = {
    "level": "it is no longer {level}",
    "occupancy": "the house is no longer {occupancy}",
    "time": "the hours that this rule watches are over",
    "level-unknown": "nothing is heard of it any more; whether it is still on cannot be told",
    "occupancy-unknown": "who is home cannot be told any more",
    "rule-changed": "the rule was changed",
}


class House(NamedTuple):
    """What every message needs to know of the house."""

    id: str
    title: str
    zone: ZoneInfo
    tariff: FlatTariff


class Told(NamedTuple):
    """A message before it has a channel."""

    title: str
    body: str
    facts: str


def tell(news: EpisodeNews, rule: Rule | None, label: str, watts: float | None, house: House) -> Told:
    """The message for an episode that was raised or has settled."""
    cost = house.tariff.cost(news.waste_uwh)
    clock = _clock(house.zone, news.at_ms)
    say = _raised if news.what == "raised" else _settled
    title, body = say(news, rule, label, watts, house, clock)
    return Told(title, body, json.dumps(_facts(news, label, watts, cost, house, body)))


def _clock(zone: ZoneInfo, near_ms: int) -> Callable[[int], str]:
    """Times of day, with the date where it is another day than `near_ms`."""

    def text(at_ms: int) -> str:
        moment = datetime.fromtimestamp(at_ms / 1000, UTC).astimezone(zone)
        today = datetime.fromtimestamp(near_ms / 1000, UTC).astimezone(zone).date()
        return moment.strftime("%H:%M") if moment.date() == today else moment.strftime("%H:%M on %d %B")

    return text


def _energy(waste_uwh: int) -> str:
    kwh = waste_uwh / UWH_PER_KWH
    return f"{kwh:.2f} kWh" if kwh >= 0.1 else f"{kwh * 1000:.0f} Wh"


def _circumstance(rule: Rule | None) -> str:
    words = []
    if rule is not None and rule.occupancy == "empty":
        words.append("nobody home")
    if rule is not None and rule.occupancy == "occupied":
        words.append("somebody home")
    if rule is not None and rule.between is not None:
        words.append(f"past {rule.between[0]}")
    return " and ".join(words) or "longer than it should"


def _raised(
    news: EpisodeNews,
    rule: Rule | None,
    label: str,
    watts: float | None,
    house: House,
    clock: Callable[[int], str],
) -> tuple[str, str]:
    state = "on" if rule is None or rule.level == "active" else rule.level
    draw = f"It draws {watts:.0f} W" if watts is not None else "Its draw is not known just now"
    day = f" Left like this it costs {house.tariff.text(house.tariff.cost_per_day(watts))} a day." if watts else ""
    lasting = duration_text(news.at_ms - news.began_ms)
    body = (
        f"{label} is {state}, {_circumstance(rule)}, since {clock(news.began_ms)} ({lasting}). {draw};"
        f" so far {_energy(news.waste_uwh)}, {house.tariff.text(house.tariff.cost(news.waste_uwh))}.{day}"
        f" (rule {news.rule})"
    )
    return f"{label}: {state}, {_circumstance(rule)}", body


def _settled(
    news: EpisodeNews,
    rule: Rule | None,
    label: str,
    watts: float | None,
    house: House,
    clock: Callable[[int], str],
) -> tuple[str, str]:
    del watts
    words = {
        "level": "on" if rule is None or rule.level == "active" else rule.level,
        "occupancy": rule.occupancy if rule else None,
    }
    because = _BECAUSE[news.reason or "level"].format(**words)
    lasting = duration_text(news.at_ms - news.began_ms)
    body = (
        f"{label}: over at {clock(news.at_ms)} after {lasting}, because {because}. It took"
        f" {_energy(news.waste_uwh)}, {house.tariff.text(house.tariff.cost(news.waste_uwh))}. (rule {news.rule})"
    )
    return f"{label}: over after {lasting}", body


def _iso(at_ms: int) -> str:
    return datetime.fromtimestamp(at_ms / 1000, UTC).isoformat(timespec="seconds").replace("+00:00", "Z")


def _facts(
    news: EpisodeNews, label: str, watts: float | None, cost: Decimal, house: House, body: str
) -> dict[str, object]:
    return {
        "house": house.id,
        "event": news.what,
        "rule": news.rule,
        "load": news.load,
        "label": label,
        "began": _iso(news.began_ms),
        "raised": _iso(news.raised_ms),
        "settled": _iso(news.at_ms) if news.what == "settled" else None,
        "because": news.reason,
        "lasting_s": (news.at_ms - news.began_ms) // 1000,
        "watts_w": None if watts is None else round(watts, 1),
        "waste_wh": round(news.waste_uwh / 1e6, 3),
        "cost": str(round(cost, 4)),
        "cost_per_day": None if watts is None else str(round(house.tariff.cost_per_day(watts), 4)),
        "currency": house.tariff.currency,
        "text": body,
    }
