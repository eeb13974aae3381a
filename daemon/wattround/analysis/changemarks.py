"""Changes of the book as marks in the pictures of their loads."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from wattround.core.change import Change
from wattround.pictures.mark import Mark


def marks_of(changes: Iterable[Change], load: str) -> list[Mark]:
    """When something was done to a load, and when it was taken back."""
    return [mark for change in changes if load in change.on for mark in _of(change)]


def _of(change: Change) -> Iterator[Mark]:
    yield Mark(change.at_ms, change.name)
    if change.until_ms is not None:
        yield Mark(change.until_ms, f"{change.name}, taken back")
