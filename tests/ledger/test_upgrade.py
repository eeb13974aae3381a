"""A ledger of an older wattround is taken up: its tables, and the state that was saved in it."""

import gzip
import json
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from support.house import TV_RULE, HouseRun
from wattround.core.saved import FORMAT, upgraded
from wattround.ingest.delivery import LIVE
from wattround.ledger import schema
from wattround.ledger.backup import back_up, put_back
from wattround.ledger.opening import FILE, open_for_writing
from wattround.ledger.reader import NoLedger, Reader
from wattround.ledger.schema import STEPS, NewerLedger
from wattround.ledger.writer import Writer
from wattround.metering.minute import MINUTE_MS

NOW = 1_780_000_000_000


def test_a_ledger_of_the_first_format_gets_the_later_tables(tmp_path):
    file = tmp_path / FILE
    old = sqlite3.connect(file)
    old.executescript(f"{STEPS[0]} PRAGMA user_version = 1;")
    old.execute(
        "INSERT INTO outbox (house, channel, created_ms, title, body, facts) VALUES ('h', 'c', 1, 't', 'b', '{}')"
    )
    old.commit()
    old.close()

    writer = Writer(tmp_path, "h", NOW)
    (waiting,) = writer.waiting(0)
    writer.close()

    assert (waiting.message.title, waiting.message.ref) == ("t", 0)
    fresh = sqlite3.connect(file)
    assert fresh.execute("PRAGMA user_version").fetchone()[0] == len(STEPS)
    assert fresh.execute("SELECT count(*) FROM signal_word").fetchone()[0] == 0
    fresh.close()


@pytest.mark.parametrize(("version", "words"), [(1, "start its daemon once"), (99, "use the newer one")])
def test_a_reader_of_another_format_says_what_to_do(tmp_path, version, words):
    old = sqlite3.connect(tmp_path / FILE)
    old.execute(f"PRAGMA user_version = {version}")
    old.close()

    with pytest.raises(NoLedger, match=words):
        Reader(tmp_path, "h")


def first_format(state):
    """A state as the first format had it."""
    return {
        "meters": {name: [*plain[:12], *plain[14:]] for name, plain in state["meters"].items()},
        "rules": {
            run["rule"]: {key: run[key] for key in ("stated", "load", "waste_uwh", "run")} | {"stated": "as then"}
            for run in state["rules"]["runs"]
        },
        "presence": {person: word[:2] for person, word in state["hearsay"]["presence"].items()},
        "patterns": state["patterns"],
    }


def test_a_state_of_the_first_format_is_taken_up_and_its_episodes_settle(tmp_path):
    with HouseRun(tmp_path, TV_RULE) as run:
        run.inbox.put(("p/imre", b"away", run.clock.mono_ms(), LIVE, None))
        run.live("t/tv", 120, 60)
        run.commit(run.clock.now_ms)
        state = run.house.snapshot()
        energy = run.house.metering.meters["tv"].in_wms
        assert upgraded(state) is state
        old = first_format(state)
        assert upgraded(old)["format"] == FORMAT
        run.house.batch.states["house"] = old
        run.core.writer.commit(run.house.batch, run.clock.now_ms, run.house.open_minute)

    with HouseRun(tmp_path, TV_RULE, run.clock.now_ms) as again:
        assert again.house.metering.meters["tv"].in_wms == energy
        assert again.house.hearsay.presence.occupancy(again.clock.now_ms) == "empty"
        again.live("t/tv", 120, 3)
        again.commit(again.clock.now_ms)
        reader = Reader(again.folder, "testhouse")
        rows = reader.episodes(0, 1 << 50)
        reader.close()

    assert rows[0].settled_ms is not None
    assert rows[0].reason == "rule-changed"


FILES = Path(__file__).parent / "files"
"""Ledgers of the last wattround of each format: 150 minutes of the house below, written by it and then killed.

The television ran with nobody home from the 30th to the 60th minute and again since the 130th; the hub took no message.
"""
FORMATS = range(1, len(list(FILES.glob("format*.sqlite3.gz"))) + 1)
BEGIN, ENDED = 1_780_000_020_000, 1_780_009_020_000
HOUSE = """
[[meters]]
name = "tv"
label = "Television"
role = "appliance"
active_w = 40
hold = "90s"
power = { topic = "t/tv" }
[[meters]]
name = "clamp"
power = { topic = "t/clamp", pointer = "/w", time_pointer = "/t", time_unit = "ms" }
[[meters]]
name = "heater"
hold = "5m"
counter = { topic = "t/heater", unit = "Wh" }
[[meters]]
name = "supply"
role = "supply"
hold = "90s"
power = { topic = "t/supply" }
counter = { topic = "t/supply/wh", unit = "Wh" }
[[people]]
name = "imre"
topic = "p/imre"
home = ["home"]
[[rules]]
name = "tv-nobody-home"
load = "tv"
occupancy = "empty"
lasting = "5m"
release = "1m"
[[channels]]
name = "hub"
mqtt = true
"""


