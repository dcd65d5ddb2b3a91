"""From a place's name or address to the transport that goes there."""

from __future__ import annotations

import os
import re
import secrets
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from logbook import config
from logbook.book import membership
from logbook.errors import UserMistake
from logbook.store import database, place_files, places, views
from logbook.store.places import Remembered
from logbook.sync.exchange import Summary
from logbook.sync.place import Place
from logbook.trial.wording import printable

if TYPE_CHECKING:
    import sqlite3


# What is meant as a URL and is none: it would be kept, and shown, as a folder with its password.
_LIKE_A_URL = re.compile(r"\s*postgres|(?![a-z]:[/\\])[^/\\]*:.*@|.*\bpassword\s*=", re.I | re.S)


def is_hub(address: str) -> bool:
    """True if the address is a URL, of a hub; else it is a folder.

    Raises UserMistake, repeating nothing of it, where it may be a URL that was mistyped.
    """
    if "://" in address:
        return True
    if _LIKE_A_URL.match(address):
        raise UserMistake(
            "that is neither the URL of a hub nor the path of a folder",
            "write a hub as postgresql://bench@db.example/trials, a folder here as ./NAME",
        )
    return False


def address_to_keep(address: str) -> tuple[str, bool]:
    """The address as it may be kept and shown, and if a password was left out of it.

    A folder is kept as a whole path. Raises UserMistake if it is no address.
    """
    if not is_hub(address):
        return whole_path(folder_at(address)), False
    from logbook.sync.hub import without_password

    shown = without_password(address)
    return shown, shown != address


def whole_path(folder: Path) -> str:
    """A folder's path from the root, links followed.

    Not Path.resolve: a link that leads to itself is an error of its own there.
    """
    return os.path.realpath(folder)


def folder_at(address: str) -> Path:
    try:
        return Path(address).expanduser()
    except RuntimeError:
        raise UserMistake(
            f"{printable(address)}: there is no such home folder", "name a whole path"
        ) from None


@contextmanager
def opened(
    one: Remembered,
    store: Path,
    *,
    thorough: bool = False,
    keep: bool = True,
    refill: bool = False,
) -> Iterator[Place]:
    """The transport to a place; what was read in a folder is noted in the store if `keep`.

    A folder that lines were left in and that holds nothing now is refused, unless to `refill` it.
    Raises Unreachable or UserMistake.
    """
    if is_hub(one.address):
        from logbook.sync.hub import open_hub

        hub = open_hub(one.address, one.book or _own_book(store))
        try:
            yield hub
        finally:
            hub.close()
        return
    with _folder(one, store, thorough, keep, refill) as folder:
        yield folder


def _own_book(store: Path) -> str | None:
    """The book of this machine, if it has one: a hub may keep several."""
    if not store.exists():
        return None
    with views.reading(store) as connection:
        return membership.book(connection)


@contextmanager
def _folder(
    one: Remembered, store: Path, thorough: bool, keep: bool, refill: bool
) -> Iterator[Place]:
    """A folder, with what this machine remembers of its files."""
    from logbook.sync.folder import Folder
    from logbook.sync.remembered import Seen, noted, recalled

    path = folder_at(one.address)
    kept = whole_path(path)
    seen: Seen = {}
    own = ""
    if store.exists():
        with views.reading(store) as connection:
            seen = recalled(place_files.load(connection, kept))
            own = (views.local(connection, "writer") or "")[:16]
    yield Folder(
        path,
        own or secrets.token_hex(8),
        seen,
        store=store,
        keys=config.state_folder(),
        thorough=thorough,
        used=not refill and bool(seen or any(one.seen.values())),
    )
    # What was fetched is kept by now.
    if keep and store.exists():
        with changing(store) as writing:
            place_files.save(writing, kept, noted(seen))


@contextmanager
def changing(store: Path) -> Iterator[sqlite3.Connection]:
    """A transaction on the places that the store remembers."""
    with database.writing(store) as connection:
        yield database.inside(connection)


def put_down(store: Path, name: str, when: datetime, summary: Summary) -> None:
    """Note when lines were exchanged with a place, and what it has now."""
    with changing(store) as connection:
        places.exchanged(connection, name, when.isoformat(timespec="seconds"), summary.tips)
