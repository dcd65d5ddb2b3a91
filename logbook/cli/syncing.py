"""Exchanging lines with other machines: `sync` and the places that it knows."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from logbook import config
from logbook.cli.app import bare_group
from logbook.cli.run import aside
from logbook.cli.session import Session, as_json, say
from logbook.errors import LogbookError, ProblemsFound, UserMistake
from logbook.store import places as remembered
from logbook.store import views
from logbook.store.places import Remembered

if TYPE_CHECKING:
    from logbook.sync.exchange import Summary

_COMMANDS = ("now", "add", "places", "forget")
Dry = Annotated[
    bool, typer.Option("--dry-run", help="Say what would be exchanged; write nothing anywhere.")
]
Json = Annotated[bool, typer.Option("--json", help="For programs.")]
Where = Annotated[
    str,
    typer.Argument(
        help="A folder, or the URL of a hub (postgresql://...).",
        metavar="PLACE",
        show_default=False,
    ),
]
Which = Annotated[
    str | None,
    typer.Option("--book", help="Which book, where a hub keeps several.", metavar="ID"),
]


def now(
    context: typer.Context,
    place: Annotated[
        str | None,
        typer.Argument(help="A place by name, a folder or a URL [all known].", metavar="[PLACE]"),
    ] = None,
    dry_run: Dry = False,
    thorough: Annotated[
        bool, typer.Option("--thorough", help="Read every file of a folder again.")
    ] = False,
    merge: Annotated[
        bool, typer.Option("--merge", help="Even where only another book lies: two become one.")
    ] = False,
    refill: Annotated[
        bool,
        typer.Option("--refill", help="Send all again to a folder that somebody emptied."),
    ] = False,
    json: Json = False,
) -> None:
    """Exchange lines with other machines through a folder, a stick or a hub.

    Without a name, with every known place that can be reached. Interrupt it anywhere: the next
    run goes on. Nothing in a place is ever changed or deleted.

    Examples: logbook sync
              logbook sync /media/greenhouse-stick
              logbook sync office --dry-run
    """
    session: Session = context.obj
    must_exist(session)
    if refill and place is None:
        raise UserMistake("--refill is for one place", "logbook sync PLACE --refill")
    meant = _meant(session.read(remembered.listed), place)
    done: dict[str, Summary] = {}
    missed: list[tuple[str, LogbookError]] = []
    for one in meant:
        try:
            done[one.name] = exchanged(session, one, dry_run, thorough, merge, refill)
        except LogbookError as problem:
            if place is not None:
                raise
            missed.append((one.name, problem))
    _pass_on(session, [one for one in meant if one.name in done], done)
    tell(session, list(done.items()), missed, json)


def _pass_on(session: Session, visited: list[Remembered], done: dict[str, Summary]) -> None:
    """Take to the places visited first what a later one brought."""
    from logbook.sync.rounds import lacking, merged

    for one in visited[: lacking(list(done.values()))]:
        first = done[one.name]
        if first.refused is None:
            try:
                again = exchanged(session, replace(one, seen=first.tips), False, False, merge=True)
                done[one.name] = merged(first, again)
            except LogbookError as problem:
                first.refused = problem


def _meant(known: list[Remembered], place: str | None) -> list[Remembered]:
    """The places to exchange with: all known ones, the one of that name, or one not known."""
    if place is not None:
        named = [one for one in known if one.name == place]
        return named or [_by_address(known, place)]
    if not known:
        raise UserMistake(
            "no place is known yet to exchange lines through",
            "logbook sync FOLDER, or: logbook sync add NAME PLACE",
        )
    return known


def _by_address(known: list[Remembered], place: str) -> Remembered:
    """The known place that is there, or one not known, shown without its password."""
    from logbook.sync.places import address_to_keep, folder_at, is_hub
    from logbook.sync.putting import is_folder

    kept, _ = address_to_keep(place)
    for one in known:
        if one.address == kept:
            # As it was typed: a password is not kept.
            return replace(one, address=place)
    if not (is_hub(place) or {"/", "\\"} & {*place} or is_folder(folder_at(place))):
        raise UserMistake(
            f"{place}: no place is called that, and there is no such folder",
            "logbook sync places lists those that are known",
        )
    return Remembered(kept if is_hub(place) else place, place, None, None, {})


def exchanged(
    session: Session,
    one: Remembered,
    dry: bool,
    thorough: bool,
    merge: bool = False,
    refill: bool = False,
) -> Summary:
    """Exchange with a place, and note what it has now; with another book's only to `merge`.

    With a folder that is empty, and was not, only to `refill` it.
    """
    from logbook.report.terminal.progress import counter
    from logbook.sync.books import refuse_another
    from logbook.sync.exchange import exchange
    from logbook.sync.places import opened, put_down

    when = session.clock.now()
    with (
        opened(one, session.store, thorough=thorough, keep=not dry, refill=refill) as place,
        counter(one.name) as progress,
    ):
        if not merge:
            refuse_another(session.store, place)
        summary = exchange(
            session.store,
            config.state_folder(),
            place,
            now=when,
            seen=one.seen,
            dry=dry,
            progress=progress,
        )
    if not dry:
        put_down(session.store, one.name, when, summary)
    return summary


def tell(
    session: Session,
    done: list[tuple[str, Summary]],
    missed: list[tuple[str, LogbookError]],
    json: bool,
) -> None:
    """Say what exchanges did, and which places were not reached; see `end`."""
    from logbook.book.membership import standings
    from logbook.book.vouching import own_writer
    from logbook.report import exchanges
    from logbook.sync.place import Unreachable

    known = session.read(standings)
    uncounted = exchanges.uncounted(session.read(own_writer), known)
    if json:
        as_json(
            {
                "exchanges": [exchanges.document(name, one, known) for name, one in done],
                "not_reached": [
                    {"place": n, "why": p.message, "remedy": p.hint} for n, p in missed
                ],
                "uncounted": uncounted,
            }
        )
    for name, summary in () if json else done:
        say(exchanges.headline(name, summary, known))
        for sentence in exchanges.remarks(summary, known):
            say(f"  {sentence}")
    if uncounted and not json:
        say(uncounted)
    for name, problem in missed:
        reached = "not reached" if isinstance(problem, Unreachable) else "nothing exchanged"
        aside(f"{name}: {reached}: {problem.message}")
        if problem.hint and len(done) + len(missed) > 1:
            aside(f"  Try: {problem.hint}")
    if missed and not done:
        hint = missed[0][1].hint if len(missed) == 1 else ""
        raise UserMistake("no lines could be exchanged anywhere", hint)
    end([summary for _, summary in done], json)
    refused = [problem for _, problem in missed if not isinstance(problem, Unreachable)]
    if refused:
        # A stick that is out comes again by itself; this stays so until somebody does something.
        places = "1 place was" if len(refused) == 1 else f"{len(refused)} places were"
        raise ProblemsFound(f"{places} refused", refused[0].hint)


def end(done: list[Summary], json: bool) -> None:
    """Say what was found, and end with the exit code of the worst that happened."""
    for summary in done:
        for problem in () if json else summary.problems:
            say(f"  {problem}")
    for summary in done:
        if summary.refused is not None:
            raise summary.refused
    count = sum(len(summary.problems) for summary in done)
    if count:
        raise ProblemsFound(
            f"{count} thing{'s' * (count != 1)} found that should not be there",
            "what was sound is exchanged; docs/sync.md says what each finding means",
        )


def add(
    context: typer.Context,
    name: Annotated[str, typer.Argument(help="What you call it.", show_default=False)],
    place: Where,
    book: Which = None,
) -> None:
    """Remember a place by a name; `logbook sync` then goes there too.

    A password in a URL is not kept: put it into ~/.pgpass, or into PGPASSWORD.

    Examples: logbook sync add stick /media/greenhouse-stick
              logbook sync add office postgresql://bench@db.example/trials
    """
    from logbook.sync.folder import refuse_private
    from logbook.sync.places import address_to_keep, is_hub

    session: Session = context.obj
    if name in _COMMANDS or not name.strip() or name != name.strip() or not name.isprintable():
        raise UserMistake(f"{name!r} cannot be the name of a place", "choose another word")
    address, left_out = address_to_keep(place)
    if not is_hub(place) and not Path(address).is_dir():
        raise UserMistake(f"{place}: there is no such folder", "make it, or put the stick in")
    if not is_hub(place):
        refuse_private(Path(address), session.store, config.state_folder())
    with _stored(session) as store:
        if any(one.name == name for one in remembered.listed(store)):
            raise UserMistake(
                f"a place called {name} is known already", f"logbook sync forget {name}"
            )
        remembered.remember(store, name, address, book)
    say(f"{name}: {address}")
    if left_out:
        say("  its password was not kept: put it into ~/.pgpass, or into PGPASSWORD")


def places(context: typer.Context, json: Json = False) -> None:
    """List the places that are known, and when lines were last exchanged there.

    Examples: logbook sync places
              logbook sync places --json
    """
    session: Session = context.obj
    must_exist(session)
    known = session.read(remembered.listed)
    if json:
        as_json(
            {
                "places": [
                    {"name": o.name, "address": o.address, "book": o.book, "last": o.last}
                    for o in known
                ]
            }
        )
        return
    for one in known:
        last = f"last exchanged {_spoken(one.last)}" if one.last else "not exchanged yet"
        say(f"{one.name}: {one.address}, {last}")
    if not known:
        say("No place is known yet: logbook sync add NAME PLACE")


def _spoken(instant: str) -> str:
    return f"{instant[:10]} {instant[11:16]} UTC"


def forget(
    context: typer.Context,
    name: Annotated[str, typer.Argument(help="What you call it.", show_default=False)],
) -> None:
    """Forget a place; nothing that lies there changes.

    Examples: logbook sync forget stick
              logbook sync forget office
    """
    session: Session = context.obj
    with _stored(session) as store:
        if not any(one.name == name for one in remembered.listed(store)):
            raise UserMistake(f"no place is called {name}", "logbook sync places")
        remembered.forget(store, name)
    say(f"{name}: forgotten; what lies there stays")


def must_exist(session: Session) -> None:
    """Refuse where there is no logbook yet, and say how there comes to be one."""
    if not session.store.exists():
        raise views.NoStore(f"{session.store}: there is no logbook here yet", views.FIRST)


def _stored(session: Session) -> Any:
    from logbook.sync.places import changing

    must_exist(session)
    return changing(session.store)


COMMANDS = {
    "sync": bare_group(
        "Exchange lines with other machines.", now=now, add=add, places=places, forget=forget
    )
}
