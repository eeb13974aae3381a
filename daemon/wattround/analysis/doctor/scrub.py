"""Takes out of facts whatever a person wrote: only our own words, numbers and stand-ins are left.

Nothing is searched for and struck out; a text passes only if it is one of our own source's, or a stand-in. So what
nobody thought of does not pass either.
"""

from __future__ import annotations

import ast
import json
import re
from collections.abc import Iterable, Mapping
from functools import lru_cache
from pathlib import Path
from typing import Any

from pydantic import SecretStr

import wattround

PLACES = ("latitude", "longitude")
ZONES = "time_zone"
"""Its rules matter for what is wrong with days; it is shared by millions."""
SHORTEST = 3
"""Shorter names are not looked for in the end: they are parts of ordinary words."""
_AMOUNT = re.compile(r"-?\d{1,9}\.\d{1,6}")
_FACT = re.compile(r' (\w+)=("(?:[^"\\]|\\.)*"|[^ ]+)')


@lru_cache(1)
def own_words() -> frozenset[str]:
    """Every text constant and name of our own source: what it says itself is nobody's secret."""
    found: set[str] = set()
    for file in Path(wattround.__file__).parent.rglob("*.py"):
        for node in ast.walk(ast.parse(file.read_text("utf-8"))):
            if isinstance(node, ast.Constant) and isinstance(node.value, str):
                found.add(node.value)
            elif isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name):
                found.add(node.target.id)
            elif isinstance(node, ast.keyword) and node.arg:
                found.add(node.arg)
    return frozenset(found)


class Scrubber:
    """Gives every text that a person wrote a stand-in, the same wherever it comes again."""

    def __init__(self) -> None:
        self._words = own_words()
        self.stand_ins: dict[str, str] = {}
        self._secrets: set[str] = set()
        self._counts: dict[str, int] = {}

    def know(self, kind: str, text: str) -> None:
        """Give a text a stand-in of its kind, such as meter-3; our own words need none."""
        if text and text not in self.stand_ins and text not in self._words:
            self._counts[kind] = self._counts.get(kind, 0) + 1
            self.stand_ins[text] = f"{kind}-{self._counts[kind]}"

    def learn(self, settings: Any, kind: str = "text") -> None:
        """Take up every text of dumped settings; names by the section that they stand in, levels of topics by level."""
        if isinstance(settings, Mapping):
            for key, value in settings.items():
                if not isinstance(value, str):
                    self.learn(value, key.removesuffix("s"))
                elif key != ZONES:
                    self._learn_text(key, kind, value)
                self.know(kind, key)
        elif isinstance(settings, list | tuple | set | frozenset):
            for each in settings:
                if isinstance(each, str):
                    self._learn_text("", kind, each)
                else:
                    self.learn(each, kind)
        elif isinstance(settings, SecretStr):
            self._secrets.add(settings.get_secret_value())

    def _learn_text(self, key: str, kind: str, value: str) -> None:
        if key == "name":
            self.know(kind, value)
        elif "/" in value and value not in self._words:
            for level in value.split("/"):
                if not level.startswith("{"):
                    self.know("level", level)
        else:
            self.know(key or kind, value)

    def scrub(self, facts: Any, key: str = "") -> Any:
        """The same facts with nothing in them that a person wrote."""
        if key in PLACES or isinstance(facts, SecretStr):
            return "(not shown)"
        if facts is None or isinstance(facts, bool | int | float) or key == ZONES:
            return facts
        if isinstance(facts, Mapping):
            return {self._text(str(name)): self.scrub(value, str(name)) for name, value in facts.items()}
        if isinstance(facts, list | tuple | set | frozenset):
            return [self.scrub(each, key) for each in facts]
        return self._text(str(facts))

    def _text(self, text: str) -> str:
        if text in self.stand_ins:
            return self.stand_ins[text]
        if text in self._words or _AMOUNT.fullmatch(text):
            return text
        if "/" in text:
            return "/".join(self.stand_ins.get(level, "..." if level else "") for level in text.split("/"))
        return f"(text of {len(text)} characters)"

    def scrub_line(self, line: str) -> str | None:
        """A line of the log, as JSON or as the journal has it; None if it is not one of ours."""
        try:
            facts = json.loads(line)
        except ValueError:
            facts = self._journal_facts(line.strip())
        if not isinstance(facts, dict) or facts.get("event") not in self._words:
            return None
        stamp = str(facts.pop("timestamp", ""))
        kept = {"at": stamp} if re.fullmatch(r"[\dT:.Z+-]{10,40}", stamp) else {}
        return json.dumps(kept | self.scrub(facts))

    @staticmethod
    def _journal_facts(line: str) -> dict[str, Any]:
        said = re.sub(r"^<\d>", "", line)
        facts: dict[str, Any] = {"event": _FACT.sub("", f" {said}").strip()}
        for name, value in _FACT.findall(f" {said}"):
            try:
                facts[name] = json.loads(value)
            except ValueError:
                facts[name] = value
        return facts

    def leaks(self, text: str, more: Iterable[str] = ()) -> list[str]:
        """Stand-ins of what is in a text all the same: then it must not be given to anybody."""
        found = [
            stand_in
            for own, stand_in in self.stand_ins.items()
            if len(own) >= SHORTEST and re.search(rf"(?<!\w){re.escape(own)}(?!\w)", text)
        ]
        return found + ["a secret" for secret in {*self._secrets, *more} if secret and secret in text]
