"""Correcting what was written: undo, strike, correct. Every old line stays readable."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Annotated, Any

import typer

from logbook.cli import completing, relabelled
from logbook.cli.app import command
from logbook.cli.changes import changed
from logbook.cli.corrected import from_to, remarks
from logbook.cli.naming import bags_of, lines_of
from logbook.cli.relabelled import Moved
from logbook.cli.session import Session, remark, say
from logbook.cli.undone import undone_words
from logbook.cli.wording import needed
from logbook.errors import UserMistake
from logbook.journal import entry as journal
from logbook.report.lines import counted
from logbook.store import asking, views
from logbook.study import parts
from logbook.trial.records import Pull

if TYPE_CHECKING:
    import sqlite3

Reference = Annotated[
    str,
    typer.Argument(
        help="A code, or one line of it: CODE:BED, SAMPLE:NUTRIENT, SAMPLE:PART, TIN:weights.",
        show_default=False,
        autocompletion=completing.codes,
    ),
]
Reason = Annotated[str | None, typer.Option(help="Why; kept with the line.")]


def undo(context: typer.Context) -> None:
    """Take back your last act on this machine; it stays readable.

    Examples: logbook undo
              logbook --by mira undo
    """
    from logbook.book import corrections

    session: Session = context.obj
    with session.write() as book:
        undone, act = corrections.undo(book)
    told = session.read(lambda store: undone_words(store, undone.code, undone.kind, undone.keys))
    say(f"{act.code}  took back {told}")
    if undone.kind == "send":
        _say_papers(undone.keys)


def strike(context: typer.Context, reference: Reference, reason: Reason = None) -> None:
    """Strike a line: it stays readable and counts no longer.

    A pull takes its parts with it, and its results no longer count. Of several results of a
    nutrient SAMPLE:NUTRIENT:2 is run 2, or where a run has repeats the second one listed.

    Examples: logbook strike K7M3QX4R --reason 'wrong trial'
              logbook strike K7M3QX4R:B3 --reason 'B3 was left dry'
    """
    from logbook.book import corrections

    session: Session = context.obj
    why = _reason(reason)
    session.read(lambda store: _living(store, lines_of(store, session, reference)))
    with session.write() as book:
        store = corrections.inside(book)
        named = _living(store, lines_of(store, session, reference))
        keys = with_what_hangs_on_it(store, named)
        gone = counting_no_longer(store, keys)
        act = corrections.strike(book, keys, why)
        told = _struck_words(store, reference, keys)
    say(f"{act.code}  struck {told}: {why}")
    _say_papers(named)
    sampled = any(journal.space(key) in ("pull", "part") for key in named)
    if gone and sampled:
        say(f"  {counted(gone, 'result')} of it count{'s' * (gone == 1)} no longer")


def _struck_words(store: sqlite3.Connection, reference: str, keys: Sequence[str]) -> str:
    """`3 lines of K7M3QX4R`, `the import of report 26-1 of Our lab (160 results)`."""
    imported = [asking.reference(store, key) for key in keys if journal.space(key) == "report"]
    if not imported:
        return f"{counted(len(keys), 'line')} of {reference}"
    results = sum(journal.space(key) == "result" for key in keys)
    return f"the import of {', '.join(imported)} ({counted(results, 'result')})"


def _say_papers(keys: Iterable[str]) -> None:
    """What was printed of a shipment that no longer stands, and is in no book."""
    for key in keys:
        if journal.space(key) == "shipment":
            say(f"  a form that was written of shipment {journal.ident(key)} no longer holds: "
                "throw it away")  # fmt: skip


def correct(
    context: typer.Context,
    reference: Reference,
    reason: Reason = None,
    amount: Annotated[str | None, typer.Option(help="Water or amendment given.")] = None,
    mass: Annotated[str | None, typer.Option(help="Soil filled in.")] = None,
    moisture: Annotated[str | None, typer.Option(help="Its moisture.")] = None,
    known: Annotated[str | None, typer.Option(help="How the amount was known.")] = None,
    when: Annotated[str | None, typer.Option(help="When it happened.")] = None,
    bed: Annotated[str | None, typer.Option(help="The bed it was.")] = None,
    planned: Annotated[str | None, typer.Option("--for", help="The planned pull.")] = None,
    cores: Annotated[int | None, typer.Option(help="Cores in the sample.")] = None,
    depth: Annotated[str | None, typer.Option(help="Depth of the cores.")] = None,
    value: Annotated[
        str | None, typer.Option(help="A result, as reported: 12.5, '<0.5', '12.5 mg/kg'.")
    ] = None,
    method: Annotated[str | None, typer.Option(help="How a result was measured.")] = None,
    basis: Annotated[str | None, typer.Option(help="Of a result: dry or moist.")] = None,
    lab: Annotated[str | None, typer.Option(help="Who measured a result.")] = None,
    text: Annotated[
        str | None, typer.Option(help="The words of a note or event, why a pull was skipped.")
    ] = None,
    part: Annotated[
        str | None, typer.Option(help="What a part is, and what for: 'chilled: nitrate-N'.")
    ] = None,
    tare: Annotated[str | None, typer.Option(help="A tin's weight, empty.")] = None,
    wet: Annotated[str | None, typer.Option(help="A tin's weight with moist soil.")] = None,
    dry: Annotated[str | None, typer.Option(help="A tin's weight with dry soil.")] = None,
) -> None:
    """Correct a line: a new one takes its place, the old one stays readable.

    Examples: logbook correct K7M3QX4R:B3 --amount '200 mL' --reason 'can half full'
              logbook correct XW3KRT9D:nitrate-N --value 12.5 --reason 'typing slip'
              logbook correct XW3KRT9D:P --method Olsen --reason 'the laboratory wrote'
    """
    from logbook.book import corrections

    session: Session = context.obj
    why = _reason(reason)
    asked = {
        "amount": amount, "mass": mass, "moisture": moisture, "known": known, "when": when,
        "bed": bed, "for": planned, "cores": cores, "depth": depth, "value": value, "text": text,
        "method": method, "basis": basis, "lab": lab, "part": part, "tare": tare, "wet": wet,
        "dry": dry,
    }  # fmt: skip
    given = {name: said for name, said in asked.items() if said is not None}
    if not given:
        raise UserMistake("nothing to correct was given", "say what is right, as in --when 08:30")
    session.read(lambda store: _changes(store, session, reference, given))
    with session.write() as book:
        store = corrections.inside(book)
        changes, moves, said, told = _changes(store, session, reference, given)
        code = book.new_code()
        for key, values in changes.items():
            one = moves.get(key)
            to = None if one is None else (one.to, one.beside)
            corrections.correct(book, key, values, why, code=code, moved=to)
        results = [moves[key].to if key in moves else key for key in changes]
        results = [key for key in results if journal.space(key) == "result"]
        if results:
            told += relabelled.asked_anew(book, session, results, code)
    # Where no words of the line tell it, what was typed does.
    said = said or ", ".join(f"{name} {text}" for name, text in given.items())
    say(f"{code}  corrected {reference}, {said}: {why}")
    for sentence in dict.fromkeys(told):
        remark(sentence)


def _reason(reason: str | None) -> str:
    return needed(reason, "a correction needs its reason")


def _living(store: sqlite3.Connection, keys: list[str]) -> list[str]:
    """The keys that still stand; refuses if none does."""
    standing = _standing(store, keys)
    if not standing:
        raise UserMistake("the line is struck already")
    return standing


def _standing(store: sqlite3.Connection, keys: Iterable[str]) -> list[str]:
    return [
        key
        for key in keys
        if any(
            live and entry.writes[place].value is not None
            for _, entry, place, live in views.writes_of_key(store, key)
        )
    ]


def with_what_hangs_on_it(store: sqlite3.Connection, keys: list[str]) -> list[str]:
    """The lines, and those that say nothing without them.

    A pull takes its parts with it, a part its weights; a part that goes alone takes its results,
    which would count for the whole sample otherwise.
    """
    found = list(keys)
    for key in keys:
        code = journal.ident(key)
        if journal.space(key) == "pull":
            for part in parts.of_pull(store, code):
                found += [f"part/{part.code}", f"weigh/{part.code}"]
        if journal.space(key) == "part":
            found.append(f"weigh/{code}")
            own = parts.of_code(store, code)
            if own and f"pull/{own.pull}" not in keys:
                results = views.fetch(store, "result", "sample = ?", (code,))
                found += [f"result/{one.id}" for one in results]
    return _standing(store, dict.fromkeys(found))


def counting_no_longer(store: sqlite3.Connection, keys: Sequence[str]) -> int:
    """How many results stop counting with these lines."""
    bags = {
        bag
        for key in keys
        if journal.space(key) == "pull"
        for bag in bags_of(store, journal.ident(key))
    }
    of_bags = sum(len(views.fetch(store, "result", "sample = ?", (bag,))) for bag in sorted(bags))
    return of_bags + sum(journal.space(key) == "result" for key in keys)


def _changes(
    store: sqlite3.Connection, session: Session, reference: str, given: dict[str, Any]
) -> tuple[dict[str, dict[str, Any]], dict[str, Moved], str, list[str]]:
    """Of each line that the reference names, the values that change and where it moves.

    Besides, what that says in words, and remarks.
    """
    keys = _living(store, lines_of(store, session, reference))
    if any(journal.space(key) == "pull" for key in keys):
        keys = [key for key in keys if journal.space(key) != "part"]
    if any(journal.space(key) == "shipment" for key in keys):
        keys = [key for key in keys if journal.space(key) == "shipment"]
    if "bed" in given and len(keys) > 1:
        raise UserMistake(
            f"{reference} has {len(keys)} lines: a bed is corrected one line at a time",
            "name one: CODE:BED, or a sample's code",
        )
    changes: dict[str, dict[str, Any]] = {}
    corrected: list[tuple[str, Any, dict[str, Any]]] = []
    told: list[str] = []
    moves: dict[str, Moved] = {}
    for key in keys:
        space = journal.space(key)
        found = views.fetch(store, space, "id = ?", (journal.ident(key),))
        if not found:
            raise UserMistake(f"{reference} is not a line that can be corrected")
        changes[key] = changed(store, session, found[0].record, given)
        corrected.append((space, found[0].record, changes[key]))
        if (to := relabelled.moved(store, found[0].record, changes[key])) is not None:
            moves[key] = to
        if found[0].conflict:
            told.append(f"machines disagreed about {asking.reference(store, key)}: this settles it")
        if space == "pull" and "when" in changes[key]:
            changes |= _parts_too(store, found[0].record, changes[key]["when"])
    if moves:
        told += relabelled.notes(store, session, moves)
    remarked = remarks(store, [(record, of) for _, record, of in corrected])
    return changes, moves, from_to(store, corrected), [*remarked, *told]


def _parts_too(store: sqlite3.Connection, pull: Pull, when: str) -> dict[str, dict[str, Any]]:
    """The parts were made when the pull was: they move with it."""
    return {
        f"part/{part.code}": {"when": when}
        for part in parts.of_pull(store, pull.code)
        if part.when == pull.when
    }


COMMANDS = {
    "undo": command(undo),
    "strike": command(strike),
    "correct": command(correct),
}
