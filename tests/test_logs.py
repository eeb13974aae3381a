"""Logs: JSON by default, priorities for the journal; keys that may be secret are never shown; nothing can break them."""

import io
import json
import logging
import socket
from contextlib import suppress

import pytest
import structlog

from wattround.logs import configure_logs
from wattround.systemd import Notifier


class Awkward:
    def __repr__(self):
        return "awkward — \n here"


@pytest.fixture
def log():
    stream = io.StringIO()
    yield stream
    configure_logs()


def test_lines_are_json_with_time_and_level(log):
    configure_logs(log, {})
    structlog.get_logger("x").warning("told", meter="tv", odd=Awkward(), value=float("nan"))

    line = json.loads(log.getvalue())
    assert (line["event"], line["level"], line["meter"]) == ("told", "warning", "tv")
    assert line["timestamp"].endswith("Z")


def test_under_the_journal_each_line_has_its_priority(log):
    configure_logs(log, {"JOURNAL_STREAM": "8:1"})
    structlog.get_logger("x").error("bad", why="two\nlines")
    structlog.get_logger("x").info("good")

    assert log.getvalue().splitlines() == ['<3>bad why="two\\nlines"', "<6>good"]


@pytest.mark.parametrize("key", ["password", "broker_password", "token", "secret_thing"])
def test_what_may_be_secret_is_not_shown(log, key):
    configure_logs(log, {})
    structlog.get_logger("x").info("event", **{key: "hunter-two"})

    assert "hunter-two" not in log.getvalue()


def test_debug_lines_cost_nothing_and_are_not_written(log):
    configure_logs(log, {})
    structlog.get_logger("x").debug("never")

    assert log.getvalue() == ""


@pytest.mark.parametrize("environment", [{}, {"JOURNAL_STREAM": "8:1"}])
def test_a_log_that_cannot_be_written_disturbs_nobody(environment, log):
    """A file on a full disk; measuring goes on, and so does the log once there is room."""
    with open("/dev/full", "w", buffering=1) as full:  # noqa: PTH123 - a device whose disk is full, see full(4)
        configure_logs(full, environment)
        structlog.get_logger("x").error("told to nobody")
        logging.getLogger("a library").error("neither")
        with suppress(OSError):
            full.close()
    configure_logs(log, environment)
    structlog.get_logger("x").error("told again")

    assert "told again" in log.getvalue()


def test_systemd_hears_text_in_utf8_and_nobody_is_no_trouble(tmp_path):
    path = tmp_path / "socket"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listener:
        listener.bind(str(path))
        assert Notifier({"NOTIFY_SOCKET": str(path)}).say(STATUS="measuring — 3 meters")
        assert listener.recv(100).decode() == "STATUS=measuring — 3 meters"
    assert not Notifier({}).say(READY="1")
    assert not Notifier({"NOTIFY_SOCKET": str(tmp_path / "gone")}).say(READY="1")


def test_an_abstract_address_is_understood():
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listener:
        listener.bind("\0wattround-test-notify")
        assert Notifier({"NOTIFY_SOCKET": "@wattround-test-notify"}).say(WATCHDOG="1")
        assert listener.recv(100) == b"WATCHDOG=1"


def test_another_processs_watchdog_is_not_ours():
    assert Notifier({"WATCHDOG_USEC": "1000000", "WATCHDOG_PID": "1"}).watchdog_ms == 0
    assert Notifier({"WATCHDOG_USEC": "1000000"}).watchdog_ms == 1000
