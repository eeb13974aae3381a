"""A disk under SQLite that can lose what was not synced: every write of a ledger is noted on its way to the file.

SQLite reaches files through a table of functions, its VFS (sqlite.org/vfs.html). Ours is the system's own with a few
functions in between, in the very library that Python's sqlite3 uses. From the notes any moment can be put together
again as a power cut would have left it: what was synced is there; of what was not, any part may be.
"""

from __future__ import annotations

import ctypes
import random
import sqlite3  # noqa: F401 - so that its library is loaded
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple, Self

SECTOR = 512
IO_ERROR_WRITE, FULL = 778, 13
"""SQLITE_IOERR_WRITE and SQLITE_FULL."""
_POINTER = ctypes.c_void_p
_WRITE = ctypes.CFUNCTYPE(ctypes.c_int, _POINTER, _POINTER, ctypes.c_int, ctypes.c_int64)
_TRUNCATE = ctypes.CFUNCTYPE(ctypes.c_int, _POINTER, ctypes.c_int64)
_SYNC = ctypes.CFUNCTYPE(ctypes.c_int, _POINTER, ctypes.c_int)
# names as bare addresses: SQLite keeps more behind them than their text
_OPEN = ctypes.CFUNCTYPE(ctypes.c_int, _POINTER, _POINTER, _POINTER, ctypes.c_int, _POINTER)
_DELETE = ctypes.CFUNCTYPE(ctypes.c_int, _POINTER, _POINTER, ctypes.c_int)


class _Vfs(ctypes.Structure):
    """struct sqlite3_vfs, as of version 3 of it."""

    _fields_ = [
        ("version", ctypes.c_int), ("file_size", ctypes.c_int), ("longest_path", ctypes.c_int), ("following", _POINTER),
        ("name", ctypes.c_char_p), ("data", _POINTER), ("open", _POINTER), ("delete", _POINTER),
        ("others", _POINTER * 14),
    ]  # fmt: skip


class _Methods(ctypes.Structure):
    """struct sqlite3_io_methods, as of version 3 of it."""

    _fields_ = [
        ("version", ctypes.c_int), ("close", _POINTER), ("read", _POINTER), ("write", _POINTER),
        ("truncate", _POINTER), ("sync", _POINTER), ("others", _POINTER * 13),
    ]  # fmt: skip


class Note(NamedTuple):
    """One thing that SQLite did to a file: wrote bytes at an offset, cut it to a length, synced or deleted it."""

    path: str
    what: str
    offset: int = 0
    data: bytes = b""


class NoSuchDisk(Exception):  # noqa: N818 - reads as what it is
    """This Python has SQLite built in: nothing can be put in between."""


def _library() -> ctypes.CDLL:
    for line in Path("/proc/self/maps").read_text().splitlines():
        path = line.split()[-1]
        if "libsqlite3" in path:
            library = ctypes.CDLL(path)
            library.sqlite3_vfs_find.restype = _POINTER
            library.sqlite3_vfs_find.argtypes = [ctypes.c_char_p]
            library.sqlite3_vfs_register.argtypes = [_POINTER, ctypes.c_int]
            library.sqlite3_vfs_unregister.argtypes = [_POINTER]
            return library
    raise NoSuchDisk


