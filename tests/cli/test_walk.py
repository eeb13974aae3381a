"""`wattround walk` at a pseudo-terminal as wide as a phone: a real broker, a simulated house, a person who does as told.

House and round go by one clock, four times as fast as ours; in real time the same is in tests/whole/test_first_run.py.
"""

import json
import random
import signal
import subprocess
import sys

import pytest
from typer.testing import CliRunner

from simulated.walk import Kind, Load, Meter, steady
from support.daemon import Daemon
from support.history import minutes, write
from support.hub import Hub
from support.stroll import FAST, SETTINGS, WIDTH, Person, Speaking
from wattround.cli.app import app
from wattround.cli.follow import large, number_text

pytestmark = pytest.mark.server
QUICK = 4.0


def meters(lamp, *others):
    """A supply and two circuits; the lamp and a steady television hang on the study's."""
    rng = random.Random(4)
    study, kitchen = [lamp, steady(61.0)], [steady(12.0), *others]
    return [
        Meter(rng, "supply", Kind(100, 0, mean=False, noise_w=1.0), [*study, *kitchen]),
        Meter(rng, "study", FAST, study),
        Meter(rng, "kitchen", FAST, kitchen),
    ]


def desk_lamp():
    return Load("Desk lamp", "study", 58.3, 0.9, inrush_w=140.0, inrush_ms=400, draw=[(0, 0.9)])


@pytest.fixture
def file(tmp_path, mosquitto):
    """Settings, and a ledger that a daemon has left."""
    write(tmp_path / "ledger", minutes("study", [[5.0]] * 60), {"study": "circuit"})
    found = tmp_path / "wattround.toml"
    found.write_text(SETTINGS.format(port=mosquitto.port, folder=tmp_path / "ledger"))
    return found


@pytest.fixture
def lamp():
    return desk_lamp()


@pytest.fixture
def speaking(mosquitto, lamp):
    made = Speaking(mosquitto.port, meters(lamp), QUICK)
    yield made
    made.close()


@pytest.fixture
def person(file, speaking):
    made = []

    def make(*words):
        made.append(Person(file, speaking, *words))
        return made[-1]

    yield make
    for each in made:
        each.close()


def listed(file):
    done = subprocess.run(
        [sys.executable, "-m", "wattround", "inventory", "list", "--json", "-f", str(file)],
        capture_output=True,
        check=True,
    )
    return {each["name"]: each for each in json.loads(done.stdout)["loads"]}


def is_so(found, key, true_w, most):
    """Within three times what is stated: the interval itself misses one in twenty, and this house runs by a clock.

    How often it has the truth is held to simulated time, in tests/analysis/walk and by tools/round.
    """
    return abs(found[f"{key}_w"] - true_w) <= 3 * found[f"{key}_uncertainty_w"] < 3 * most


def test_from_the_start_to_the_inventory_beside_the_running_daemon(tmp_path, mosquitto, lamp, speaking):
    """The truth is 58.3 W in use, 0.9 W in standby, on the study's circuit."""
    text = SETTINGS.format(port=mosquitto.port, folder="{ledger}")
    daemon = Daemon(tmp_path, text)
    daemon.start()
    try:
        person = Person(daemon.file, speaking)
        person.says("Work inside a panel is for a licensed electrician.")
        person.says("Which load? A name, or Enter to end.")
        person.types("Desk lamp")
        person.says("In which room?")
        person.types("study")
        assert person.switches(lamp) == "standby"
        person.unplugs(lamp)
        person.types("2-4")
        person.says("Which load?")
        person.types()
        person.says("1 known, 0 still to do.")
        assert person.ends() == 0
        found = listed(daemon.file)["Desk lamp"]
    finally:
        daemon.stop()

    assert (found["room"], found["circuit"], found["how"]) == ("study", "study", "measured")
    assert is_so(found, "on", 58.3, most=3)
    assert is_so(found, "standby", 0.9, most=1)
    assert 100 < found["inrush_w"] < 180
    assert (found["hours_low"], found["hours_high"]) == (2, 4)
    assert [line for line in person.lines() if len(line) >= WIDTH and not line.startswith("> ")] == []


def test_a_session_that_is_broken_off_goes_on_where_it_was(file, person, speaking, lamp):
    """First by Ctrl-C in the middle of a load, then by a terminal that is closed, then to its end."""
    first = person()
    first.says("Which load?")
    first.types("Desk lamp")
    first.says("In which room?")
    first.types("study")
    first.says("Press Enter when it is off.")
    speaking.switch(lamp, on=False)
    first.types()
    first.says("Press Enter when it is on.")
    speaking.switch(lamp, on=True)
    first.types()
    first.says("seen 1 time.")
    first.says("Press Enter when it is off.")
    first.terminal.sendintr()
    first.says("0 known, 1 still to do.")
    first.says("Go on where it was:")
    assert first.ends() == 130

    second = person()
    second.says("Still to do:")
    second.says("1 study: Desk lamp, 1 switch seen")
    second.says("Which load?")
    second.terminal.kill(signal.SIGHUP)
    second.ends()

    third = person()
    third.says("Which load?")
    third.types("1")
    third.says("It goes on where it was: 1 switch seen.")
    assert third.switches(lamp) == "standby"
    third.types()
    third.says("Hours a day")
    third.types()
    third.says("Which load?")
    third.types()
    assert third.ends() == 0
    found = listed(file)["Desk lamp"]
    assert is_so(found, "on", 57.4, most=3)
    assert found["standby_w"] is None


