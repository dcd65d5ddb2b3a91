"""Profiles of laboratories: `lab profile new`, `list`, `show`."""

from __future__ import annotations

import sys
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from logbook import config
from logbook.cli import laboratory
from logbook.cli.app import group
from logbook.cli.laboratory import tell
from logbook.cli.session import Session, as_json, in_window, say
from logbook.errors import BadData, LogbookError, Problem, UserMistake
from logbook.trial import codes

if TYPE_CHECKING:
    from logbook.labs.grid import Grid
    from logbook.labs.profiles.asking import Answer, Question
    from logbook.labs.profiles.content import Profile

_MOST_SHOWN = 20
_MOST_SEARCHED = 500
_MOST_TRIES = 3


def new(
    context: typer.Context,
    file: Annotated[
        Path, typer.Argument(help="A report of the laboratory, CSV or XLSX.", show_default=False)
    ],
    name: Annotated[str | None, typer.Option(help="The profile's name [the file's].")] = None,
    lab: Annotated[str | None, typer.Option(help="The laboratory.")] = None,
    say_: Annotated[
        list[str] | None,
        typer.Option("--say", help="An answer: 'basis=dry'. As often as needed."),
    ] = None,
    sheet: Annotated[str | None, typer.Option(help="The sheet of a spreadsheet.")] = None,
    encoding: Annotated[
        str | None, typer.Option(help="How the text is encoded [from the file].")
    ] = None,
    replace: Annotated[
        bool, typer.Option("--replace", help="Write over the profile of that name.")
    ] = False,
) -> None:
    """Propose a profile from a sample report, and ask what the report does not say.

    Without a terminal, what is not answered by --say stands in the profile as lines to complete.

    Examples: logbook lab profile new report.csv --name fen --lab 'Fen Lab'
              logbook lab profile new report.csv --say basis=dry --say 'method of P=Olsen'
    """
    from logbook.labs.profiles import keeping, proposing
    from logbook.labs.reader import read_grid
    from logbook.labs.typed import option_text

    called = keeping.checked_name(name or _from_file(file))
    refused: list[Problem] = []
    answer = _answers(say_ or [], refused)
    grid = read_grid(file, sheet=sheet, encoding=encoding)
    folder = config.profiles_folder()
    if called in keeping.own(folder) and not replace:
        keeping.save(folder, called, "", False)  # refuses, before anything is asked
    followed = _followed(context.obj, grid)
    try:
        proposal = proposing.propose(grid, answer, option_text("--lab", lab), followed)
    except BadData:
        _refuse_answers(refused)
        raise
    _refuse_unasked(say_ or [], proposal.asked)
    _refuse_answers(refused)
    path = keeping.save(folder, called, proposal.text, replace)
    say(f"Written: {path}")
    for note in proposal.notes:
        tell(f"Note: {note}", 6)
    if proposal.skipped:
        tell(f"Note: columns that are left out: {', '.join(proposal.skipped[:_MOST_SHOWN])}", 6)
    if proposal.open:
        raise _open(called, proposal.open)
    _check(called)
    tell(f"Read it through, then: logbook lab import FILE --profile {called}")


def _followed(session: Session, grid: Grid) -> dict[str, str]:
    """The methods that the trial of these samples follows; none without a logbook or a trial."""
    cells = {codes.tidy(cell) for row in grid.rows[:_MOST_SEARCHED] for cell in row}
    named = {code for code in cells if codes.is_valid(code)}
    with suppress(LogbookError):
        return session.read(lambda store: laboratory.setting(store, session, named)).methods
    return {}


def _from_file(file: Path) -> str:
    """A name after a file's: small letters, digits and hyphens."""
    letters = [one if one.isascii() and one.isalnum() else "-" for one in file.stem.lower()]
    return "-".join(part for part in "".join(letters).split("-") if part)[:40].strip("-") or "lab"


def _answers(said: list[str], refused: list[Problem]) -> Answer:
    """Answers as the options say them, then as they are asked on a terminal.

    What an option says that cannot be an answer is put to `refused`; on a terminal it is asked
    again.
    """
    from logbook.labs.profiles.asking import answers

    found: dict[str, str] = {}
    told: list[str] = []
    for option in said:
        key, equals, text = option.rpartition("=")
        if not equals or not key.strip() or not text.strip():
            raise UserMistake(f"--say {option!r} is not QUESTION=ANSWER", "such as --say basis=dry")
        found[key] = text.strip()
    by_option = answers(found)

    def answer(question: Question) -> str | None:
        given = question.meant(by_option(question) or "")
        if given and (wrong := _wrong(question, given)):
            refused.append(Problem(f"--say '{question.key}={given}'", wrong.message, wrong.hint))
            return None
        if given or not sys.stdin.isatty():
            return given or None
        if question.key.startswith("mark ") and not told:
            told.append(question.key)
            tell(_meanings())
        return _asked(question)

    return answer


def _wrong(question: Question, said: str) -> UserMistake | None:
    """Why an answer cannot be one."""
    try:
        question.check(said)
    except UserMistake as mistake:
        return mistake
    return None


def _asked(question: Question) -> str | None:
    """What is answered on the terminal, asked again a few times; None for what comes later."""
    hints = [f"such as {question.example}"] if question.has_example else []
    hints = [f"yes: {question.usual}"] if question.usual else hints
    text = f"{question.text} ({'; '.join([*hints, 'empty: later'])})"
    for _ in range(_MOST_TRIES):
        said = question.meant(ask_or_later(text))
        wrong = _wrong(question, said) if said else None
        if wrong is not None:
            tell("; ".join(part for part in (wrong.message, wrong.hint) if part))
        elif not said or _is_sure(question, said):
            return said or None
    raise UserMistake(
        f"nothing was written: {_MOST_TRIES} answers, none of which can be one to: {question.text}",
        "an empty answer leaves it for later",
    )


