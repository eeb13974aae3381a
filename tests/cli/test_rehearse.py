"""`wattround rehearse` as a person or a script meets it."""

import json
import subprocess
from pathlib import Path

import pytest

from support.daemon import COMMAND
from support.history import minutes, steps, write
from support.house import HEAD

HOUSE = """
[[meters]]
name = "tv"
label = "Television"
active_w = 40
power = { topic = "t/tv" }
[[people]]
name = "imre"
topic = "p/imre"
home = ["home"]
[[rules]]
name = "on-at-night"
load = "tv"
between = ["23:00", "06:00"]
lasting = "10m"
[[rules]]
name = "on-and-nobody-home"
load = "tv"
occupancy = "empty"
[[rules]]
name = "ill"
trouble = ["disk"]
[[channels]]
name = "phone"
url = "json://localhost"
[[channels]]
name = "hub"
mqtt = true
"""


def command(*words):
    return subprocess.run(
        [*COMMAND, "rehearse", *words], capture_output=True, text=True, timeout=60, env={"PYTHONIOENCODING": "utf-8"}
    )


@pytest.fixture
def file(tmp_path):
    """A house with four days in its ledger: the television is on each night from half past eleven to a quarter past one."""
    watched = steps(4, 2.0, (1290, 1395, 118.0))  # minutes of the day in UTC, two hours behind
    write(tmp_path / "ledger", minutes("tv", watched), {"tv": "circuit"})
    made = tmp_path / "house.toml"
    made.write_text(HEAD + f'[ledger]\nfolder = "{tmp_path / "ledger"}"\n' + HOUSE)
    return made


def test_the_page_has_figures_doubts_and_days(file):
    answer = command("-f", str(file))

    assert (answer.returncode, answer.stderr) == (0, "")
    lines = answer.stdout.splitlines()
    assert lines[0] == "testhouse: 2026-05-28 to 2026-06-01, 5 days; nobody is told."
    assert lines[2].split() == ["on-at-night", "4", "7", "h", "1", "h", "45", "min", "0.82", "kWh", "0.21", "8"]
    assert lines[3].split() == ["on-and-nobody-home", "0", "0"]
    assert "Messages: phone 8, hub 8 (raw: each raise and settle)." in lines
    assert "not rehearsed: ill: the daemon's own troubles are not kept in the ledger." in lines
    page = " ".join(answer.stdout.split())
    assert "on-and-nobody-home: whether imre was home is not known at all: none of it is in the ledger" in page
    assert "on-at-night: Television" in lines
    assert "28 May       " + "·" * 64 + "░█" in lines  # the ledger begins at two
    assert "29 May ████" + "·" * 66 + "░█" in lines
    assert "       23:30 to 01:15 (29 May), 1 h 45 min, raised at 23:40: 0.21 kWh, 0.05 EUR" in lines
    assert all(len(line) <= 80 for line in lines)
    assert "\x1b" not in answer.stdout


def test_a_table_has_a_row_for_every_value_tried(file):
    answer = command(
        "on-at-night", "-f", str(file), "--try", "lasting=5m,2h", "--from", "2026-05-29", "--to", "2026-05-30"
    )

    lines = [" ".join(line.split()) for line in answer.stdout.splitlines()]
    # the second goes on beyond the end
    assert "on-at-night 2 2 h 15 min 1 h 45 min 0.26 kWh 0.07 4" in lines
    assert "lasting = 5m 2 2 h 15 min 1 h 45 min 0.26 kWh 0.07 4" in lines
    assert "lasting = 2h 0 0" in lines
    assert "That is for these rules alone: the others have messages of their own." in lines