class Disk:
    """Notes what connections that are opened and closed within `with` write below `folder`.

    `fails` says of a write whether it fails: SQLite's error code, or 0.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = str(folder)
        self._library = _library()
        self._plain: int = self._library.sqlite3_vfs_find(b"unix")
        self._vfs = _Vfs()
        ctypes.memmove(ctypes.byref(self._vfs), self._plain, ctypes.sizeof(_Vfs))
        self._vfs.name = b"noted"
        self._plain_open = _OPEN(self._vfs.open)
        self._plain_delete = _DELETE(self._vfs.delete)
        self._hooks: list[Any] = [_OPEN(self._open), _DELETE(self._delete)]
        self._vfs.open, self._vfs.delete = (ctypes.cast(hook, _POINTER) for hook in self._hooks)
        self._methods: dict[int, _Methods] = {}
        self._paths: dict[int, str] = {}
        self.notes: list[Note] = []
        self.fails: Callable[[Note], int] = lambda _note: 0

    def __enter__(self) -> Self:
        self._library.sqlite3_vfs_register(ctypes.byref(self._vfs), 1)
        return self

    def __exit__(self, *_: object) -> None:
        self._library.sqlite3_vfs_unregister(ctypes.byref(self._vfs))
        self._library.sqlite3_vfs_register(self._plain, 1)

    def _open(self, vfs: int, name: int | None, file: int, flags: int, got: int | None) -> int:
        answer = self._plain_open(vfs, name, file, flags, got)
        path = ctypes.string_at(name).decode() if name else ""
        plain = ctypes.cast(file, ctypes.POINTER(_POINTER))
        if answer == 0 and path.startswith(self._folder) and plain[0]:
            self._paths[file] = path
            plain[0] = ctypes.addressof(self._noting(plain[0]))
        return int(answer)

    def _noting(self, plain: int) -> _Methods:
        """The functions of a file that note what they do, made from its plain ones."""
        if plain in self._methods:
            return self._methods[plain]
        ours = self._methods[plain] = _Methods()
        ctypes.memmove(ctypes.byref(ours), plain, ctypes.sizeof(_Methods))
        write, truncate, sync = _WRITE(ours.write), _TRUNCATE(ours.truncate), _SYNC(ours.sync)

        def noted(note: Note, act: Callable[[], int]) -> int:
            answer = self.fails(note) or act()
            if answer == 0:
                self.notes.append(note)
            return answer

        def on_write(file: int, data: int, size: int, offset: int) -> int:
            note = Note(self._paths[file], "write", offset, ctypes.string_at(data, size))
            return noted(note, lambda: int(write(file, data, size, offset)))

        def on_truncate(file: int, size: int) -> int:
            return noted(Note(self._paths[file], "truncate", size), lambda: int(truncate(file, size)))

        def on_sync(file: int, flags: int) -> int:
            return noted(Note(self._paths[file], "sync"), lambda: int(sync(file, flags)))

        hooks = [_WRITE(on_write), _TRUNCATE(on_truncate), _SYNC(on_sync)]
        self._hooks += hooks
        ours.write, ours.truncate, ours.sync = (ctypes.cast(hook, _POINTER) for hook in hooks)
        return ours

    def _delete(self, vfs: int, name: int, sync: int) -> int:
        answer = int(self._plain_delete(vfs, name, sync))
        path = ctypes.string_at(name).decode()
        if answer == 0 and path.startswith(self._folder):
            self.notes.append(Note(path, "delete"))
        return answer


class _File:
    """A file's durable bytes, and what was done to it since its last sync."""

    def __init__(self, before: bytes) -> None:
        self.durable = bytearray(before)
        self.pending: list[Note] = []


def after_power_cut(before: dict[str, bytes], notes: list[Note], chance: random.Random) -> dict[str, bytes]:
    """Files as a power cut after these notes leaves them: all that was synced, and of the rest whatever chance has it.

    Args:
        before: the files' bytes when the noting began, by path.
        notes: what was done until the cut.
        chance: which writes reached the disk; of some only a part, by sectors of 512 bytes.
    """
    files = {path: _File(data) for path, data in before.items()}
    for note in notes:
        if note.what == "delete":
            files.pop(note.path, None)
            continue
        file = files.setdefault(note.path, _File(b""))
        if note.what == "sync":
            for done in file.pending:
                _apply(file.durable, done)
            file.pending = []
        else:
            file.pending.append(note)
    for file in files.values():
        share = chance.choice((0.0, 0.5, 0.9, 1.0))
        for note in file.pending:
            if chance.random() < share:
                _apply(file.durable, _torn(note, chance) if chance.random() < 0.1 else note)
    return {path: bytes(file.durable) for path, file in files.items()}


def _apply(data: bytearray, note: Note) -> None:
    if note.what == "truncate":
        del data[note.offset :]
        return
    if len(data) < note.offset:
        data.extend(bytes(note.offset - len(data)))
    data[note.offset : note.offset + len(note.data)] = note.data


def _torn(note: Note, chance: random.Random) -> Note:
    if note.what == "truncate" or len(note.data) <= SECTOR:
        return note
    size = chance.randrange(1, (len(note.data) + SECTOR - 1) // SECTOR) * SECTOR
    return note._replace(data=note.data[:size])
