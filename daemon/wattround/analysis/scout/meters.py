"""From values to meters: a power and a register that are of the same thing are one meter, with a name and a role."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from wattround.analysis.scout.beats import Beat, Stamp, beat, hold_text, lateness, stamp
from wattround.analysis.scout.heard import Topic
from wattround.analysis.scout.recognise import Value
from wattround.analysis.scout.settle import Pair
from wattround.analysis.scout.signs import Sign
from wattround.analysis.scout.words import word_set
from wattround.config.model import Role

_ROLE_WORDS: tuple[tuple[Role, frozenset[str]], ...] = (
    ("generation", word_set("solar pv roof photovoltaic inverter panels wind generator fotovoltaica solaire")),
    ("storage", word_set("battery storage akku accumulator batterie bateria batería")),
    ("supply", word_set("supply main mains grid utility incoming netz acometida suministro house whole")),
)
_PLUGS = word_set("plug plugs outlet outlets appliance appliances steckdose steckdosen enchufe enchufes prise")
_LAST_WORDS = word_set("online available availability connected reachable alive lwt connection status")
_PARTIAL = word_set("today day daily month monthly year yearly hour hourly week weekly tariff")
_SLACK_W = -50.0
Key = tuple[str, ...]


@dataclass(slots=True)
class Found:
    """A meter as it will stand in the draft."""

    name: str
    own: Key
    power: Value | None = None
    counter: Value | None = None
    gone: Sign | None = None
    stamp: Stamp | None = None
    label: str = ""
    role: Role = "circuit"
    role_word: str = ""
    sign: int = 1
    within: str | None = None
    likely_within: str | None = None
    within_is_likely: bool = False
    notes: list[str] = field(default_factory=list)
    questions: list[str] = field(default_factory=list)

    @property
    def values(self) -> list[Value]:
        """Its power, its register, or both."""
        return [value for value in (self.power, self.counter) if value is not None]

    @property
    def main(self) -> Value:
        """The value that it is named after."""
        return self.values[0]

    @property
    def beat(self) -> Beat:
        """How often it is heard."""
        return beat(self.main.of)

    @property
    def hold(self) -> str:
        """As it is written in the settings."""
        return hold_text(max(beat(value.of).hold_s for value in self.values[:1]))


@dataclass(slots=True)
class Meters:
    """Meters, and what was recognised but left out, with the reason."""

    found: list[Found] = field(default_factory=list)
    left_out: list[tuple[Value, str]] = field(default_factory=list)


def meters(found: Sequence[Value], pairs: Iterable[Pair], topics: Mapping[str, Topic], gone: Sequence[Sign]) -> Meters:
    """All meters there are."""
    into = Meters()
    usable: list[Value] = []
    for value in found:
        if not value.is_wanted or not value.of.is_number:
            continue
        reason = value.fault or (
            "" if value.of.count else "heard only as a retained message, so not how often it comes"
        )
        if reason:
            into.left_out.append((value, reason))
        else:
            usable.append(value)
    into.found = [_one(into, key, group) for key, group in _grouped(usable, pairs).items()]
    into.found = [each for each in into.found if each.values]
    for each in into.found:
        _say_when(into, each, topics)
        _find_gone(each, gone)
        _find_role(each)
    _one_supply(into.found)
    _name(into.found)
    return into


def _grouped(usable: Sequence[Value], pairs: Iterable[Pair]) -> dict[Key, list[Value]]:
    """Values by the meter they are of: those with the same words of their own; a register by the power it goes with."""
    places = {id(value): _key(value) for value in usable}
    taken = Counter((places[id(value)], value.quantity) for value in usable)
    for power, energy, _ in pairs:
        if id(power) in places and id(energy) in places and places[id(power)] != places[id(energy)]:
            alone = taken[places[id(energy)], "power"] == 0 and taken[places[id(power)], "energy"] == 0
            if alone:
                places[id(energy)] = places[id(power)]
    groups: dict[Key, list[Value]] = defaultdict(list)
    for value in usable:
        groups[places[id(value)]].append(value)
    return groups


def _key(value: Value) -> Key:
    own = (
        value.own[:-1]
        if len(value.own) > 1 and value.own[-1] in ("total", "sum") and value.quantity == "energy"
        else value.own
    )
    return own or (value.topic,)


def _one(into: Meters, key: Key, group: Sequence[Value]) -> Found:
    """The best power and the best register of several; the rest is left out."""
    power = _best(into, [value for value in group if value.quantity == "power"], "power")
    counter = _best(into, [value for value in group if value.quantity == "energy"], "register")
    made = Found("", key, power, counter)
    if power is not None and power.prop is not None:
        made.label = power.prop.device
    if counter is not None and power is None and counter.hint.outward:
        made.sign = -1
    return made


def _best(into: Meters, values: list[Value], what: str) -> Value | None:
    if not values:
        return None
    ranks = {"sure": 0, "likely": 1, "open": 2}

    def rank(value: Value) -> tuple[bool, bool, int, int]:
        words = {word for segment in value.segments for word in segment.lower().replace("_", " ").split()}
        partial = value.hint.partial or bool(words & _PARTIAL)
        return value.hint.outward, partial, ranks[value.surety], -value.of.count

    values = sorted(values, key=rank)
    for other in values[1:]:
        way = "what goes out" if other.hint.outward and not values[0].hint.outward else "another"
        into.left_out.append((other, f"{way} of {values[0].topic}: a meter has one {what}"))
    return values[0]


def _say_when(into: Meters, made: Found, topics: Mapping[str, Topic]) -> None:
    """Whether its readings have their own time: both sources, or neither."""
    stamps = [_stamp_of(value, topics) for value in made.values]
    known = [each for each in stamps if each is not None]
    trouble = next((each.trouble for each in known if each.trouble), "")
    if trouble:
        made.notes.append(f"{trouble}, so it is taken as it arrives")
    for value in made.values:
        if value.of.late_ms is not None and (wrong := lateness(value.of.late_ms)):
            made.questions.append(f"Can its clock be set? {wrong[0].upper()}{wrong[1:]}, and SenML goes by it.")
            break
    senml = [value.of.where.way == "senml" for value in made.values]
    good = [each for each in stamps if each is not None and not each.trouble]
    if any(senml) and not all(senml) and made.counter is not None:
        into.left_out.append((made.counter, f"it has another clock than {made.main.topic}: one meter, one clock"))
        made.counter = None
    elif not any(senml) and len(good) == len(stamps):
        made.stamp = good[0]
        same = all(each[:2] == good[0][:2] for each in good)
        made.stamp = good[0] if same else None


def _stamp_of(value: Value, topics: Mapping[str, Topic]) -> Stamp | None:
    return stamp(topics[value.topic]) if value.of.where.way == "pointer" else None


def _find_gone(made: Found, gone: Sequence[Sign]) -> None:
    """The topic that says whether the source of a meter is there: the one with most of its name."""
    best = 0
    for sign in gone:
        own = tuple(words for each in sign.own if (words := " ".join(set(each.split()) - _LAST_WORDS)))
        if own and len(own) > best and made.own[: len(own)] == own:
            best, made.gone = len(own), sign


def _find_role(made: Found) -> None:
    """By the words of its name; what goes below zero is no plug."""
    words = [set(segment.split()) for segment in made.own]
    last = words[-1] if words else set()
    lowest = (
        made.power.of.low * made.power.unit.factor if made.power is not None and made.power.unit is not None else 0.0
    )
    for role, names in _ROLE_WORDS:
        if last and last <= names:
            made.role, made.role_word = role, next(iter(last & names))
            break
    else:
        plug = set().union(*words) & _PLUGS if words else set()
        if plug and lowest > _SLACK_W:
            made.role, made.role_word = "appliance", next(iter(plug))
    if made.role == "generation" and made.power is not None and made.power.of.negative > made.power.of.count / 2:
        made.sign = -1
        made.questions.append("Does it generate where its watts are below zero? It is turned round for that.")
    elif made.role == "circuit" and lowest < _SLACK_W:
        made.questions.append(
            "It goes below zero: is it the supply, a battery, or a clamp that sits the wrong way round?"
        )


def _one_supply(found: Sequence[Found]) -> None:
    """Of several that may be the supply by their names none is taken for it."""
    supplies = [made for made in found if made.role == "supply"]
    for made in supplies if len(supplies) > 1 else ():
        made.role, made.role_word = "circuit", ""
        made.questions.append('Is it the whole supply? Several have a name that says so: give one role = "supply".')


def _name(found: Sequence[Found]) -> None:
    """The shortest end of each one's own words that no other has."""
    for made in found:
        for length in range(1, len(made.own) + 1):
            name = _slug(made.own[-length:])
            others = [_slug(other.own[-length:]) for other in found if other is not made]
            if name and name not in others and not name.isdigit() and len(name) > 1:
                break
        made.name = name or "meter"
    for made in found:
        same = [other for other in found if other.name == made.name]
        for number, other in enumerate(same[1:], 2):
            other.name = f"{other.name}-{number}"


def _slug(words: Key) -> str:
    text = "-".join(words).lower()
    kept = "".join(letter if letter.isascii() and letter.isalnum() else "-" for letter in text)
    return "-".join(part for part in kept.split("-") if part)[:64].strip("-")
