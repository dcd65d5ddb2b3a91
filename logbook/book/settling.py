"""Ending what machines disagree about: one version stands, and all of them stay readable.

A settling replaces every live version of its key that is known here. Two machines that settle the
same conflict differently have a new one; nothing decides it for them. So it is with two pulls that
may be one: a decision about them writes the lines of both, those that stay with their own value, so
that another machine's contrary decision is a conflict and never a loss.
"""

from __future__ import annotations

from collections.abc import Sequence

from logbook.book.corrections import (
    REFERENCES,
    holding,
    inside,
    needed_reason,
    reference,
    refuse_if_referred,
    refuse_newer,
    strike,
)
from logbook.book.writing import Act, Book
from logbook.errors import UserMistake
from logbook.journal import entry as journal
from logbook.journal.entry import Value
from logbook.store import views
from logbook.store.tables import RECORD_TABLES
from logbook.trial.times import read_stored

LISTED = "logbook conflicts lists what is open"


def keep(book: Book, key: str, entry: str, reason: str, hanging: Sequence[str] = ()) -> Act:
    """Let the version that `entry` wrote stand, in place of all live ones of the key.

    `hanging`: lines to be struck with it if that version is a strike. What the same act said of the
    parts of a pull stands with it. Raises UserMistake if the key is in no conflict, or the version
    is not live.
    """
    _refuse_settled(book, key)
    if entry not in book.live([key])[key]:
        raise UserMistake(f"that version of {reference(book, key)} was replaced since", LISTED)
    value = book.value(entry, key)
    if value is not None:
        standing = [(key, value), *_parts_with(book, key, entry)]
        return book.write("settle", standing, reason=needed_reason(reason))
    refuse_newer(book, hanging)
    struck = list(dict.fromkeys([key, *hanging]))
    refuse_if_referred(book, holding(struck), struck, "struck while that stands")
    return book.write("settle", [(one, None) for one in struck], reason=needed_reason(reason))


def _parts_with(book: Book, key: str, entry: str) -> list[tuple[str, Value]]:
    """The parts of a pull that machines disagree about as well, as the entry has them."""
    if journal.space(key) != "pull":
        return []
    parts = [f"part/{code}" for code in _parts(book, journal.ident(key))]
    living, shown = book.live(parts), book.shown(parts)
    by_entry = [one for one in parts if shown[one].conflict and entry in living[one]]
    written = book.written((entry, one) for one in by_entry)
    return [(one, value) for (_, one), value in written.items() if value is not None]


def strike_all(book: Book, key: str, reason: str, hanging: Sequence[str] = ()) -> Act:
    """Let no version of a key stand: see `corrections.strike` for what is refused."""
    _refuse_settled(book, key)
    return strike(book, list(dict.fromkeys([key, *hanging])), reason, kind="settle")


def _refuse_settled(book: Book, key: str) -> None:
    refuse_newer(book, [key])
    shown = book.shown([key]).get(key)
    if shown is None or not shown.conflict:
        raise UserMistake(f"machines agree about {reference(book, key)}", LISTED)


def same(book: Book, kept: str, gone: str, reason: str) -> tuple[Act, int]:
    """Two pulls are one, written down twice: `gone` is struck with its parts, `kept` stays.

    Also says how many parts were struck. Refused if something names a bag of `gone`: struck, that
    would count no longer.
    """
    _refuse_no_pair(book, kept, gone)
    held = _what_names(book, gone)
    if held:
        twice = _what_names(book, kept)
        raise UserMistake(
            f"{gone} has {' and '.join(held)}: with the pull struck, that would count no longer",
            f"{kept} has {' and '.join(twice)} too: strike line by line, or call them --different"
            if twice
            else f"keep that one: logbook settle {gone} {kept} --same --reason TEXT",
        )
    parts = [f"part/{code}" for code in _parts(book, gone)]
    refuse_newer(book, parts)
    struck = [(key, None) for key in (f"pull/{gone}", *parts)]
    act = book.write("strike", [*struck, *_as_it_stands(book, kept)], reason=needed_reason(reason))
    return act, len(parts)


def _as_it_stands(book: Book, code: str) -> list[tuple[str, Value]]:
    """A pull and its parts with their own values; what is open about a part stays open."""
    keys = [f"pull/{code}", *(f"part/{part}" for part in _parts(book, code))]
    return [
        (key, one.value)
        for key, one in book.shown(keys).items()
        if one.value is not None and not one.conflict and len(book.live([key])[key]) == 1
    ]


def different(book: Book, one: str, other: str, reason: str) -> tuple[Act, str]:
    """Two pulls are two: the later one becomes a repeat, with the reason; also says which.

    Where their times do not tell, the one named second is the later.
    """
    _refuse_no_pair(book, one, other)
    values = book.values([f"pull/{one}", f"pull/{other}"])
    later = one if _after(values[f"pull/{one}"], values[f"pull/{other}"]) else other
    why = needed_reason(reason)
    repeat = {**(values[f"pull/{later}"] or {}), "again": why}
    stays = _as_it_stands(book, other if later == one else one)
    return book.write("correct", [(f"pull/{later}", repeat), *stays], reason=why), later


def _after(one: Value | None, other: Value | None) -> bool:
    """Whether the first pull was taken later than the second, as far as their times tell."""
    first, second = (read_stored(str((pull or {})["when"])) for pull in (one, other))
    if first.instant is None or second.instant is None:
        return False
    return first.instant > second.instant


def _refuse_no_pair(book: Book, one: str, other: str) -> None:
    pair = book.connection.exec_driver_sql(
        "SELECT 1 FROM possible_duplicate WHERE first = ? AND second = ?",
        (min(one, other), max(one, other)),
    ).first()
    if pair is None:
        raise UserMistake(f"{one} and {other} are no pair of pulls that may be one", LISTED)
    for code, key in ((one, f"pull/{one}"), (other, f"pull/{other}")):
        refuse_newer(book, [key])
        if book.shown([key])[key].conflict:
            raise UserMistake(
                f"machines disagree about the pull {code} itself", "settle that first"
            )


# What lines that name a bag are called.
_CALLED = {
    "result": "result",
    "weigh": "weighing",
    "sent": "line in a shipment",
    "handling": "mark",
    "blind": "blind",
    "query": "query",
    "answer": "answer",
}


def _what_names(book: Book, code: str) -> list[str]:
    """What names the bags of a pull: `3 results`, `1 mark`."""
    bags = tuple(dict.fromkeys([code, *_parts(book, code)]))
    places = ", ".join("?" * len(bags))
    found = []
    for space, column in REFERENCES["part"]:
        query = f'SELECT count(*) FROM "{RECORD_TABLES[space].name}" WHERE "{column}" IN ({places})'
        (count,) = book.connection.exec_driver_sql(query, bags).one()
        if count:
            found.append(_many(count, _CALLED[space]))
    return found


def _many(count: int, words: str) -> str:
    first, *rest = words.split(" ")
    several = "queries" if first == "query" else f"{first}s"
    return " ".join([str(count), first if count == 1 else several, *rest])


def _parts(book: Book, code: str) -> list[str]:
    """The codes of the parts of a pull, its own among them if its first part has it."""
    return [one.id for one in views.fetch(inside(book), "part", "pull = ?", (code,))]
