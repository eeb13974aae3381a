"""What is wrong with a file, for the person who wrote it: where, what was found, what would be right."""

from __future__ import annotations

import difflib
import typing
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from wattround.config.kinds import duration_text
from wattround.config.model import Settings
from wattround.config.positions import Path

_SECRET_WORDS = ("password", "token", "secret", "url", "pass", "key")


@dataclass(frozen=True, order=True)
class Problem:
    """One finding about one key of the file."""

    line: int
    key: str
    found: str
    expected: str
    hint: str = ""
    severity: Literal["error", "warning"] = "error"

    def text(self, file: str) -> str:
        """One line for the terminal."""
        parts = [f"{file}:{self.line}: {self.severity}: {self.key}:"]
        if self.found:
            parts.append(f"found {self.found};")
        parts.append(f"expected {self.expected}" if self.severity == "error" else self.expected)
        if self.hint:
            parts.append(f"({self.hint})")
        return " ".join(parts)


def key_text(path: Sequence[str | int], document: Mapping[str, Any]) -> str:
    """A key as a person names it: `meters[2].power.unit`, with the entry's own name where it has one."""
    text = ""
    here: Any = document
    for part in path:
        if isinstance(part, int):
            here = here[part] if isinstance(here, list | tuple) and part < len(here) else None
            name = here.get("name") if isinstance(here, dict) else None
            text += f'["{name}"]' if isinstance(name, str) else f"[{part + 1}]"
        else:
            text += f".{part}" if text else part
            here = here.get(part) if isinstance(here, dict) else None
    return text or "file"


def found_text(path: Path, document: Mapping[str, Any]) -> str:
    """The value at `path` as written, shortened; never a secret's."""
    here: Any = document
    for part in path:
        try:
            here = here[part]
        except (KeyError, IndexError, TypeError):
            return "nothing"
    if any(word in str(path[-1]).lower() for word in _SECRET_WORDS if path):
        return "a value that is not shown here"
    if isinstance(here, dict):
        return "a table"
    if isinstance(here, bool):
        return "true" if here else "false"
    if isinstance(here, str):
        return f'"{here}"' if len(here) <= 60 else f'"{here[:57]}..."'
    if isinstance(here, list | tuple):
        return "a list" if len(here) else "an empty list"
    return str(here)[:60]


def nearest(name: str, known: Iterable[str]) -> str:
    """A hint with the closest known name, or with all of them where none is close and they are few."""
    names = sorted(known)
    if close := difflib.get_close_matches(name, names, n=1, cutoff=0.6):
        return f"did you mean {close[0]}?"
    return f"known: {', '.join(names)}" if 0 < len(names) <= 12 else ""


def from_pydantic(error: ValidationError, document: Mapping[str, Any]) -> list[tuple[Path, str, str, str]]:
    """Path, found, expected and hint of each thing that pydantic objected to."""
    found = [
        (detail["type"], _translate(detail, document))
        for detail in error.errors(include_url=False, include_input=False)
    ]
    # a list whose entries are all wrong is not told to be empty, too
    return [item for kind, item in found if kind != "too_short" or item[1] == "an empty list"]


def _translate(detail: ErrorDetails, document: Mapping[str, Any]) -> tuple[Path, str, str, str]:
    path = tuple(part for part in detail["loc"] if part != "[key]")
    if detail["type"] == "extra_forbidden":
        known = _fields_at(path[:-1])
        return path, "an unknown key", "only keys that wattround knows", nearest(str(path[-1]), known)
    if detail["type"] == "missing":
        return path, "nothing", f"the key {path[-1]}", ""
    found = found_text(path, document)
    return path, found, _expected(detail, found), _literal_hint(detail, path, document)


_EXPECTED = {
    "string_type": "text in quotes",
    "int_type": "a whole number",
    "float_type": "a number",
    "bool_type": "true or false",
    "is_instance_of": "a number",
    "tuple_type": "a list in square brackets",
    "dict_type": "a table",
    "model_type": "a table",
    "decimal_type": "a number",
    "finite_number": "a finite number",
    "string_pattern_mismatch": 'an address such as "http://127.0.0.1:8428"',
}


def _expected(detail: ErrorDetails, found: str) -> str:
    kind, context = detail["type"], detail.get("ctx", {})
    if kind == "value_error":
        return str(context["error"])
    if kind in _EXPECTED:
        return _EXPECTED[kind]
    if kind == "literal_error":
        return str(context["expected"])
    bounds = {"greater_than_equal": "ge", "greater_than": "gt", "less_than_equal": "le", "less_than": "lt"}
    if kind in bounds:
        words = {"ge": "at least", "gt": "more than", "le": "at most", "lt": "less than"}[bounds[kind]]
        bound = context[bounds[kind]]
        if isinstance(bound, str):  # of a decimal number pydantic tells how Python writes it
            bound = bound.removeprefix("Decimal('").removesuffix("')")
        is_duration = found.startswith('"') and isinstance(bound, int)
        return f"{words} {duration_text(bound) if is_duration else bound}"
    if kind in ("too_short", "string_too_short"):
        return "at least one entry" if kind == "too_short" else "some text"
    return detail["msg"][0].lower() + detail["msg"][1:]


def _literal_hint(detail: ErrorDetails, path: Path, document: Mapping[str, Any]) -> str:
    if detail["type"] != "literal_error":
        return ""
    here: Any = document
    for part in path:
        here = here[part]
    options = [word.strip("' ") for word in detail["ctx"]["expected"].replace(" or ", ",").split(",")]
    close = difflib.get_close_matches(str(here), options, n=1, cutoff=0.5)
    return f"did you mean {close[0]}?" if close else ""


def _fields_at(path: Path) -> list[str]:
    """Names of the keys that the table at `path` may have."""
    model: type[BaseModel] | None = Settings
    for part in path:
        if isinstance(part, int) or model is None:
            continue
        field = model.model_fields.get(part)
        if field is None:  # a mark's name: the table's own keys follow
            continue
        model = _model_in(field.annotation)
    return list(model.model_fields) if model else []


def _model_in(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    for inner in typing.get_args(annotation):
        if found := _model_in(inner):
            return found
    return None
