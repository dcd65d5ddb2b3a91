"""How objects look in a notebook and on a terminal: escaped HTML, lines of plain text."""

from __future__ import annotations

import html
from collections.abc import Iterable

import pandas as pd

from logbook.trial.wording import printable


def number(value: float | None) -> str:
    """Four significant digits, for reading; "-" where there is none."""
    return "-" if value is None else f"{value:.4g}"


def lines(*some: str) -> str:
    """Lines of plain text that cannot steer a terminal."""
    return "\n".join(printable(line) for line in some)


def page(
    heading: str, notes: Iterable[str], *tables: pd.DataFrame, before: Iterable[str] = ()
) -> str:
    """A heading, tables and notes as HTML; whatever the data hold is text, never markup.

    before: what must be read before the tables.
    """
    shown = [f"<p><b>{_text(heading)}</b></p>", _list(before), *map(_table, tables), _list(notes)]
    return "\n".join(part for part in shown if part)


def _list(sentences: Iterable[str]) -> str:
    listed = "".join(f"<li>{_text(one)}</li>" for one in sentences)
    return f"<ul>{listed}</ul>" if listed else ""


def _text(words: str) -> str:
    return html.escape(printable(words))


def _table(frame: pd.DataFrame) -> str:
    safe = frame.map(lambda cell: printable(cell) if isinstance(cell, str) else cell)
    with pd.option_context("display.max_colwidth", None):
        return str(safe.to_html(escape=True, index=False, na_rep="", float_format="{:.4g}".format))
