"""Every writer of the book as this copy knows it: whether it is let in, how much of it is here.

A machine's own clock dates its lines; none is trusted, but one that is far ahead, or went back, is
named: the times that it wrote down may be wrong.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from functools import cached_property
from typing import TYPE_CHECKING, Any, NamedTuple

from logbook import signing
from logbook.book import membership, vouching
from logbook.book.admitting import FUTURE
from logbook.book.membership import Standing
from logbook.book.vouching import Waiting
from logbook.journal import entry as journal
from logbook.journal.chain import Fork
from logbook.store import held, places, views
from logbook.trial.machines import ENROLLED, RETIRED
from logbook.trial.wording import printable

if TYPE_CHECKING:
    import sqlite3

    from logbook.journal.entry import Entry

HERE, BEFORE, ELSEWHERE = "this machine", "this machine before", ""
# The words of a key take 50 ms: those of the first so many strangers, that a list stays quick
# however many machines somebody makes up.
MOST_STRANGERS = 10
# Clocks are set right by seconds every day; what went back further was wrong before or is now.
_BACK = timedelta(hours=1)


class Contact(NamedTuple):
    """When something new of a writer last came here, and from which place."""

    at: datetime
    place: str


class Said(NamedTuple):
    """Since when a standing holds, who said so on which machine, and why."""

    since: datetime | None
    by: str = ""
    on: str = ""
    reason: str = ""


@dataclass(frozen=True)
class Machine:
    """A writer of the book; `here` says whether this machine is it, or was.

    `standing` is founder, enrolled, goes on, waits or retired; `after` is whom it goes on after.
    `entries` are those that count; `last` is the number of the newest one that does. `newest` is
    what its clock said of its newest line, `ahead` whether that was more than a day ahead of now,
    `back_from` an earlier line's later time. `words` are the four of its key, where they matter:
    of this machine, and of the first strangers.
    """

    writer: str
    name: str
    here: str
    standing: str
    after: str | None
    said: Said
    entries: int
    last: int
    waiting: Waiting | None
    newest: datetime | None
    ahead: bool
    back_from: datetime | None
    contact: Contact | None
    forks: tuple[Fork, ...]
    words: tuple[str, ...]


def machines(store: sqlite3.Connection, now: datetime) -> list[Machine]:
    """Every writer with an entry here, accepted or held back: this machine first, then by name.

    Those of which not even the first entry is here have no name, and come last.
    """
    known = membership.standings(store)
    held_back = {one.writer: one for one in vouching.waiting(store, known)}
    asked = _Asked(store, known, vouching.own_writer(store) or "", now)
    found = [
        asked.machine(writer, held_back.get(writer))
        for writer in sorted({*held.writers(store), *known, *held_back})
    ]
    order = (HERE, BEFORE, ELSEWHERE)
    found.sort(
        key=lambda one: (
            order.index(one.here),
            one.writer not in known,
            one.name.casefold(),
            one.writer,
        )
    )
    return _with_words(found, known)


def strangers(found: Sequence[Machine]) -> list[Machine]:
    """Other machines that wait to be let in."""
    return [one for one in found if one.standing == "waits" and one.here == ELSEWHERE]


def _with_words(found: Sequence[Machine], known: Mapping[str, Standing]) -> list[Machine]:
    first = {one.writer for one in strangers(found)[:MOST_STRANGERS]}
    own = {one.writer for one in found if one.here == HERE}
    return [
        replace(one, words=signing.words(known[one.writer].introduced.public_key))
        if one.writer in known and one.writer in first | own
        else one
        for one in found
    ]


@dataclass(frozen=True)
class _Asked:
    """What every machine is described with."""

    store: sqlite3.Connection
    known: dict[str, Standing]
    own: str
    now: datetime

    def machine(self, writer: str, waiting: Waiting | None) -> Machine:
        one = self.known.get(writer)
        standing, after = _standing(one)
        here = self.here(writer)
        newest, back_from = _clock(self.store, writer)
        return Machine(
            writer,
            one.introduced.machine if one is not None else "",
            here,
            standing,
            after,
            self.said(writer, standing, waiting),
            _count(self.store, writer),
            held.last(self.store, writer),
            waiting,
            newest,
            newest is not None and newest > self.now + FUTURE,
            back_from,
            self.contact(writer),
            tuple(vouching.forks(self.store, writer)),
            (),
        )

    def here(self, writer: str) -> str:
        if writer == self.own:
            return HERE
        return BEFORE if writer in self.before else ELSEWHERE

    @cached_property
    def before(self) -> frozenset[str]:
        """The writers that this machine goes on after, by their keys; a copy of it is elsewhere."""
        found: set[str] = set()
        one = self.known.get(self.own)
        while one is not None and one.after and one.after not in found:
            found.add(one.after)
            one = self.known.get(one.after)
        return frozenset(found)

    def said(self, writer: str, standing: str, waiting: Waiting | None) -> Said:
        """Since when it stands so: by the words of a member, or by its own first entry."""
        if standing in ("enrolled", "retired"):
            wanted = RETIRED if standing == "retired" else ENROLLED
            entries = _saying(self.store, writer, wanted)
            if entries:
                last = max(entries, key=lambda entry: datetime.fromisoformat(entry.written))
                on = vouching.called(self.known, last.writer)
                since = datetime.fromisoformat(last.written)
                return Said(since, last.by, on, last.reason or "")
        if standing == "waits":
            return Said(datetime.fromisoformat(waiting.since) if waiting else None)
        first = held.first_entry(self.store, writer)
        return Said(datetime.fromisoformat(journal.decode(first).written) if first else None)

    def contact(self, writer: str) -> Contact | None:
        row = self.store.execute(
            "SELECT at, place FROM contact WHERE writer = ?", (writer,)
        ).fetchone()
        if row is None:
            return None
        at, place = row
        return Contact(datetime.fromisoformat(at), self.places.get(place, str(place)))

    @cached_property
    def places(self) -> dict[str, str]:
        """What the places are called that are known here, by where they are."""
        return {printable(one.address): one.name for one in places.listed(self.store)}


def _standing(one: Standing | None) -> tuple[str, str | None]:
    """The word for a writer's standing, and whom it goes on after."""
    if one is None:
        return "waits", None
    if one.retired:
        return "retired", one.after
    if not one.member:
        return "waits", one.after
    word = one.why if one.why in ("founder", "enrolled") else "goes on"
    return word, one.after


