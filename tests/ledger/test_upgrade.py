"""A ledger of an older wattround is taken up: its tables, and the state that was saved in it."""

import sqlite3

import pytest

from support.house import TV_RULE, HouseRun
from wattround.core.saved import FORMAT, upgraded
from wattround.ingest.delivery import LIVE
from wattround.ledger.opening import FILE
from wattround.ledger.reader import NoLedger, Reader
from wattround.ledger.schema import STEPS
from wattround.ledger.writer import Writer

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
