"""Words for a person, facts for a machine: what an episode's news, or a bulletin of several, says."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import UTC, datetime
from decimal import Decimal
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

from wattround.config.kinds import duration_text
from wattround.config.rule import Rule, Templates
from wattround.config.templates import Kind, Letter, Line, letter_text
from wattround.core.purse import Purse
from wattround.core.words import because, state, why
from wattround.money.twoprices import WORTHLESS, Worth
from wattround.rules.engine import EpisodeNews
from wattround.rules.manners import Bulletin, Item

UWH_PER_KWH = 1e9


class House(NamedTuple):
    """What every message needs to know of the house."""

    id: str
    title: str
    zone: ZoneInfo
    purse: Purse


class Scene(NamedTuple):
    """What the core knows of an episode beside its news: the rule, names, watts now, and what else is to be said.

    `worth`: what its waste would have saved; `cost_a_day`: what its watts cost if they go on, None if unknown.
    """

    rule: Rule | None
    label: str
    watts: float | None
    note: str
    wastes: bool
    meters: frozenset[str]
    worth: Worth = WORTHLESS
    cost_a_day: Decimal | None = None


class Told(NamedTuple):
    """A message before it has a channel."""

    title: str
    body: str
    facts: str


SceneOf = Callable[[EpisodeNews], Scene]


def tell_raw(news: EpisodeNews, scene: Scene, house: House, *, hushed: bool) -> Told:
    """One episode's news, for a program."""
    item = Item(raised=news) if news.what == "raised" else Item(settled=news)
    told = line(item, scene, house, news.at_ms, 0)
    facts = episode_facts(news, scene, house, told.sentence)
    return Told(f"{told.label}: {told.state}", told.sentence, json.dumps({**facts, "hushed": hushed}))


def tell_bulletin(bulletin: Bulletin, scene_of: SceneOf, house: House, templates: Templates) -> Told:
    """What people are told, by the templates."""
    scenes = [scene_of(item.news) for item in bulletin.items]
    counted = _counted(bulletin, scenes)
    total_uwh = sum(item.news.waste_uwh for item, counts in zip(bulletin.items, counted, strict=True) if counts)
    lines = tuple(
        line(item, scene, house, bulletin.at_ms, total_uwh if len(scenes) > 1 else 0)
        for item, scene in zip(bulletin.items, scenes, strict=True)
    )
    kind = kind_of(bulletin)
    title, body = letter_text(kind, templates, letter(bulletin, scenes, counted, lines, house, total_uwh))
    facts = {
        "house": house.id,
        "event": kind,
        "title": title,
        "text": body,
        "held_back": bulletin.capped,
        "episodes": [
            episode_facts(item.news, scene, house, told.sentence)
            for item, scene, told in zip(bulletin.items, scenes, lines, strict=True)
        ],
    }
    return Told(title, body, json.dumps(facts))


def kind_of(bulletin: Bulletin) -> Kind:
    """Which template speaks: what is all of one kind has its own, anything mixed is a digest."""
    if bulletin.kind == "digest":
        return "digest"
    kinds: set[Kind] = {_event_kind(item) for item in bulletin.items}
    return kinds.pop() if len(kinds) == 1 else "digest"


def _event_kind(item: Item) -> Kind:
    if item.settled is not None:
        return "settled"
    return "raised" if item.raised is not None else "reminder"


def _counted(bulletin: Bulletin, scenes: list[Scene]) -> list[bool]:
    """Which episodes make up the total: two rules about one load waste its energy only once."""
    found = [False] * len(scenes)
    seen: set[str] = set()
    for at in sorted(range(len(scenes)), key=lambda at: -bulletin.items[at].news.waste_uwh):
        if scenes[at].wastes and seen.isdisjoint(scenes[at].meters):
            found[at] = True
            seen |= scenes[at].meters
    return found


def letter(
    bulletin: Bulletin, scenes: list[Scene], counted: list[bool], lines: tuple[Line, ...], house: House, total_uwh: int
) -> Letter:
    """What a template is given."""
    watts = sum(
        scene.watts or 0.0
        for item, scene, counts in zip(bulletin.items, scenes, counted, strict=True)
        if item.settled is None and counts
    )
    reasons = {told.why for told in lines}
    worth = WORTHLESS
    for scene, counts in zip(scenes, counted, strict=True):
        worth = worth.plus(scene.worth) if counts else worth
    cost_a_day = house.purse.a_day(watts, bulletin.at_ms)
    return Letter(
        house=house.title,
        lines=lines,
        why=reasons.pop() if len(reasons) == 1 else "",
        watts=f"{watts:,.0f} W",
        energy=energy_text(total_uwh),
        cost=house.purse.worth_text(worth),
        cost_a_day="" if cost_a_day is None else house.purse.text(cost_a_day),
        held_back=bulletin.capped,
        wastes=any(counted),
    )


