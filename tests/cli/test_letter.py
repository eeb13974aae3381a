"""`wattround letter`: text and page from the ledger, and what it says where there is nothing to write or to send."""

import re
import subprocess

import pytest

from support.daemon import COMMAND
from support.letters import HEAD, METERS, NOW_MS, WEEK, letter_house
from support.pages import read
from wattround.analysis.letter.writing import written


@pytest.fixture(scope="module")
def home(tmp_path_factory):
    """The house's file, and its letter."""
    folder = tmp_path_factory.mktemp("letter")
    settings = letter_house(folder / "ledger")
    file = folder / "wattround.toml"
    file.write_text(HEAD + f'[ledger]\nfolder = "{folder / "ledger"}"\n' + METERS)
    return file, written(settings, WEEK, NOW_MS)


def letter(file, *options):
    return subprocess.run([*COMMAND, "letter", "-f", str(file), *options], capture_output=True, text=True, check=False)


def test_it_prints_the_text(home):
    file, known = home
    done = letter(file, "--week", WEEK)

    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout == known.body
    assert max(map(len, done.stdout.splitlines())) <= 72


def test_it_writes_the_page(home, tmp_path):
    file, known = home
    done = letter(file, "--week", WEEK, "--html", str(tmp_path / "letter.html"))

    assert done.returncode == 0
    assert re.fullmatch(rf"{re.escape(str(tmp_path))}/letter\.html: written, \d+ kB\n", done.stdout)
    assert (tmp_path / "letter.html").read_text() == known.html
    assert read(known.html).one("h1").text.startswith("Quince & <b>Sons</b>")


@pytest.mark.parametrize(
    ("options", "status", "says"),
    [
        (("--week", "2026-13"), 2, '--week: found "2026-13"; expected a week such as 2026-W12'),
        (("--week", "2020-W01"), 2, "nothing is kept of 2019-12-30 to 2020-01-05"),
        (("--week", "2199-W01"), 2, "the week 2199-W01 is still to come"),
        (("--week", WEEK, "--send"), 2, "found no [letter] in the settings"),
        (("--week", WEEK, "--send", "--html", "x.html"), 2, "expected one of --html and --send"),
        (("--week", WEEK, "--html", "/nowhere/x.html"), 2, "no such folder"),
    ],
)
def test_what_cannot_be_is_said(home, options, status, says):
    done = letter(home[0], *options)

    assert done.returncode == status
    assert says in done.stderr
    assert done.stdout == ""


def test_to_send_there_must_be_a_daemon(home, tmp_path):
    channel = '[letter]\nchannels = ["mail"]\n[[channels]]\nname = "mail"\nurl = "json://127.0.0.1:1"\n'
    file = tmp_path / "wattround.toml"
    file.write_text(home[0].read_text() + channel)
    done = letter(file, "--week", WEEK, "--send")

    assert done.returncode == 69
    assert "no daemon answers" in done.stderr


def test_without_a_ledger_there_is_none(tmp_path):
    file = tmp_path / "wattround.toml"
    file.write_text(HEAD + f'[ledger]\nfolder = "{tmp_path / "ledger"}"\n' + METERS)

    assert letter(file).returncode == 69
