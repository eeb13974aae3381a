"""What a command works out for the page, in a process of its own, one at a time however many ask: proofs, a live check.

Statistics and their memory, and waiting for a broker, never come into the daemon. What was worked out stays until
somebody who asks stands somewhere else: another day, another book, other settings; or until it is asked for anew.
"""

from __future__ import annotations

import asyncio
import json
import os
import subprocess
import sys
from collections.abc import Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import suppress
from importlib.util import find_spec
from pathlib import Path
from tempfile import TemporaryFile
from typing import Any, Literal, NamedTuple

import structlog

log = structlog.get_logger("page")

MOST_BYTES = 8_000_000
SAYS_WHY = (2, 69)
"""Statuses with which a command has said, for people, why it cannot be."""
NICE = 15
FIRST_TO_GO = "900"
"""For the kernel, where memory is short: this process before the one that measures."""
UNFORESEEN = "It did not work. The daemon's log says more."
ONE_THREAD = {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}


class Task(NamedTuple):
    """What a workshop does. `words`: of the command, before the file; `instead`: what a person may type.

    `good`: its statuses with an answer. `needed`: modules of the extra `analysis`.
    """

    what: str
    words: tuple[str, ...]
    instead: str
    limit_s: float
    good: tuple[int, ...] = (0,)
    needed: tuple[str, ...] = ()


PROOFS = Task(
    "Proofs", ("prove", "all", "--json", "--pictures", "-f"), "wattround prove all", 300.0,
    needed=("numpy", "scipy", "statsmodels"),
)  # fmt: skip
LIVE_CHECK = Task("The live check", ("check", "--live", "--json"), "wattround check --live", 120.0, good=(0, 1))
"""Status 1: there is something to look at."""

State = Literal["not asked", "at work", "done", "failed"]


class Worked(NamedTuple):
    """How far it is: what the command said once it is done, or why it failed."""

    state: State
    facts: Mapping[str, Any] | None = None
    trouble: str = ""


class Failed(Exception):  # noqa: N818 - reads as what it is
    """The command did not do it; in words for people."""


class Workshop:
    """Has a task done. Used from the page's event loop and its lanes."""

    def __init__(self, task: Task, file: Path | None) -> None:
        self._task, self._command = task, None if file is None else command(task, file)
        self._thread = ThreadPoolExecutor(1, thread_name_prefix="page-workshop")
        self._asked: tuple[object, Future[Worked]] | None = None
        self._child: subprocess.Popen[bytes] | None = None
        self._closed = False

    @property
    def lack(self) -> str:
        """What is missing for it to be done here at all; empty: nothing."""
        missing = [name for name in self._task.needed if find_spec(name) is None]
        if missing:
            return (
                f"{self._task.what} need the extra analysis ({', '.join(missing)} is not installed): in wattround's"
                " folder, pip install -c deploy/constraints.txt '.[analysis]'"
            )
        if self._command is None:
            return f"This daemon was not started from a file of settings: {self._task.instead} does it."
        return ""

    def begin(self, key: object, *, anew: bool = False) -> None:
        """Have it done for what `key` stands for, unless it goes on, or has been done for that and not `anew`."""
        if self._asked is not None and (not self._asked[1].done() or (self.look(key).state == "done" and not anew)):
            return
        if not self.lack and self._command is not None:
            self._asked = key, self._thread.submit(self._do, self._command)

    def look(self, key: object) -> Worked:
        """How far it is with `key`."""
        asked = self._asked
        if asked is None:
            return Worked("not asked")
        known, answer = asked
        if not answer.done():
            return Worked("at work")
        if known != key:
            return Worked("not asked")
        return answer.result()

    async def ended(self, patience_s: float) -> None:
        """Wait until what goes on has ended, or for so long."""
        if self._asked is not None and not self._asked[1].done():
            await asyncio.wait([asyncio.wrap_future(self._asked[1])], timeout=patience_s)

    def close(self) -> None:
        """End what goes on, and begin nothing more."""
        self._closed = True
        child = self._child
        if child is not None:
            child.kill()
        self._thread.shutdown(wait=False, cancel_futures=True)

    # -- in its thread ----------------------------------------------------------------------------

    def _do(self, command: list[str]) -> Worked:
        try:
            return Worked("done", self._run(command))
        except Failed as failed:
            return Worked("failed", trouble=str(failed))

    def _run(self, command: list[str]) -> Mapping[str, Any]:
        """Run the command; what it says.

        Raises:
            Failed: with what a person is told.
        """
        with TemporaryFile() as out, TemporaryFile() as err:
            try:
                child = subprocess.Popen(  # noqa: S603 - ourselves, with a file that whoever started the daemon named
                    command, stdin=subprocess.DEVNULL, stdout=out, stderr=err, env={**os.environ, **ONE_THREAD}
                )
            except OSError as error:
                raise Failed(f"It could not be begun: {error.strerror or error}.") from None
            self._child = child
            _stand_back(child.pid)
            try:
                if self._closed:
                    child.kill()
                status = child.wait(self._task.limit_s)
            except subprocess.TimeoutExpired:
                child.kill()
                child.wait()
                raise Failed(
                    f"It was not done within {self._task.limit_s:.0f} s, and was given up:"
                    f" {self._task.instead} has no such limit."
                ) from None
            finally:
                self._child = None
            err.seek(0)
            said = err.read(MOST_BYTES).decode(errors="replace").strip()
            if status not in self._task.good:
                raise Failed(self._why(status, said))
            out.seek(0)
            return self._read(out.read(MOST_BYTES + 1))

    def _why(self, status: int, said: str) -> str:
        if status in SAYS_WHY and said.startswith("wattround: "):
            why = said.removeprefix("wattround: ")
            return f"{why[:1].upper()}{why[1:500]}."
        log.error("a command of the page has failed", command=self._task.instead, status=status, said=said[-1000:])
        if status < 0:
            return "It was ended before it was done, perhaps for want of memory."
        return UNFORESEEN

    def _read(self, said: bytes) -> Mapping[str, Any]:
        if len(said) > MOST_BYTES:
            raise Failed(f"That is more than a page can show: {self._task.instead} shows it.")
        try:
            found: Mapping[str, Any] = json.loads(said)
        except ValueError:
            log.error(
                "a command of the page has failed", command=self._task.instead,
                said=said[:1000].decode(errors="replace"),
            )  # fmt: skip
            raise Failed(UNFORESEEN) from None
        return found


def command(task: Task, file: Path) -> list[str]:
    """What works it out."""
    return [sys.executable, "-m", "wattround", *task.words, f"{file.absolute()}"]


def _stand_back(number: int) -> None:
    """Measuring goes first. Where the system does not let us say so, the time limit still holds."""
    with suppress(OSError):
        os.setpriority(os.PRIO_PROCESS, number, NICE)
    with suppress(OSError):
        Path(f"/proc/{number}/oom_score_adj").write_text(FIRST_TO_GO)
