"""`wattround check --history` as a person meets it."""

import shutil
import subprocess

import pytest

from support.anyhouse import METERS, rows, settings_text, truth
from support.daemon import COMMAND
from support.history import write
from support.house import HEAD


@pytest.fixture(scope="module")
def five_days(tmp_path_factory):
    """A ledger to copy: the board sees one leg of two."""
    folder = tmp_path_factory.mktemp("five-days")
    write(folder, rows(truth(3, 5), 3, {"board": 0.5}), {name: role for name, (role, _) in METERS.items()})
    return folder


@pytest.fixture
def file(tmp_path, five_days):
    shutil.copytree(five_days, tmp_path / "ledger")
    made = tmp_path / "w.toml"
    made.write_text(f'{HEAD}[ledger]\nfolder = "{tmp_path}/ledger"\n{settings_text()}')
    return made


def check(*words):
    return subprocess.run([*COMMAND, "check", *map(str, words)], capture_output=True, text=True, timeout=60)


def test_a_finding_has_its_line_its_figures_and_its_fix_and_is_no_error(file):
    answer = check(file, "--history")

    assert answer.returncode == 0, answer.stderr
    at = file.read_text().split("\n").index('power = { topic = "t/board" }') + 1
    text = answer.stdout.split("\n")
    assert (
        f'{file}:{at}: warning: meters["board"].power.factor: found 1; it likely reads half of what there is: one leg of two'
        in text
    )
    assert "    factor = 2.0" in text
    assert any("supply moved 1." in line or "supply moved 2." in line for line in text)
    assert f"{file}: 2026-05-28 to 2026-06-01: 1 finding in the history." in answer.stdout.replace(
        "2026-06-02", "2026-06-01"
    )


def test_without_history_the_ledger_is_not_asked(file):
    assert check(file).stdout == f"{file}: right. 12 meters, 0 rules, 0 channels.\n"


@pytest.mark.parametrize(
    ("words", "status", "says"),
    [
        (("--from", "2026-05-29"), 2, "--from and --to go with --history"),
        (("--history", "--from", "soon"), 2, '--from: found "soon"; expected a day such as 2026-03-01'),
        (("--history", "--from", "2027-01-01"), 2, "no minutes are kept of these days"),
    ],
)
def test_what_cannot_be_asked_is_said(file, words, status, says):
    answer = check(file, *words)

    assert answer.returncode == status
    assert says in answer.stderr


def test_without_a_ledger_it_says_where_it_looked(file, tmp_path):
    shutil.rmtree(tmp_path / "ledger")
    answer = check(file, "--history")

    assert answer.returncode == 69
    assert f"{tmp_path}/ledger/ledger.sqlite3: no such file" in answer.stderr


def test_a_damaged_ledger_is_no_traceback(file, tmp_path):
    (tmp_path / "ledger" / "ledger.sqlite3").write_bytes(b"no database at all" * 1000)
    answer = check(file, "--history")

    assert answer.returncode == 69
    assert "Traceback" not in answer.stderr


def test_a_meter_that_only_a_pattern_knows_is_told_how_to_get_an_entry(file):
    others = {name: place for name, place in METERS.items() if name != "board"}
    head = file.read_text().split("[[meters]]")[0]
    text = head + settings_text(meters=others) + '[[meters]]\nname = "{plug}"\npower = { topic = "p/{plug}" }\n'
    text += '[[meters]]\nname = "board"\nwithin = "supply"\n'
    file.write_text(text)
    answer = check(file, "--history")

    assert answer.returncode == 0, answer.stderr
    assert "board is fed by a pattern: give it an entry with a source of its own" in answer.stdout
