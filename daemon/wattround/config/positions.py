"""Where each key of a TOML document stands: tomllib parses, but does not say on which line.

The scanner trusts that `tomllib` has accepted the text; it only finds lines, it does not judge.
"""

from __future__ import annotations

import re

Path = tuple[str | int, ...]

_KEY_PART = re.compile(r"""\s*(?:"((?:[^"\\]|\\.)*)"|'([^']*)'|([A-Za-z0-9_-]+))\s*""")
_LONG_QUOTES = ('"""', "'''")


class Positions:
    """Line numbers of the keys of one accepted TOML text."""

    def __init__(self, text: str) -> None:
        self._lines: dict[Path, int] = {(): 1}
        self._counts: dict[Path, int] = {}
        self._scan(text)

    def line(self, path: Path) -> int:
        """Line of `path`, or of the nearest key around it that stands in the text."""
        while path not in self._lines:
            path = path[:-1]
        return self._lines[path]

    def _scan(self, text: str) -> None:
        table: Path = ()
        at, line, counted = 0, 1, 0
        while at < len(text):
            at = _skip_blank(text, at)
            if at >= len(text):
                return
            line += text.count("\n", counted, at)
            counted = at
            if text[at] == "[":
                table, at = self._header(text, at, line)
            else:
                keys, at = _dotted(text, at)
                self._note(self._resolve(table, keys), line)
                at = _skip_value(text, at + 1)

    def _header(self, text: str, at: int, line: int) -> tuple[Path, int]:
        many = text.startswith("[[", at)
        keys, at = _dotted(text, at + (2 if many else 1))
        path = (*self._resolve((), keys[:-1]), keys[-1])
        if many:
            index = self._counts.get(path, 0)
            self._counts[path] = index + 1
            self._note(path, line)
            path = (*path, index)
        elif path in self._counts:
            path = (*path, self._counts[path] - 1)
        self._note(path, line)
        return path, _line_end(text, at)

    def _resolve(self, table: Path, keys: list[str]) -> Path:
        """Add keys to a table's path; a key that names a list of tables means its newest one."""
        path = table
        for key in keys:
            path = (*path, key)
            if path in self._counts:
                path = (*path, self._counts[path] - 1)
        return path

    def _note(self, path: Path, line: int) -> None:
        for end in range(1, len(path) + 1):
            self._lines.setdefault(path[:end], line)


def _skip_blank(text: str, at: int) -> int:
    while at < len(text):
        if text[at] == "#":
            at = _line_end(text, at)
        elif text[at].isspace():
            at += 1
        else:
            break
    return at


def _line_end(text: str, at: int) -> int:
    end = text.find("\n", at)
    return len(text) if end < 0 else end


def _dotted(text: str, at: int) -> tuple[list[str], int]:
    keys: list[str] = []
    while match := _KEY_PART.match(text, at):
        basic, literal, bare = match.groups()
        keys.append(_unescape(basic) if basic is not None else literal if literal is not None else bare)
        at = match.end()
        if text[at : at + 1] != ".":
            break
        at += 1
    return keys, at


def _unescape(basic: str) -> str:
    # Only the name matters here, and tomllib knows the escapes.
    import tomllib  # noqa: PLC0415 - a rare key

    return str(tomllib.loads(f'k = "{basic}"')["k"])


def _skip_value(text: str, at: int) -> int:
    depth = 0
    while at < len(text):
        char = text[at]
        if char in "\"'":
            at = _skip_string(text, at)
            continue
        if char == "#":
            at = _line_end(text, at)
            continue
        if char == "\n" and depth == 0:
            return at
        depth += (char in "[{") - (char in "]}")
        at += 1
    return at


def _skip_string(text: str, at: int) -> int:
    quote = text[at]
    close = quote * 3 if text.startswith(_LONG_QUOTES, at) else quote
    at += len(close)
    while at < len(text) and not text.startswith(close, at):
        at += 2 if text[at] == "\\" and quote == '"' else 1
    at += len(close)
    while len(close) == 3 and text[at : at + 1] == quote:  # up to two quotes may touch the closing ones
        at += 1
    return at
