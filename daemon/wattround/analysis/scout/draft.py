"""The draft: settings as text, with the evidence beside each line and the questions that only a person can answer.

It can be checked as it stands. What is guessed without enough to go by stands in it as comments. Nothing of a payload
is quoted but numbers and the words of presence and availability; passwords are never in it.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Sequence
from typing import NamedTuple

from wattround.analysis.scout.beats import hold_text
from wattround.analysis.scout.grouping import DEFAULT_AT_MOST, ENOUGH, Group
from wattround.analysis.scout.meters import Found
from wattround.analysis.scout.recognise import Value
from wattround.analysis.scout.scouting import Scouted
from wattround.analysis.scout.signs import Sign
from wattround.analysis.scout.units import Unit
from wattround.config.kinds import duration_text

WIDTH = 118
MOST_NAMES = 12
LIKELY = "    # likely, and not claimed"
_WRITTEN = {"power": {"W": 1.0, "kW": 1e3, "mW": 1e-3}, "energy": {"Wh": 1.0, "kWh": 1e3}}
_SIGNALS = {
    "contact": "a contact: {}", "motion": "motion: {}", "temperature": "a temperature", "presence": "presence: {}",
    "availability": "availability: {}",
}  # fmt: skip


class Broker(NamedTuple):
    """How it was reached. There is no password in it, only where one is kept."""

    host: str = "127.0.0.1"
    port: int = 1883
    user: str | None = None
    password_file: str | None = None
    has_password: bool = False
    tls: bool = False
    ca_file: str | None = None
    certificate_file: str | None = None
    key_file: str | None = None


class Facts(NamedTuple):
    """What a person has said of the house already; empty where the draft is to ask. `price`: of a kilowatt-hour."""

    house: str = ""
    zone: str = ""
    currency: str = ""
    price: str = ""
    ledger: str = ""


NOTHING_SAID = Facts()


def draft(of: Scouted, broker: Broker | None, zone: str, facts: Facts = NOTHING_SAID) -> str:
    """The whole file."""
    lines = list(_head(of))
    lines += house_lines(zone, facts)
    lines += _broker(broker) if broker is not None else ()
    lines += _supply(of)
    first = _first_pattern(of)
    for group in sorted(of.groups, key=lambda group: group is not first):
        lines += _group(group, of, is_first=group is first)
    for made in of.alone:
        lines += _entry(made, of)
    if of.maybe:
        lines += ["", *_comment("Not sure enough to be read. Take away the # of those that are power or energy.")]
        for made in of.maybe:
            lines += [f"# {line}" if line else "" for line in _entry(made, of)]
    lines += _signs(of.signs)
    return "\n".join(lines) + "\n"


def quoted(text: str) -> str:
    """A TOML string of any text."""
    escaped = json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
    return "".join(f"\\u{ord(sign):04x}" if 0x80 <= ord(sign) < 0xA0 else sign for sign in escaped)


def _comment(text: str, mark: str = "# ") -> Iterator[str]:
    """A text in lines of comments; whatever signs are in it, it cannot leave them."""
    words = "".join(sign if sign.isprintable() else " " for sign in text).split()
    line = mark
    for word in words:
        if len(line) + len(word) > WIDTH and line.strip("# ?"):
            yield line.rstrip()
            line = "#" + " " * (len(mark) - 1)
        line += word + " "
    yield line.rstrip()


def _head(of: Scouted) -> Iterator[str]:
    heard = of.heard
    lasting = duration_text(heard.lasting_ms)
    count = len(of.meters)
    meters = f"{count} meter{'' if count == 1 else 's'}"
    yield from _comment(
        f"Drafted by wattround scout from {heard.messages} messages on {len(heard.topics)} topics in {lasting}:"
        f" {meters}. Check them with: wattround check FILE"
    )
    yield from _comment("Sure: by a stated unit, or as power and register say of each other. Likely: by name.")
    yield from _comment("Lines with a ? ask what only you can answer.")


def house_lines(zone: str, facts: Facts) -> Iterator[str]:
    """The house and its ledger, as far as they are known."""
    asked = 'id = "my-house"                # ? part of topics: a-z, 0-9, - and _'
    yield from ("", "[house]", f"id = {quoted(facts.house)}" if facts.house else asked)
    asked = "    # ? where the house stands"
    yield f"time_zone = {quoted(facts.zone or zone)}{'' if facts.zone else asked}"
    yield f"currency = {quoted(facts.currency)}" if facts.currency else 'currency = "EUR"               # ?'
    asked = "# ? of a kilowatt-hour, taxes included, or [[tariffs]]; until then money is 0"
    yield f"price_per_kwh = {facts.price}" if facts.price else f"price_per_kwh = 0.0            {asked}"
    if facts.ledger:
        yield from ("", "[ledger]", f"folder = {quoted(facts.ledger)}")


def _broker(broker: Broker) -> Iterator[str]:
    yield from ("", "[broker]", f"host = {quoted(broker.host)}", f"port = {broker.port}")
    if broker.user is not None:
        yield f"user = {quoted(broker.user)}"
        if broker.password_file is not None:
            yield f"password_file = {quoted(broker.password_file)}"
        elif broker.has_password:
            yield '# password_file = "/path"       # ? put the password into a file, and name it here'
    if broker.tls:
        yield from ("", "[broker.tls]")
        for key in ("ca_file", "certificate_file", "key_file"):
            found = getattr(broker, key)
            if found is not None:
                yield f"{key} = {quoted(found)}"


def _supply(of: Scouted) -> Iterator[str]:
    if any(made.role == "supply" for made in of.meters):
        return
    guess = of.wiring.supply if of.wiring is not None else None
    seems = f" By its watts it may be {guess}." if guess is not None else ""
    yield from (
        "",
        *_comment(f'Which meter does all of the house\'s energy come through? role = "supply".{seems}', "# ? "),
    )


# -- meters -----------------------------------------------------------------------------------------


def _first_pattern(of: Scouted) -> Group | None:
    """The pattern that feeds entries without a source: the one with most that need one."""
    return max(of.groups, key=lambda group: (sum(_is_apart(made, of) for made in group.members), len(group.members)),
               default=None)  # fmt: skip


def _is_apart(made: Found, of: Scouted) -> bool:
    """Whether something is known of a meter that is not so of all in its group, or another stands within it."""
    holds = any(other.within == made.name for other in of.meters)
    return holds or made.within is not None or bool(made.label) or made.role in ("supply", "generation", "storage")


def _group(group: Group, of: Scouted, *, is_first: bool) -> Iterator[str]:
    apart = [made for made in group.members if _is_apart(made, of)]
    if len(group.members) - len(apart) < ENOUGH and not is_first:
        apart = list(group.members)
    fed = group.members if is_first else [made for made in group.members if made not in apart]
    if fed:
        yield from _pattern(group, fed)
    for made in apart:
        yield from _known_of(made) if is_first else _entry(made, of)


def _pattern(group: Group, fed: Sequence[Found]) -> Iterator[str]:
    made = group.members[0]
    names = [each.name for each in fed]
    shown = ", ".join(names[:MOST_NAMES]) + (f" and {len(names) - MOST_NAMES} more" if len(names) > MOST_NAMES else "")
    yield ""
    yield from _comment(f"{len(names)} meters: {shown}")
    yield from _evidence(fed)
    for parent in dict.fromkeys(each.likely_within for each in fed if each.likely_within is not None):
        inside = ", ".join(each.name for each in fed if each.likely_within == parent)
        yield from _comment(f"Likely within {parent}: {inside}?", "# ? ")
    yield "[[meters]]"
    yield f'name = "{{{group.word}}}"'
    if all(each.role == "appliance" for each in fed):
        yield f'role = "appliance"              # by the word "{made.role_word}"'
    yield from _sources(made, group.open)
    slowest = max((each.beat for each in fed), key=lambda beat: beat.hold_s)
    yield f'hold = "{hold_text(slowest.hold_s)}"{_because_of(slowest.text)}'
    if len(names) > DEFAULT_AT_MOST // 2:
        yield f"at_most = {2 * len(names)}"


def _known_of(made: Found) -> Iterator[str]:
    """What is known of a meter that the first pattern feeds."""
    yield ""
    yield from _notes(made)
    yield "[[meters]]"
    yield f"name = {quoted(made.name)}"
    yield from _facts(made)


def _entry(made: Found, of: Scouted) -> Iterator[str]:
    del of
    yield ""
    yield from _evidence([made])
    yield from _notes(made)
    yield "[[meters]]"
    yield f"name = {quoted(made.name)}"
    yield from _facts(made)
    yield from _sources(made, str)
    yield f'hold = "{made.hold}"{_because_of(made.beat.text)}'


def _because_of(beat: str) -> str:
    return f"   # it came {beat.removeprefix('came ')}"


def _facts(made: Found) -> Iterator[str]:
    if made.label:
        yield f"label = {quoted(made.label)}"
    if made.role != "circuit":
        asked = "? " if made.role == "supply" else ""
        yield f'role = "{made.role}"    # {asked}by the word "{_plain(made.role_word)}"'
    if made.within is not None:
        yield f"within = {quoted(made.within)}{LIKELY if made.within_is_likely else ''}"
    elif made.likely_within is not None:
        yield f"# within = {quoted(made.likely_within)}    # ?"


def _plain(text: str) -> str:
    return "".join(sign if sign.isprintable() else " " for sign in text)


def _evidence(of: Sequence[Found]) -> Iterator[str]:
    for key in ("power", "counter"):
        values = [value for made in of if (value := getattr(made, key)) is not None]
        if values:
            yield from _why(values)
    yield from _asked([value.question for made in of for value in made.values])


def _why(values: Sequence[Value]) -> Iterator[str]:
    """Why they are taken for what they are; of several the first, and the others' sureties."""
    value = values[0]
    unit = value.unit.name if value.unit is not None else ""
    sure = sum(each.surety == "sure" for each in values)
    surety = value.surety if len(values) == 1 else f"sure for {sure} of {len(values)}" if sure else value.surety
    yield from _comment(f"{surety}: {value.quantity} in {unit}: {'; '.join(value.because)}")


