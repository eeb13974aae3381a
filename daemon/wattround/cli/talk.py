"""What a round says at the terminal: sentences folded to its width, a countdown on one line, questions.

Others may have something to say at any moment (the broker is gone): it never runs into what stands on the line.
"""

from __future__ import annotations

import shutil
import sys
import textwrap

NARROW, WIDE = 30, 76
PROMPT = "> "


class Talk:
    """One conversation."""

    def __init__(self) -> None:
        self._is_live = sys.stdout.isatty()
        self._counting = ""
        self._asking = False

    def say(self, text: str = "") -> None:
        """Print a sentence, on lines of its own. A question that is open stands again below it."""
        width = min(WIDE, max(NARROW, shutil.get_terminal_size((WIDE, 24)).columns - 1))
        inside = " " * (len(text) - len(text.lstrip()) + 2)
        self.clear()
        if self._asking:
            print()
        print(textwrap.fill(text, width, subsequent_indent=inside if inside != "  " else ""), flush=True)
        if self._asking:
            print(PROMPT, end="", flush=True)

    def asks(self, question: str) -> None:
        """Print a question, and wait for the answer behind the prompt."""
        self.say(question)
        print(PROMPT, end="", flush=True)
        self._asking = True

    def answered(self) -> None:
        """The answer has come: a terminal has begun a new line with it."""
        self._asking = False
        if not sys.stdin.isatty():
            print()

    def broken_off(self) -> None:
        """The person, or the terminal, ends it in the middle of a line."""
        self._asking, self._counting = False, ""
        print()

    def count(self, text: str) -> None:
        """What is left, in place of what was before; where nobody watches, only the first of it."""
        if text == self._counting:
            return
        if self._is_live:
            print(f"\r{text.ljust(len(self._counting))}", end="", flush=True)
        elif not self._counting:
            print(text, flush=True)
        self._counting = text

    def clear(self) -> None:
        """Take a countdown off its line."""
        if self._counting and self._is_live:
            print(f"\r{' ' * len(self._counting)}\r", end="", flush=True)
        self._counting = ""
