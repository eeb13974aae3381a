"""`wattround levels` as a person or a script meets it."""

import json
import shutil
import subprocess
import tomllib

import pytest
from rich.console import Console

from support.daemon import COMMAND
from support.history import BEGIN_MINUTE, DAY, minutes, steps, write
from support.house import HEAD, settings_of
from wattround.cli.levels import ASCII, WIDTH, lines, toml
from wattround.config.load import examine_text
from wattround.ledger.reader import Reader

EVENING = (20 * 60, 23 * 60)
METERS = """
[[meters]]
name = "supply"
role = "supply"
power = { topic = "t/supply" }
[[meters]]
name = "tv"
label = "Television [/x] [red]"
role = "appliance"
power = { topic = "t/tv" }
[[meters]]
name = "fridge"
power = { topic = "t/fridge" }
[[meters]]
name = "{plug}"
role = "appliance"
power = { topic = "p/{plug}" }
"""
ROLES = {"supply": "supply", "tv": "appliance", "fridge": "circuit", 'odd "plug"': "appliance"}


@pytest.fixture(scope="module")
def six_days(tmp_path_factory):
    """A ledger to copy."""
    folder = tmp_path_factory.mktemp("six-days")
    fridge = [[94.0 if minute % 52 < 18 else 2.0] * 6 for minute in range(6 * DAY)]
    odd = steps(6, 0.0, (480, 1080, 3.2), (1080, 1380, 142.0), noise=0.03)
    rows = [
        *minutes("tv", steps(6, 2.1, (*EVENING, 118.0), noise=0.02)), *minutes("fridge", fridge),
        *minutes('odd "plug"', odd), *minutes("supply", steps(6, 300.0)),
    ]  # fmt: skip
    write(folder, rows, ROLES)
    return folder


@pytest.fixture
def house(tmp_path, six_days):
    """Its settings file; six days in the ledger."""
    file = tmp_path / "w.toml"
    file.write_text(f'{HEAD}[ledger]\nfolder = "{tmp_path}/ledger"\n{METERS}')
    shutil.copytree(six_days, tmp_path / "ledger")
    return file


def levels(*words):
    return subprocess.run([*COMMAND, "levels", *map(str, words)], capture_output=True, text=True, timeout=60)


def test_each_load_is_shown_with_what_to_paste(house):
    answer = levels(house)

    assert answer.returncode == 0, answer.stderr
    assert answer.stderr == ""
    text = answer.stdout
    for words in (
        "testhouse: 2026-05-28 to 2026-06-03. Nothing is changed by this.", "Television [/x] [red] (tv): proposed",
        "< active_w 16", "fridge: not separable", "it cycles by itself, 28 times a day and at all hours",
        'odd "plug": proposed', "in standby it draws 2.1 W (stable, read directly; IEC 62301)",
    ):  # fmt: skip
        assert words in text
    assert "supply" not in text
    assert "\x1b" not in text
    assert max(map(len, text.splitlines())) <= WIDTH


def test_what_is_pasted_is_right(house):
    """The printed tables, with a source each, are settings that check finds nothing wrong with."""
    pasted = [line.strip() for line in levels(house).stdout.splitlines() if line.startswith("    ")]
    pasted = [
        line for line in pasted if line.startswith(("[[", "name =", "standby_w =", "active_w =", "active_release_w ="))
    ]
    text = "\n".join(pasted)
    problems, settings = examine_text(HEAD + text.replace("standby_w", 'power = { topic = "t" }\nstandby_w'))

    assert [entry["name"] for entry in tomllib.loads(text)["meters"]] == ['odd "plug"', "tv"]
    assert settings is not None, problems
    assert all(meter.standby_w < meter.active_w for meter in settings.meters)


def test_one_json_object_has_everything(house):
    facts = json.loads(levels(house, "--json").stdout)

    assert {key: facts[key] for key in ("house", "from", "to", "hours_apart")} == {
        "house": "testhouse", "from": "2026-05-28T00:00:00+00:00", "to": "2026-06-03T00:00:00+00:00", "hours_apart": 1,
    }  # fmt: skip
    loads = {load["meter"]: load for load in facts["loads"]}
    assert list(loads) == ["fridge", 'odd "plug"', "tv"]
    tv = loads["tv"]
    assert (tv["verdict"], tv["reason"], tv["standby_w"], tv["active_release_w"]) == ("proposed", "", 0.5, None)
    assert tv["measured_h"] == 144
    assert [each["level"] for each in loads['odd "plug"']["classes"]] == ["off", "standby", "active"]
    for load in loads.values():
        assert sum(row["time_share"] for row in load["histogram"]) == pytest.approx(1)
        assert sum(each["time_share"] for each in load["classes"]) == pytest.approx(1)
        assert sum(each["energy_share"] for each in load["classes"]) == pytest.approx(1)
    assert tv["borders"][0]["clarity"] == "clear"
    assert tv["standby"] == {"watts": pytest.approx(2.1, rel=0.01), "stable": True}
    assert loads["fridge"]["active_w"] is None
    assert loads["fridge"]["starts_a_day"] == pytest.approx(1440 / 52, abs=0.5)


def test_some_meters_and_some_days(house):
    facts = json.loads(
        levels(
            house, "--json", "--meter", "tv", "--meter", "fridge", "--from", "2026-05-30", "--to", "2026-06-01"
        ).stdout
    )

    # local days: Berlin is two hours ahead
    assert (facts["from"], facts["to"]) == ("2026-05-29T22:00:00+00:00", "2026-06-01T22:00:00+00:00")
    assert [load["meter"] for load in facts["loads"]] == ["tv", "fridge"]
    assert [load["measured_h"] for load in facts["loads"]] == [72, 72]


