"""A place in memory: what the contract of all transports means, in as few lines as it takes."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

from logbook.journal.entry import decode, entry_id
from logbook.sync.place import MOST_ENTRIES, Head, Inventory, Known, Place, Run, Tip, Unreachable


@dataclass(frozen=True)
class Kept:
    """An entry on the shelf."""

    writer: str
    seq: int
    prev: str | None
    body: bytes


@dataclass
class Shelf:
    """What lies at the place, whoever looks at it.

    `left`: so many entries are kept before the next is refused, as by a connection that breaks
    (None: it holds).
    """

    entries: dict[str, Kept] = field(default_factory=dict)
    heads: set[Head] = field(default_factory=set)
    left: int | None = None


class MemoryPlace(Place):
    """One machine's way to a shelf."""

    def __init__(self, shelf: Shelf, label: str = "memory") -> None:
        super().__init__(label)
        self.shelf = shelf

    def inventory(self) -> Inventory:
        tips: dict[str, set[Tip]] = {}
        followed = {kept.prev for kept in self.shelf.entries.values()}
        for name, kept in self.shelf.entries.items():
            if name not in followed:
                tips.setdefault(kept.writer, set()).add((kept.seq, name))
        return Inventory(
            {writer: frozenset(of) for writer, of in tips.items()}, frozenset(self.shelf.heads)
        )

    def fetch(self, known: Known) -> Iterator[Run]:
        lacking = sorted(
            (kept.writer, kept.seq, name)
            for name, kept in self.shelf.entries.items()
            if not known.has(name)
        )
        heads = [head for head in sorted(self.shelf.heads) if not known.has_head(head)]
        for names in self._consecutive([name for _, _, name in lacking]):
            kept = [self.shelf.entries[name] for name in names]
            yield Run(kept[0].writer, tuple(one.body for one in kept))
        for writer in sorted({head.writer for head in heads}):
            yield Run(writer, (), tuple(head for head in heads if head.writer == writer))

    def _consecutive(self, names: list[str]) -> list[list[str]]:
        """Entries, ordered by number, as runs each of which follows one before it."""
        runs: list[list[str]] = []
        open_at: dict[str | None, list[str]] = {}
        for name in names:
            prev = self.shelf.entries[name].prev
            run = open_at.pop(prev, None) if prev else None
            if run is None or len(run) >= MOST_ENTRIES:
                run = []
                runs.append(run)
            run.append(name)
            open_at[name] = run
        return runs

    def send(self, runs: Iterable[Run]) -> None:
        for run in runs:
            for body in run.bodies:
                self._keep(body)
            self.shelf.heads |= set(run.heads)

    def _keep(self, body: bytes) -> None:
        entry, name = decode(body), entry_id(body)
        if name in self.shelf.entries:
            return
        if entry.seq > 1 and entry.prev not in self.shelf.entries:
            raise AssertionError(f"entry {entry.seq} was sent before the one that it follows")
        if self.shelf.left is not None:
            if self.shelf.left == 0:
                raise Unreachable(f"{self.label}: the connection broke")
            self.shelf.left -= 1
        self.shelf.entries[name] = Kept(entry.writer, entry.seq, entry.prev, body)
