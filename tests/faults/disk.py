"""SQLite's own reads, writes, truncations, syncs and deletions: seen one by one, or failed.

The SQLite that Python loaded is asked for its default file system layer; the functions of that
layer which move bytes are led through this module, by ctypes. Every connection of the
process then does its real work through the real SQLite, and a test knows the order in which bytes
reached the disk (a power cut), or has the n-th of them fail (a disk that breaks or is full).
"""

from __future__ import annotations

import ctypes
import ctypes.util
import os
import random
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

# sqlite3.h: result codes, and the method tables of a file and of a file system layer.
OK, FULL = 0, 13
IOERR = {"read": 266, "write": 778, "sync": 1034, "truncate": 1546, "delete": 2570}

SECTOR = 512

_POINTER = ctypes.c_void_p
_WRITE = ctypes.CFUNCTYPE(ctypes.c_int, _POINTER, _POINTER, ctypes.c_int, ctypes.c_int64)
_TRUNCATE = ctypes.CFUNCTYPE(ctypes.c_int, _POINTER, ctypes.c_int64)
_SYNC = ctypes.CFUNCTYPE(ctypes.c_int, _POINTER, ctypes.c_int)
_OPEN = ctypes.CFUNCTYPE(
    ctypes.c_int, _POINTER, _POINTER, _POINTER, ctypes.c_int, ctypes.POINTER(ctypes.c_int)
)
_DELETE = ctypes.CFUNCTYPE(ctypes.c_int, _POINTER, _POINTER, ctypes.c_int)


class _Methods(ctypes.Structure):
    """sqlite3_io_methods of version 3; only what is led elsewhere has its type."""

    _fields_ = [
        ("version", ctypes.c_int),
        ("close", _POINTER),
        ("read", _WRITE),
        ("write", _WRITE),
        ("truncate", _TRUNCATE),
        ("sync", _SYNC),
        ("size", _POINTER),
        ("rest", _POINTER * 12),
    ]


class _Layer(ctypes.Structure):
    """The beginning of sqlite3_vfs, as far as deletions."""

    _fields_ = [
        ("version", ctypes.c_int),
        ("file_size", ctypes.c_int),
        ("longest_path", ctypes.c_int),
        ("next", _POINTER),
        ("name", ctypes.c_char_p),
        ("data", _POINTER),
        ("open", _OPEN),
        ("delete", _DELETE),
    ]


class _File(ctypes.Structure):
    _fields_ = [("methods", ctypes.POINTER(_Methods))]


def library() -> Any:
    """The SQLite that Python's own module has loaded, or None where it cannot be reached."""
    import sqlite3

    for name in (ctypes.util.find_library("sqlite3"), None):
        try:
            found = ctypes.CDLL(name)
            found.sqlite3_libversion.restype = ctypes.c_char_p
            if found.sqlite3_libversion().decode() == sqlite3.sqlite_version:
                found.sqlite3_vfs_find.restype = ctypes.POINTER(_Layer)
                return found
        except (OSError, AttributeError, TypeError):
            continue
    return None


@dataclass(frozen=True)
class Change:
    """One thing done to a file: `write` or `read` at an offset, `truncate` to it, `sync`, `delete`.

    Reads may fail, but change nothing: they are not kept. `at` of a deletion is 1 if the folder
    is synced with it.
    """

    what: str
    path: str
    at: int = 0
    data: bytes = b""


@dataclass
class Watch:
    """What was done so far; `fail` is asked before each change and may name an error code."""

    changes: list[Change] = field(default_factory=list)
    fail: Callable[[Change], int] = lambda _: OK

    def before(self, change: Change) -> int:
        """Note a change, unless it is to fail."""
        code = self.fail(change)
        if code == OK and change.what != "read":
            self.changes.append(change)
        return code


@contextmanager
def watched() -> Iterator[Watch]:
    """Every change that SQLite makes in this process goes through the Watch, until the end."""
    found = library()
    layer = found.sqlite3_vfs_find(None).contents
    watch = Watch()
    led = _Led(watch, layer)
    layer.open, layer.delete = led.open, led.delete
    try:
        yield watch
    finally:
        layer.open, layer.delete = led.real_open, led.real_delete


