"""The inputs that a fuzzer begins with: one file for each in tests/fuzz, in the folder of its target."""

from __future__ import annotations

from pathlib import Path

FOLDER = Path(__file__).parent.parent.parent / "tests" / "fuzz"


def seeds(target: str) -> list[bytes]:
    """All of a target's, by name."""
    return [file.read_bytes() for file in sorted((FOLDER / target).iterdir())]
