"""What the bags and tins of a pull are: the parts that are wanted, and the codes on them."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from typing import TYPE_CHECKING

from logbook.cli.session import Chosen
from logbook.errors import UserMistake
from logbook.store import views
from logbook.study import parts as pulled_parts
from logbook.trial import codes, parts
from logbook.trial.parts import Planned

if TYPE_CHECKING:
    import sqlite3

    from logbook.book.writing import Book
    from logbook.trial.records import Result

_MOST_TOLD = 10


def wanted_parts(
    store: sqlite3.Connection, trial: str, given: Sequence[str], whole: bool
) -> list[Planned]:
    """What each sample is divided into: as said, else as planned; empty: one undivided bag."""
    if whole and given:
        raise UserMistake("a pull is whole or has parts", "leave --whole or --part out")
    if whole:
        return []
    return parts.several(given) if given else pulled_parts.planned(store, trial)


def kept_otherwise(
    store: sqlite3.Connection, trial: str, new: Collection[str], kinds: Sequence[Planned]
) -> list[str]:
    """A remark where no other pull of the trial had its nitrate or ammonium in such a bag.

    new: the codes of the pulls just made, kinds: what they were divided into.
    """
    own = pulled_parts.for_nitrogen(kinds)
    others: dict[str, set[str]] = {}
    for code, some in pulled_parts.every_pull(store, trial).items():
        if code not in new:
            parted = [(one.kind, one.analyses) for one in some]
            for analyte, kind in pulled_parts.for_nitrogen(parted).items():
                others.setdefault(analyte, set()).add(kind)
    alone: dict[tuple[str, str], list[str]] = {}
    for analyte, kind in own.items():
        if others.get(analyte) and kind not in others[analyte]:
            before = " or ".join(_part_spoken(one) for one in sorted(others[analyte]))
            alone.setdefault((kind, before), []).append(analyte)
    return [
        f"{' and '.join(analytes)} of this pull come from {_part_spoken(kind)}, of the trial's "
        f"other pulls from {before}: its results form a series of their own; logbook undo takes "
        "it back"
        for (kind, before), analytes in alone.items()
    ]


def _part_spoken(kind: str) -> str:
    return "undivided bags" if kind == parts.WHOLE else f"{kind} parts"


def codes_on_bags(
    store: sqlite3.Connection, trial: Chosen, text: str | None, samples: int, kinds: int, what: str
) -> list[str]:
    """The codes that stand on the bags already, checked; empty if none were given.

    Codes reserved for this trial and any other valid one that nothing has yet are accepted.
    """
    if text is None:
        return []
    given = [codes.tidy(part) for part in text.split(",") if part.strip()]
    for one in given:
        if not codes.is_valid(one):
            raise UserMistake(f"{one!r} is not a sample code: {_flaw(one)}")
    wanted = samples * max(kinds, 1)
    twice = sorted({one for one in given if given.count(one) > 1})
    if twice:
        raise UserMistake(f"a code is given twice: {', '.join(twice)}", "every bag has its own")
    if len(given) != wanted:
        of_each = f" in {kinds} bags each" if kinds > 1 else ""
        need = "needs" if samples == 1 else "need"
        words = "code" if wanted == 1 else "different codes"
        raise UserMistake(f"{what} {need} {wanted} {words}{of_each}, not {len(given)}")
    refuse_used(store, given)
    _refuse_of_others(store, trial, given)
    return given


def refuse_used(store: sqlite3.Connection, given: Sequence[str]) -> None:
    """A code that a sample, a part or an act has names that one for ever."""
    taken = (views.sample_codes(store) | views.act_codes(store)) & set(given)
    if taken:
        raise UserMistake(f"used already: {', '.join(sorted(taken))}", "check the bag")


def _flaw(code: str) -> str:
    """Why a code is none; a wrong check symbol in few words."""
    flaw = codes.flaw(code)
    return "its check symbol is wrong" if flaw.startswith("its check symbol") else flaw


def _refuse_of_others(store: sqlite3.Connection, trial: Chosen, given: Sequence[str]) -> None:
    """A bag that was labelled for another trial is a bag taken from the wrong pile."""
    marks = ", ".join("?" * len(given))
    for found in views.fetch(store, "bag", f"id IN ({marks})", given):
        if found.record.trial != trial.id:
            other = views.fetch(store, "trial", "id = ?", (found.record.trial,))
            name = other[0].record.name if other else "another trial"
            raise UserMistake(
                f"{found.id} is reserved for a bag of {name}, not of {trial.trial.name}",
                "check the bag, or name the trial with --trial NAME",
            )


def fresh_codes(book: Book, count: int) -> list[str]:
    """So many codes that nothing has yet."""
    found: dict[str, None] = {}
    while len(found) < count:
        found[book.new_code()] = None
    return list(found)


def not_meant(store: sqlite3.Connection, results: Iterable[Result]) -> list[str]:
    """A remark on results of an analysis that their part was not meant for: kept, and said."""
    told = [
        f"{code} {analyte} ({parts.spoken((part.kind, part.analyses))})"
        for code, analyte, part in pulled_parts.not_meant(store, results)
    ]
    if not told:
        return []
    more = f" and {len(told) - _MOST_TOLD} more" if len(told) > _MOST_TOLD else ""
    return [f"the part was not meant for this analysis: {', '.join(told[:_MOST_TOLD])}{more}"]
