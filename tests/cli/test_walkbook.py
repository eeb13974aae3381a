"""What a round keeps: after every switch, whatever comes between; a ledger in other hands is tried again."""

import os
import signal

import pytest

from support.history import BEGIN_MINUTE, minutes, write
from support.house import settings_of
from wattround.analysis.walk.round import Repeat
from wattround.analysis.walk.step import Step
from wattround.cli import booking
from wattround.cli.walkbook import MOST_MOVES, LoadBook, repeats, switched, undisturbed
from wattround.core.inventory import Load
from wattround.ledger.writer import Writer

METERS = '[[meters]]\nname = "study"\npower = { topic = "t/study" }\n'


@pytest.fixture
def settings(tmp_path):
    write(tmp_path / "ledger", minutes("study", [[5.0]] * 10), {"study": "circuit"})
    return settings_of(METERS, tmp_path / "ledger")


def repeat(on=True, circuits=("study",)):
    steps = {name: Step(60.0 + at, 0.5, 4.0, 12.0 if on else None) for at, name in enumerate(circuits)}
    return Repeat(1_780_000_000_000, on, steps)


def test_a_switch_is_read_as_it_was_kept(settings):
    book = LoadBook(settings, print)
    own = repeat()
    kept = switched(own, "switch", book.moment(own.at_ms), {"study"})
    book.keep(Load(name="Lamp", room="study", switched=(kept,)))

    (found,) = repeats(LoadBook(settings, print).loads["Lamp"], "switch")
    assert found == own
    assert repeats(LoadBook(settings, print).loads["Lamp"], "plug") == []


def test_of_very_many_circuits_those_around_the_load_and_the_clearest_are_kept(settings):
    own = repeat(circuits=[f"c{number}" for number in range(40)])
    kept = switched(own, "switch", LoadBook(settings, print).moment(own.at_ms), {"c0"})

    assert len(kept.moves) == MOST_MOVES
    assert [move.circuit for move in kept.moves[:3]] == ["c0", "c39", "c38"]


def test_a_ledger_in_other_hands_is_told_and_tried_again(settings, tmp_path, monkeypatch):
    monkeypatch.setattr(booking, "PATIENCE_S", 0.1)
    said = []
    book = LoadBook(settings, said.append)
    writer = Writer(tmp_path / "ledger", "testhouse", (BEGIN_MINUTE + 60) * 60_000)
    book.keep(Load(name="Lamp"))
    writer.close()

    assert "Lamp could not be written down" in said[0]
    assert [load.name for load in book.unwritten] == ["Lamp"]
    assert LoadBook(settings, print).loads == {}
    book.keep(Load(name="Fan"))
    assert book.unwritten == []
    assert set(LoadBook(settings, print).loads) == {"Lamp", "Fan"}


def test_a_load_that_was_written_though_the_answer_was_lost_is_not_entered_twice(settings):
    book = LoadBook(settings, print)
    booking.ask_book(settings, "add", "load", entry={"name": "Lamp"})
    book.keep(Load(name="Lamp", room="study"))

    assert LoadBook(settings, print).loads["Lamp"].room == "study"
    assert book.unwritten == []


def test_what_others_enter_meanwhile_is_seen_and_what_is_to_do_comes_by_room(settings):
    book = LoadBook(settings, print)
    for name, room in (("Lamp", "study"), ("Hob", "kitchen")):
        booking.ask_book(settings, "add", "load", entry={"name": name, "room": room})
    booking.ask_book(settings, "add", "load", entry={"name": "Known", "on_w": "5", "how": "plate"})
    book.refresh()

    assert [load.name for load in book.left()] == ["Hob", "Lamp"]


def test_an_interrupt_waits_until_all_is_written():
    done = []

    def write_interrupted():
        with undisturbed():
            os.kill(os.getpid(), signal.SIGINT)
            done.append("written")

    with pytest.raises(KeyboardInterrupt):
        write_interrupted()
    assert done == ["written"]