def _saying(store: sqlite3.Connection, writer: str, standing: str) -> list[Entry]:
    """The entries by which members gave a writer this standing, those that still hold."""
    found = []
    for _, entry, place, live in views.writes_of_key(store, journal.key("member", writer)):
        value: Any = entry.writes[place].value
        if live and value is not None and value["standing"] == standing:
            found.append(entry)
    return found


def _count(store: sqlite3.Connection, writer: str) -> int:
    (count,) = store.execute("SELECT count(*) FROM entry WHERE writer = ?", (writer,)).fetchone()
    return int(count)


def _clock(store: sqlite3.Connection, writer: str) -> tuple[datetime | None, datetime | None]:
    """What its clock said of its newest line, and of an earlier one if that is later."""
    rows = store.execute(
        "SELECT seq, json_extract(CAST(body AS TEXT), '$.written') FROM entry WHERE writer = ?1 "
        "UNION ALL SELECT seq, json_extract(CAST(body AS TEXT), '$.written') FROM held "
        "WHERE writer = ?1 ORDER BY 1",
        (writer,),
    ).fetchall()
    said = [datetime.fromisoformat(written) for _, written in rows]
    if not said:
        return None, None
    latest = max(said)
    # A difference has room for whatever two clocks say; a sum may leave the calendar.
    return said[-1], latest if latest - said[-1] > _BACK else None
