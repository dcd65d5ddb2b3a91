"""The segment files of a folder as a machine finds them: good ones, and a word about each other.

files = Files(folder, seen, own)
files.look()            # `seen` is as the folder is now; new files were read, once
files.segment(name)     # what a file holds
files.problems()
"""

from __future__ import annotations

import os
import stat
from pathlib import Path

from logbook.config import STORE_NAME
from logbook.errors import Problem
from logbook.sync import putting, remembered
from logbook.sync.place import Unreachable
from logbook.sync.remembered import Remembered, Seen
from logbook.sync.segment import HEADER_BYTES, BadSegment, Fault, Segment, stored_length, unpack
from logbook.trial.wording import printable

README = "README.txt"
# Bytes of entries kept from one look to what is asked after it, so that a new file is read once.
_MOST_FRESH = 64 * 1024 * 1024
_SQLITE = b"SQLite format 3\0"
_A_STORE = "a store lies here, or a copy of one: what syncs a folder would tear a store"
_ELSEWHERE = "move it elsewhere; give a backup another name"
_UNFINISHED = (".part", ".tmp", ".temp", ".partial", ".crdownload", ".download", ".filepart")
_OF_SYSTEMS = {README.casefold(), ".ds_store", "thumbs.db", "desktop.ini", ".directory"}