@pytest.mark.parametrize(
    ("words", "status", "says"),
    [
        (
            ("--meter", "telly"),
            2,
            '--meter: "telly" is not a meter of this house; its loads are fridge, odd "plug", tv',
        ),
        (("--meter", "supply"), 2, '--meter: "supply" is a supply, not a load; its loads are fridge, odd "plug", tv'),
        (("--from", "yesterday"), 2, '--from: found "yesterday"; expected a day such as 2026-03-01'),
        (("--to", "2026-02-30"), 2, '--to: found "2026-02-30"; expected a day such as 2026-03-01'),
        (("--from", "2027-01-01"), 2, "no minutes are kept of these days; the ledger has 2026-05-28 to 2026-06-03"),
        (("--from", "2026-06-02", "--to", "2026-06-01"), 2, "no minutes are kept of these days"),
    ],
)
def test_what_cannot_be_asked_is_said(house, words, status, says):
    answer = levels(house, *words)

    assert answer.returncode == status
    assert says in answer.stderr
    assert answer.stdout == ""


def test_without_a_ledger_it_says_where_it_looked(house, tmp_path):
    for file in (tmp_path / "ledger").glob("ledger.sqlite3*"):
        file.unlink()
    answer = levels(house)

    assert answer.returncode == 69
    assert f"{tmp_path}/ledger/ledger.sqlite3: no such file" in answer.stderr
    assert "Traceback" not in answer.stderr


def test_an_empty_ledger_says_what_to_do(house, tmp_path):
    for file in (tmp_path / "ledger").glob("ledger.sqlite3*"):
        file.unlink()
    write(tmp_path / "ledger", [], ROLES)
    answer = levels(house)

    assert answer.returncode == 2
    assert "the ledger has no minutes yet: let the daemon run for some days" in answer.stderr


def test_a_damaged_ledger_is_no_traceback(house, tmp_path):
    (tmp_path / "ledger" / "ledger.sqlite3").write_bytes(b"no database at all" * 1000)
    answer = levels(house)

    assert answer.returncode == 69
    assert "Traceback" not in answer.stderr


def test_it_reads_while_another_writes(house, tmp_path):
    """The daemon holds the write lock, in the middle of a commit."""
    from wattround.ledger.writer import Writer

    held = Writer(tmp_path / "ledger", "testhouse", (BEGIN_MINUTE + 6 * DAY) * 60_000)
    held._db.execute("BEGIN IMMEDIATE")
    held._db.execute("DELETE FROM minute_row")
    answer = levels(house, "--json")
    held._db.execute("ROLLBACK")
    held.close()

    assert json.loads(answer.stdout)["loads"][2]["verdict"] == "proposed"


def drawn(tmp_path, terminal, width=WIDTH):
    from wattround.analysis.levels import propose

    reader = Reader(tmp_path / "ledger", "testhouse")
    found = propose(reader, list(ROLES), *reader.span(), 1)
    reader.close()
    console = Console(width=width, force_terminal=terminal, color_system="standard" if terminal else None, _environ={})
    with console.capture() as capture:
        for proposal in found:
            for line in lines(proposal, proposal.meter, width=width):
                console.print(line, no_wrap=True, overflow="ignore", crop=False)
    return found, capture.get()


@pytest.mark.usefixtures("house")
def test_colours_are_for_terminals(tmp_path):
    assert "\x1b[" in drawn(tmp_path, terminal=True)[1]
    assert "\x1b[" not in drawn(tmp_path, terminal=False)[1]


@pytest.mark.usefixtures("house")
@pytest.mark.parametrize("width", [80, 72])
def test_lines_fit_the_terminal_and_bars_show_shares(tmp_path, width):
    found, text = drawn(tmp_path, terminal=False, width=width)

    assert max(map(len, text.splitlines())) <= width
    tv = next(proposal for proposal in found if proposal.meter == "tv")
    rows = [line for line in text.split("tv: proposed")[1].splitlines() if " W " in line and "%" in line][
        : len(tv.rows)
    ]
    bars = [line.count("█") for line in rows]
    assert max(bars) == width - 46
    for row, bar in zip(tv.rows, bars, strict=True):
        most = max(each.time_share for each in tv.rows)
        assert bar == pytest.approx(row.time_share / most * max(bars), abs=1)


@pytest.mark.usefixtures("house")
def test_without_unicode_bars_are_plain(tmp_path):
    found, _ = drawn(tmp_path, terminal=False)

    assert all(line.plain.isascii() for proposal in found for line in lines(proposal, proposal.meter, ASCII))


@pytest.mark.usefixtures("house")
def test_names_are_quoted_as_toml_wants_them(tmp_path):
    found, _ = drawn(tmp_path, terminal=False)
    odd = next(proposal for proposal in found if proposal.meter == 'odd "plug"')

    assert tomllib.loads("\n".join(toml(odd)))["meters"][0]["name"] == 'odd "plug"'


def test_the_paste_goes_where_a_pattern_feeds_it(house):
    """A meter that a pattern made gets an entry of its own, without a source."""
    text = house.read_text().split(HEAD)[1].split("\n", 2)[2]
    settings = settings_of(text + '[[meters]]\nname = "odd-plug"\nrole = "appliance"\nstandby_w = 1.3\nactive_w = 21\n')

    assert settings.meters[-1].active_w == 21
