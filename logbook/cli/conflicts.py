"""What machines disagree about: listing it, and settling it."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import TYPE_CHECKING, Annotated

import typer

from logbook import config
from logbook.cli import completing, listed
from logbook.cli.app import command
from logbook.cli.lines import Reason, counting_no_longer, with_what_hangs_on_it
from logbook.cli.naming import lines_of
from logbook.cli.session import Session, as_json, remark, say
from logbook.cli.wording import needed
from logbook.errors import UserMistake
from logbook.journal import entry as journal
from logbook.report.lines import counted
from logbook.store import views
from logbook.trial import codes

if TYPE_CHECKING:
    import sqlite3

    from logbook.book.writing import Book
    from logbook.study.conflicts import Disagreement, Version

_LIST = "logbook conflicts"
_NAMES = f"{_LIST} lists the names of what is open"
# An entry's id is named by this many of its hex digits or more; fewer are a version's number.
_SHORTEST = 4


def conflicts(
    context: typer.Context,
    json: Annotated[bool, typer.Option("--json", help="For programs.")] = False,
) -> None:
    """List what machines disagree about, and pulls that may be one written down twice.

    Exit code 1 while anything is open, 0 if nothing is.

    Examples: logbook conflicts
              logbook conflicts --json
    """
    from logbook.report.conflicts import page
    from logbook.study.conflicts import everything

    session: Session = context.obj
    found = session.read(everything)
    shown = {one.key: one.entries for one in found.disagreements}
    listed.remember(config.state_folder(), session.store, shown)
    told = page(found)
    if json:
        as_json(told.document())
    else:
        from logbook.report.terminal.conflicts import show_conflicts

        show_conflicts(told)
    if told.open:
        raise typer.Exit(1)


def settle(
    context: typer.Context,
    reference: Annotated[
        str,
        typer.Argument(
            help="A line as `conflicts` names it; or the first of two pulls.",
            show_default=False,
            autocompletion=completing.codes,
        ),
    ],
    other: Annotated[
        str | None,
        typer.Argument(help="The other pull.", autocompletion=completing.codes),
    ] = None,
    keep: Annotated[
        str | None,
        typer.Option(help="The version that stands: its number as listed, or its id.", metavar="N"),
    ] = None,
    struck: Annotated[bool, typer.Option("--strike", help="No version stands.")] = False,
    same: Annotated[
        bool, typer.Option("--same", help="Two pulls are one: the first named stays.")
    ] = False,
    different: Annotated[
        bool, typer.Option("--different", help="Two pulls are two: the later is a repeat.")
    ] = False,
    reason: Reason = None,
) -> None:
    """Settle what machines disagree about: one version stands, all stay readable.

    The settling of a line cannot be undone: correct the line instead.

    Examples: logbook settle K7M3QX4R:B3 --keep 2 --reason 'olek read the meter'
              logbook settle 'bed B1' --keep 3f2a9c1d --reason 'as drawn'
              logbook settle XW3KRT9D RT4MAXCL --same --reason 'one bag only'
    """
    session: Session = context.obj
    ways = {
        "--keep": keep is not None,
        "--strike": struck,
        "--same": same,
        "--different": different,
    }
    way = _one_of([name for name, asked in ways.items() if asked], other is not None)
    why = needed(reason, "a decision needs its reason")
    if other is not None:
        _settle_pulls(session, reference, other, way, why)
    else:
        _settle_line(session, reference, keep, why)


def _one_of(asked: Sequence[str], pair: bool) -> str:
    """The one way of settling that was asked for; raises UserMistake for none, several, wrong."""
    known = ("--same", "--different") if pair else ("--keep", "--strike")
    what = "two pulls" if pair else "a line"
    if len(asked) != 1:
        raise UserMistake(
            f"{' and '.join(asked)} contradict" if asked else "nothing was decided",
            f"of {what}, say {' or '.join(known)}",
        )
    if asked[0] not in known:
        wanted = "one line" if pair else "two pulls"
        raise UserMistake(
            f"{asked[0]} is about {wanted}, and {what} {'were' if pair else 'was'} named",
            f"of {what}, say {' or '.join(known)}",
        )
    return asked[0]


def _settle_line(session: Session, reference: str, keep: str | None, why: str) -> None:
    """Settle one line: the version `keep` stands, or none."""
    from logbook.book.corrections import inside
    from logbook.book.settling import keep as keep_version
    from logbook.book.settling import strike_all
    from logbook.report.conflicts import version_words

    session.read(lambda store: _chosen(store, session, reference, keep))
    with session.write() as book:
        store = inside(book)
        found, version = _chosen(store, session, reference, keep)
        hanging = _hanging(store, found, version)
        gone = counting_no_longer(store, hanging)
        if version is None:
            act = strike_all(book, found.key, why, hanging)
        else:
            act = keep_version(book, found.key, version.line.entry, why, hanging)
    many = len(found.versions)
    if version is None:
        say(f"{act.code}  struck all {many} versions of {found.name}: {why}")
    else:
        words = version_words(found, version)
        say(f"{act.code}  kept version {version.number} of {many} of {found.name}, {words}: {why}")
    more = len(act.keys) - 1
    if more:
        stands = version is not None and version.value is not None
        what = "of its parts, as the same act has them" if stands else "that hung on it, struck"
        say(f"  and {counted(more, 'line')} {what}")
    if gone and journal.space(found.key) in ("pull", "part"):
        say(f"  {counted(gone, 'result')} of it count{'s' * (gone == 1)} no longer")
    left = session.read(lambda store: _left_struck(store, found, version))
    if left:
        remark(f"its parts {', '.join(left)} stay struck, as they were with the pull")


def _hanging(store: sqlite3.Connection, found: Disagreement, version: Version | None) -> list[str]:
    if version is not None and version.value is not None:
        return []
    return with_what_hangs_on_it(store, [found.key])


def _left_struck(
    store: sqlite3.Connection, found: Disagreement, version: Version | None
) -> list[str]:
    """Codes of the parts that another machine struck with a pull which stays all the same."""
    if version is None or version.value is None or journal.space(found.key) != "pull":
        return []
    if all(one.value is not None for one in found.versions):
        return []
    about = views.keys_about(store, journal.ident(found.key))
    parts = [journal.ident(key) for key in about if journal.space(key) == "part"]
    return [code for code in parts if not views.fetch(store, "part", "id = ?", (code,))]


def _chosen(
    store: sqlite3.Connection, session: Session, reference: str, keep: str | None
) -> tuple[Disagreement, Version | None]:
    """The conflict that is meant and the version that is to stand (None: none of them)."""
    found = _named(store, session, reference)
    state = config.state_folder()
    seen = listed.remembered(state, session.store, found.key)
    if seen is not None and set(seen) != set(found.entries):
        raise UserMistake(
            f"{found.name} was written again since it was listed; nothing was settled",
            f"{_LIST} shows its versions as they are now",
        )
    return found, None if keep is None else _version(found, keep.strip(), seen)


def _named(store: sqlite3.Connection, session: Session, reference: str) -> Disagreement:
    from logbook.study.conflicts import disagreements

    every = disagreements(store)
    wanted = reference.strip()
    found = [one for one in every if wanted.casefold() in (one.name.casefold(), one.key.casefold())]
    if not found:
        keys = _keys(store, session, wanted)
        found = [one for one in every if one.key in keys]
    if not found:
        raise UserMistake(f"machines agree about {wanted}", f"{_LIST} lists what is open")
    if len(found) > 1:
        names = ", ".join(one.name for one in found)
        raise UserMistake(f"{wanted} has {len(found)} lines in conflict: {names}", "name one")
    return found[0]


def _keys(store: sqlite3.Connection, session: Session, reference: str) -> list[str]:
    """The lines of a code; a word that is none may be meant for a name of the list."""
    try:
        return lines_of(store, session, reference)
    except UserMistake as mistake:
        told = mistake.hint.startswith("logbook history")
        raise UserMistake(mistake.message, _NAMES if told else mistake.hint) from None


def _version(found: Disagreement, keep: str, seen: Sequence[str] | None) -> Version:
    """The version of that number, as listed, or whose entry's id begins so."""
    if keep.isdecimal() and len(keep) < _SHORTEST:
        if seen is None:
            raise UserMistake(
                f"the versions of {found.name} were not listed yet, so that {keep} is none of them",
                _LIST,
            )
        matching = [one for one in found.versions if one.number == int(keep)]
    else:
        low = keep.casefold()
        if not re.fullmatch(rf"[0-9a-f]{{{_SHORTEST},64}}", low):
            raise UserMistake(
                f"{keep!r} is neither a version's number nor its id", f"{_LIST} shows both"
            )
        matching = [one for one in found.versions if one.line.entry.startswith(low)]
    if len(matching) != 1:
        raise UserMistake(
            f"{found.name} has {'no' if not matching else 'more than one'} version {keep}",
            f"it has {len(found.versions)}: {_LIST}",
        )
    return matching[0]


def _settle_pulls(session: Session, first: str, second: str, way: str, why: str) -> None:
    """Settle whether two pulls are one."""
    one, other = _code(first), _code(second)
    with session.write() as book:
        told = _same(book, one, other, why) if way == "--same" else _apart(book, one, other, why)
    say(told)
    if way == "--same":
        remark(f"results that name {other} will not count: write {one} on its bag")


def _code(text: str) -> str:
    code = codes.tidy(text)
    if not codes.is_valid(code):
        raise UserMistake(f"{text!r} is not a sample code: {codes.flaw(code)}", _LIST)
    return code


def _same(book: Book, one: str, other: str, why: str) -> str:
    from logbook.book import settling

    act, parts = settling.same(book, one, other, why)
    with_parts = f" with {counted(parts, 'part')}" if parts else ""
    return f"{act.code}  {one} stays, {other} is struck{with_parts}: {why}"


def _apart(book: Book, one: str, other: str, why: str) -> str:
    from logbook.book import settling

    act, later = settling.different(book, one, other, why)
    return f"{act.code}  {later} is a repeat of {other if later == one else one}: {why}"


COMMANDS = {"conflicts": command(conflicts), "settle": command(settle)}