def test_a_broker_that_goes_away_is_waited_for_and_nothing_is_lost(file, person, speaking, lamp, mosquitto):
    at = person()
    at.says("Which load?")
    at.types("Desk lamp")
    at.says("In which room?")
    at.types()
    at.says("Press Enter when it is off.")
    speaking.switch(lamp, on=False)
    at.types()
    at.says("Press Enter when it is on.")
    mosquitto.stop()
    at.says("The broker is gone. What was measured is kept; waiting for it.")
    mosquitto.start()
    at.says("The broker is back.")
    speaking.switch(lamp, on=True)
    at.types()
    at.says("seen 1 time.")
    at.says("Press Enter when it is off.")
    at.types("q")
    at.says("Left Desk lamp. What was measured is kept.")
    at.terminal.sendeof()
    assert at.ends() == 0
    told = [line for line in at.lines() if "The broker is" in line]
    assert [line[:20].strip() for line in told] == ["The broker is gone.", "The broker is back."]  # on their own lines
    assert listed(file)["Desk lamp"]["on_w"] is None


def test_a_house_of_retained_values_and_silence_is_told_and_the_load_stays_to_do(person, speaking, mosquitto):
    speaking.silent = True
    hub = Hub(mosquitto.port)
    hub.say("t/study", 60.0, retain=True)
    hub.close()
    at = person()
    at.says("Enter goes on at once.")
    at.types()
    at.says("0 of 3 meters can be followed.")
    at.says("study: only a retained value so far: how old it is nobody knows.")
    at.says("Which load?")
    at.types("Wall clock")
    at.says("In which room?")
    at.types("hall")
    at.says("Press Enter when it is off.")
    at.types()
    at.says("Nothing can be heard of any circuit just now.")
    at.types("q")
    at.says("Left Wall clock.")
    at.says("1 hall: Wall clock")
    at.types()
    assert at.ends() == 0


def test_a_load_that_moves_nothing_is_taken_from_its_plate(file, person):
    at = person()
    at.says("Which load?")
    at.types("Garage fridge light")
    at.says("In which room?")
    at.types("garage")
    assert at.switches(Load("elsewhere", "none", 5.0)) == "no"
    at.says("Watts from its plate?")
    at.types("7,5 W")
    at.says("Hours a day")
    at.types("24")
    at.says("Which load?")
    at.types("garage fridge LIGHT")
    at.says("Garage fridge light is known: 7.5 W.")
    at.says("Measure it again?")
    at.types()
    at.says("Which load?")
    at.types()
    assert at.ends() == 0
    found = listed(file)["Garage fridge light"]
    assert (found["on_w"], found["how"], found["hours_low"]) == (7.5, "plate", 24)


def test_following_shows_large_figures_and_the_difference_since_a_key(person):
    at = person("--follow", "study")
    at.terminal.expect(r"study, W")
    at.terminal.expect("█")
    at.types()
    at.says("since Enter, W")
    at.terminal.sendintr()
    assert at.ends() == 130


def test_figures_are_drawn_of_marks_and_stay_within_the_terminal():
    assert large("17", 40) == ["██  ███", " █    █", " █    █", " █    █", "███   █"]
    assert large("12345678901", 40) == ["12345678901"]
    assert [number_text(None), number_text(61.04), number_text(1234.5), number_text(-3.0, signed=True)] == [
        "?", "61.0", "1234", "-3.0",
    ]  # fmt: skip
    assert all(len(line) == 7 * 4 - 1 for line in large("+-0.?89", 40))


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--precision", "good"], '--precision: found "good"; expected a share such as 5%, or watts such as 2W'),
        (["--precision", "0%"], '--precision: found "0%"'),
        (["--follow", "studi"], '--follow: found "studi"; expected the name of a meter (did you mean study?)'),
    ],
)
def test_what_makes_no_sense_is_refused(file, words, said):
    done = CliRunner().invoke(app, ["walk", "-f", str(file), *words])

    assert done.exit_code == 2
    assert said in done.output


def test_a_broker_that_is_not_there_is_told(file, tmp_path):
    file.write_text(SETTINGS.format(port=1, folder=tmp_path / "ledger"))
    done = CliRunner().invoke(app, ["walk", "-f", str(file)])

    assert done.exit_code == 69
    assert "the broker at 127.0.0.1:1 cannot be reached" in done.output