def _asked(questions: Iterable[str]) -> Iterator[str]:
    for question in dict.fromkeys(question for question in questions if question):
        yield from _comment(question, "# ? ")


def _notes(made: Found) -> Iterator[str]:
    for note in made.notes:
        yield from _comment(note)
    yield from _asked(made.questions)


def _sources(made: Found, open_topic: object) -> Iterator[str]:
    opened = open_topic if callable(open_topic) else str
    for key, value in (("power", made.power), ("counter", made.counter)):
        if value is not None:
            parts = [f"topic = {quoted(str(opened(value.topic)))}", *_reading(made, value)]
            yield f"{key} = {{ {', '.join(parts)} }}"
    if made.gone is not None:
        pointer = f", pointer = {quoted(made.gone.pointer)}" if made.gone.pointer is not None else ""
        words = ", ".join(quoted(word) for word in made.gone.words)
        yield f"availability = {{ topic = {quoted(str(opened(made.gone.topic)))}{pointer}, offline = [{words}] }}"


def _reading(made: Found, value: Value) -> Iterator[str]:
    where = value.of.where
    if where.way == "pointer":
        yield f"pointer = {quoted(where.at)}"
    elif where.way == "senml":
        yield f"senml = {quoted(where.at)}"
    if value.of.writing.behind:
        yield f"behind = {quoted(value.of.writing.behind[0])}"
    if value.of.writing.after_comma:
        yield "decimal_comma = true"
    if value.unit is not None:
        yield from _unit(value, value.unit)
    if made.sign < 0:
        yield "sign = -1"
    if made.stamp is not None and where.way == "pointer":
        yield f"time_pointer = {quoted(made.stamp.pointer)}"
        if made.stamp.unit != "s":
            yield f'time_unit = "{made.stamp.unit}"'


