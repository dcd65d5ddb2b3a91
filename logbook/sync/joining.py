"""A new machine joins a book: everything is fetched into a store of its own, which is used only
when a person has said that the founder found there is the right one.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from logbook.book import admitting, membership, receiving
from logbook.errors import BadData, Problem, UserMistake
from logbook.journal import entry as journal
from logbook.store import backups, database, held, local, views
from logbook.sync.exchange import Here, Progress
from logbook.sync.place import Place
from logbook.trial.records import Writer
from logbook.trial.wording import printable


@dataclass(frozen=True)
class Founder:
    """A writer that began a book, as the place shows it."""

    writer: str
    introduced: Writer


@dataclass(frozen=True)
class Offer:
    """What a place offers to a machine that has no book: its founders, held back in `part`."""

    part: Path
    founders: tuple[Founder, ...]
    problems: tuple[Problem, ...]

    def accept(self, founder: Founder, store: Path, now: datetime) -> admitting.Admitted:
        """Make it this machine's store, trusting that founder and whom it let in.

        Raises BadData if nothing of the founder can be let in: the store would be of no book.
        """
        with database.writing(self.part) as connection:
            local.put(connection, "root", founder.writer)
            admitted = admitting.admit(connection, now)
        if founder.writer not in admitted.entries:
            machine = printable(f"{founder.introduced.machine} ({founder.writer[:8]})")
            raise BadData(
                f"not joined: nothing that {machine} wrote is signed there by a member of the book",
                (),
                "logbook sync PLACE on that machine; if it is lost, logbook machines trust on one "
                "that has its book, then logbook sync PLACE there",
            )
        backups.flush(self.part)
        if _is_empty(store):
            self.part.replace(store)
            backups.flush_folder(store.parent)
        else:
            backups.put_new(self.part, store)
        return admitted


def _is_empty(store: Path) -> bool:
    """True if a store is there in which nobody wrote anything yet."""
    if not store.exists():
        return False
    with views.reading(store) as connection:
        return views.count_entries(connection) == 0


@contextmanager
def offered(
    store: Path, place: Place, *, now: datetime, progress: Progress | None = None
) -> Iterator[Offer]:
    """Fetch all that a place has, beside where the store will be; it is gone at the end if unused.

    Raises UserMistake if there are lines here already, BadData if the place has no book.
    """
    if store.exists() and not _is_empty(store):
        raise UserMistake(
            f"{store}: this machine has a logbook already",
            "to make two books one: logbook sync PLACE --merge on both, "
            "then logbook machines enrol NAME",
        )
    part = backups.part_of(store)
    try:
        problems = _fetch(part, place, now, progress)
        with views.reading(part) as connection:
            found = founders(held.first_entries(connection), held.letting_themselves_in(connection))
        if not found:
            raise BadData(
                f"{place.label}: there is no logbook here",
                problems,
                "logbook sync PLACE, on the machine that has one",
            )
        yield Offer(part, found, tuple(problems))
    finally:
        for ending in ("", "-journal"):
            part.with_name(part.name + ending).unlink(missing_ok=True)


def _fetch(part: Path, place: Place, now: datetime, progress: Progress | None) -> list[Problem]:
    problems: list[Problem] = []
    count = 0
    place.inventory()
    with database.writing(part) as connection:
        for run in place.fetch(Here(database.inside(connection))):
            heads = [(head.seq, head.id, head.signature) for head in run.heads]
            received = receiving.receive(
                connection, run.writer, run.bodies, heads, now=now, source=place.label
            )
            problems += received.problems
            count += sum(received.new.values())
            if progress is not None:
                progress("fetched", count)
    return problems + place.problems


def founders(
    first: Iterable[tuple[str, bytes, bool]], again: Collection[str] = ()
) -> tuple[Founder, ...]:
    """Writers that followed nobody and had seen nobody when they began, by their entries 1, and
    those that founded the book `again`.

    Each once: its key is public, so that anybody can write another first entry in its name.
    """
    found: dict[str, Founder] = {}
    for writer, body, _ in first:
        said = membership.introduction(body)
        if said is None:
            continue
        begun = said.predecessor is None and journal.decode(body).saw is None
        if begun or writer in again:
            found.setdefault(writer, Founder(writer, said))
    return tuple(found.values())
