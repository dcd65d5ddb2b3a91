"""Backups of the book, and going back to one: nothing that was written is ever taken away."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from tempfile import TemporaryDirectory

from logbook import config
from logbook.book.checking import check_copy
from logbook.book.heads import sign_where_writable
from logbook.errors import BadData, Problem, StoreError, UserMistake
from logbook.store import backups, soundness, views
from logbook.store.schemas import SCHEMAS

# What SQLite keeps beside a store that a dying program left; of no use to any other file.
_COMPANIONS = ("-journal", "-wal", "-shm")


@dataclass(frozen=True)
class Backup:
    """A backup that was made or looked at: its file, how much it holds, what is wrong with it."""

    file: Path
    entries: int
    size: int
    problems: tuple[Problem, ...] = ()


def back_up(store: Path, to: Path, state: Path) -> Backup:
    """Copy the store to the new file `to`, then check every page and chain of the copy.

    The copy is signed with the keys in `state`, the store stays as it is: whoever restores the copy
    elsewhere can pass the book on, where no key of it is left.
    Problems that the copy has, the store has too: it is kept all the same, as all there is.
    Raises UserMistake, NoStore, NewerStore or StoreError; then there is no new file.
    """
    with backups.whole_under_new_name(to) as part:
        entries = views.copy_whole(store, part)
        sign_where_writable(part, state)
    try:
        with TemporaryDirectory(prefix="logbook-backup-") as folder:
            problems = check_copy(to, Path(folder) / "copy.db")
    except (OSError, StoreError):
        to.unlink(missing_ok=True)
        raise
    return Backup(to, entries, to.stat().st_size, tuple(problems))


@dataclass(frozen=True)
class Missing:
    """What a backup lacks: how many entries, and when the first of them was written, if known."""

    entries: int
    since: datetime | None = None


@dataclass(frozen=True)
class Checked:
    """A backup found sound, with the private copy of it that was checked."""

    backup: Backup
    copy: Path

    def missing(self, store: Path, state: Path) -> Missing | None:
        """What the present store has more; of a lost one, what this machine's key file tells.

        None where the present store cannot be read.
        """
        with views.reading(self.copy, SCHEMAS) as copy:
            here = {name for (name,) in copy.execute("SELECT id FROM entry")}
            writer = views.local(copy, "writer")
            last = {one: seq for one, seq, _ in views.heads(copy)}
        if not store.exists():
            replica = config.load(state, writer) if writer else None
            return Missing(max(0, replica.seq - last.get(writer or "", 0)) if replica else 0)
        try:
            with views.reading(store, SCHEMAS) as present:
                more = [
                    datetime.fromisoformat(written)
                    for name, written in present.execute(
                        "SELECT id, json_extract(CAST(body AS TEXT), '$.written') FROM entry"
                    )
                    if name not in here
                ]
        except (StoreError, ValueError, TypeError, *views.UNREADABLE):
            return None
        return Missing(len(more), min(more, default=None))

    def put_back(self, store: Path, state: Path) -> Path | None:
        """Make the backup's book the store; returns where the store that was there is kept.

        The journal comes from the backup, the tables are made anew from it. The present store
        keeps its bytes under another name beside; until the last step it stays in its place.
        """
        config.refuse_beside(state, store)
        part = backups.part_of(store)
        try:
            store.parent.mkdir(parents=True, exist_ok=True)
            soundness.make_anew(self.copy, part)
            backups.flush(part)
            if not store.exists():
                backups.put_new(part, store)
                return None
            _remember(store, state)
            kept = _set_aside(store)
            part.replace(store)
            backups.flush_folder(store.parent)
        except OSError as problem:
            raise StoreError(
                f"{store}: cannot be restored ({problem.strerror}); it is as it was"
            ) from problem
        finally:
            part.unlink(missing_ok=True)
        return kept


@contextmanager
def checked(source: Path, store: Path) -> Iterator[Checked]:
    """The backup `source`, checked on a copy: its pages and every chain of its journal.

    Raises BadData with every problem, UserMistake, NewerStore, or StoreError if it is no store.
    """
    if not source.exists():
        raise UserMistake(f"{source}: there is no such file", "name a file that backup made")
    if store.is_dir():
        raise UserMistake(
            f"{store}: this is a folder, not a store", "name a file with --store FILE"
        )
    if store.exists() and source.samefile(store):
        raise UserMistake(f"{source}: this is the store itself", "name a file that backup made")
    with TemporaryDirectory(prefix="logbook-restore-") as folder:
        copy = Path(folder) / "copy.db"
        problems = _of_backup(source, copy)
        if problems:
            raise BadData(
                f"{source}: not restored, for the backup is not sound; nothing was changed",
                problems,
                "try an older backup",
            )
        with views.reading(copy, SCHEMAS) as connection:
            entries = views.count_entries(connection)
        yield Checked(Backup(source, entries, source.stat().st_size), copy)


def _of_backup(source: Path, copy: Path) -> list[Problem]:
    """As `check_copy`; what cannot be opened at all is no backup."""
    try:
        return check_copy(source, copy)
    except StoreError as problem:
        if problem.hint and "--store" in problem.hint:
            raise StoreError(problem.message, "name a file that backup made") from problem
        raise


def _remember(store: Path, state: Path) -> None:
    """Have the key file say the last line of the present store before it goes aside.

    It may be a line behind, where a program died between its commit and the key file: a backup of
    just that length would then be taken for the newest state, and a number used twice.
    """
    with suppress(StoreError), views.reading(store, SCHEMAS) as connection:
        for writer, seq, name in views.heads(connection):
            replica = config.load(state, writer)
            if replica is not None and seq > replica.seq:
                config.save(state, replace(replica, seq=seq, id=name))


def _set_aside(store: Path) -> Path:
    """Give the store a second name, which is the one that stays with it."""
    kept = backups.free_name(store, "before-restore")
    try:
        os.link(store, kept)
    except FileExistsError:
        raise
    except (OSError, AttributeError):
        shutil.copy2(store, kept)
        backups.flush(kept)
    for ending in _COMPANIONS:
        # A journal left behind would be rolled back into the restored store.
        beside = store.with_name(store.name + ending)
        if beside.exists():
            beside.rename(kept.with_name(kept.name + ending))
    return kept
