"""Read the file, find every problem at once."""

from __future__ import annotations

import copy
import re
import tomllib
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path as FilePath
from typing import Any

from pydantic import ValidationError

from wattround.config.crosscheck import crosscheck
from wattround.config.finding import Finding
from wattround.config.model import Settings
from wattround.config.positions import Path, Positions
from wattround.config.problems import Problem, from_pydantic, key_text

MAX_FILE_BYTES = 4_000_000


class WrongSettings(Exception):  # noqa: N818 - the file is wrong, not the program
    """The file cannot be used; `problems` says why, all of it."""

    def __init__(self, file: str, problems: Sequence[Problem]) -> None:
        super().__init__("\n".join(problem.text(file) for problem in problems))
        self.problems = tuple(problems)


@dataclass(frozen=True)
class Loaded:
    """Settings that can be used, and what is doubtful about them."""

    settings: Settings
    warnings: tuple[Problem, ...]


def load(file: FilePath) -> Loaded:
    """Settings of a TOML file.

    Raises:
        WrongSettings: with every problem found, when there is at least one error.
    """
    problems, settings = examine(file)
    errors = [problem for problem in problems if problem.severity == "error"]
    if settings is None or errors:
        raise WrongSettings(str(file), errors)
    return Loaded(settings, tuple(problems))


def examine(file: FilePath) -> tuple[list[Problem], Settings | None]:
    """All problems of a file in the order of its lines, and the settings unless they are malformed."""
    try:
        raw = file.read_bytes()
        if len(raw) > MAX_FILE_BYTES:
            return [Problem(1, "file", f"{len(raw)} bytes", f"at most {MAX_FILE_BYTES}")], None
        text = raw.decode()
    except OSError as error:
        return [Problem(1, "file", error.strerror or str(error), "a file that can be read")], None
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        return [Problem(line, "file", f"the byte 0x{raw[error.start]:02x}", "text in UTF-8")], None
    return examine_text(text)


def examine_text(text: str) -> tuple[list[Problem], Settings | None]:
    """As `examine`, for a text in hand."""
    text = text.removeprefix("\ufeff").replace("\r\n", "\n")
    try:
        document = tomllib.loads(text, parse_float=Decimal)
        frozen = _frozen(document)
    except (ValueError, ArithmeticError, RecursionError) as error:
        return [_syntax(error)], None
    settings: Settings | None = None
    try:
        settings = Settings.model_validate(frozen)
        findings = list(crosscheck(settings))
    except ValidationError as error:
        findings = [Finding(*item) for item in from_pydantic(error, document)]
        findings += _beyond(document, {finding.path for finding in findings})
    positions = Positions(text)
    problems = {
        Problem(
            positions.line(finding.path), key_text(finding.path, document),
            finding.found, finding.expected, finding.hint, finding.severity,
        )
        for finding in findings
    }  # fmt: skip
    return sorted(problems), settings


_STAND_IN: dict[str, Any] = {
    "id": "x", "time_zone": "UTC", "currency": "X", "price_per_kwh": 0, "name": "x", "topic": "x", "load": "x",
    "signal": "x", "offline": ["x"], "home": ["x"], "url": "http://x", "house": {}, "meters": [],
}  # fmt: skip
"""What takes the place of a required key that is missing or wrong, so that the rest can be checked too."""


def _beyond(document: dict[str, Any], wrong: set[Path]) -> list[Finding]:
    """Findings between the keys that are well formed, while others are not."""
    rest: Any = copy.deepcopy(document)
    paths, tried = wrong, Counter[Path]()
    for _ in range(6):
        for path in sorted(paths, key=len, reverse=True):
            while path and tried[path] == 2:  # neither without it nor with its stand-in: without what it is a part of
                path = path[:-1]  # noqa: PLW2901
            tried[path] += 1
            _stand_in(rest, path)
        try:
            settings = Settings.model_validate(_frozen(rest))
        except ValidationError as error:
            paths = {item[0] for item in from_pydantic(error, rest)}
            continue
        return [
            finding for finding in crosscheck(settings)
            if not any(finding.path[: len(path)] == path or path[: len(finding.path)] == finding.path for path in wrong)
        ]  # fmt: skip
    return []


def _stand_in(document: Any, path: Path) -> None:
    here = document
    for part in path[:-1]:
        try:
            here = here[part]
        except (KeyError, IndexError, TypeError):
            return
    last = path[-1] if path else ""
    if isinstance(here, dict) and last in here:
        del here[last]
    elif isinstance(here, dict) and last in _STAND_IN:
        here[last] = f"x{path[-2]}" if last == "name" else copy.deepcopy(_STAND_IN[last])
    elif isinstance(here, list) and isinstance(last, int) and last < len(here):
        here[last] = {} if isinstance(here[last], dict) else "x"


def _syntax(error: Exception) -> Problem:
    text = str(error) if isinstance(error, tomllib.TOMLDecodeError) else _beyond_bounds(error)
    match = re.search(r"\(at line (\d+), column (\d+)\)", text)
    what = re.sub(r"\s*\(at [^)]*\)", "", text)
    where = f", column {match[2]}" if match else ""
    return Problem(int(match[1]) if match else 1, f"syntax{where}", f"no TOML: {what}", "valid TOML 1.0")


def _beyond_bounds(error: Exception) -> str:
    return "nested too deeply" if isinstance(error, RecursionError) else "a number that is too long"


def _frozen(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _frozen(inner) for key, inner in value.items()}
    if isinstance(value, list):
        return tuple(_frozen(inner) for inner in value)
    return value
