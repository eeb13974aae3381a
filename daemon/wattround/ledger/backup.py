"""Copies of the whole ledger: made while the daemon runs, and put back while it does not.

A copy is made inside one read transaction (`VACUUM INTO`): it is the ledger as of one commit, and whoever makes it
neither writes to the ledger nor checkpoints it. Putting one back takes the writer's lock.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import NamedTuple

from wattround.ledger.opening import FILE, SIDE_FILES, locked
from wattround.ledger.reader import NoLedger
from wattround.ledger.schema import STEPS, NewerLedger
from wattround.metering.minute import MINUTE_MS

TABLES = {"meter", "minute_row", "hour", "state", "outbox"}
"""What a ledger of any format has."""


class WrongBackup(ValueError):  # noqa: N818 - reads as what it is
    """A file that cannot be made, or put back; the text says why."""


class Contents(NamedTuple):
    """What a copy holds. `saved_ms`: when it was last written to; minutes are [first, end), None without rows."""

    house: str
    saved_ms: int
    meters: int
    first_minute: int | None
    end_minute: int | None
    waiting: int
    size_bytes: int


def back_up(folder: Path, target: Path) -> Contents:
    """Copy the ledger in `folder` to a new file.

    Raises:
        NoLedger: if there is none, or it cannot be read.
        NewerLedger: if a newer wattround wrote it.
        WrongBackup: if the file is there already, or cannot be there.
        sqlite3.Error, OSError: if it cannot be written.
    """
    source = folder / FILE
    if not source.exists():
        raise NoLedger(f"{source}: no such file: has the daemon run with these settings?")
    if target.exists():
        raise WrongBackup(f"{target}: is there already; a backup is never written over another one")
    if not target.parent.is_dir():
        raise WrongBackup(f"{target.parent}: no such folder")
    with closing(_reading(source)) as connection, _part(target) as part:
        _known_format(connection, source)
        connection.execute("VACUUM INTO ?", (str(part),))
        contents = _examined(part)
        part.rename(target)
        _sync(target.parent)
    return contents


def put_back(source: Path, folder: Path, house: str, now_ms: int) -> tuple[Contents, Path | None]:
    """Make a copy the ledger in `folder`; what it holds, and where the ledger that was there is kept.

    Raises:
        WrongBackup: if it is no ledger, damaged, or another house's.
        NewerLedger: if a newer wattround wrote it.
        LedgerBusy: if a daemon runs on the folder, or a command writes to it or reads from it.
        LedgerUnusable: if the folder cannot be used.
        sqlite3.Error, OSError: if it cannot be written; the ledger stays as it was.
    """
    if not source.is_file():
        raise WrongBackup(f"{source}: no such file")
    contents = _examined(source)
    if contents.house != house:
        raise WrongBackup(f'{source}: holds the house "{contents.house}", these settings are of "{house}"')
    with locked(folder), _part(folder / FILE) as part, closing(_reading(source)) as connection:
        connection.execute("VACUUM INTO ?", (str(part),))
        if _examined(part)[:6] != contents[:6]:
            raise WrongBackup(f"{source}: was changed while it was read")
        _give_to_owner(part, folder)
        aside = _keep(folder, now_ms)
        part.replace(folder / FILE)
        for end in SIDE_FILES:  # of the ledger that was there; they mean nothing to this one
            (folder / (FILE + end)).unlink(missing_ok=True)
        _sync(folder)
    return contents, aside


def _reading(file: Path) -> sqlite3.Connection:
    """A connection that cannot write. Beside a file that nobody else has open it leaves no other files, either."""
    alone = not any(file.with_name(file.name + end).exists() for end in SIDE_FILES)
    how = "immutable=1" if alone else "mode=ro"
    return sqlite3.connect(f"{file.absolute().as_uri()}?{how}", uri=True, isolation_level=None)


@contextmanager
def _part(target: Path) -> Iterator[Path]:
    """An empty file beside `target` for its owner only; what is left of it at the end is removed."""
    part = target.with_name(target.name + ".part")

    def remove() -> None:
        for end in ("", "-journal", *SIDE_FILES):
            part.with_name(part.name + end).unlink(missing_ok=True)

    remove()
    os.close(os.open(part, os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o600))
    try:
        yield part
    finally:
        remove()


def _examined(file: Path) -> Contents:
    """What a copy holds, once every page of it has been looked at and is on the disk."""
    try:
        with closing(_reading(file)) as connection:
            version = _known_format(connection, file)
            answer = connection.execute("PRAGMA integrity_check(1)").fetchone()[0]
            if answer != "ok":
                raise WrongBackup(f"{file}: is damaged: {answer}")
            found = _contents(connection, file)
    except sqlite3.DatabaseError as error:
        raise WrongBackup(f"{file}: is damaged, or no ledger of wattround: {error}") from None
    with suppress(PermissionError), file.open("r+b") as opened:  # one that may only be read is on the disk already
        os.fsync(opened.fileno())
    if version == 0:
        raise WrongBackup(f"{file}: is no ledger of wattround")
    return found


def _known_format(connection: sqlite3.Connection, file: Path) -> int:
    version = int(connection.execute("PRAGMA user_version").fetchone()[0])
    if version > len(STEPS):
        raise NewerLedger(f"{file}: has format {version}, this wattround knows {len(STEPS)}: install the newer one")
    return version


def _contents(connection: sqlite3.Connection, file: Path) -> Contents:
    if not {row[0] for row in connection.execute("SELECT name FROM sqlite_master")} >= TABLES:
        raise WrongBackup(f"{file}: is no ledger of wattround")
    houses = [row[0] for row in connection.execute("SELECT house FROM meter UNION SELECT house FROM state")]
    if len(houses) != 1:
        raise WrongBackup(f"{file}: holds {len(houses)} houses, expected one")

    def one(query: str) -> int | None:
        found = connection.execute(query).fetchone()[0]
        return None if found is None else int(found)

    first, last = (one(f"SELECT {end}(place) >> 16 FROM minute_row") for end in ("min", "max"))
    return Contents(
        houses[0],
        one("SELECT max(saved_ms) FROM state") or ((last or 0) + 1) * MINUTE_MS,
        one("SELECT count(*) FROM meter") or 0,
        first,
        None if last is None else last + 1,
        one("SELECT count(*) FROM outbox WHERE sent_ms IS NULL AND given_up_ms IS NULL") or 0,
        file.stat().st_size,
    )


def _give_to_owner(file: Path, folder: Path) -> None:
    """Root puts back what the daemon's own user is to write."""
    if os.geteuid() == 0:
        owner = folder.stat()
        os.chown(file, owner.st_uid, owner.st_gid)


