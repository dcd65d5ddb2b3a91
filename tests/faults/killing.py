"""Workers that are killed, and what must hold of the store that they leave."""

from __future__ import annotations

import multiprocessing
import os
import shutil
import sqlite3
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass, field
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess
from pathlib import Path

from logbook.book.checking import check_store
from tests.faults.worker import Answer, answer


@dataclass
class Worker:
    """A process of `tests.faults.worker`; `answers` are its replies, in order."""

    process: BaseProcess
    connection: Connection
    answers: list[Answer] = field(default_factory=list)

    def tell(self, commands: Iterable[Sequence[str]], now: str | None = None) -> None:
        """Give it commands; it begins at once. What waits must fit a pipe: some hundreds."""
        for words in commands:
            self.connection.send((list(words), now))

    def wait(self, count: int = 1) -> list[Answer]:
        """Take its next answers; returns all that it gave."""
        for _ in range(count):
            self.answers.append(self.connection.recv())
        return self.answers

    def kill(self) -> list[Answer]:
        """SIGKILL; returns what it had answered before it died."""
        self.process.kill()
        self.process.join(60)
        # An answer cut by the kill was never given.
        with suppress(EOFError, OSError):
            while True:
                self.answers.append(self.connection.recv())
        return self.answers

    @property
    def acts(self) -> list[str]:
        """The codes of the acts that it acknowledged; none may have been refused."""
        assert all(code == 0 for code, _, _ in self.answers), self.answers
        return [out.split()[0] for _, out, _ in self.answers]


@contextmanager
def working(
    folder: Path, before: Callable[[], None] | None = None, **environment: str
) -> Iterator[Worker]:
    """A worker that is ready, in a folder and with this test's environment; killed at the end."""
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["__main__", "tests.faults.worker"])
    ours, its = context.Pipe()
    process = context.Process(
        target=answer, args=(its, str(folder), {**os.environ, **environment}, before)
    )
    process.start()
    its.close()
    try:
        assert ours.recv() == "ready"
        yield Worker(process, ours)
    finally:
        process.kill()
        process.join(60)
        process.close()
        ours.close()


def wait_for(path: Path, most: float) -> bool:
    """Wait until a file is there, at most that many seconds, without a pause."""
    end = time.monotonic() + most
    while time.monotonic() < end:
        if path.exists():
            return True
    return False


def journal_of(store: Path) -> Path:
    """Where SQLite keeps what it needs to take a transaction back."""
    return store.with_name(f"{store.name}-journal")


def acts_in(store: Path) -> set[str]:
    """The codes of all acts of a store."""
    with closing(sqlite3.connect(store)) as connection:
        return {act for (act,) in connection.execute("SELECT DISTINCT act FROM entry") if act}


def must_be_sound(store: Path) -> None:
    """No finding of `verify`: SQLite's integrity, chains, tables against a rebuild."""
    assert check_store(store) == []


@dataclass(frozen=True)
class Kept:
    """A folder as it was, to begin from again and again."""

    folder: Path
    copy: Path

    @classmethod
    def of(cls, folder: Path, copy: Path) -> Kept:
        """Keep what lies in a folder."""
        shutil.copytree(folder, copy)
        return cls(folder, copy)

    def put_back(self) -> None:
        """Everything as it was, under the same names."""
        for one in self.folder.iterdir():
            if one.is_dir():
                shutil.rmtree(one)
            else:
                one.unlink()
        shutil.copytree(self.copy, self.folder, dirs_exist_ok=True)
