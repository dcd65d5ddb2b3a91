"""The form of a shipment: `lab form`, and what writes it."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Annotated

import typer

from logbook.cli.session import Session, say
from logbook.errors import UserMistake
from logbook.report.lines import counted
from logbook.trial import codes

_FORMS = (".pdf", ".csv")
Paper = Annotated[str, typer.Option(help="The form's paper: a4 or letter.")]


def form(
    context: typer.Context,
    shipment: Annotated[str, typer.Argument(help="The shipment's code.", show_default=False)],
    file: Annotated[
        Path, typer.Argument(help="The form: FILE.pdf or FILE.csv.", show_default=False)
    ],
    paper: Paper = "a4",
) -> None:
    """Write the form of a shipment again, as PDF or CSV.

    Examples: logbook lab form K7M3QX4R form.pdf --paper letter
              logbook lab form K7M3QX4R form.csv
    """
    session: Session = context.obj
    check_form(file, paper)
    write_form(session, codes.tidy(shipment), file, paper)


def check_form(file: Path | None, paper: str) -> None:
    """Refuse what could not be written, before anything is."""
    if paper not in ("a4", "letter"):
        raise UserMistake(f"{paper!r} is no paper that this program knows", "use a4 or letter")
    if file is None:
        return
    if file.suffix.lower() not in _FORMS:
        raise UserMistake(f"{file.name}: a form is a PDF or CSV file", "end it in .pdf or .csv")
    if file.exists():
        raise UserMistake(f"{file} is there already", "name another file, or delete it first")
    if not file.parent.is_dir() or not os.access(file.parent, os.W_OK):
        raise UserMistake(f"{file.parent} is no folder that can be written", "name another file")


def write_form(session: Session, code: str, file: Path, paper: str) -> None:
    """Write the form of a shipment, whole or not at all."""
    from logbook.report import submission

    content = session.read(lambda store: submission.form(store, code))
    if file.suffix.lower() == ".csv":
        data = submission.form_csv(content)
    else:
        from logbook.report.submission_page import form_pdf

        data = form_pdf(content, paper)
    part = file.with_name(f".{file.name}.part")
    try:
        part.write_bytes(data)
        part.replace(file)
    except OSError as problem:
        part.unlink(missing_ok=True)
        raise UserMistake(
            f"{file}: cannot be written: {problem.strerror or type(problem).__name__}",
            f"the shipment is written down; logbook lab form {code} FILE writes its form",
        ) from problem
    say(f"  form: {file}, {counted(len(content.lines), 'sample')}")
