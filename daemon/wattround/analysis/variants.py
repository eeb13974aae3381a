"""The rules to be rehearsed: as the file has them, and with other values."""

from __future__ import annotations

import copy
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from decimal import Decimal
from itertools import product
from typing import Any, NamedTuple

from pydantic import ValidationError

from wattround.config.model import Settings
from wattround.config.problems import from_pydantic, key_text, nearest
from wattround.config.rule import Rule
from wattround.config.rulecheck import rule_findings

MOST_VARIANTS = 24


class CannotTry(Exception):  # noqa: N818 - a person asked for what there is not
    """A rule, key or value that does not exist; the text says what would be right."""


class Variant(NamedTuple):
    """Rules with some keys set otherwise; none in the first, which is the file's own.

    The rules of all variants run side by side, so each has a name of its own in `settings`; `own_names` has the file's.
    """

    given: tuple[tuple[str, str], ...]
    settings: Settings
    own_names: Mapping[str, str]

    @property
    def text(self) -> str:
        """As it was asked for."""
        return ", ".join(f"{key} = {value}" for key, value in self.given) or "as it is"


class Trial(NamedTuple):
    """A key of a rule, and values for it: as typed, and as TOML has them."""

    key: str
    values: tuple[tuple[str, Any], ...]


def variants(text: str, settings: Settings, names: Sequence[str], tries: Sequence[str]) -> list[Variant]:
    """The file's rules (only those named, if any are), then each combination of the values to be tried.

    Args:
        text: the settings file's.
        settings: what it says.
        names: of rules; none for all of them.
        tries: each "KEY=V1,V2,...".

    Raises:
        CannotTry: for a rule, key or value that is not possible.
    """
    known = [rule.name for rule in settings.rules]
    for name in names:
        if name not in known:
            hint = nearest(name, known)
            raise CannotTry(f'found "{name}"; expected the name of a rule{f" ({hint})" if hint else ""}')
    chosen = [rule.name for rule in settings.rules if not names or rule.name in names]
    own = settings.model_copy(update={"rules": tuple(rule for rule in settings.rules if rule.name in chosen)})
    found = [Variant((), own, {name: name for name in chosen})]
    trials = [trial(each) for each in tries]
    combinations = list(product(*(each.values for each in trials))) if trials else []
    if len(combinations) > MOST_VARIANTS:
        raise CannotTry(f"--try: found {len(combinations)} combinations; expected at most {MOST_VARIANTS} at a time")
    document = tomllib.loads(text.removeprefix("\ufeff"), parse_float=Decimal)
    for combination in combinations:
        given = tuple((each.key, value[0]) for each, value in zip(trials, combination, strict=True))
        changes = [(each.key, *value) for each, value in zip(trials, combination, strict=True)]
        changed = _changed(document, chosen, changes)
        found.append(_renamed(given, changed, chosen, len(found)))
    return found


def _renamed(given: tuple[tuple[str, str], ...], settings: Settings, chosen: Sequence[str], number: int) -> Variant:
    rules = {f"{rule.name}~{number}": rule for rule in settings.rules if rule.name in chosen}
    named = tuple(rule.model_copy(update={"name": name}) for name, rule in rules.items())
    return Variant(
        given, settings.model_copy(update={"rules": named}), {name: rule.name for name, rule in rules.items()}
    )


# -- what was typed -------------------------------------------------------------------------------


def trial(typed: str) -> Trial:
    """The key and values of "lasting=5m,10m".

    Raises:
        CannotTry: if it is nothing of the kind.
    """
    key, equals, rest = typed.partition("=")
    key = key.strip()
    parts = [part.strip() for part in _split(rest)]
    if not equals or not key or not all(parts):
        raise CannotTry(f'--try: found "{typed}"; expected a key of a rule and values, as in lasting=5m,10m,20m')
    top = key.split(".")[0]
    if top == "name" or top not in Rule.model_fields:
        keys = [field for field in Rule.model_fields if field != "name"]
        raise CannotTry(
            f'--try: found the key "{key}"; expected a key of a rule ({nearest(top, keys) or "see README"})'
        )
    return Trial(key, tuple((part, _value(part)) for part in parts))


def _split(text: str) -> Iterator[str]:
    """At commas that stand outside of quotes and brackets."""
    depth, quote, begin = 0, "", 0
    for at, sign in enumerate(text):
        if quote:
            quote = "" if sign == quote else quote
        elif sign in "\"'":
            quote = sign
        else:
            depth += (sign in "[{") - (sign in "]}")
            if sign == "," and depth == 0:
                yield text[begin:at]
                begin = at + 1
    yield text[begin:]


def _value(text: str) -> Any:
    """A value as TOML has it; a word that is none (5m, active) is taken as text."""
    try:
        return tomllib.loads(f"value = {text}", parse_float=Decimal)["value"]
    except (tomllib.TOMLDecodeError, KeyError, ArithmeticError):
        return text


# -- rules with other values ----------------------------------------------------------------------


def _changed(document: Mapping[str, Any], chosen: Sequence[str], changes: Sequence[tuple[str, str, Any]]) -> Settings:
    """The settings with some keys of the chosen rules set otherwise, if that is possible.

    Raises:
        CannotTry: saying why it is not.
    """
    changed = copy.deepcopy(dict(document))
    for rule in changed["rules"]:
        if rule["name"] in chosen:
            for key, typed, value in changes:
                _set(rule, key, typed, value)
    asked = ", ".join(f"{key}={typed}" for key, typed, _ in changes)
    try:
        settings = Settings.model_validate(_frozen(changed))
    except ValidationError as error:
        path, found, expected, hint = from_pydantic(error, changed)[0]
        raise CannotTry(_because(asked, key_text(path, changed), found, expected, hint)) from None
    for index, rule in enumerate(settings.rules):
        for wrong in rule_findings(settings, index, rule) if rule.name in chosen else ():
            if wrong.severity == "error":
                where = key_text(wrong.path, changed)
                raise CannotTry(_because(asked, where, wrong.found, wrong.expected, wrong.hint))
    return settings


def _because(asked: str, where: str, found: str, expected: str, hint: str) -> str:
    return f"--try {asked}: {where}: found {found or 'nothing'}; expected {expected}{f' ({hint})' if hint else ''}"


def _set(rule: dict[str, Any], key: str, typed: str, value: Any) -> None:
    *above, last = key.split(".")
    here: Any = rule
    for part in above:
        if isinstance(here, list) and part.isdigit() and int(part) < len(here):
            here = here[int(part)]
        elif isinstance(here, dict) and (part in here or here is rule):
            here = here.setdefault(part, {})
        else:
            raise CannotTry(f'--try {key}={typed}: {rule["name"]} has no "{part}" to set "{last}" in')
    if not isinstance(here, dict):
        raise CannotTry(f"--try {key}={typed}: expected the key of a table, as in spent.over_wh=1000,2000")
    here[last] = value


def _frozen(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _frozen(inner) for key, inner in value.items()}
    if isinstance(value, list):
        return tuple(_frozen(inner) for inner in value)
    return value
