"""Backups: the whole store as one file, made by SQLite's online backup and looked at afterwards."""

from __future__ import annotations

import os
from pathlib import Path

from logbook.errors import StoreError
from logbook.store import views


def back_up(path: Path, to: Path) -> int:
    """Copy the store at `path` to the new file `to`; returns how many entries it holds.

    The copy appears under its name only when it is whole, on the disk and found sound; an
    existing file is never overwritten. Raises StoreError.
    """
    if to.exists():
        raise StoreError(f"{to}: there is a file of that name already", "choose another name")
    part = to.with_name(f".{to.name}.{os.getpid()}.part")
    try:
        _, count = views.copy_whole(path, part)
        _flush(part)
        os.link(part, to) if hasattr(os, "link") else part.rename(to)
    except OSError as problem:
        raise StoreError(f"{to}: cannot be written ({problem.strerror})") from problem
    finally:
        part.unlink(missing_ok=True)
    return count


def _flush(path: Path) -> None:
    """Have the system write the file to the disk."""
    with path.open("rb+") as file:
        os.fsync(file.fileno())
