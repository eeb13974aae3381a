"""`wattround import temperature`: into the ledger through the daemon's core or without one; again changes nothing."""

import pytest
from typer.testing import CliRunner

from support.history import minutes, write
from support.house import HouseRun
from wattround.cli.app import app
from wattround.ledger.past import Past

SETTINGS = """
[house]
id = "testhouse"
time_zone = "Europe/Berlin"
currency = "EUR"
price_per_kwh = 0.25
[broker]
host = "127.0.0.1"
[ledger]
folder = "{folder}"
[[meters]]
name = "tv"
role = "appliance"
power = {{ topic = "t/tv" }}
"""
TABLE = "time,temperature\n" + "".join(
    f"2026-03-{day:02}T{hour:02}:00,{day}.5\n" for day in range(1, 29) for hour in range(24)
)


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "wattround.toml").write_text(SETTINGS.format(folder=tmp_path / "ledger"))
    (tmp_path / "weather.csv").write_text(TABLE * 1)
    write(tmp_path / "ledger", minutes("tv", [[5.0]] * 60), {"tv": "appliance"})
    return tmp_path


def take_in(folder, *words):
    done = CliRunner().invoke(
        app, ["import", "temperature", str(folder / "weather.csv"), "-f", str(folder / "wattround.toml"), *words]
    )
    return done.exit_code, done.output


def words(folder):
    past = Past(folder / "ledger", "testhouse")
    found = past.words([("outdoor", "hour"), ("outdoor", "day")], 0, 1 << 43)
    past.close()
    return found


def test_a_table_is_taken_in_and_again_changes_nothing(folder):
    status, out = take_in(folder)

    assert status == 0
    assert 'Taken in from column "temperature": 672 hours, 1.5 to 28.5 °C.' in out
    once = words(folder)
    assert len(once) == 672
    assert take_in(folder)[0] == 0
    assert words(folder) == once


def test_more_rows_than_fit_into_one_request_all_arrive(folder):
    head, rest = TABLE.split("\n", 1)
    (folder / "weather.csv").write_text(
        head + "\n" + rest + rest.replace("2026-03", "2026-01") + rest.replace("2026-03", "2026-02")
    )

    assert take_in(folder)[0] == 0
    assert len(words(folder)) == 3 * 672


@pytest.mark.parametrize(
    ("table", "words_", "said"),
    [
        ("time,temperature\nx,4\n", [], "weather.csv: nothing was taken in.\nline 2: found"),
        (TABLE, ["--unit", "K"], '--unit: found "K"; expected C or F'),
        (TABLE, ["--column", "out"], '--column: found "out"'),
    ],
)
def test_a_wrong_table_leaves_the_ledger_as_it_was(folder, table, words_, said):
    (folder / "weather.csv").write_text(table)
    status, out = take_in(folder, *words_)

    assert status == 2
    assert said in out
    assert words(folder) == []


def test_a_table_that_is_not_there_is_told(folder):
    (folder / "weather.csv").unlink()

    assert "weather.csv: No such file or directory" in take_in(folder)[1]


def test_the_running_core_takes_rows_and_says_how_many_once_they_are_on_disk(tmp_path):
    with HouseRun(tmp_path, '[[meters]]\nname = "tv"\npower = { topic = "t/tv" }\n') as run:
        run.core.begin()
        reply = run.inbox.ask("outdoor", rows=[[1_772_344_800_000, "hour", 4.5], [1_772_362_800_000, "day", -3]])
        run.clock.pass_ms(1000)
        run.core.turn()

        assert reply.result(timeout=0) == 2
        past = Past(run.folder, "testhouse")
        assert past.words([("outdoor", "hour"), ("outdoor", "day")], 0, 1 << 43) == [
            (1_772_344_800_000, "outdoor", "hour", "4.50"),
            (1_772_362_800_000, "outdoor", "day", "-3.00"),
        ]
        past.close()


@pytest.mark.parametrize(
    "rows",
    [
        "x",
        [[1, "hour"]],
        [[1, "week", 3]],
        [[1, "hour", 99]],
        [[-1, "hour", 9]],
        [[1, "hour", None]],
        [[1, "hour", 1]] * 1001,
    ],
)
def test_rows_that_are_none_are_refused_whole(tmp_path, rows):
    with HouseRun(tmp_path, '[[meters]]\nname = "tv"\npower = { topic = "t/tv" }\n') as run:
        run.core.begin()
        reply = run.inbox.ask("outdoor", rows=rows)
        run.clock.pass_ms(1000)
        run.core.turn()

        with pytest.raises(ValueError, match="rows: expected"):
            reply.result(timeout=0)