class _Led:
    """The functions that stand in for the layer's own; all of them end in the real ones."""

    def __init__(self, watch: Watch, layer: _Layer) -> None:
        self.watch = watch
        self.paths: dict[int, str] = {}
        self.tables: dict[int, _Methods] = {}
        # Copies of the function pointers: the structure's own fields are about to change.
        self.real_open = _OPEN(ctypes.cast(layer.open, _POINTER).value)
        self.real_delete = _DELETE(ctypes.cast(layer.delete, _POINTER).value)
        self.open, self.delete = _OPEN(self._open), _DELETE(self._delete)

    def _open(self, layer: int, name: int | None, file: int, flags: int, out: Any) -> int:
        # SQLite keeps the pointer to the name: it is handed on as it came.
        code = self.real_open(layer, name, file, flags, out)
        opened = _File.from_address(file)
        if code == OK and name is not None and opened.methods:
            self.paths[file] = _text(name)
            opened.methods = ctypes.pointer(self._table(opened.methods))
        return code

    def _table(self, real: Any) -> _Methods:
        """The method table that leads to `real`; one for each, for they are told apart by it."""
        at = ctypes.addressof(real.contents)
        if at not in self.tables:
            table = _Methods.from_buffer_copy(real.contents)
            table.read = _WRITE(self._read(real.contents.read))
            table.write = _WRITE(self._write(real.contents.write))
            table.truncate = _TRUNCATE(self._truncate(real.contents.truncate))
            table.sync = _SYNC(self._sync(real.contents.sync))
            self.tables[at] = table
        return self.tables[at]

    def _read(self, real: Any) -> Callable[..., int]:
        def read(file: int, data: int, size: int, at: int) -> int:
            return self.watch.before(Change("read", self.paths[file], at)) or real(
                file, data, size, at
            )

        return read

    def _write(self, real: Any) -> Callable[..., int]:
        def write(file: int, data: int, size: int, at: int) -> int:
            change = Change("write", self.paths[file], at, ctypes.string_at(data, size))
            return self.watch.before(change) or real(file, data, size, at)

        return write

    def _truncate(self, real: Any) -> Callable[..., int]:
        def truncate(file: int, size: int) -> int:
            return self.watch.before(Change("truncate", self.paths[file], size)) or real(file, size)

        return truncate

    def _sync(self, real: Any) -> Callable[..., int]:
        def sync(file: int, flags: int) -> int:
            return self.watch.before(Change("sync", self.paths[file])) or real(file, flags)

        return sync

    def _delete(self, layer: int, name: int, folder: int) -> int:
        change = Change("delete", _text(name), folder)
        return self.watch.before(change) or self.real_delete(layer, name, folder)


def _text(name: int) -> str:
    return os.fsdecode(ctypes.string_at(name))


@dataclass
class AfterACut:
    """What a disk holds after a power cut: all that was synced, and any part of what was not.

    The disk may have done writes that nobody waited for in any order, or a part of each by whole
    sectors (SQLite, "Atomic Commit in SQLite", 2.0 Hardware Assumptions).
    """

    rng: random.Random
    files: dict[str, bytes] = field(default_factory=dict)
    waiting: dict[str, list[Change]] = field(default_factory=dict)

    def then(self, change: Change) -> None:
        """The next change, of which the disk is told."""
        if change.what == "delete":
            self.waiting.pop(change.path, None)
            if change.at or self.rng.random() < 0.5:
                self.files.pop(change.path, None)
        elif change.what == "sync":
            for one in self.waiting.pop(change.path, []):
                self._do(one, len(one.data))
            self.files.setdefault(change.path, b"")
        else:
            self.waiting.setdefault(change.path, []).append(change)

    def cut(self) -> dict[str, bytes]:
        """The power fails: each write that waits is done, torn or lost."""
        for changes in self.waiting.values():
            for change in self.rng.sample(changes, len(changes)):
                match self.rng.choice(["done", "torn", "lost"]):
                    case "done":
                        self._do(change, len(change.data))
                    case "torn":
                        self._do(change, SECTOR * self.rng.randint(0, len(change.data) // SECTOR))
        return self.files

    def _do(self, change: Change, size: int) -> None:
        held = self.files.get(change.path, b"")
        if change.what == "truncate":
            self.files[change.path] = held[: change.at]
        elif size:
            held = held.ljust(change.at, b"\0")
            data = change.data[:size]
            self.files[change.path] = held[: change.at] + data + held[change.at + size :]
