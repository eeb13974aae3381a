"""Where a page goes: a file that is there whole, or not at all."""

from __future__ import annotations

import os
import secrets
from pathlib import Path


class WrongPlace(Exception):  # noqa: N818 - a person named a place that will not do
    """No page can be written there."""


def examine(file: Path, option: str = "--html") -> Path:
    """Where the page (or what else an option names) will lie, with links followed; looked at before the work begins.

    Raises:
        WrongPlace: if its folder does not exist or may not be written to, or something else than a file is there.
    """
    place = file.resolve()
    if not place.parent.is_dir():
        raise WrongPlace(f"{option}: no such folder: {place.parent}; expected a file in one that exists")
    if place.exists() and not place.is_file():
        kind = "a folder" if place.is_dir() else "no ordinary file"
        raise WrongPlace(f"{option}: {file} is {kind}; expected the name of a file, such as report.html")
    if not os.access(place.parent, os.W_OK):
        raise WrongPlace(f"{option}: {place.parent}: this user may not write there; expected a folder of yours")
    return place


def write(place: Path, text: str, option: str = "--html") -> None:
    """Put the text there at once: a reader sees what was there before, or all of it.

    Raises:
        WrongPlace: if it cannot be written, such as on a full disk; what was there before is still there then.
    """
    beside = place.with_name(f".{place.name[:100]}.{secrets.token_hex(4)}")
    try:
        try:
            with beside.open("x", encoding="utf-8") as out:
                out.write(text)
                out.flush()
                os.fsync(out.fileno())
            beside.replace(place)
        finally:
            beside.unlink(missing_ok=True)
    except OSError as error:
        raise WrongPlace(f"{option}: {place}: {error.strerror or error}; nothing was written") from None
