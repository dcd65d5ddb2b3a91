"""A page whose python cells are run like a notebook's, each followed by what it shows.

A cell is a block of python; the block of text after it, if any, is its output: what it prints, the
value of its last line, or the sentence of an error. What is no error of the program's own stops it.
"""

from __future__ import annotations

import ast
import os
import re
import traceback
from collections.abc import Iterator
from contextlib import chdir, redirect_stdout
from datetime import datetime
from io import StringIO
from pathlib import Path
from typing import Any

from logbook.errors import LogbookError

PAGE = Path(__file__).resolve().parents[1] / "docs" / "python.md"
_CELL = re.compile(r"```python\n(.*?)```\n(?:\n```text\n.*?```\n)?", re.DOTALL)
_COLUMNS = re.compile(r"(?<=<!-- columns -->\n).*?(?=<!-- end of columns -->)", re.DOTALL)


def demo_store(folder: Path, now: datetime) -> Path:
    """The season of the demo, played and kept in a folder as trial.db."""
    from logbook.cli import demo

    store = folder / "trial.db"
    before = os.environ.get("LOGBOOK_STATE")
    os.environ["LOGBOOK_STATE"] = str(folder / "state")
    try:
        demo.play(store, now)
    finally:
        os.environ.pop("LOGBOOK_STATE")
        if before is not None:
            os.environ["LOGBOOK_STATE"] = before
    return store


def python_page(folder: Path) -> str:
    """docs/python.md as it must be: its cells run beside the trial.db of a folder."""
    page = PAGE.read_text(encoding="utf-8")
    known: dict[str, Any] = {"__name__": "__main__"}

    def run(cell: re.Match[str]) -> str:
        said = output(cell[1], known)
        shown = f"\n```text\n{said}\n```\n" if said else ""
        return f"```python\n{cell[1]}```\n{shown}"

    with chdir(folder):
        page = _CELL.sub(run, page)
    return _COLUMNS.sub(lambda _: "\n".join(columns_part()) + "\n", page, count=1)


def output(source: str, known: dict[str, Any]) -> str:
    """What a cell shows, its names kept in `known` for the cells after it."""
    said = StringIO()
    tree = ast.parse(source)
    last = tree.body.pop() if isinstance(tree.body[-1], ast.Expr) else None
    with redirect_stdout(said):
        try:
            exec(compile(tree, "cell", "exec"), known)
            if last is not None:
                value = eval(compile(ast.Expression(last.value), "cell", "eval"), known)
                if value is not None:
                    print(repr(value))
        except LogbookError as error:
            print("".join(traceback.format_exception_only(error)))
    return "\n".join(line.rstrip() for line in said.getvalue().strip("\n").splitlines())


def columns_part() -> Iterator[str]:
    """A table of the columns of each frame."""
    from logbook.api.frames import TABLES

    for table, columns in TABLES.items():
        yield f"\n### {table}\n\n| column | kind | unit | meaning |\n|---|---|---|---|"
        for one in columns:
            about = one.about.replace("|", "\\|").replace("<", "&lt;")
            yield f"| `{one.name}` | {one.kind} | {one.unit} | {about} |"
    yield ""
