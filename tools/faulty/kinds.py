"""The kinds of faults: what each does to a run when it begins and when it ends, and how long it may last."""

from __future__ import annotations

import random
import signal
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING

from faulty.clients import Hostile, Idlers
from faulty.house import ONE_MORE_METER

if TYPE_CHECKING:
    from faulty.hook import Mood as HookMood
    from faulty.relay import State
    from faulty.run import Run
    from faulty.store import Mood as StoreMood

TWO_HOURS_MS = 7_200_000
Act = Callable[["Run"], None]
FIRST_S = 1.2
"""Wall seconds without faults at the begin: what a counter showed first must be on the disk before it can be compared."""
DISK = ("disk-full", "disk-read-only")
"""Kinds that need a small file system of their own under the ledger."""


@dataclass(frozen=True)
class Kind:
    """One kind of fault. `shortest` and `longest` in wall seconds; one that is over at once has neither."""

    name: str
    begin: Act
    end: Act
    shortest: float = 0.0
    longest: float = 0.0


def _nothing(_run: Run) -> None:
    """It is over by itself."""


def _line(name: str, state: State, longest: float = 2.5) -> Kind:
    return Kind(name, lambda run: run.relay.be(state), lambda run: run.relay.be("passes"), 0.2, longest)


def _archive(name: str, mood: StoreMood) -> Kind:
    def begin(run: Run) -> None:
        run.store.mood = mood

    def end(run: Run) -> None:
        run.store.mood = "works"

    return Kind(name, begin, end, 0.3, 3.0)


def _channel(name: str, mood: HookMood, longest: float = 3.0) -> Kind:
    def begin(run: Run) -> None:
        run.hook.mood = mood

    def end(run: Run) -> None:
        run.hook.mood = "works"

    return Kind(name, begin, end, 0.3, longest)


def _clock(name: str, by_ms: int) -> Kind:
    return Kind(name, lambda run: run.set_clock(by_ms), lambda run: run.set_clock(0), 0.3, 3.0)


def _kill(run: Run) -> None:
    run.keeper.kill()


def _kill_broker(run: Run) -> None:
    run.note_broker_loss()
    run.broker.stop(signal.SIGKILL)


def _start_broker(run: Run) -> None:
    if run.broker.process is None:
        run.broker.start()


def _stop_broker(run: Run) -> None:
    run.broker.send(signal.SIGCONT)
    run.broker.stop()


def _hold_broker(run: Run) -> None:
    run.broker.send(signal.SIGSTOP)


def _let_broker_go(run: Run) -> None:
    run.broker.send(signal.SIGCONT)


def _fill(run: Run) -> None:
    run.disk_troubles.begin()
    for size in (65_536, 4_096, 256):
        with suppress(OSError), (run.ledger / "ballast").open("ab", buffering=0) as ballast:  # or nobody may write
            while True:
                ballast.write(bytes(size))


def _empty(run: Run) -> None:
    run.remount("rw")
    (run.ledger / "ballast").unlink(missing_ok=True)
    run.disk_troubles.end()


def _limit(run: Run) -> None:
    run.disk_troubles.begin()
    run.keeper.limit_files(run.random.choice((0, 1_000, 60_000)))


def _lift(run: Run) -> None:
    run.keeper.limit_files(-1)
    run.disk_troubles.end()


def _make_read_only(run: Run) -> None:
    """A file system that comes up read-only after a fall: the daemon is killed first, or it would be busy."""
    run.disk_troubles.begin()
    run.keeper.hold_down()
    run.keeper.kill()
    run.remount("ro")
    run.keeper.let_up()


def _make_writable(run: Run) -> None:
    run.remount("rw")
    run.disk_troubles.end()


WRONG_FILES = (
    b"", b"\xff\xfe\x00\x01" * 50, b"[house", b"[house]\nid = 5\n", b"meters = 7\n", b"[" * 5_000, None,
)  # fmt: skip
"""What stands in the settings' place; None: nothing does."""


def _wrong_file(run: Run) -> None:
    text = run.random.choice(WRONG_FILES)
    run.wrong_files.begin()
    if text is None:
        run.file.unlink(missing_ok=True)
    else:
        run.file.write_bytes(text)
    run.keeper.hang_up()


