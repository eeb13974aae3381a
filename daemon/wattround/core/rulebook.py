"""From settings to rules that run: what each watches, its conditions, and the watts that they need to know of."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, field
from decimal import Decimal
from typing import NamedTuple, Protocol
from zoneinfo import ZoneInfo

from wattround.config.kinds import WEEKDAYS, clock_time, sun_time
from wattround.config.model import Meter, Settings
from wattround.config.rule import Rule, SignalTest
from wattround.rules.condition import AtLevel, Between, Condition, Draws, HouseIs, OnDays, SignalSays
from wattround.rules.engine import RuleSpec
from wattround.rules.manners import RuleWays, Ways
from wattround.rules.marks import ByWeekday, DayTime, Edges
from wattround.rules.nights import Nights
from wattround.rules.occupancy import Presence
from wattround.rules.occupancy import Ways as OccupancyWays
from wattround.rules.oversight import BaseLoadUp, Exceeded, InTrouble, Unheard, WornOff
from wattround.rules.signals import Claim, Signals
from wattround.rules.sun import BySun
from wattround.rules.usage import Cost, RanToday, Spending, Spent, StartsOften

HOUSE = "house"
"""What a rule without a load is about."""
BEYOND_SHARE = 0.1
"""How far beyond `above_w` or `below_w`, as a share of it, the watts must go before the rule no longer holds."""
BREAKER_RELEASE = 0.95


class Facts(Protocol):
    """What conditions ask of the metering."""

    def heard_ms(self, meter: str) -> int | None:
        """When it was last heard, or listening began; None while nothing can be heard."""
        ...

    def excess_w(self, meter: str, at_ms: int) -> float | None:
        """Watts by which the meters within it exceed it."""
        ...

    def troubles(self) -> AbstractSet[str]:
        """The daemon's own troubles."""
        ...

    def worn_off(self, load: str) -> bool | None:
        """Whether a saving that was proven on it is lost; None where none is watched."""
        ...


class Parts(NamedTuple):
    """What conditions share."""

    presence: Presence
    signals: Signals
    spending: Spending
    nights: Nights
    facts: Facts
    cost: Cost


@dataclass(slots=True)
class Rulebook:
    """Rules ready to run, and what they need of the meters."""

    specs: list[RuleSpec] = field(default_factory=list)
    edges_w: dict[str, set[float]] = field(default_factory=dict)
    every_change: set[str] = field(default_factory=set)
    members: dict[str, tuple[str, ...]] = field(default_factory=dict)
    rules_of: dict[str, list[str]] = field(default_factory=dict)


class Subject(NamedTuple):
    """A load that a rule watches; `members` if it stands for several meters together."""

    load: str
    members: tuple[str, ...]


def together(rule: Rule) -> str:
    """The name of the load that a rule makes of several; no meter can have it."""
    return f"{rule.name}+"


def subjects(rule: Rule, meters: Mapping[str, Meter]) -> list[Subject]:
    """The loads of a rule: one by one, or several as one; the house where none is named."""
    if not rule.of_load:
        return [Subject(HOUSE, ())]
    if rule.tag is not None:
        names = [name for name, meter in meters.items() if rule.tag in meter.tags]
    else:
        names = [rule.load] if rule.load is not None else list(dict.fromkeys(rule.loads or ()))
    if rule.together:
        return [Subject(together(rule), tuple(names))] if names else []
    return [Subject(name, ()) for name in names]


def rulebook(settings: Settings, meters: Mapping[str, Meter], parts: Parts) -> Rulebook:
    """All rules of a house with these meters."""
    book = Rulebook()
    for rule in settings.rules:
        stated = stated_text(rule, settings)
        for subject in subjects(rule, meters):
            drawn = draws(rule, meters.get(subject.load), settings)
            conditions = tuple(_conditions(rule, subject, settings, parts, drawn))
            if not conditions:  # a meter without a breaker rating among others that have one
                continue
            spec = RuleSpec(
                rule.name, subject.load, conditions, rule.lasting_ms, rule.release,
                stated + repr(subject.members) + repr(drawn), subject.members, _rehear_ms(subject, meters),
            )  # fmt: skip
            book.specs.append(spec)
            book.rules_of.setdefault(subject.load, []).append(rule.name)
            book.every_change.update(subject.members)
            if subject.members:
                book.members[subject.load] = subject.members
            if drawn and not subject.members:
                book.edges_w.setdefault(subject.load, set()).update(_bounds(drawn))
    return book


def _rehear_ms(subject: Subject, meters: Mapping[str, Meter]) -> int:
    """As long as a reading counts, the next one is waited for."""
    return max((meters[name].hold for name in subject.members or (subject.load,) if name in meters), default=0)


def _bounds(drawn: tuple[Draws, ...]) -> Iterator[float]:
    for part in drawn:
        yield from (bound for bound in (part.above_w, part.below_w, part.release_w) if bound is not None)


def stated_text(rule: Rule, settings: Settings) -> str:
    """The rule as written, with the marks it names: how it is told is not a part of it."""
    stated = rule.model_dump_json(exclude={"tell", "urgency", "remind_after"})
    for edge in (*(rule.between or ()), *(rule.outside or ())):
        if edge in settings.marks:
            stated += settings.marks[edge].model_dump_json()
    return stated


def draws(rule: Rule, meter: Meter | None, settings: Settings) -> tuple[Draws, ...]:
    """The conditions on watts, if the rule has any."""
    if rule.breaker_share is not None:
        if meter is None or meter.breaker_a is None:
            return ()
        limit_w = rule.breaker_share * meter.breaker_a * settings.house.mains_v
        return (Draws(limit_w, None, rule.release_w or BREAKER_RELEASE * limit_w),)
    found = []
    if rule.above_w is not None:
        found.append(Draws(rule.above_w, None, _or(rule.release_w, rule.above_w - BEYOND_SHARE * abs(rule.above_w))))
    if rule.below_w is not None:
        own = rule.release_w if rule.above_w is None else None
        found.append(Draws(None, rule.below_w, _or(own, rule.below_w + BEYOND_SHARE * abs(rule.below_w))))
    return tuple(found)


