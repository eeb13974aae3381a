"""A simulated day of live power through core and ledger; prints bytes written, the ledger's bytes, its rows."""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

from wattround.config.load import examine_text
from wattround.core.inbox import Inbox
from wattround.core.loop import Core
from wattround.ingest.delivery import LIVE

BEGIN_MS = 1_780_000_000_000
CADENCE_MS = 10_000


class DayClock:
    """A clock moved by the loop below."""

    def __init__(self) -> None:
        self.now_ms = BEGIN_MS

    def wall_ms(self) -> int:
        return self.now_ms

    def mono_ms(self) -> int:
        return self.now_ms


class NoOutlets:
    """No channel is configured."""

    def submit(self, _waiting: object) -> bool:
        return False

    def retain(self, _topic: str, _text: str) -> None:
        return None


def written() -> int:
    lines = Path("/proc/self/io").read_text().splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("write_bytes"))


def main(meters: int) -> None:
    with tempfile.TemporaryDirectory(prefix="wattround-bench-", dir=Path.cwd()) as folder:
        text = (
            '[house]\nid = "bench"\ntime_zone = "Europe/Madrid"\ncurrency = "EUR"\nprice_per_kwh = 0.28\n'
            f'[ledger]\nfolder = "{folder}"\n'
        )
        text += "".join(
            f'[[meters]]\nname = "m{number}"\npower = {{ topic = "t/{number}" }}\n' for number in range(meters)
        )
        problems, settings = examine_text(text)
        if settings is None:
            raise SystemExit(problems)
        clock, inbox = DayClock(), Inbox()
        core = Core(settings, clock, inbox, NoOutlets(), lambda _acks: None, 250)
        core.begin()
        before = written()
        for step in range(86_400_000 // CADENCE_MS):
            clock.now_ms = BEGIN_MS + step * CADENCE_MS
            for number in range(meters):
                watts = b"%.1f" % (50 + (step * 7919 + number * 104_729) % 20_000 / 10)
                inbox.put((f"t/{number}", watts, clock.now_ms, LIVE, None))
            core.turn()
        core.close()
        ledger = Path(folder, "ledger.sqlite3").stat().st_size
        print(written() - before, ledger, meters * 1440)


if __name__ == "__main__":
    main(int(sys.argv[1]))
