"""What the words of a name say: the trade's own, in some languages, and the codes of IEC 62056-6-1 (OBIS).

A name is the levels of a topic and the keys within its payload, from the outside in; the innermost that says something
counts, and in it the last word: "current power" is a power, "power factor" a factor.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import NamedTuple

from wattround.analysis.scout.units import Unit, unit_in_name


def word_set(words: str) -> frozenset[str]:
    """Words as they stand in a line."""
    return frozenset(words.split())


_NOUNS = {
    "power": "power watt watts wattage kilowatt kilowatts kw w leistung wirkleistung potencia potenza puissance"
    " vermogen effekt moc potência pac",
    "energy": "energy kwh wh mwh energie wirkenergie arbeit energia energía énergie energi watthours kilowatthours"
    " zaehlerstand zählerstand meterstand kilowatthour watthour joules",
    "voltage": "voltage volt volts spannung tension tensión voltaje tensione spanning napięcie",
    "current": "current amp amps ampere amperes amperage corriente courant corrente stroomsterkte stromstaerke",
    "apparent power": "apparent va kva scheinleistung aparente apparente",
    "reactive power": "reactive var kvar varh kvarh blindleistung blindenergie reactiva réactive reattiva",
    "power factor": "factor pf cosphi cosfi leistungsfaktor powerfactor",
    "frequency": "frequency freq hz frequenz frecuencia fréquence frequenza",
    "temperature": "temperature temp temperatur temperatura température",
    "humidity": "humidity feuchte humedad humidité",
    "time": "time timestamp ts uptime duration date epoch datetime clock zeit tiempo heure runtime hours seconds",
    "count": "count counts seq sequence errors restarts retries starts cycles rssi snr",
    "share": "percent percentage pct soc quality brightness dimmer level",
    "position": "lat lon latitude longitude altitude speed angle",
    "illuminance": "illuminance lux light",
    "pressure": "pressure",
}
_EITHER = word_set(
    "consumption consumed usage verbrauch consumo consommation verbruik load demand draw production produced generation"
    " generated yield import export imported exported bezug einspeisung register counter delivered"
    " returned feedin demanda charge"
)
"""Power or energy, as the values say."""
_BY_WORD = {word: quantity for quantity, words in _NOUNS.items() for word in word_set(words)}
_LETTERS = {"p": "power", "u": "voltage", "v": "voltage", "i": "current", "e": "energy", "f": "frequency"}
_MONEY = word_set("price cost costs money preis kosten precio prix coste prezzo fee fees rate euro euros cents bill")
_NOT_NOW = {
    **dict.fromkeys(word_set(
        "limit limits max maximum min minimum threshold setpoint target rated nominal alarm budget capacity warning"
        " overload cutoff installed peak grenze límite allowed highest lowest"), "a limit, not what is drawn"),
    **dict.fromkeys(word_set("yesterday previous prev gestern ayer hier ieri lastday lastmonth"), "of a time gone by"),
    **dict.fromkeys(word_set("forecast predicted prediction expected estimate estimated planned"), "a forecast"),
    "per": "a rate",
    **dict.fromkeys(word_set("average avg mean median std mittel"), "a statistic, not what is drawn now"),
}  # fmt: skip
_OUT = word_set("export exported returned return einspeisung feedin feed injection injected delivery surplus sold")
_IN = word_set("import imported bezug consumed received bought")
_ORDERS = {"set", "cmd", "command", "commands", "get", "config", "configuration", "settings", "write", "request"}
_WHOLE = word_set("total sum all overall gesamt summe")
_BARE = _WHOLE | word_set(
    "value val state status reading readings sensor sensors data json telemetry measurement measurements senml now"
    " live active real instant instantaneous actual update raw info report metrics values meter cumulative lifetime"
    " today day daily month monthly year yearly hour hourly net is of in out the"
)
_WORD = re.compile(r"[A-ZÀ-Þ]+(?![a-zß-ÿ])\d*|[A-ZÀ-Þ]?[a-zß-ÿ]+\d*|\d+")
_UNIT_END = re.compile(r"(?:^|(?<=[a-z0-9_\W]))([kK]W[hH]|Wh|[kK]W|mW|W|kVA|VA|kvar|var)$")
_LONG = 5
_OBIS = re.compile(r"(?:^|[^\d.])(\d{1,2})[._](\d{1,2})[._](\d{1,3})(?:[*._&]\d{1,3})?$")
_OBIS_C = {
    **dict.fromkeys((1, 21, 41, 61), "in"), **dict.fromkeys((2, 22, 42, 62), "out"),
    **dict.fromkeys((16, 36, 56, 76), "both"),
}  # fmt: skip


class Hint(NamedTuple):
    """What a name says. `weak`: it could mean something else; `refused`: why it is no meter's reading after all."""

    quantity: str | None = None
    unit: Unit | None = None
    word: str = ""
    weak: bool = False
    refused: str | None = None
    outward: bool = False
    partial: bool = False


