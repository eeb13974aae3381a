"""What a bug report needs to say: versions, settings, what the daemon counts, how the ledger stands, its last lines."""

from __future__ import annotations

import platform
import re
import sqlite3
import sys
from collections.abc import Iterable, Mapping
from importlib.metadata import PackageNotFoundError, distributions, version
from pathlib import Path
from typing import Any

import wattround
from wattround.ledger.opening import FILE
from wattround.ledger.schema import STEPS

TABLES = ("meter", "minute_row", "hour", "reading", "episode", "outbox", "signal_word", "entry", "reship")


def versions() -> dict[str, str]:
    """Of ourselves and what we stand on."""
    found = {
        "wattround": wattround.__version__,
        "python": platform.python_version(),
        "sqlite": sqlite3.sqlite_version,
        "system": platform.system(),
        "kernel": platform.release(),
        "machine": platform.machine(),
        "libc": " ".join(platform.libc_ver()),
    }
    for name in _needed():
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            found[name] = "not installed"
    return found


def _needed() -> list[str]:
    """Names of the libraries that wattround itself asks for."""
    for found in distributions():
        if found.metadata["Name"] == "wattround":
            needs = [re.match(r"[\w.-]+", need) for need in found.requires or () if "extra ==" not in need]
            return sorted({need[0] for need in needs if need is not None})
    return []


def ledger_facts(folder: Path) -> dict[str, Any]:
    """How the ledger stands: format, sizes, rows; what SQLite says of its pages."""
    file = folder / FILE
    facts: dict[str, Any] = {
        "file_bytes": {suffix or "main": _size(Path(f"{file}{suffix}")) for suffix in ("", "-wal", "-shm")},
        "format_known": len(STEPS),
    }
    try:
        db = sqlite3.connect(f"{file.absolute().as_uri()}?mode=ro", uri=True)
        try:
            facts["format"] = db.execute("PRAGMA user_version").fetchone()[0]
            facts["rows"] = {table: db.execute(f"SELECT count(*) FROM {table}").fetchone()[0] for table in TABLES}  # noqa: S608
            first, last = (db.execute(f"SELECT {end}(place) FROM minute_row").fetchone()[0] for end in ("min", "max"))  # noqa: S608
            facts["first_minute"], facts["last_minute"] = (None if at is None else at >> 16 for at in (first, last))
            facts["whole"] = db.execute("PRAGMA quick_check(1)").fetchone()[0] == "ok"
        finally:
            db.close()
    except sqlite3.Error as error:
        facts["sqlite_error"] = getattr(error, "sqlite_errorcode", None)
    return facts


def _size(file: Path) -> int | None:
    return file.stat().st_size if file.exists() else None


def text_of(sections: Mapping[str, Iterable[str]]) -> str:
    """The report: a heading and lines for each section."""
    parts = [f"{name}\n{'-' * len(name)}\n" + "\n".join(lines) for name, lines in sections.items()]
    return "\n\n".join([f"wattround doctor, {sys.platform}", *parts]) + "\n"