class Files:
    """What lies in the folder; `seen` is remembered of it and brought up to date by `look`.

    Names are hints: whatever begins like a segment is read as one. Links, folders and pipes are
    not followed. Foreign things are named once and then remembered; what is no good segment is
    named at every look. What this machine, `own`, left half done is passed over: it is tidied up.
    """

    def __init__(self, folder: Path, seen: Seen, own: str) -> None:
        self.folder = folder
        self.seen = seen
        self._own = own
        self._found: dict[str, Problem] = {}
        self._bad: dict[str, tuple[int, int]] = {}
        self._fresh: dict[str, Segment] = {}
        self._room = _MOST_FRESH

    def problems(self) -> list[Problem]:
        """What was found that is no good segment, by name."""
        return [self._found[name] for name in sorted(self._found)]

    def look(self) -> None:
        """See what is there now; raises Unreachable if the folder cannot be read."""
        try:
            listed = self._listed()
            for item in listed:
                self._look_at(item)
        except OSError as problem:
            said = problem.strerror or str(problem)
            raise Unreachable(
                f"{printable(str(self.folder))}: cannot be read now ({said})",
                "check that it is still there, then sync again",
            ) from problem
        self._forget_all_but({item.name for item in listed})

    def _listed(self) -> list[os.DirEntry[str]]:
        if not os.path.lexists(self.folder):
            return []
        with os.scandir(self.folder) as items:
            named = (
                item
                for item in items
                if not _is_of_a_system(item.name) and not putting.is_left(item.name, self._own)
            )
            return sorted(named, key=lambda item: item.name)

    def _forget_all_but(self, names: set[str]) -> None:
        for name in self._fresh.keys() - names:
            self.let_go(name)
        for name in self.seen.keys() - names:
            del self.seen[name]
        for name in self._found.keys() - names:
            del self._found[name]
            self._bad.pop(name, None)

    def _look_at(self, item: os.DirEntry[str]) -> None:
        try:
            info = item.stat(follow_symlinks=False)
        except FileNotFoundError:
            # Gone since the folder was listed.
            return
        name, stamp = item.name, (info.st_size, info.st_mtime_ns)
        kept = self.seen.get(name)
        if not stat.S_ISREG(info.st_mode):
            self._name_once(name, _kind(info.st_mode), Remembered(-1, 0))
        elif name.casefold().endswith(_UNFINISHED) or name.startswith("~"):
            self._find(name, "it is not finished", "sync again later; if it stays so, delete it")
        elif self._bad.get(name) != stamp and (kept is None or (kept.size, kept.mtime) != stamp):
            self._read_new(name, stamp)

    def _read_new(self, name: str, stamp: tuple[int, int]) -> None:
        self.let_go(name)
        self.seen.pop(name, None)
        self._found.pop(name, None)
        try:
            segment = unpack(self._bytes(name))
        except BadSegment as bad:
            self._bad[name] = stamp
            if bad.fault is Fault.FOREIGN and is_sqlite(self.folder / name):
                self._find(name, _A_STORE, _ELSEWHERE)
                return
            # A segment may have lost its first bytes: what is named like one is always told.
            if bad.fault is Fault.FOREIGN and ".seg" not in name.casefold():
                self._name_once(name, bad.message, Remembered(*stamp), bad.hint)
            else:
                self._found[name] = bad.problem(printable(name))
        except OSError as problem:
            self._unread(name, problem)
        else:
            self._bad.pop(name, None)
            self.seen[name] = remembered.of_segment(segment, *stamp)
            self._keep_fresh(name, segment)

    def _bytes(self, name: str) -> bytes:
        """A file's bytes: no more than its first ones say that it has."""
        with os.fdopen(putting.opened(self.folder / name), "rb") as file:
            info = os.fstat(file.fileno())
            if not stat.S_ISREG(info.st_mode):
                raise OSError(None, "it is no file any more")
            start = file.read(HEADER_BYTES)
            return start + file.read(stored_length(start, info.st_size))

    def segment(self, name: str) -> Segment | None:
        """What a file of `seen` holds; None, and a finding, if it is not as it was."""
        if name in self._fresh:
            return self._fresh[name]
        try:
            return unpack(self._bytes(name))
        except BadSegment as bad:
            self._found[name] = bad.problem(printable(name))
        except OSError as problem:
            self._unread(name, problem)
        self.seen.pop(name, None)
        return None

    def id_at(self, name: str, seq: int) -> str:
        """The id of an entry within a file, by its number; "" if it cannot be read any more."""
        one = self.seen.get(name)
        if one is None or one.span is None:
            return ""
        if seq not in one.inner:
            segment = self.segment(name)
            if segment is None:
                return ""
            one.inner[seq] = segment.ids[seq - segment.first]
        return one.inner[seq]

    def let_go(self, name: str) -> None:
        """The content of a file is not needed again soon."""
        segment = self._fresh.pop(name, None)
        if segment is not None:
            self._room += sum(map(len, segment.bodies))

    def _keep_fresh(self, name: str, segment: Segment) -> None:
        size = sum(map(len, segment.bodies))
        if size <= self._room:
            self._room -= size
            self._fresh[name] = segment

    def _unread(self, name: str, problem: OSError) -> None:
        if not putting.is_folder(self.folder):
            raise Unreachable(
                f"{printable(str(self.folder))}: this folder is gone",
                "put the stick in again, then sync",
            ) from problem
        if not isinstance(problem, FileNotFoundError):
            said = problem.strerror or str(problem)
            self._find(name, f"it cannot be read now ({said})", "sync again later")

    def _name_once(self, name: str, what: str, kept: Remembered, remedy: str = "") -> None:
        old = self.seen.get(name)
        if old is None or (old.size, old.mtime) != (kept.size, kept.mtime):
            self._find(name, what, remedy or "it is left alone; it may be moved elsewhere")
            self.seen[name] = kept

    def _find(self, name: str, what: str, remedy: str) -> None:
        self._found[name] = Problem(printable(name), what, remedy)


def is_sqlite(path: Path) -> bool:
    """True of a file of SQLite, by its first bytes."""
    try:
        with os.fdopen(putting.opened(path), "rb") as file:
            return stat.S_ISREG(os.fstat(file.fileno()).st_mode) and (
                file.read(len(_SQLITE)) == _SQLITE
            )
    except OSError:
        return False


def store_beside(folder: Path) -> Problem | None:
    """A store that lies in the shared folder itself, by the name that every store has at first.

    Under other names backups lie on sticks, where they may.
    """
    if os.path.lexists(folder / STORE_NAME) and is_sqlite(folder / STORE_NAME):
        return Problem(STORE_NAME, _A_STORE, _ELSEWHERE)
    return None


def _is_of_a_system(name: str) -> bool:
    # "._" begins what some systems write beside each file on a stick.
    return name.casefold() in _OF_SYSTEMS or name.startswith("._")


def _kind(mode: int) -> str:
    if stat.S_ISLNK(mode):
        return "it is a link, which is not followed"
    if stat.S_ISDIR(mode):
        return "it is a folder, which is not looked into"
    return "it is no file"