def words_of(segment: str) -> list[str]:
    """The words of a level or key: by marks and by capitals; a unit at its end stays whole."""
    found: list[str] = []
    for chunk in re.split(r"[^\w°%]+|_", segment):
        match = _UNIT_END.search(chunk)
        head = chunk[: match.start()] if match else chunk
        for word in _WORD.findall(head.lower() if head.isupper() else head):
            found += _apart(word.lower())
        if match:
            found.append(match[1].lower())
    return found


def _apart(word: str) -> list[str]:
    """A word and its number, if the word says what is measured: power1, but l1."""
    stem = word.rstrip("0123456789")
    return [stem, word[len(stem) :]] if stem not in ("", word) and _is_about_value(stem) else [word]


def hint(segments: Sequence[str]) -> Hint:
    """What a name says, from its innermost segment outwards."""
    outward: bool | None = None
    refused: str | None = None
    for segment in reversed(segments):
        if segment.lower() in _ORDERS:
            return Hint(refused="an order or a setting")
        words = words_of(segment)
        refused = refused or next((_NOT_NOW[word] for word in words if word in _NOT_NOW), None)
        if outward is None and (_OUT | _IN) & set(words):
            outward = bool(_OUT & set(words))
        said = _obis(segment) or _said(words)
        if said is not None:
            outside = [word for outer in segments[: segments.index(segment)] for word in words_of(outer)]
            if outward is None and (_OUT | _IN) & set(outside):
                outward = bool(_OUT & set(outside))
            return said._replace(refused=said.refused or refused, outward=said.outward or bool(outward))
    return Hint(refused=refused, outward=bool(outward))


def _obis(segment: str) -> Hint | None:
    """C, D and E of an OBIS code; D 8 are registers of energy, D 7 what is drawn now. From memory."""
    match = _OBIS.search(segment)
    if not match:
        return None
    c, d, e = (int(part) for part in match.groups())
    if d == 7 and c in (31, 51, 71, 32, 52, 72, 13, 14):
        return Hint("current" if c in (31, 51, 71) else "voltage" if c in (32, 52, 72) else "frequency", word=match[0])
    if c not in _OBIS_C or d not in (7, 8):
        return Hint("count", word=match[0])
    return Hint(
        "power" if d == 7 else "energy", word=segment, outward=_OBIS_C[c] == "out", partial=d == 8 and e not in (0, 255)
    )


def _said(words: list[str]) -> Hint | None:
    if _MONEY & set(words):
        return Hint("money", word=next(word for word in words if word in _MONEY))
    found: Hint | None = None
    for word in words:
        quantity, unit = _quantity(word), unit_in_name(word)
        if quantity is not None:
            strong = found is not None and not found.weak and quantity == "either"
            ruling = found is not None and found.quantity in ("apparent power", "reactive power")
            if not strong and not ruling:
                weak = quantity == "either"
                found = Hint(quantity, unit or (found.unit if found else None), word, weak)
        if unit is not None and found is not None and found.unit is None:
            found = found._replace(unit=unit)
    if found is None and words and words[0] in _LETTERS and (len(words) == 1 or words[1].isdigit()):
        return Hint(_LETTERS[words[0]], word=words[0], weak=True)
    return _by_unit(found)


def _by_unit(found: Hint | None) -> Hint | None:
    """A unit says more than a word: "consumption_kwh" is energy, "power_va" apparent power."""
    if found is None or found.unit is None or found.unit.quantity == found.quantity:
        return found
    if found.quantity in ("power", "energy", "either", "current"):
        return found._replace(quantity=found.unit.quantity, weak=False)
    return found


def _quantity(word: str) -> str | None:
    if word in _BY_WORD:
        return _BY_WORD[word]
    if word in _EITHER:
        return "either"
    inside = [(word.rfind(noun) + len(noun), quantity) for noun, quantity in _BY_WORD.items()
              if len(noun) >= _LONG and noun in word]  # fmt: skip
    if inside:
        return max(inside)[1]
    either = any(noun in word for noun in _EITHER if len(noun) >= _LONG)
    return "either" if either else None


def own_words(segment: str) -> list[str]:
    """What is left of a level or key once all that says what is measured is taken out: what it is of."""
    if _OBIS.search(segment):
        return []
    kept = [word for word in words_of(segment) if not _is_about_value(word)]
    return kept if kept or set(words_of(segment)) - _WHOLE else words_of(segment)


def _is_about_value(word: str) -> bool:
    if word in _BARE or word in _OUT or word in _IN or word in _LETTERS:
        return True
    return word in _BY_WORD or word in _EITHER or any(len(noun) >= _LONG and noun in word for noun in _BY_WORD)
