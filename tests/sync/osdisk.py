"""The system's calls that reach a folder's disk: seen in their order, failed, or cut off by a
power cut; and every state of the disk that a power cut may leave.

Model of the disk, the weakest that POSIX allows: bytes are there once their file was forced
(`fsync`), names once their folder was; of what was not forced yet, any part may be there or not.
"""

from __future__ import annotations

import os
import random
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

_NAMES = ("open", "write", "fsync", "link", "rename", "unlink", "mkdir")


class PowerCut(BaseException):
    """Nothing runs any more: not even what tidies up."""


@dataclass(frozen=True)
class Call:
    """One call: what it was, on which path, and its bytes or the name that it gives."""

    what: str
    path: Path
    more: Any = None


@dataclass
class Disk:
    """The calls seen below `root`; the one of number `fails_at` (from 1) raises `failure`."""

    root: Path
    calls: list[Call] = field(default_factory=list)
    fails_at: int | None = None
    failure: BaseException | None = None
    most_written: int | None = None
    paths: dict[int, Path] = field(default_factory=dict)

    def see(self, what: str, path: Path, more: Any = None) -> None:
        """Note a call that is about to be made, or raise in its stead."""
        count = len(self.calls) + 1
        if self.failure is not None and self.fails_at is not None:
            # After a cut nothing works; a disk that failed once may answer again.
            gone = isinstance(self.failure, PowerCut) and count > self.fails_at
            if count == self.fails_at or gone:
                self.calls.append(Call("failed", path))
                raise self.failure
        self.calls.append(Call(what, path, more))

    @property
    def order(self) -> list[str]:
        """The calls by name alone."""
        return [call.what for call in self.calls]


@contextmanager
def watched(root: Path, **given: Any) -> Iterator[Disk]:
    """Lead the calls on paths below `root` through a Disk."""
    disk = Disk(root, **given)
    real: dict[str, Callable[..., Any]] = {name: getattr(os, name) for name in _NAMES}

    def below(path: Any) -> bool:
        return isinstance(path, str | Path) and Path(path).is_relative_to(root)

    def opening(path: Any, flags: int, *rest: Any, **named: Any) -> int:
        if below(path) and flags & os.O_CREAT:
            disk.see("create", Path(path))
        number: int = real["open"](path, flags, *rest, **named)
        if below(path):
            disk.paths[number] = Path(path)
        return number

    def writing(number: int, data: Any) -> int:
        if number in disk.paths:
            some = bytes(data[: disk.most_written])
            disk.see("write", disk.paths[number], some)
            return int(real["write"](number, some))
        return int(real["write"](number, data))

    def forcing(number: int) -> None:
        path = disk.paths.get(number)
        if path is not None:
            disk.see("fsync folder" if path.is_dir() else "fsync", path)
        real["fsync"](number)

    def two(name: str) -> Callable[..., None]:
        def call(source: Any, target: Any, *rest: Any, **named: Any) -> None:
            if below(target):
                disk.see(name, Path(source), Path(target))
            real[name](source, target, *rest, **named)

        return call

    def one(name: str) -> Callable[..., None]:
        def call(path: Any, *rest: Any, **named: Any) -> None:
            if below(path):
                disk.see(name, Path(path))
            real[name](path, *rest, **named)

        return call

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(os, "open", opening)
        patch.setattr(os, "write", writing)
        patch.setattr(os, "fsync", forcing)
        for name in ("link", "rename"):
            patch.setattr(os, name, two(name))
        for name in ("unlink", "mkdir"):
            patch.setattr(os, name, one(name))
        yield disk


@dataclass
class _Inode:
    forced: bytes = b""
    loose: bytes = b""


@dataclass
class _Model:
    """What calls did: files by the names they have now, names that are there for certain."""

    inodes: dict[Path, _Inode] = field(default_factory=dict)
    durable: dict[Path, _Inode] = field(default_factory=dict)
    # Names given (True) or taken away since their folder was forced.
    pending: list[tuple[bool, Path, _Inode]] = field(default_factory=list)

    def add(self, path: Path, inode: _Inode) -> None:
        self.inodes[path] = inode
        self.pending.append((True, path, inode))

    def drop(self, path: Path) -> None:
        if path in self.inodes:
            self.pending.append((False, path, self.inodes.pop(path)))

    def force_names(self, folder: Path) -> None:
        for change in self.pending:
            if change[1].parent == folder:
                self.settle(change)
        self.pending = [change for change in self.pending if change[1].parent != folder]

    def settle(self, change: tuple[bool, Path, _Inode]) -> None:
        given, path, inode = change
        if given:
            self.durable[path] = inode
        else:
            self.durable.pop(path, None)

    def do(self, call: Call) -> None:
        match call.what:
            case "create":
                self.add(call.path, _Inode())
            case "write":
                self.inodes[call.path].loose += call.more
            case "fsync":
                inode = self.inodes[call.path]
                inode.forced, inode.loose = inode.forced + inode.loose, b""
            case "link":
                self.add(call.more, self.inodes[call.path])
            case "rename":
                self.add(call.more, self.inodes[call.path])
                self.drop(call.path)
            case "unlink":
                self.drop(call.path)
            case "fsync folder":
                self.force_names(call.path)


def left_by_a_cut(calls: list[Call], rng: random.Random, onto: Path, root: Path) -> None:
    """Make, below `onto`, one state that the disk may be in after these calls and a power cut.

    `onto` holds what `root` held before the calls.
    """
    model = _Model()
    for call in calls:
        model.do(call)
    for change in model.pending:
        if rng.random() < 0.5:
            model.settle(change)
    for path, inode in model.durable.items():
        loose = inode.loose[: rng.randint(0, len(inode.loose))]
        if rng.random() < 0.3:
            # The length may be there before the bytes.
            loose = bytes(len(loose))
        target = onto / path.relative_to(root)
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(inode.forced + loose)
