"""A place where machines of a book leave entries for each other, and what passes through it.

Every transport answers three calls: what is there (`inventory`), give me what I lack (`fetch`),
keep this (`send`). A place never changes nor deletes what it was given, and is never trusted:
whatever comes from it is verified before it counts. One test class holds for all of them
(`tests/sync/contract.py`).
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field

from logbook.errors import LogbookError, Problem

Tip = tuple[int, str]  # the number and id of an entry that none follows

# What this program puts into one run; it takes longer ones.
MOST_ENTRIES = 1_000
MOST_BYTES = 4 * 1024 * 1024


class Unreachable(LogbookError):
    """The place cannot be reached or read now: a stick that is not in, a server that is down."""


@dataclass(frozen=True, order=True)
class Head:
    """A writer's word for its own chain: its newest entry, signed with its key (hex)."""

    writer: str
    seq: int
    id: str
    signature: str


@dataclass(frozen=True)
class Run:
    """Consecutive entries of one writer, as bytes in the order of their numbers, and heads of it.

    There may be no entries (heads alone). `first` is the number of the first entry.
    """

    writer: str
    bodies: tuple[bytes, ...]
    heads: tuple[Head, ...] = ()


@dataclass(frozen=True)
class Inventory:
    """What a place holds: the tips of each writer that can be followed from entry 1, its heads.

    A writer has several tips where its chain forks, or where runs that overlap end.
    """

    tips: Mapping[str, frozenset[Tip]] = field(default_factory=dict)
    heads: frozenset[Head] = frozenset()


class Known(ABC):
    """What this machine has already, accepted or held back, as a place asks for it."""

    @abstractmethod
    def tips(self, writer: str) -> frozenset[Tip]:
        """The tips of the writer here that can be followed from entry 1; empty if none can."""

    @abstractmethod
    def has(self, entry: str) -> bool:
        """True if the entry of that id is here."""

    @abstractmethod
    def has_head(self, head: Head) -> bool:
        """True if that signed head, or a newer one of the same chain, is here."""

    def refuses(self, entry: str) -> bool:
        """True if what has that id was looked at here, and is no entry; it need not come again."""
        return False


class Place(ABC):
    """One transport to one place. `label` names it in messages and holds no password.

    `problems` collects what was found there that is not as it must be: torn, damaged, foreign
    files; each names the file, what is wrong and what to do. Methods raise Unreachable. A place
    that does not `take` entries is only read.
    """

    label: str
    takes = True

    def __init__(self, label: str) -> None:
        self.label = label
        self.problems: list[Problem] = []

    @abstractmethod
    def inventory(self) -> Inventory:
        """What is there now."""

    @abstractmethod
    def fetch(self, known: Known) -> Iterator[Run]:
        """Everything there that is not `known`, and perhaps some of what is; in chunks.

        A run holds at most some thousand entries. Entries come as they lie there: a fork whole,
        from the last entry that both sides have; nothing is verified but what the transport
        needs.
        """

    @abstractmethod
    def send(self, runs: Iterable[Run]) -> None:
        """Keep these runs durably; entries that are there already are no second time there.

        Each run follows entry 1 or an entry that is there. When it returns, they are safe.
        """

    def close(self) -> None:  # noqa: B027
        """Let go of connections; nothing more is asked of the place."""
