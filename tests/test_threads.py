"""A thread that ends by itself ends the daemon, which says so; without quoting what may be secret."""

import io
import subprocess
import sys
import threading
import time
from types import SimpleNamespace

import pytest

from ports import free_port
from support.house import HEAD
from support.servers import until
from wattround.logs import configure_logs
from wattround.threads import Supervised


def supervised(run, patience_s=60.0, beat=time.monotonic):
    failed = threading.Event()
    thread = Supervised("worker", run, beat, patience_s, failed)
    thread.start()
    return thread, failed


def test_a_thread_that_raises_is_a_failure_and_its_words_are_not_said():
    words = "s3" + "cret"
    log = io.StringIO()
    configure_logs(log)

    def run(_stop):
        raise ValueError(words)

    thread, failed = supervised(run)

    assert failed.wait(5)
    assert thread.join(time.monotonic() + 5)
    configure_logs()
    assert "thread failed" in log.getvalue()
    assert "in run" in log.getvalue()
    assert words not in log.getvalue()


@pytest.mark.parametrize("run", [lambda _stop: 1 / 0, lambda _stop: None])
@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
def test_a_thread_that_fails_is_a_failure_even_if_that_cannot_be_told(run, monkeypatch):
    """Else the daemon would stay, and measure nothing."""

    def broken(*_words, **_facts):
        raise OSError("no space left")

    monkeypatch.setattr("wattround.threads.log", SimpleNamespace(critical=broken))
    thread, failed = supervised(run)

    assert failed.wait(5)
    assert thread.join(time.monotonic() + 5)


def test_a_thread_that_returns_too_early_is_a_failure():
    _, failed = supervised(lambda _stop: None)

    assert failed.wait(5)


def test_a_thread_that_ends_when_told_is_none():
    thread, failed = supervised(lambda stop: stop.wait())
    assert thread.alive
    thread.stop.set()

    assert thread.join(time.monotonic() + 5)
    assert not failed.is_set()


def test_a_thread_without_progress_is_not_alive():
    thread, _ = supervised(lambda stop: stop.wait(), patience_s=0.0, beat=lambda: 0.0)
    assert not thread.alive
    thread.stop.set()


@pytest.mark.server
@pytest.mark.parametrize("part", ["control.ControlServer", "ingest.broker.BrokerLink", "core.loop.Core"])
def test_the_daemon_exits_with_1_when_any_of_its_threads_dies(tmp_path, part):
    """So that systemd starts it afresh."""
    module, name = part.rsplit(".", 1)
    file = tmp_path / "w.toml"
    broker = f'[broker]\nport = {free_port()}\n[ledger]\nfolder = "{tmp_path}/l"\n'
    file.write_text(HEAD + broker + '[[meters]]\nname = "m"\npower = { topic = "t" }\n')
    code = (
        f"import wattround.{module} as part\ndef die(*_): raise RuntimeError('dies')\n"
        f"part.{name}.run = die\nfrom wattround.daemon import run\nrun({str(file)!r})"
    )

    child = subprocess.Popen([sys.executable, "-c", code], stderr=subprocess.PIPE, text=True)
    until(lambda: child.poll() is not None)

    assert child.returncode == 1
    assert "thread failed" in child.stderr.read()
    child.stderr.close()
