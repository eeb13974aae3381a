"""`wattround ledger backup` and `restore`: what they say, and how they end."""

import pytest
from typer.testing import CliRunner

from support.history import minutes, write
from wattround.cli.app import app
from wattround.ledger.opening import FILE
from wattround.ledger.reader import Reader
from wattround.ledger.writer import Writer

SETTINGS = """
[house]
id = "{house}"
time_zone = "Europe/Berlin"
currency = "EUR"
price_per_kwh = 0.25
[ledger]
folder = "{folder}"
[[meters]]
name = "tv"
power = {{ topic = "t/tv" }}
"""


@pytest.fixture
def home(tmp_path):
    for name, house, folder in (("settings", "testhouse", "l"), ("others", "next-door", "theirs")):
        (tmp_path / name).write_text(SETTINGS.format(house=house, folder=tmp_path / folder))
    write(tmp_path / "l", minutes("tv", [[5.0]] * 60), {"tv": "appliance"})
    return tmp_path


def run(home, *words, settings="settings"):
    done = CliRunner().invoke(app, ["ledger", *words, "-f", str(home / settings)])
    return done.exit_code, done.output


def rows(home):
    reader = Reader(home / "l", "testhouse")
    found = list(reader.minutes(0, 1 << 31))
    reader.close()
    return found


def test_there_and_back(home):
    before = rows(home)
    status, said = run(home, "backup", str(home / "copy"))
    assert status == 0
    assert said.startswith(f"{home / 'copy'}: the ledger of testhouse as of ")
    assert "1 meters, minutes of " in said
    for file in (home / "l").iterdir():
        file.unlink()

    status, said = run(home, "restore", str(home / "copy"))

    assert status == 0
    assert "Start the daemon" in said
    assert "kept" not in said  # there was none
    assert rows(home) == before


def test_what_was_there_is_kept_and_named(home):
    run(home, "backup", str(home / "copy"))
    status, said = run(home, "restore", str(home / "copy"))

    (kept,) = (home / "l").glob("ledger-before-restore-*.sqlite3")
    assert status == 0
    assert f"is kept as {kept}." in said


def test_refusals_end_with_status_2_and_what_is_not_there_with_69(home):
    run(home, "backup", str(home / "copy"))

    assert run(home, "backup", str(home / "copy"))[0] == 2
    assert run(home, "restore", str(home / "nothing"))[0] == 2
    assert run(home, "restore", str(home / "copy"), settings="others")[0] == 2
    status, said = run(home, "backup", str(home / "more"), settings="others")
    assert (status, said) == (
        69,
        f"wattround: {home / 'theirs' / FILE}: no such file: has the daemon run with these settings?\n",
    )
    writer = Writer(home / "l", "testhouse", 1_780_000_000_000)
    status, said = run(home, "restore", str(home / "copy"))
    writer.close()
    assert (status, "another wattround" in said) == (69, True)
