"""Open the ledger as its one writer: lock, check, migrate; a damaged file is set aside, measuring goes on."""

from __future__ import annotations

import fcntl
import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import IO, NamedTuple

from wattround.ledger.schema import migrate

FILE = "ledger.sqlite3"
LOCK = "ledger.lock"
SUSPECT = "ledger.suspect"
SIDE_FILES = ("-wal", "-shm")
"""What SQLite keeps beside the file while it is open, and after a kill."""


class LedgerBusy(Exception):  # noqa: N818 - reads as what it is
    """Another process is the ledger's writer."""


class LedgerUnusable(Exception):  # noqa: N818 - reads as what it is
    """The ledger's folder cannot be used at all."""


class Opened(NamedTuple):
    """The write connection, the lock that goes with it, and where a damaged file was set aside, if one was."""

    connection: sqlite3.Connection
    lock: IO[str]
    set_aside: Path | None


def open_for_writing(folder: Path, now_ms: int) -> Opened:
    """Open or create the ledger in `folder`.

    Raises:
        LedgerBusy: if another process writes it.
        LedgerUnusable: if the folder cannot be used.
        NewerLedger: if a newer wattround wrote it.
    """
    lock = _lock(folder)
    try:
        return _open(folder / FILE, lock, now_ms)
    except BaseException:
        lock.close()
        raise


def _lock(folder: Path) -> IO[str]:
    try:
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        lock = (folder / LOCK).open("w")
    except OSError as error:
        raise LedgerUnusable(
            f"{folder}: {error.strerror}: a folder that wattround may write is needed, see [ledger] folder"
        ) from None
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        lock.close()
        raise LedgerBusy(f"{folder}: another wattround is writing this ledger") from None
    return lock


@contextmanager
def locked(folder: Path) -> Iterator[None]:
    """Be the only one who may write in `folder`.

    Raises:
        LedgerBusy: if another process writes it.
        LedgerUnusable: if the folder cannot be used.
    """
    with _lock(folder):
        yield


def suspect(folder: Path) -> None:
    """Ask for a full check at the next start: something went wrong that damage might explain."""
    with suppress(OSError):
        (folder / SUSPECT).touch()


def _open(file: Path, lock: IO[str], now_ms: int) -> Opened:
    aside = None
    connection = None
    try:
        connection = _connect(file)
        _check(connection, thoroughly=(file.parent / SUSPECT).exists())
    except sqlite3.DatabaseError as error:
        if connection is not None:
            connection.close()
        if isinstance(error, sqlite3.OperationalError) and not _is_damage(error):
            raise LedgerUnusable(f"{file}: {error}") from None
        aside = _set_aside(file, now_ms)
        connection = _connect(file)
    try:
        migrate(connection)
    except BaseException:
        connection.close()
        raise
    (file.parent / SUSPECT).unlink(missing_ok=True)
    return Opened(connection, lock, aside)


def _is_damage(error: sqlite3.Error) -> bool:
    return getattr(error, "sqlite_errorcode", None) in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)


def _connect(file: Path) -> sqlite3.Connection:
    # made by us first, so that it and SQLite's side files are never readable by others, not even for a moment
    os.close(os.open(file, os.O_RDWR | os.O_CREAT, 0o600))
    file.chmod(0o600)
    connection = sqlite3.connect(
        file, isolation_level=None, timeout=5.0, check_same_thread=False
    )  # opened before the core thread starts, used only by it
    # small pages: a commit touches three or four of them, and each is written whole
    connection.execute("PRAGMA page_size = 2048")
    connection.execute("PRAGMA journal_mode = WAL")
    connection.execute("PRAGMA wal_autocheckpoint = 2000")
    # full: what we acknowledge to the broker must survive a power cut
    connection.execute("PRAGMA synchronous = FULL")
    connection.execute("PRAGMA temp_store = MEMORY")
    connection.execute("PRAGMA cache_size = -1024")
    return connection


def _check(connection: sqlite3.Connection, *, thoroughly: bool) -> None:
    """A quick look after a clean stop, all pages after any other, or if asked to look thoroughly.

    Raises:
        sqlite3.DatabaseError: if the file is damaged.
    """
    tables = {row[0] for row in connection.execute("SELECT name FROM sqlite_master")}
    if "state" in tables:
        stopped = connection.execute("SELECT count(*) FROM state WHERE kind = 'stopped'").fetchone()[0]
        connection.execute("SELECT max(place) FROM minute_row").fetchone()
        if stopped and not thoroughly:
            return
    answer = connection.execute("PRAGMA quick_check(1)").fetchone()[0]
    if answer != "ok":
        raise sqlite3.DatabaseError(answer)


def _set_aside(file: Path, now_ms: int) -> Path:
    stamp = datetime.fromtimestamp(now_ms / 1000, UTC).strftime("%Y-%m-%dT%H%M%SZ")
    aside = file.with_name(f"ledger-damaged-{stamp}.sqlite3")
    file.rename(aside)
    for end in SIDE_FILES:
        with suppress(FileNotFoundError):
            file.with_name(file.name + end).rename(aside.with_name(aside.name + end))
    return aside
