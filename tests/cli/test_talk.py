"""What a round says at the terminal never runs into what stands on the line."""

import os
import sys

import pytest

from wattround.cli import talk as module
from wattround.cli.talk import Talk


@pytest.fixture
def talk(monkeypatch):
    """A conversation at a terminal of 40 columns."""
    monkeypatch.setattr(module.sys.stdout, "isatty", lambda: True, raising=False)
    monkeypatch.setattr(module.sys.stdin, "isatty", lambda: True, raising=False)
    monkeypatch.setattr(module.shutil, "get_terminal_size", lambda _default: os.terminal_size((40, 24)))
    return Talk()


def screen(text):
    """What stands on a terminal in the end: a carriage return begins the line anew, over what is there."""
    lines = []
    for line in text.split("\n"):
        shown = ""
        for part in line.split("\r"):
            shown = part + shown[len(part) :]
        lines.append(shown.rstrip())
    return lines


def test_what_is_said_during_a_countdown_has_lines_of_its_own(talk, capsys):
    talk.count("Leave it OFF. 10 s")
    talk.count("Leave it OFF. 9 s")
    talk.say("The broker is gone. What was measured is kept; waiting for it.")
    talk.count("Leave it OFF. 8 s")

    assert screen(capsys.readouterr().out) == [
        "The broker is gone. What was measured", "is kept; waiting for it.", "Leave it OFF. 8 s",
    ]  # fmt: skip


def test_a_question_stands_again_below_what_is_said_meanwhile(talk, capsys):
    talk.asks("Hours a day in use?")
    talk.say("The broker is back.")
    sys.stdout.write("3\n")  # the person types, and the terminal shows it
    talk.answered()
    talk.say("Kept.")

    assert screen(capsys.readouterr().out) == [
        "Hours a day in use?", ">", "The broker is back.", "> 3", "Kept.", "",
    ]  # fmt: skip


def test_after_a_session_is_broken_off_nobody_is_asked_any_more(talk, capsys):
    talk.asks("Which load?")
    talk.broken_off()
    talk.say("0 known, 1 still to do.")

    assert screen(capsys.readouterr().out) == ["Which load?", ">", "0 known, 1 still to do.", ""]


def test_where_nobody_watches_a_countdown_is_one_line(capsys):
    talk = Talk()
    for left in (3, 2, 1):
        talk.count(f"{left} s")
    talk.clear()

    assert capsys.readouterr().out == "3 s\n"