def _right_file(run: Run) -> None:
    _write(run, run.text)
    run.wrong_files.end()
    run.keeper.hang_up()


def _other_file(run: Run) -> None:
    if not run.wrong_files.now:
        _write(run, run.text + ONE_MORE_METER)
        run.keeper.hang_up()


def _write(run: Run, text: str) -> None:
    fresh = run.file.with_suffix(".new")
    fresh.write_text(text)
    fresh.replace(run.file)


def _attack(run: Run) -> None:
    run.hostile.append(Hostile(run.broker.port, run.house_id))


def _idle(run: Run) -> None:
    run.idlers.append(Idlers(run.page_port))


def _tire(run: Run) -> None:
    while run.idlers:
        run.idlers.pop().close()


def _have_peace(run: Run) -> None:
    while run.hostile:
        run.hostile.pop().close()


KINDS: dict[str, Kind] = {
    kind.name: kind
    for kind in (
        Kind("kill", _kill, _nothing),
        Kind("broker-kill", _kill_broker, _start_broker, 0.1, 2.0),
        Kind("broker-restart", _stop_broker, _start_broker, 0.1, 2.0),
        Kind("broker-stop", _hold_broker, _let_broker_go, 0.2, 2.5),
        Kind("cut", lambda run: run.relay.cut(), _nothing),
        _line("line-refused", "refuses"),
        _line("partition", "holds", 3.0),
        _line("half-open", "swallows", 3.0),
        _archive("archive-down", "down"),
        _archive("archive-slow", "slow"),
        _archive("archive-429", "busy"),
        _archive("archive-500", "broken"),
        _archive("archive-400", "refuses"),
        _archive("archive-partial", "partial"),
        _archive("archive-full", "full"),
        _archive("archive-deaf", "deaf"),
        _channel("channel-down", "down"),
        _channel("channel-slow", "slow"),
        _channel("channel-refuses", "refuses"),
        _channel("channel-deaf", "deaf"),
        Kind("disk-full", _fill, _empty, 0.2, 3.0),
        Kind("disk-read-only", _make_read_only, _make_writable, 0.5, 2.0),
        Kind("disk-refuses", _limit, _lift, 0.2, 3.0),
        _clock("clock-forward", TWO_HOURS_MS),
        _clock("clock-back", -TWO_HOURS_MS),
        Kind("clock-1970", _nothing, _nothing),
        Kind("dst", _nothing, _nothing),
        Kind("wrong-file", _wrong_file, _right_file, 0.2, 1.5),
        Kind("reload", _other_file, _nothing),
        Kind("flood", _attack, _have_peace, 0.5, 2.0),
        Kind("torrent", lambda run: run.drown(), lambda run: run.surface(), 0.5, 2.0),
        Kind("page-idlers", _idle, _tire, 0.5, 3.0),
    )
}


@dataclass(frozen=True)
class Planned:
    """A fault of a run: its kind, from when to when, in wall seconds since the house began to speak."""

    kind: str
    from_s: float
    to_s: float


def plan(chance: random.Random, names: list[str], active_s: float) -> list[Planned]:
    """Faults of a run: one kind alone, or up to five together."""
    if "clock-1970" in names and chance.random() < 0.5:  # set to a wrong time first, nobody can know better
        names = [name for name in names if name != "clock-back"] or names
    else:
        names = [name for name in names if name != "clock-1970"] or names
    count = 1 if chance.random() < 0.35 else chance.randint(2, 5)
    found = []
    chosen = [chance.choice(names) for _ in range(count)]
    if "kill" in names and count > 1 and chance.random() < 0.5:
        chosen[0] = "kill"
    for name in chosen:
        kind = KINDS[name]
        from_s = chance.uniform(FIRST_S, active_s * 0.75)
        longest = min(kind.longest, active_s - from_s)
        found.append(Planned(name, from_s, from_s + chance.uniform(min(kind.shortest, longest), longest)))
    return sorted(found, key=lambda each: each.from_s)