def _or(stated: float | None, default: float) -> float:
    return default if stated is None else stated


def _conditions(
    rule: Rule, subject: Subject, settings: Settings, parts: Parts, drawn: tuple[Draws, ...]
) -> Iterator[Condition]:
    if rule.levels:
        yield AtLevel(frozenset(rule.levels))
    yield from drawn
    yield from _of_day(rule, settings)
    if rule.occupancy is not None:
        yield HouseIs(rule.occupancy, parts.presence)
    for said in rule.signals:
        yield SignalSays(claim_of(said), parts.signals)
    yield from _usage(rule, subject, parts)
    yield from _oversight(rule, subject, parts)


def _of_day(rule: Rule, settings: Settings) -> Iterator[Condition]:
    zone = ZoneInfo(settings.house.time_zone)
    days = frozenset(WEEKDAYS.index(day) for day in rule.weekdays) if rule.weekdays else None
    if rule.between is not None:
        begins, ends = (day_time(edge, settings) for edge in rule.between)
        yield Between(Edges(begins, ends, days), zone)
    elif days is not None:
        yield OnDays(days, zone)
    if rule.outside is not None:
        begins, ends = (day_time(edge, settings) for edge in rule.outside)
        yield Between(Edges(begins, ends), zone, outside=True)


def _usage(rule: Rule, subject: Subject, parts: Parts) -> Iterator[Condition]:
    if rule.ran_today is not None:
        yield RanToday(rule.ran_today)
    if rule.starts_per_hour is not None:
        yield StartsOften(rule.starts_per_hour)
    if rule.spent is not None:
        parts.spending.watched.add((subject.load, rule.spent.per))
        wanted = rule.spent
        over_uwh = None if wanted.over_wh is None else round(wanted.over_wh * 1e6)
        over_money = None if wanted.over_money is None else Decimal(repr(wanted.over_money))
        yield Spent(subject.load, wanted.per, over_uwh, over_money, wanted.on_course, parts.spending, parts.cost)


def _oversight(rule: Rule, subject: Subject, parts: Parts) -> Iterator[Condition]:
    facts, load = parts.facts, subject.load
    if rule.base_load_up_w is not None:
        yield BaseLoadUp(rule.base_load_up_w, parts.nights)
    if rule.unheard is not None:
        yield Unheard(rule.unheard, lambda _at_ms: facts.heard_ms(load))
    if rule.exceeded_by_w is not None:
        yield Exceeded(rule.exceeded_by_w, lambda at_ms: facts.excess_w(load, at_ms))
    if rule.trouble is not None:
        yield InTrouble(frozenset(rule.trouble), facts.troubles)
    if rule.worn_off:
        yield WornOff(lambda: facts.worn_off(load))


def claim_of(said: SignalTest) -> Claim:
    """What a signal must say."""
    words, not_words = (None if part is None else frozenset(part) for part in (said.is_, said.is_not))
    return Claim(said.signal, words, not_words, said.above, said.below, said.lasting)


def claims_of(settings: Settings) -> list[Claim]:
    """Every claim that some rule, or occupancy, depends on."""
    claims = [claim_of(said) for rule in settings.rules for said in rule.signals]
    guests = settings.occupancy.guests
    return claims if guests is None else [*claims, claim_of(guests)]


def occupancy_ways(settings: Settings) -> OccupancyWays:
    """When the house counts as empty."""
    guests = settings.occupancy.guests
    return OccupancyWays(
        {person.name: person.believable for person in settings.people},
        settings.occupancy.settling,
        None if guests is None else claim_of(guests),
    )


def day_time(edge: str, settings: Settings) -> DayTime:
    """A mark, a time of day, or the sun."""
    if (by_sun := sun_time(edge)) is not None:
        house = settings.house
        return BySun(by_sun.event, by_sun.later_ms, house.latitude or 0.0, house.longitude or 0.0)
    if edge in settings.marks:
        return ByWeekday(tuple(settings.marks[edge].minutes(day) for day in range(7)))
    return ByWeekday((clock_time(edge),) * 7)


def manners_ways(settings: Settings) -> Ways:
    """How people are told."""
    manners = settings.manners
    quiet = None
    if manners.quiet is not None:
        begins, ends = (day_time(edge, settings) for edge in manners.quiet)
        quiet = Edges(begins, ends)
    return Ways(
        ZoneInfo(settings.house.time_zone), quiet, day_time(manners.digest_at, settings),
        manners.gather, manners.reminders, manners.ends,
    )  # fmt: skip


def rule_ways(settings: Settings) -> dict[str, RuleWays]:
    """How each rule's episodes are told: channels for programs have no manners and are left out."""
    people = [channel.name for channel in settings.channels if not channel.is_raw]
    return {
        rule.name: RuleWays(
            rule.urgency,
            tuple(name for name in people if rule.tell is None or name in rule.tell),
            rule.remind_after or settings.manners.remind_after,
            once=rule.worn_off or any(part is not None for part in (rule.spent, rule.ran_today, rule.base_load_up_w)),
        )
        for rule in settings.rules
    }


def channel_ways(settings: Settings) -> dict[str, int]:
    """The most messages a day of each channel for people."""
    most = settings.manners.most_a_day
    return {channel.name: channel.most_a_day or most for channel in settings.channels if not channel.is_raw}
