"""SQLite's raw errors as one sentence with the file's name, the likely cause and what to do."""

from __future__ import annotations

from pathlib import Path

from logbook.errors import StoreError

BUSY_MS = 5000


class Damaged(StoreError):
    """SQLite finds the store's file malformed; `what` is the sentence without the file's name."""

    what = "the store is damaged"


# What SQLite says -> what it means to the person who reads it, and the next thing to do.
_CAUSES = {
    "is locked": (
        "another program has been writing to the store for more than 5 seconds",
        "wait for it to end and try again; nothing was written",
    ),
    "not a database": ("this file is not a logbook store", "name another with --store FILE"),
    "readonly": ("the store cannot be written to", "check who owns the file and its folder"),
    "Permission denied": ("the store cannot be opened", "check who owns the file and its folder"),
    "unable to open": ("the store cannot be opened", "check that its folder exists and is yours"),
    "disk is full": ("the disk is full: nothing was written", "free some space and try again"),
    "append-only": ("the journal is append-only: a line written stays written", ""),
}


def explained(path: Path, problem: BaseException | str) -> StoreError:
    """The error to show for what SQLite or the system said about the store at `path`."""
    said = "malformed" if isinstance(problem, UnicodeDecodeError) else str(problem)
    if path.is_dir():
        return StoreError(f"{path}: this is a folder, not a store", "name a file with --store FILE")
    if "malformed" in said:
        return Damaged(f"{path}: {Damaged.what}", "run: logbook verify")
    for part, (sentence, hint) in _CAUSES.items():
        if part in said:
            return StoreError(f"{path}: {sentence}", hint)
    return StoreError(f"{path}: {said}", "check the disk, then run: logbook verify")