def _is_sure(question: Question, said: str) -> bool:
    """Whether an answer that is unlikely is meant."""
    doubt = question.doubt(said)
    return not doubt or ask_or_later(f"{doubt}; is {said!r} meant? (yes/no)").lower() in (
        "yes",
        "y",
    )


def _refuse_answers(refused: list[Problem]) -> None:
    """Refuse what --say said that cannot be an answer; raises BadData."""
    if refused:
        several = f"{len(refused)} answer{'s' * (len(refused) != 1)}"
        raise BadData(f"{several} cannot be so; nothing was written", refused)


def _refuse_unasked(said: list[str], asked: list[str]) -> None:
    """An answer to a question that nobody asked is a slip in its key; raises UserMistake."""
    known = {" ".join(key.split()).casefold() for key in asked}
    for option in said:
        key = " ".join(option.rpartition("=")[0].split())
        if key.casefold() not in known:
            hint = f"asked: {', '.join(asked)}" if asked else "leave it out"
            raise UserMistake(f'nothing was asked that "{key}" answers', hint)


def ask_or_later(question: str) -> str:
    """What is answered on the terminal; empty for what somebody will complete later."""
    try:
        return str(typer.prompt(in_window(question), default="", show_default=False)).strip()
    except typer.Abort as stopped:
        if not isinstance(stopped.__context__, EOFError):
            raise
        raise UserMistake(
            "the input ended before everything was asked; nothing was written",
            "run it again: an empty answer leaves a question for later, --say answers it",
        ) from None


def _open(name: str, questions: list[Question]) -> BadData:
    """What is missing, each with the flag that answers it."""
    several = f"{len(questions)} thing{'s' * (len(questions) != 1)}"
    problems = [
        Problem(f"{name}.toml", one.text, f"--say '{one.key}={one.example}'") for one in questions
    ]
    if any(one.key.startswith("mark ") for one in questions):
        problems.append(Problem("", _meanings()))
    return BadData(
        f"the report does not say {several} that the profile needs",
        problems,
        "complete the lines 'open' in the file, or run it again with --say and --replace",
    )


def _meanings() -> str:
    """The words that a mark may stand for."""
    from logbook.labs.profiles.asking import MEANINGS

    return f"A mark means one or more of: {', '.join(MEANINGS)}"


def _check(name: str) -> None:
    """Refuse a profile whose answers do not do, with its lines."""
    from logbook.labs.profiles import keeping

    keeping.load(config.profiles_folder(), name)


def show(
    name: Annotated[str, typer.Argument(help="Its name.", show_default=False)],
    json: Annotated[bool, typer.Option("--json", help="For programs.")] = False,
) -> None:
    """Show a profile: its file as it is, and what is wrong with it.

    Examples: logbook lab profile show fen
              logbook lab profile show example-fen
    """
    from logbook.labs.profiles import keeping
    from logbook.labs.profiles.reading import read

    called, data, path = keeping.contents(config.profiles_folder(), name)
    profile = read(data, path, called)
    if json:
        as_json(_document(profile, path))
        return
    say(f"{profile.name}: {profile.lab}")
    say(f"File: {path}")
    for one in profile.measures:
        unit = one.unit or ("" if one.analyte.dimension == "acidity" else "unit of the row")
        cells = (one.nutrient, unit, one.method or "method of the row", one.basis)
        say(f"  {one.title or one.at}: {', '.join(part for part in cells if part)}")
    for mark, meaning in profile.marks.items():
        say(f"  mark {mark}: {meaning}")


def _document(profile: Profile, path: str) -> dict[str, Any]:
    return {
        "name": profile.name,
        "lab": profile.lab,
        "file": path,
        "columns": [
            {
                "title": one.title or one.at,
                "nutrient": one.nutrient,
                "unit": one.unit or None,
                "method": one.method or None,
                "basis": one.basis,
            }
            for one in profile.measures
        ],
        "qualifiers": dict(profile.marks),
    }


def list_(json: Annotated[bool, typer.Option("--json", help="For programs.")] = False) -> None:
    """List the profiles: your own, and the examples of invented laboratories.

    Examples: logbook lab profile list
              logbook lab profile list --json
    """
    from logbook.labs.profiles import keeping

    folder = config.profiles_folder()
    own = keeping.own(folder)
    examples = [name for name in keeping.shipped() if name not in own]
    if json:
        as_json({"folder": str(folder), "profiles": own, "examples": examples})
        return
    for name in own:
        tell(f"{name}  {_lab(name)}", 2)
    for name in examples:
        tell(f"{name}  {_lab(name)}, an example", 2)
    tell(f"Yours are in {folder}", 2)


def _lab(name: str) -> str:
    from logbook.labs.profiles import keeping

    try:
        return keeping.load(config.profiles_folder(), name).lab
    except LogbookError as error:
        if (left := _left_open(name)) > 0:
            return f"not completed: {left} question{'s' * (left != 1)} still open"
        return f"cannot be used: logbook lab profile show {name} says why ({error.message})"


def _left_open(name: str) -> int:
    """How many questions a proposed profile has left open."""
    from logbook.labs.profiles import keeping, writing

    with suppress(LogbookError):
        _, data, _ = keeping.contents(config.profiles_folder(), name)
        lines = data.decode("utf-8", "replace").splitlines()
        return sum(line.startswith(writing.OPEN) for line in lines)
    return 0


PROFILE = group(
    "How a laboratory lays its reports out.", **{"new": new, "list": list_, "show": show}
)
