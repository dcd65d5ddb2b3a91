"""The schema versions that this program knows, and what it says of a store of another."""

from __future__ import annotations

from pathlib import Path

from logbook import __version__
from logbook.errors import NewerStore, StoreError

# Every version in migrations/versions, oldest first; a test compares the two.
SCHEMAS = ("0001", "0002", "0003")
SCHEMA = SCHEMAS[-1]


class OtherSchema(StoreError):
    """The store is of an older schema, which this program can upgrade: `found` names it."""

    def __init__(self, path: Path, found: str) -> None:
        super().__init__(
            f"{path}: schema {found}, this program reads {SCHEMA}",
            "logbook today upgrades it, and keeps it beside as it is",
        )
        self.found = found


def newer(path: Path, found: str, program: str | None) -> NewerStore:
    """The refusal of a store that a newer program wrote; `program` is that one's version."""
    by = f", program {program}" if program else ""
    return NewerStore(
        f"{path}: written by a newer version (schema {found}{by}; "
        f"this is program {__version__}, which knows schema {SCHEMA})",
        "install the newer version of the program on this machine",
    )


class NotUpgraded(StoreError):
    """An older store could not be upgraded, for instance because its folder is read-only."""

    def __init__(self, path: Path, found: str, problem: StoreError) -> None:
        super().__init__(
            f"{path}: a store of schema {found} must be upgraded to {SCHEMA} before it can be "
            f"used, which failed: {problem.message.removeprefix(f'{path}: ')}; it is as it was",
            "make its folder writable, or copy it to another and name it with --store FILE",
        )