def unpacked(folder, version):
    folder.mkdir()
    (folder / FILE).write_bytes(gzip.decompress((FILES / f"format{version}.sqlite3.gz").read_bytes()))
    return folder / FILE


def minutes_of(file):
    with closing(sqlite3.connect(f"{file.as_uri()}?mode=ro", uri=True)) as connection:
        return dict(connection.execute("SELECT place, in_uwh || ' ' || out_uwh || ' ' || covered_ms FROM minute"))


def live_on(run, minutes):
    """The house goes on as it was."""
    for step in range(minutes * 6):
        run.clock.pass_ms(10_000)
        passed_min = (run.clock.now_ms - BEGIN) / MINUTE_MS
        said = [("t/tv", 120), ("t/supply", 1200)]
        if step % 3 == 0:
            said.append(("t/clamp", json.dumps({"w": 600, "t": run.clock.now_ms})))
        if step % 6 == 0:
            said += [("t/heater", 5000 + 20 * passed_min), ("t/supply/wh", 90_000 + 20 * passed_min)]
        for topic, payload in said:
            run.inbox.put((topic, str(payload).encode(), run.clock.mono_ms(), LIVE, None))
        run.core.turn()


def test_there_is_a_ledger_of_every_format_before_the_newest():
    assert list(FORMATS) == list(range(1, len(STEPS)))


@pytest.mark.parametrize("version", FORMATS)
def test_a_house_goes_on_from_a_ledger_of_any_format(tmp_path, version):
    file = unpacked(tmp_path / "ledger", version)
    before = minutes_of(file)
    with HouseRun(tmp_path, HOUSE, ENDED) as run:
        live_on(run, 90)
        run.clock.pass_ms(15 * MINUTE_MS)
        run.core.turn()
        run.commit(run.clock.now_ms)
        after = minutes_of(file)
        energy_wh = {name: run.energy_uwh(name) / 1e6 for name in ("heater", "supply", "clamp")}
        told = [json.loads(waiting.message.facts)["event"] for waiting in run.mail.told]
        reader = Reader(run.folder, "testhouse")
        episodes = reader.episodes(0, 1 << 50)
        reader.close()

    open_since = ENDED // MINUTE_MS - 1
    assert {place: row for place, row in after.items() if place >> 16 < open_since} == {
        place: row for place, row in before.items() if place >> 16 < open_since
    }
    assert energy_wh["heater"] == pytest.approx(20 * 239, abs=21)
    assert energy_wh["supply"] == pytest.approx(20 * 240, abs=41)
    assert energy_wh["clamp"] == pytest.approx(10 * 239.5 + 15, abs=11)
    assert told[:3] == ["raised", "settled", "raised"]  # what had waited
    assert told.count("raised") == len(episodes)
    assert told.count("settled") == sum(episode.settled_ms is not None for episode in episodes)
    with closing(sqlite3.connect(file)) as connection:
        assert connection.execute("PRAGMA user_version").fetchone()[0] == len(STEPS)
        assert connection.execute("PRAGMA integrity_check").fetchone()[0] == "ok"


@pytest.mark.parametrize("version", FORMATS)
def test_a_ledger_of_any_format_can_be_copied_before_it_is_brought_up_to_date_and_put_back(tmp_path, version):
    file = unpacked(tmp_path / "ledger", version)
    before = minutes_of(file)
    back_up(tmp_path / "ledger", tmp_path / "copy")
    with HouseRun(tmp_path, HOUSE, ENDED) as run:
        live_on(run, 5)
    put_back(tmp_path / "copy", tmp_path / "ledger", "testhouse", ENDED)

    assert minutes_of(file) == before
    with closing(sqlite3.connect(file)) as connection:
        assert connection.execute("PRAGMA user_version").fetchone()[0] == version  # an older wattround can go on, too
    with HouseRun(tmp_path, HOUSE, ENDED) as run:
        live_on(run, 5)


@pytest.mark.parametrize("known", range(1, len(STEPS)))
def test_an_older_wattround_leaves_a_newer_ledger_as_it_is_and_says_so(tmp_path, monkeypatch, known):
    writer = Writer(tmp_path, "h", NOW)
    writer.register({"a": "circuit"})
    writer.close()
    before = (tmp_path / FILE).read_bytes()
    monkeypatch.setattr(schema, "STEPS", STEPS[:known])

    with pytest.raises(NewerLedger, match=f"has format {len(STEPS)}, this wattround knows {known}"):
        open_for_writing(tmp_path, NOW)

    assert (tmp_path / FILE).read_bytes() == before
    assert not list(tmp_path.glob("ledger-damaged*"))
