"""One run: the house speaks for some seconds, faults come and go, all is healed, and what is left is judged."""

from __future__ import annotations

import random
import shutil
import subprocess
import tempfile
import time
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from faulty.clients import Hostile, Hub, Idlers, Meters
from faulty.clock import FACTOR, HouseClock
from faulty.hook import Hook
from faulty.house import STEP_MS, House, settings_text
from faulty.keeper import Keeper
from faulty.kinds import DISK, KINDS, Planned
from faulty.relay import Relay
from faulty.servers import Stuck, mosquitto, until
from faulty.store import Store
from faulty.torrent import Lag, Torrent
from ports import free_port

ACTIVE_S, TAIL_S, PATIENCE_S = 7.0, 2.0, 40.0
"""Wall seconds: of faults, of peace after all is healed, and the longest that recovering may take."""
DEAFENING = {
    "broker-kill", "broker-restart", "broker-stop", "cut", "line-refused", "partition", "half-open", "reload",
    "wrong-file", "disk-read-only", "flood", "torrent", "clock-1970",
}  # fmt: skip
"""Kinds during which, and shortly after, watts that are stamped on arrival may not be heard."""
SAVED_S = 1.3
"""The broker writes down what it keeps every second."""
DISK_BYTES = 2_500_000
BEGINS = (datetime(2026, 4, 14, 5, 0, tzinfo=UTC), datetime(2026, 9, 2, 21, 10, tzinfo=UTC))
CHANGES = (datetime(2026, 3, 29, 0, 15, tzinfo=UTC), datetime(2026, 10, 25, 0, 15, tzinfo=UTC))
"""Shortly before summer time begins and ends in the house's zone."""


@dataclass
class Spans:
    """Times from when to when something was so, by the monotonic clock in seconds."""

    found: list[tuple[float, float]] = field(default_factory=list)
    _open: int = 0
    _since_s: float = 0.0

    def begin(self) -> None:
        """It is so from now on."""
        if self._open == 0:
            self._since_s = time.monotonic()
        self._open += 1

    def end(self) -> None:
        """It is no longer so."""
        if self._open:
            self._open -= 1
            if self._open == 0:
                self.found.append((self._since_s, time.monotonic()))

    @property
    def now(self) -> bool:
        """Whether it is so."""
        return self._open > 0

    def touch(self, from_s: float, to_s: float) -> bool:
        """Whether it was so at some time in between."""
        running = [(self._since_s, float("inf"))] if self._open else []
        return any(begin <= to_s and end >= from_s for begin, end in [*self.found, *running])


