"""What an act would write, tried on a copy of the store that is thrown away afterwards."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from tempfile import TemporaryDirectory

from logbook.book import writing
from logbook.book.writing import Book
from logbook.errors import StoreError
from logbook.store import views


@contextmanager
def on_copy(path: Path, *, now: datetime) -> Iterator[Book]:
    """An open book on a copy of the store at `path`: its checks and folds are those of an act.

    The store, its lock and this machine's key files are left alone. Raises NoStore, or StoreError
    where no copy can be made.
    """
    try:
        with TemporaryDirectory(prefix="logbook-") as made:
            copy, keys = Path(made) / "copy.db", Path(made) / "keys"
            with views.reading(path) as store:
                views.copy(store, copy)
            with writing.opened(copy, keys, by="nobody", now=now) as book:
                yield book
    except OSError as problem:
        raise StoreError(
            f"{path}: it cannot be tried on a copy ({problem.strerror})",
            "make room where temporary files lie, or leave --dry-run out",
        ) from problem