def _keep(folder: Path, now_ms: int) -> Path | None:
    """Give the ledger that is there a second name, whole in one file; it stays the ledger until it is replaced."""
    file = folder / FILE
    if not file.exists():
        return None
    stamp = datetime.fromtimestamp(now_ms / 1000, UTC).strftime("%Y-%m-%dT%H%M%SZ")
    aside = file.with_name(f"ledger-before-restore-{stamp}.sqlite3")
    if _is_database(file):
        with closing(sqlite3.connect(file, isolation_level=None, timeout=5.0)) as connection:
            busy = connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()[0]
        if busy:
            raise WrongBackup(f"{file}: somebody reads it just now; try again")
    else:  # damaged: that may be why it is to be replaced; what there is of it is kept
        for end in SIDE_FILES:
            with suppress(FileNotFoundError):
                file.with_name(file.name + end).rename(aside.with_name(aside.name + end))
    os.link(file, aside)
    return aside


def _is_database(file: Path) -> bool:
    """Whether it begins as one; looked at without what lies beside it, which SQLite removes from what is none."""
    try:
        with closing(sqlite3.connect(f"{file.absolute().as_uri()}?immutable=1", uri=True)) as connection:
            connection.execute("PRAGMA schema_version").fetchone()
    except sqlite3.DatabaseError:
        return False
    return True


def _sync(folder: Path) -> None:
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
