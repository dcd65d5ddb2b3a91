"""New files in a folder that others read: whole under their name or not there, whatever happens.

Written under a temporary name, forced to the disk, renamed without taking another's name, the
folder forced to the disk, and read back. Nothing is deleted but temporary files of this machine's
own whose process has ended.
"""

from __future__ import annotations

import errno
import os
import re
from contextlib import suppress
from itertools import count
from pathlib import Path

from logbook.store.backups import put_new
from logbook.sync.place import Unreachable
from logbook.trial.wording import printable

_PART = re.compile(r"new-(?P<own>[0-9a-f]{1,16})-(?P<pid>\d{1,10})-\d+\.part\Z")
_NUMBERS = count()
_NOT_YOURS = {errno.EROFS, errno.EACCES, errno.EPERM}
_FULL = {errno.ENOSPC, errno.EDQUOT}
# Zero where a system has no such flag.
_READ = os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0)
_BINARY = getattr(os, "O_BINARY", 0) | getattr(os, "O_CLOEXEC", 0)


def opened(path: Path) -> int:
    """A file opened for reading; a link or a pipe of that name is not followed nor waited for."""
    return os.open(path, _READ | _BINARY)


def put(folder: Path, names: tuple[str, ...], data: bytes, own: str) -> Path:
    """Keep a file under the first of these names that no other content has; it is safe then.

    `own` marks temporary files as this machine's: up to 16 hex digits. Raises OSError, or
    Unreachable where the file reads back otherwise than it was written.
    """
    for name in names:
        path = folder / name
        with suppress(FileExistsError):
            if not os.path.lexists(path):
                _write(path, data, own)
                if not holds(path, data):
                    raise Unreachable(
                        f"{printable(str(path))}: what was written there reads back otherwise",
                        "the stick or disk is failing: use another one",
                    )
                return path
        # Not readable, or a link: another name is taken.
        with suppress(OSError):
            if holds(path, data):
                return path
    raise FileExistsError(errno.EEXIST, "other files have its names", str(folder))


def _write(path: Path, data: bytes, own: str) -> None:
    part, opened_part = _part(path.parent, own)
    try:
        try:
            left = memoryview(data)
            while left:
                left = left[os.write(opened_part, left) :]
            os.fsync(opened_part)
        finally:
            os.close(opened_part)
        put_new(part, path)
    finally:
        # A stick that is out cannot be tidied up: the next sync does.
        with suppress(OSError):
            part.unlink()


def _part(folder: Path, own: str) -> tuple[Path, int]:
    """A new temporary file, opened for writing."""
    for number in _NUMBERS:
        part = folder / f"new-{own}-{os.getpid()}-{number}.part"
        # Left by a process that had this one's number.
        with suppress(FileExistsError):
            return part, os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL | _BINARY, 0o666)
    raise AssertionError("numbers do not end")


def holds(path: Path, data: bytes) -> bool:
    """True if the file holds exactly these bytes, read from the disk where that can be had."""
    number = opened(path)
    with os.fdopen(number, "rb") as file:
        if hasattr(os, "posix_fadvise"):
            # What was just written would be read back from memory, which proves nothing.
            os.posix_fadvise(number, 0, 0, os.POSIX_FADV_DONTNEED)
        return file.read(len(data) + 1) == data


def tidy(folder: Path, own: str) -> None:
    """Delete temporary files of this machine's own whose process has ended."""
    with suppress(OSError):
        for path in folder.iterdir():
            if is_left(path.name, own):
                with suppress(OSError):
                    path.unlink()


def is_left(name: str, own: str) -> bool:
    """True of a temporary file that this machine's own process, which has ended, left behind."""
    found = _PART.match(name)
    return found is not None and found["own"] == own and _has_ended(int(found["pid"]))


def _has_ended(process: int) -> bool:
    if os.name != "posix":
        # There, asking a process is ending it.
        return False
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return True
    except OSError:
        return False
    return False


def is_folder(path: Path) -> bool:
    """True if a folder is there and answers: a share whose connection is lost does not."""
    try:
        return path.is_dir()
    except OSError:
        return False


def is_link(path: Path) -> bool:
    """True if a symbolic link is there."""
    try:
        return path.is_symlink()
    except OSError:
        return False


def explained(folder: Path, problem: OSError) -> Unreachable:
    """Why nothing more could be written there, as one sentence."""
    where = printable(str(folder))
    if problem.errno in _NOT_YOURS:
        return Unreachable(
            f"{where}: this folder can be read but not written", "check who owns it, or its lock"
        )
    if problem.errno in _FULL:
        return Unreachable(
            f"{where}: no space is left there; what could not be kept whole was taken back",
            "free some space and sync again",
        )
    if not is_folder(folder):
        return Unreachable(f"{where}: this folder is gone", "put the stick in again, then sync")
    said = problem.strerror or str(problem)
    return Unreachable(f"{where}: cannot be written now ({said})", "check it, then sync again")