class Run:
    """Everything of one run. `live` plays it; what is true and what was heard is there to be judged afterwards."""

    def __init__(self, seed: int, faults: list[Planned], database_port: int, home: Path) -> None:
        self.random = random.Random(seed)
        self.house_id, self.faults = f"h{seed}", faults
        self.folder = Path(tempfile.mkdtemp(prefix=f"run{seed}-", dir=home))
        self.ledger = self.folder / "ledger"
        self.ledger.mkdir(mode=0o700)
        names = {fault.kind for fault in faults}
        self._mounted = bool(names & set(DISK)) and _mount(self.ledger)
        begins = CHANGES if "dst" in names else BEGINS
        begin_ms = int(self.random.choice(begins).timestamp()) * 1000
        self.broker = mosquitto(self.folder / "broker")
        self.broker.start()
        self.relay, self.store, self.hook = Relay(self.broker.port), Store(database_port), Hook()
        self.file = self.folder / "wattround.toml"
        self.page_port = free_port()
        ports = self.relay.port, self.store.port, self.hook.port, self.page_port
        self.text = settings_text(self.house_id, self.ledger, *ports)
        self.file.write_text(self.text)
        clock_file = self.folder / "clock"
        self.clock = HouseClock.make(clock_file, begin_ms)
        if "clock-1970" in names:
            self.clock.set_wrong(60_000 - begin_ms)
        # on a full disk the log has no room either
        crowded = self._mounted and "disk-read-only" not in names
        log = (self.ledger if crowded else self.folder) / "daemon.log"
        self.keeper = Keeper(self.file, self.ledger, self.clock, clock_file, log)
        self.hostile: list[Hostile] = []
        self.idlers: list[Idlers] = []
        self.torrents: list[Torrent] = []
        self.torrent_sent, self.torrent_s = 0, 0.0
        self.lag: Lag | None = None
        self.disk_troubles = Spans()
        self.broker_losses_s: list[tuple[float, float]] = []
        self.wrong_files = Spans()
        self.spoke_ms: list[int] = []
        self.set_s: list[float] = []
        self.troubles: list[str] = []
        self.status = 0

    # -- what faults need -----------------------------------------------------------------------------

    def note_broker_loss(self) -> None:
        """The broker dies now: what it had not written down yet is lost with it."""
        now_s = time.monotonic()
        self.broker_losses_s.append((now_s - SAVED_S - 1.0, now_s + 0.2))

    def set_clock(self, by_ms: int) -> None:
        """Set the house's wall clock: so much ahead of the truth."""
        self.set_s.append(time.monotonic())
        self.clock.set_wrong(by_ms)

    def drown(self) -> None:
        """Somebody begins to publish as fast as the broker takes it."""
        self.lag = self.lag or Lag(self._look)
        self.torrents.append(Torrent(self.broker.port, self.house_id))

    def surface(self) -> None:
        """It ends; what waits at the broker does not yet."""
        while self.torrents:
            sent, seconds = self.torrents.pop().close()
            self.torrent_sent += sent
            self.torrent_s += seconds

    def remount(self, how: str) -> None:
        """Make the ledger's file system read-only, or writable again."""
        if self._mounted:
            subprocess.run(["mount", "-o", f"remount,{how}", str(self.ledger)], check=False, capture_output=True)

    # -- what the verdict needs -----------------------------------------------------------------------

    @property
    def lateness_s(self) -> float:
        """By how much this machine was late at most, in wall seconds: what it did to us it did to the daemon."""
        steps = enumerate(self.spoke_ms)
        return 0.2 + max(at_ms - self.first_ms - number * STEP_MS for number, at_ms in steps) / 1000 / FACTOR

    @property
    def delay_s(self) -> float:
        """The same, and by how much the daemon was behind because somebody drowned it in messages."""
        return self.lateness_s + (self.lag.most_s if self.lag else 0.0)

    @property
    def delay_ms(self) -> int:
        """The same in house time."""
        return int(self.delay_s * FACTOR * 1000)

    def spans(self, kinds: set[str]) -> list[tuple[float, float]]:
        """When faults of these kinds were there, by the monotonic clock."""
        return [
            (self.begin_s + fault.from_s, self.begin_s + fault.to_s) for fault in self.faults if fault.kind in kinds
        ]

    def clock_was_set_near(self, at_s: float) -> bool:
        """Whether the wall clock was set within a second of it."""
        return any(abs(at_s - each_s) < 1.0 for each_s in self.set_s)

    def sessionless_s(self) -> list[tuple[float, float]]:
        """From each death of the broker to the connection at which it knew no session of ours: nothing was kept."""
        found = []
        for connected_s, present in self.connections():
            losses = [from_s for from_s, to_s in self.broker_losses_s if to_s < connected_s + 0.2]
            if losses and not present:
                found.append((losses[-1], connected_s + 0.5))
        return found

    def connections(self) -> list[tuple[float, bool]]:
        """When the daemon connected, and whether the broker knew its session."""
        return [(at_s, bool(event["session_present"])) for at_s, event in self._logged("connected")]

    def begun_s(self) -> list[float]:
        """When the daemon had begun, each time: later than it was started, on a slow machine by much."""
        return [at_s for at_s, _ in self._logged("started")]

    def _logged(self, name: str) -> list[tuple[float, dict[str, Any]]]:
        """Events of a name, with their times by the monotonic clock."""
        offset_s = time.time() - time.monotonic()
        return [
            (datetime.fromisoformat(event["timestamp"]).timestamp() - offset_s, event)
            for event in self.keeper.events()
            if event["event"] == name
        ]

    def deaf_ms(self) -> int:
        """House time in which certainly nothing was covered: from each kill to the next start."""
        found = 0.0
        for death in self.keeper.deaths:
            started_s = min((at for at in self.keeper.started_s if at > death.at_s), default=death.at_s)
            found += started_s - death.at_s
        return int(found * FACTOR * 1000)

    def heard_ms(self) -> int:
        """House time from the first words of the house to when the last of them was taken, at most."""
        found = self.spoke_ms[-1] - self.spoke_ms[0] + self.delay_ms
        if self.lag and self.lag.took_s:
            spoken_s = self.begin_s + (self.spoke_ms[0] - self.first_ms) / 1000 / FACTOR
            found = max(found, int((self.lag.took_s - spoken_s) * FACTOR * 1000))
        return found

    def explained_ms(self, reconnect_s: float) -> int:
        """House time that may be uncovered for the faults there were, most generously."""
        connected_s = [at_s for at_s, _ in self.connections()]
        found = 1.0 + self.delay_s
        for begin_s, end_s in [*self.spans(DEAFENING), *((death.at_s, death.at_s) for death in self.keeper.deaths)]:
            back_s = min((at_s for at_s in connected_s if at_s > end_s), default=end_s)
            found += max(back_s - begin_s, end_s - begin_s) + reconnect_s + self.delay_s
        for begin_s, end_s in self.spans({"clock-back", "clock-forward"}):
            found += 2 * (end_s - begin_s) + 1.0
        found_ms = found * FACTOR * 1000
        for death in self.keeper.deaths:  # what was in memory only: by the checkpoint's own verdict no more than that
            found_ms += max(0, death.at_ms - (death.saved_ms or death.at_ms))
        return int(found_ms)

    # -- the run --------------------------------------------------------------------------------------

    def live(self) -> None:
        """Play it; what goes wrong beyond the faults is in `troubles`."""
        self.hub = Hub(self.broker.port, self.house_id)
        self.meters = Meters(self.broker.port)
        self.keeper.start()
        try:
            self.keeper.wait_connected(PATIENCE_S)
            time.sleep(SAVED_S)
            self._speak()
            self._settle()
        except Stuck as stuck:
            self.troubles.append(str(stuck))
        if self.lag:
            self.lag.close()
        self.status = self.keeper.stop()
        self.had_s = self.meters.had_s()
        self.hub.close()
        self.meters.close()

    def _speak(self) -> None:
        self.begin_s = time.monotonic()
        self.first_ms = first_ms = self.clock.true_ms() // 60_000 * 60_000 + 60_000
        self.house = House(self.random.randrange(1 << 30), first_ms)
        waiting = [(fault.from_s, KINDS[fault.kind].begin) for fault in self.faults]
        waiting += [(fault.to_s, KINDS[fault.kind].end) for fault in self.faults if KINDS[fault.kind].longest]
        waiting.sort(key=lambda each: each[0])
        if any(fault.kind == "clock-1970" for fault in self.faults):
            waiting.insert(0, (self.random.uniform(0.3, 2.0), lambda run: run.set_clock(0)))
            waiting.sort(key=lambda each: each[0])
        number = 0
        healed_s: float | None = None
        while True:
            number = self._say(number, first_ms)
            passed_s = time.monotonic() - self.begin_s
            while waiting and waiting[0][0] <= passed_s:
                waiting.pop(0)[1](self)
            if waiting or passed_s < ACTIVE_S:
                continue
            if healed_s is None and self.keeper.connected:
                healed_s = passed_s
            if healed_s is not None and passed_s > healed_s + TAIL_S:
                break
            if passed_s > ACTIVE_S + PATIENCE_S:
                raise Stuck("the daemon did not come back after everything had been healed")
        for message in self.house.last_words():
            self.meters.say(message)

    def _say(self, number: int, first_ms: int) -> int:
        """Publish what is due, each step at its time or as soon after as this machine allows."""
        due_ms = first_ms + number * STEP_MS
        ahead_s = (due_ms - self.clock.true_ms()) / 1000 / FACTOR
        if ahead_s > 0:
            time.sleep(min(ahead_s, 0.02))
            return number
        now_ms = self.clock.true_ms()
        self.spoke_ms.append(now_ms)
        for message in self.house.step(number, now_ms):
            self.meters.say(message)
        return number + 1

    def _settle(self) -> None:
        until("the broker has all readings", lambda: self.meters.done, PATIENCE_S)
        last_ms = max(self.house.truth.readings)
        time.sleep(1.2)  # ten minutes and more of the house: what is held ends
        until("the last readings are taken", lambda: self._heard(last_ms), PATIENCE_S)
        until("all messages are sent", self._all_sent, PATIENCE_S)
        until("the archive has everything", self.keeper.shipped, PATIENCE_S)

    def _heard(self, last_ms: int) -> bool:
        facts = self.keeper.facts()
        newest_ms = _newest_ms(facts) if facts else None
        return newest_ms is not None and newest_ms >= last_ms - 1000

    def _look(self) -> tuple[float, int] | None:
        facts = self.keeper.facts()
        if facts is None:
            return None
        newest_ms, last_ms = _newest_ms(facts), max(self.house.truth.readings)
        return (last_ms - (newest_ms or last_ms)) / FACTOR / 1000, int(_meter(facts, "plain")["readings"])

    def _all_sent(self) -> bool:
        facts = self.keeper.facts()
        return facts is not None and facts["daemon"]["messages_waiting"] == 0

    def close(self, *, keep: bool) -> None:
        """End the servers; remove what it made, unless it is to be looked at."""
        self.keeper.stop()
        for each in self.hostile:
            each.close()
        self.surface()
        self.relay.close()
        self.store.close()
        self.hook.close()
        self.broker.stop()
        if self._mounted:
            if keep:
                shutil.copytree(self.ledger, self.folder / "ledger-copy", ignore=shutil.ignore_patterns("*.sock"))
            subprocess.run(["umount", str(self.ledger)], check=False, capture_output=True)
        if not keep:
            shutil.rmtree(self.folder, ignore_errors=True)


def _meter(facts: dict[str, Any], name: str) -> dict[str, Any]:
    return next(dict(meter) for meter in facts["meters"] if meter["name"] == name)


def _newest_ms(facts: dict[str, Any]) -> float | None:
    """Of which time the newest stamped reading is that the daemon has taken; None: it has none."""
    age_s = _meter(facts, "stamped")["age_s"]
    return None if age_s is None else facts["now_ms"] - age_s * 1000


def can_mount() -> bool:
    """Whether small file systems can be made here, for a full and a read-only disk."""
    folder = Path(tempfile.mkdtemp(prefix="wattround-mount-"))
    try:
        if not _mount(folder):
            return False
        subprocess.run(["umount", str(folder)], check=False, capture_output=True)
        return True
    finally:
        folder.rmdir()


def _mount(folder: Path) -> bool:
    try:
        options = f"size={DISK_BYTES},mode=700"
        command = ["mount", "-t", "tmpfs", "-o", options, "wattround-faults", str(folder)]
        return subprocess.run(command, check=False, capture_output=True).returncode == 0
    except OSError:
        return False