def test_a_script_gets_everything_as_one_object(file):
    facts = json.loads(command("on-at-night", "ill", "-f", str(file), "--json", "--try", "lasting=5m").stdout)

    night, ill = facts["rules"]
    assert (facts["house"], facts["currency"], facts["from"]) == ("testhouse", "EUR", "2026-05-28T00:00:00Z")
    assert [variant["with"] for variant in night["variants"]] == [{}, {"lasting": "5m"}]
    assert night["variants"][0]["raised"] == 4
    assert night["variants"][0]["told"] == {"phone": 8, "hub": 8}
    assert night["variants"][1]["episodes"][0] == {
        "load": "tv", "began": "2026-05-28T21:30:00Z", "raised": "2026-05-28T21:35:00Z", "settled": "2026-05-28T23:15:00Z",
        "because": "level", "lasting_s": 6300, "waste_wh": 205.625, "cost": "0.0514", "unpriced_wh": 0.0,
    }  # fmt: skip
    assert ill == {
        "rule": "ill",
        "not_rehearsed": "the daemon's own troubles are not kept in the ledger",
        "notes": [],
        "variants": [],
    }
    assert facts["messages"][0] == {
        "with": {},
        "channels": {"phone": {"messages": 8, "digests": 0}, "hub": {"messages": 8, "digests": 0}},
    }


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["on-at-nihgt"], 'found "on-at-nihgt"; expected the name of a rule (did you mean on-at-night?)'),
        (["--try", "lastign=5m"], 'found the key "lastign"; expected a key of a rule (did you mean lasting?)'),
        (["--try", "lasting"], 'found "lasting"; expected a key of a rule and values'),
        (["--try", "lasting="], "expected a key of a rule and values"),
        (["--try", "name=x"], 'found the key "name"'),
        (["on-at-night", "--try", "lasting=5x"], '--try lasting=5x: rules["on-at-night"].lasting: found "5x"; expected a duration'),
        (["on-at-night", "--try", "lasting=9h"], "this can never be true"),
        (["on-at-night", "--try", "above_w=true"], 'rules["on-at-night"].above_w: found true; expected a number'),
        (["on-at-night", "--try", "load=tw"], 'found "tw"; expected the name of a meter (known: tv)'),
        (["on-at-night", "--try", "spent.over_wh.x=5"], 'on-at-night has no "over_wh"'),
        (["--try", f"lasting={','.join(f'{n}m' for n in range(1, 30))}"], "found 29 combinations; expected at most 24"),
        (["--from", "yesterday"], '--from: found "yesterday"; expected a day such as 2026-03-01'),
        (["--from", "2026-07-01", "--to", "2026-07-02"], "no minutes are kept of 2026-07-01 to 2026-07-02; the ledger has 2026-05-28 to"),
    ],
)  # fmt: skip
def test_what_is_not_possible_is_said_with_what_is(file, words, says):
    answer = command(*words, "-f", str(file))

    assert answer.returncode == 2
    assert says in answer.stderr
    assert "Traceback" not in answer.stderr
    assert answer.stdout == ""


def test_without_a_ledger_or_rules_it_says_so(file, tmp_path):
    (tmp_path / "ledger" / "ledger.sqlite3").unlink()
    answer = command("-f", str(file))
    assert answer.returncode == 69
    assert "no such file" in answer.stderr

    text = file.read_text()
    file.write_text(text[: text.index("[[rules]]")])
    answer = command("-f", str(file))
    assert answer.returncode == 1
    assert "no [[rules]] to rehearse" in answer.stderr


def test_a_reader_that_has_seen_enough_ends_it_quietly(file):
    piped = subprocess.run(
        f"{' '.join(COMMAND)} rehearse -f {file} | head -n 1", shell=True, capture_output=True, text=True, timeout=60
    )

    assert piped.stderr == ""
    assert len(piped.stdout.splitlines()) == 1


def test_a_terminal_without_unicode_gets_plain_signs(file):
    answer = subprocess.run(
        [*COMMAND, "rehearse", "-f", str(file)], capture_output=True, timeout=60,
        env={"PYTHONIOENCODING": "ascii", "PATH": str(Path(COMMAND[0]).parent)},
    )  # fmt: skip

    assert answer.returncode == 0
    assert b"29 May ####" + b"." * 66 + b"o#" in answer.stdout.splitlines()
