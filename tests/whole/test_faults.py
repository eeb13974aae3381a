"""Faults and what is promised: some seeded runs of tools/faults, whose verdict must be able to find what is wrong.

tools/faults plays any number of them.
"""

import random
import shutil
import sqlite3

import pytest

from conftest import missing
from faulty.cuts import try_cuts
from faulty.disk import NoSuchDisk
from faulty.energy import Books, wrong_energy
from faulty.kinds import KINDS, Planned, plan
from faulty.play import available, play, table
from faulty.run import Run
from faulty.servers import MOSQUITTO, VICTORIA, Database
from faulty.told import wrong_archive, wrong_messages
from faulty.verdict import violations
from wattround.ledger import opening

pytestmark = pytest.mark.server
SEEDS = (11, 12, 13)


@pytest.fixture
def servers():
    for name, found in (("mosquitto", MOSQUITTO), ("victoria-metrics", VICTORIA)):
        if not found:
            missing(name)


@pytest.fixture
def database(tmp_path, servers):  # noqa: ARG001 - a reason to be left out
    made = Database(tmp_path / "database")
    made.start()
    yield made
    made.stop()


@pytest.mark.usefixtures("servers")
def test_faulted_runs_break_no_promise():
    """Kills, a broker that goes away, lines that are cut, a database and channels that fail, a clock that is wrong."""
    names, _ = available()
    verdicts = list(play(SEEDS, names, at_once=len(SEEDS)))

    assert [(verdict.seed, verdict.violations) for verdict in sorted(verdicts)] == [(seed, ()) for seed in SEEDS]
    assert sum(verdict.kills for verdict in verdicts) >= 1
    assert all(verdict.minutes > 300 for verdict in verdicts)
    assert f"{len(SEEDS)} runs, 0 with a violation" in table(verdicts)


def test_the_verdict_finds_what_is_missing_twice_or_otherwise(database, tmp_path, monkeypatch):
    """A run with a kill, and afterwards one thing at a time spoilt in its ledger."""
    run = Run(1, [Planned("kill", 1.5, 1.5)], database.port, tmp_path)
    try:
        run.live()
        found, books = violations(run, database)
        assert found == []
        whole = tmp_path / "whole"
        shutil.copytree(run.ledger, whole, ignore=shutil.ignore_patterns("*.sock"))
        stamped, plain, pulses = (books.numbers[name] for name in ("stamped", "plain", "pulses"))
        early = sorted(books.rows["stamped"])[6]
        # a machine that was very late explains much that is missing; here it was not
        monkeypatch.setattr(Run, "lateness_s", min(run.lateness_s, 0.5))

        def wrong_after(statement):
            shutil.copytree(whole, run.ledger, dirs_exist_ok=True)
            with sqlite3.connect(run.ledger / opening.FILE) as connection:
                assert connection.execute(statement).rowcount > 0
            connection.close()
            spoilt = Books(run)
            return " ".join(
                [*wrong_energy(run, spoilt), *wrong_messages(run, spoilt), *wrong_archive(run, spoilt, database)]
            )

        of = "WHERE place = {} * 65536 + {}"
        assert "stamped: minute" in wrong_after(
            f"UPDATE minute_row SET in_uwh = in_uwh + 9 {of.format(early, stamped)}"
        )
        assert "stamped: minute" in wrong_after(f"DELETE FROM minute_row {of.format(early, stamped)}")
        assert "pulses: " in wrong_after(f"DELETE FROM minute_row {of.format(early, pulses)}")
        assert "plain: " in wrong_after(f"UPDATE minute_row SET in_uwh = 2 * in_uwh {of.format(early, plain)}")
        assert "plain: " in wrong_after(
            f"DELETE FROM minute_row WHERE place & 65535 = {plain} AND place >> 16 > {early}"
        )
        assert "readings lost" in wrong_after(f"DELETE FROM reading WHERE at_ms / 60000 = {early}")
        assert "hour " in wrong_after("UPDATE hour SET covered_ms = covered_ms - 1")
        assert "never told" in wrong_after("UPDATE episode SET began_ms = began_ms + 60000")
        assert "never sent" in wrong_after("UPDATE outbox SET sent_ms = NULL")
        assert "rows differ" in wrong_after(f"UPDATE minute_row SET uncovered_ms = 1 {of.format(early, pulses)}")
    finally:
        run.close(keep=False)


def test_the_same_seed_plans_the_same_faults_and_all_kinds_come():
    assert plan(random.Random(5), list(KINDS), 7.0) == plan(random.Random(5), list(KINDS), 7.0)
    assert {fault.kind for seed in range(300) for fault in plan(random.Random(seed), list(KINDS), 7.0)} == set(KINDS)


def cuts(count):
    try:
        return try_cuts(3, count)
    except NoSuchDisk:
        pytest.skip("this Python has SQLite built in: nothing can be put in between")


def test_after_a_power_cut_at_any_write_the_ledger_opens_and_is_whole():
    """While it is written and checkpointed, brought up to date from each format, and while writes fail."""
    found = cuts(80)

    assert found.violations == []
    assert sorted(found.tried.values()) == [80, 80, 80]


def test_a_ledger_that_is_not_synced_would_be_found_out(monkeypatch):
    """SQLite's own words (sqlite.org/pragma.html, synchronous): without it a commit might roll back after a power loss."""
    connect = opening._connect

    def unsynced(file):
        connection = connect(file)
        connection.execute("PRAGMA synchronous = OFF")
        return connection

    monkeypatch.setattr(opening, "_connect", unsynced)

    assert len(cuts(40).violations) > 10
