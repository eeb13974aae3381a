"""A person at a command that asks: reads what it says, and answers with lines."""

from __future__ import annotations

import os
import re
import select
import subprocess
import time
from pathlib import Path
from typing import Self

LONGEST_S = 120.0


class Dialogue:
    """A command with its input and output in hand; all that it said is in a file in the end."""

    def __init__(self, command: list[str], log: Path) -> None:
        self._process = subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, bufsize=0
        )
        self._log = log
        self._text = ""
        self._at = 0
        self.heard = ""

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._process.kill()
        self._process.wait()
        for pipe in (self._process.stdin, self._process.stdout):
            if pipe is not None:
                pipe.close()
        self._log.write_text(self._text)

    def hears(self, *patterns: str) -> int:
        """Wait for the first of some sentences, wherever lines break; which it was. `heard` has its words.

        Raises:
            SystemExit: if the command ends or says nothing of it for two minutes.
        """
        wanted = [re.compile(pattern.replace(" ", r"\s+")) for pattern in patterns]
        until_s = time.monotonic() + LONGEST_S
        while True:
            found = [(match.end(), number, match[0]) for number, each in enumerate(wanted)
                     if (match := each.search(self._text, self._at))]  # fmt: skip
            if found:
                self._at, number, self.heard = min(found)
                return number
            if not self._reads(until_s):
                raise SystemExit(f'expected "{patterns[0]}"; it said: {self._text[-500:]}')

    def says(self, line: str) -> None:
        """Type a line."""
        assert self._process.stdin is not None
        self._process.stdin.write(f"{line}\n".encode())

    def ends(self) -> None:
        """Wait for its end.

        Raises:
            SystemExit: if it does not end, or not well.
        """
        until_s = time.monotonic() + LONGEST_S
        while self._reads(until_s):
            pass
        if status := self._process.wait(5):
            raise SystemExit(f"it ended with status {status}: {self._text[-500:]}")

    def _reads(self, until_s: float) -> bool:
        assert self._process.stdout is not None
        handle = self._process.stdout.fileno()
        if not select.select([handle], [], [], max(0.0, until_s - time.monotonic()))[0]:
            return False
        found = os.read(handle, 65_536)
        self._text += found.decode(errors="replace")
        return bool(found)
