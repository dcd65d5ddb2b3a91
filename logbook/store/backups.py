"""Backups: the whole store as one file, made by SQLite's online backup and looked at afterwards."""

from __future__ import annotations

import errno
import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from logbook.errors import StoreError, UserMistake
from logbook.store import views


def back_up(path: Path, to: Path) -> int:
    """Copy the store at `path` to the new file `to`; returns how many entries it holds.

    The copy appears under its name only when it is whole, on the disk and found sound; an
    existing file is never overwritten. Raises UserMistake, NoStore, NewerStore or StoreError.
    """
    with whole_under_new_name(to) as part:
        return views.copy_whole(path, part)


@contextmanager
def whole_under_new_name(to: Path) -> Iterator[Path]:
    """An empty file to be filled, which gets the name `to` only when it is whole and on the disk.

    An existing file is never overwritten; where it is not filled, none is left. Raises UserMistake
    or StoreError.
    """
    part = part_of(to)
    try:
        refuse(to)
        # Made here first: what SQLite cannot create it would call the store's own fault.
        part.touch(exist_ok=False)
        yield part
        flush(part)
        put_new(part, to)
    except OSError as problem:
        raise StoreError(
            f"{to}: cannot be written ({problem.strerror})", "name a file in a folder of yours"
        ) from problem
    finally:
        with suppress(OSError):
            part.unlink()


def refuse(to: Path) -> None:
    """Refuse a place where the backup cannot come to lie."""
    if to.is_dir():
        raise UserMistake(f"{to}: this is a folder", "name a new file in it")
    if to.exists():
        raise UserMistake(f"{to}: there is a file of that name already", "choose another name")
    if not to.parent.is_dir():
        raise UserMistake(f"{to}: there is no folder {to.parent}", "make it first")


def free_name(path: Path, words: str) -> Path:
    """A name beside the store that no file has yet, with these words in it."""
    names = (
        path.with_name(f"{path.stem}-{words}{number}.db")
        for number in ("", *(f"-{count}" for count in range(2, 10_000)))
    )
    return next(name for name in names if not name.exists())


def part_of(path: Path) -> Path:
    """The name under which a file is written until it is whole."""
    return path.with_name(f".{path.name}.{os.getpid()}.part")


def put_new(part: Path, to: Path) -> None:
    """Give a finished file its name; raises FileExistsError rather than taking another's."""
    try:
        os.link(part, to)
    except FileExistsError:
        raise
    except (OSError, AttributeError):
        # A stick's file system may know no second name for a file.
        if to.exists():
            raise FileExistsError(17, "there is a file of that name already") from None
        part.rename(to)
    flush_folder(to.parent)


def flush(path: Path) -> None:
    """Have the system write the file to the disk."""
    with path.open("rb+") as file:
        os.fsync(file.fileno())


def flush_folder(folder: Path) -> None:
    """Have the system write a folder's names to the disk, where a folder can be opened for it."""
    if hasattr(os, "O_DIRECTORY"):
        opened = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
        try:
            os.fsync(opened)
        except OSError as problem:
            # Some network shares know no such thing as forcing names.
            if problem.errno not in (errno.EINVAL, errno.ENOTSUP):
                raise
        finally:
            os.close(opened)