def line(item: Item, scene: Scene, house: House, now_ms: int, total_uwh: int) -> Line:
    """One episode of a message. `total_uwh`: of all of them, where there are several."""
    news, purse = item.news, house.purse
    clock = clock_text(house.zone, now_ms)
    event = _event(item)
    over = item.settled is not None
    share = f"{100 * news.waste_uwh / total_uwh:.0f} %" if total_uwh > 0 and scene.wastes else ""
    watts = scene.watts if not over else None
    told = Line(
        event=event,
        label=scene.label,
        load=news.load,
        rule=news.rule,
        state=state(scene.rule, purse.currency),
        why=why(scene.rule),
        began=clock(news.began_ms),
        ended=clock(news.at_ms) if over else "",
        lasting=duration_text(news.at_ms - news.began_ms),
        watts="" if watts is None else f"{watts:,.0f} W",
        energy=energy_text(news.waste_uwh),
        cost=purse.worth_text(scene.worth),
        cost_a_day=purse.text(scene.cost_a_day) if watts and scene.wastes and scene.cost_a_day is not None else "",
        share=share,
        because=because(news.reason, scene.rule, purse.currency) if over else "",
        note=scene.note if not over else "",
        sentence="",
        hush=f"rule {news.rule}; to hear no more of it: wattround hush {news.rule}",
    )
    return told._replace(sentence=_sentence(told, scene))


def _event(item: Item) -> Any:
    if item.settled is not None:
        return "missed" if item.raised is not None else "settled"
    return "raised" if item.raised is not None else "reminder"


def _sentence(told: Line, scene: Scene) -> str:
    circumstance = f", {told.why}," if told.why else ""
    if told.event == "settled":
        cost = f" It took {told.energy}, {told.cost}." if scene.wastes else ""
        return f"{told.label}: over at {told.ended} after {told.lasting}, because {told.because}.{cost}"
    if told.event == "missed":
        cost = f"; {told.energy}, {told.cost}" if scene.wastes else ""
        return (
            f"{told.label} was {told.state}{circumstance} from {told.began} to {told.ended} ({told.lasting}){cost}."
            f" Over because {told.because}."
        )
    still = "still " if told.event == "reminder" else ""
    words = f"{told.label} is {still}{told.state}{circumstance} since {told.began} ({told.lasting})."
    if scene.wastes:
        draw = f"It draws {told.watts}" if told.watts else "Its draw is not known just now"
        words += f" {draw}; so far {told.energy}, {told.cost}."
        if told.cost_a_day:
            words += f" Left like this it costs {told.cost_a_day} a day."
    return f"{words} {told.note}".rstrip()


def clock_text(zone: ZoneInfo, near_ms: int) -> Callable[[int], str]:
    """Times of day, with the date where it is another day than `near_ms`."""

    def text(at_ms: int) -> str:
        moment = datetime.fromtimestamp(at_ms / 1000, UTC).astimezone(zone)
        today = datetime.fromtimestamp(near_ms / 1000, UTC).astimezone(zone).date()
        return moment.strftime("%H:%M") if moment.date() == today else moment.strftime("%H:%M on %d %B")

    return text


def energy_text(waste_uwh: int) -> str:
    """Energy in the unit that suits it."""
    kwh = waste_uwh / UWH_PER_KWH
    return f"{kwh:.2f} kWh" if kwh >= 0.1 else f"{kwh * 1000:.0f} Wh"


def _iso(at_ms: int) -> str:
    return datetime.fromtimestamp(at_ms / 1000, UTC).isoformat(timespec="seconds").replace("+00:00", "Z")


def episode_facts(news: EpisodeNews, scene: Scene, house: House, text: str) -> dict[str, object]:
    """An episode for a program."""
    watts = scene.watts if news.what == "raised" else None
    return {
        "house": house.id,
        "event": news.what,
        "rule": news.rule,
        "load": news.load,
        "label": scene.label,
        "began": _iso(news.began_ms),
        "raised": _iso(news.raised_ms),
        "settled": _iso(news.at_ms) if news.what == "settled" else None,
        "because": news.reason,
        "lasting_s": (news.at_ms - news.began_ms) // 1000,
        "watts_w": None if watts is None else round(watts, 1),
        "waste_wh": round(news.waste_uwh / 1e6, 3),
        "cost": str(round(scene.worth.amount, 4)),
        "unpriced_wh": round(scene.worth.unknown_uwh / 1e6, 3),
        "cost_per_day": None if watts is None or scene.cost_a_day is None else str(round(scene.cost_a_day, 4)),
        "currency": house.purse.currency,
        "text": text,
    }