def _unit(value: Value, unit: Unit) -> Iterator[str]:
    """The unit, and a factor where the settings have no such unit; SenML brings its own."""
    if value.of.where.way == "senml":
        if value.stated is not None and value.stated != unit:
            yield f"factor = {unit.factor / value.stated.factor!r}"
        return
    written = _WRITTEN[value.quantity]
    if unit.name in written:
        yield f'unit = "{unit.name}"'
    else:
        base = "W" if value.quantity == "power" else "Wh"
        yield f'unit = "{base}"'
        yield f"factor = {unit.factor!r}"


# -- other facts --------------------------------------------------------------------------------------


def _signs(found: Sequence[Sign]) -> Iterator[str]:
    people = [sign for sign in found if sign.kind == "presence"]
    others = [sign for sign in found if sign.kind not in ("presence", "availability")]
    names: set[str] = set()
    if people:
        yield from ("", *_comment("Is each of these a person, and home when it says so?", "# ? "))
    for sign in people:
        words = ", ".join(quoted(word) for word in sign.words)
        entry = [
            "", "[[people]]", f"name = {quoted(_name(sign, names))}", f"topic = {quoted(sign.topic)}", *_pointer(sign),
            f"home = [{words}]",
        ]  # fmt: skip
        yield from entry if sign.sure else [f"# {line}" if line else "" for line in entry]
    if others:
        yield from ("", *_comment("Other facts, for rules."))
    for sign in others:
        said = _SIGNALS[sign.kind].format(" or ".join(sign.words))
        yield from ("", *_comment(f"{'' if sign.sure else 'likely '}{said}"), "[[signals]]")
        yield from (f"name = {quoted(_name(sign, names))}", f"topic = {quoted(sign.topic)}", *_pointer(sign))


def _pointer(sign: Sign) -> list[str]:
    return [f"pointer = {quoted(sign.pointer)}"] if sign.pointer is not None else []


def _name(sign: Sign, names: set[str]) -> str:
    """A name of the settings' letters that no other has."""
    words = [word for segment in sign.own[-2 if sign.kind != "presence" else -1 :] for word in segment.split()]
    text = "-".join("".join(letter for letter in word if letter.isascii() and letter.isalnum()) for word in words)
    base = "-".join(part for part in text.lower().split("-") if part)[:56] or sign.kind
    name = base
    number = 1
    while name in names:
        number += 1
        name = f"{base}-{number}"
    names.add(name)
    return name
