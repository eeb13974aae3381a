"""The ledger's tables, as the steps that made them. A released step is never changed, only followed by another."""

from __future__ import annotations

import sqlite3

STEPS: tuple[str, ...] = (
    """
    CREATE TABLE meter (
        id INTEGER PRIMARY KEY, house TEXT NOT NULL, name TEXT NOT NULL, role TEXT NOT NULL,
        UNIQUE (house, name)
    ) STRICT;
    -- A minute without a row was not covered. place = minute * 65536 + meter: in order of time, so that a commit
    -- touches the last page only, and short, as is what is missing of a minute instead of what is covered.
    CREATE TABLE minute_row (
        place INTEGER PRIMARY KEY,
        in_uwh INTEGER NOT NULL, out_uwh INTEGER NOT NULL, uncovered_ms INTEGER NOT NULL,
        peak_milliw INTEGER, low_milliw INTEGER, origin INTEGER NOT NULL
    ) STRICT;
    CREATE VIEW minute AS
        SELECT place >> 16 AS minute, place & 65535 AS meter, in_uwh, out_uwh, 60000 - uncovered_ms AS covered_ms,
               peak_milliw, low_milliw, origin, place
        FROM minute_row;
    CREATE TABLE hour (
        hour INTEGER NOT NULL, meter INTEGER NOT NULL,
        in_uwh INTEGER NOT NULL, out_uwh INTEGER NOT NULL, covered_ms INTEGER NOT NULL, estimated_uwh INTEGER NOT NULL,
        peak_milliw INTEGER, low_milliw INTEGER,
        PRIMARY KEY (hour, meter)
    ) STRICT, WITHOUT ROWID;
    -- Stamped readings of the last days, so that a late one amends its minutes exactly; NULL: the source went away.
    CREATE TABLE reading (
        at_ms INTEGER NOT NULL, meter INTEGER NOT NULL, watts REAL,
        PRIMARY KEY (at_ms, meter)
    ) STRICT, WITHOUT ROWID;
    CREATE TABLE episode (
        id INTEGER PRIMARY KEY, house TEXT NOT NULL, rule TEXT NOT NULL, load TEXT NOT NULL,
        began_ms INTEGER NOT NULL, raised_ms INTEGER NOT NULL, settled_ms INTEGER,
        waste_uwh INTEGER NOT NULL, cost TEXT NOT NULL, reason TEXT,
        UNIQUE (house, rule, load, began_ms)
    ) STRICT;
    CREATE TABLE outbox (
        id INTEGER PRIMARY KEY, house TEXT NOT NULL, channel TEXT NOT NULL, created_ms INTEGER NOT NULL,
        title TEXT NOT NULL, body TEXT NOT NULL, facts TEXT NOT NULL,
        attempts INTEGER NOT NULL DEFAULT 0, sent_ms INTEGER, given_up_ms INTEGER, trouble TEXT
    ) STRICT;
    CREATE INDEX outbox_waiting ON outbox (id) WHERE sent_ms IS NULL AND given_up_ms IS NULL;
    -- Written with every commit: as a rowid table it stays within one page, in place.
    CREATE TABLE state (
        id INTEGER PRIMARY KEY, house TEXT NOT NULL, kind TEXT NOT NULL, saved_ms INTEGER NOT NULL, body BLOB NOT NULL,
        UNIQUE (house, kind)
    ) STRICT;
    -- Rows changed after they were shipped to the archive.
    CREATE TABLE reship (
        minute INTEGER NOT NULL, meter INTEGER NOT NULL, revision INTEGER NOT NULL, pending INTEGER NOT NULL,
        PRIMARY KEY (minute, meter)
    ) STRICT, WITHOUT ROWID;
    CREATE INDEX reship_pending ON reship (minute, meter) WHERE pending;
    """,
    """
    -- Which bulletin a message says, so that one not sent yet can be taken back.
    ALTER TABLE outbox ADD COLUMN ref INTEGER NOT NULL DEFAULT 0;
    -- What was heard of presence and signals, so that rules can be rehearsed on it.
    CREATE TABLE signal_word (
        at_ms INTEGER NOT NULL, house TEXT NOT NULL, kind TEXT NOT NULL, name TEXT NOT NULL, value TEXT NOT NULL,
        PRIMARY KEY (at_ms, house, kind, name)
    ) STRICT, WITHOUT ROWID;
    """,
    """
    -- Waste whose price could not be told: it is not in the cost.
    ALTER TABLE episode ADD COLUMN unpriced_uwh INTEGER NOT NULL DEFAULT 0;
    """,
    """
    -- The book: what people enter, as JSON. Numbers count up within a kind; what was removed leaves its number behind,
    -- without a body, so that nothing else ever gets it.
    CREATE TABLE entry (
        house TEXT NOT NULL, kind TEXT NOT NULL, number INTEGER NOT NULL, at_ms INTEGER NOT NULL, body TEXT,
        PRIMARY KEY (house, kind, number)
    ) STRICT, WITHOUT ROWID;
    """,
    """
    -- No table is other than before. What is saved of counters has more in it, which an older wattround cannot read.
    """,
)


class NewerLedger(Exception):  # noqa: N818 - reads as what it is
    """The file was written by a newer wattround."""


def migrate(connection: sqlite3.Connection) -> None:
    """Bring a ledger up to the newest step; each step and the record of it commit together.

    Raises:
        NewerLedger: if it is ahead of this program.
    """
    version = int(connection.execute("PRAGMA user_version").fetchone()[0])
    if version > len(STEPS):
        raise NewerLedger(f"the ledger has format {version}, this wattround knows {len(STEPS)}: install the newer one")
    for number in range(version, len(STEPS)):
        connection.executescript(f"BEGIN IMMEDIATE; {STEPS[number]} PRAGMA user_version = {number + 1}; COMMIT;")
