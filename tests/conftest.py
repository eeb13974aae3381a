"""Shared by all tests: deterministic examples; real servers where they are installed, with a reason where not."""

from __future__ import annotations

import os
import signal
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

from support.daemon import Daemon
from support.house import HEAD
from support.hub import Hub
from support.servers import MOSQUITTO, VICTORIA, Mosquitto, VictoriaMetrics
from wattround.logs import configure_logs

settings.register_profile(
    "checked",
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much],
)
settings.register_profile("explore", deadline=None, max_examples=2000)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "checked"))
configure_logs()
# who starts tests in the background may ignore these, and all that tests start would ignore them, too
signal.signal(signal.SIGINT, signal.default_int_handler)
signal.signal(signal.SIGHUP, signal.SIG_DFL)

SHARED = Path(__file__).parents[2] / "shared" / "data"


def missing(server: str) -> None:
    """A real server is not installed: left out on a person's machine, a failure where CI runs."""
    (pytest.fail if os.environ.get("CI") else pytest.skip)(f"{server} is not installed")


@pytest.fixture
def open_data() -> Path:
    """Open data sets beside the checkout; tests that want them are left out where they are not."""
    if not SHARED.is_dir():
        pytest.skip("no ../shared/data beside this checkout")
    return SHARED


@pytest.fixture
def mosquitto(tmp_path):
    """A real broker of this test's own."""
    if not MOSQUITTO:
        missing("mosquitto")
    server = Mosquitto(tmp_path / "mosquitto")
    server.start()
    yield server
    server.stop()


@pytest.fixture
def victoria(tmp_path):
    """A real time-series database of this test's own."""
    if not VICTORIA:
        missing("victoria-metrics")
    server = VictoriaMetrics(tmp_path / "victoria", "-dedup.minScrapeInterval=1ms")
    server.start()
    yield server
    server.stop()


LEDGER = '[ledger]\nfolder = "{ledger}"\ncheckpoint = "2s"\n'


@pytest.fixture
def hub(mosquitto):
    made = Hub(mosquitto.port)
    yield made
    made.close()


@pytest.fixture
def daemon(tmp_path):
    """Makes daemons from the text of their settings; stops those that still run."""
    made: list[Daemon] = []

    def make(text: str, port: int, *, broker: str = "", ledger: str = "", start: bool = True) -> Daemon:
        section = f"[broker]\nport = {port}\n{broker}\n"
        found = Daemon(tmp_path, HEAD + section + LEDGER + ledger + text)
        made.append(found)
        if start:
            found.start()
        return found

    yield make
    for each in made:
        if each.process is not None and each.process.poll() is None:
            each.stop()
