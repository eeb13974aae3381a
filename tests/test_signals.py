"""Requests that come at any moment are heeded: a handler never waits for what the main thread holds."""

import signal
import subprocess
import sys

WAITER = """
from wattround.daemon import Signals
signals = Signals()
signals.heed_stops()
print("ready", flush=True)
heeded = 0
while not signals.stop:
    signals.wait(0.000001)
    if signals.reload:
        signals.reload = False
        heeded += 1
print(heeded, flush=True)
"""


def test_a_storm_of_requests_to_reload_leaves_a_daemon_that_can_be_stopped():
    with subprocess.Popen([sys.executable, "-c", WAITER], stdout=subprocess.PIPE, text=True) as waiter:
        try:
            assert waiter.stdout.readline() == "ready\n"
            for _ in range(30_000):
                waiter.send_signal(signal.SIGHUP)
            waiter.send_signal(signal.SIGTERM)
            said, _ = waiter.communicate(timeout=20)
        finally:
            waiter.kill()

    assert int(said) > 0
    assert waiter.returncode == 0
