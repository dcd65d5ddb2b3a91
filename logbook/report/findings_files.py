"""Findings in a season's folder: a page of plain lines, and a table of its sentences."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator, Sequence
from typing import TYPE_CHECKING

from logbook.report.findings import text_lines
from logbook.report.sheets import Cell, Sheet, clean, columns

if TYPE_CHECKING:
    import sqlite3

    from logbook.handbook import Handbook
    from logbook.study.findings import Finding, Findings
    from logbook.study.series import Series

TEXT = "findings.txt"
WIDTH = 80

_FINDINGS = """
treatment | | the treatment's code
topic | | nitrogen, make-up, supply, planting or nutrients
about | | the nutrient, or the nitrogen material of a make-up amount
kind | | more, less, perhaps more, perhaps less, no difference shown, equivalent, cannot say, ...
sentence | | the finding in words; where a number is missing, why
value | as in unit | the estimate; empty: none can be given
low | as in unit | lower end of its 95 % range; empty: open, or none
high | as in unit | upper end of its 95 % range; empty: open, or none
unit | | unit of value, low, high, detectable and laboratory_chance
design | | treated + control beds behind it, how the range was made, what was left out
pull | | the calendar's name of its date; empty: over all pulls
declared | | yes: the difference named beforehand; all others are exploratory
detectable | as in unit | beside "no difference shown": what such beds show four times in five
detectable_planned | | yes: from the error declared; no: from the spread of these beds
method | | extraction or test method; empty: mineral-N, or of the whole trial
untreated_soil | | where the untreated soil stands beside the range of its table
source | | of a published table that was used
treated | in the nutrient's unit | mean of the treated beds on that date
control | in the nutrient's unit | mean of the control beds on that date
beside_it | | what must be known of the scale, or of chance in the laboratory
laboratory_chance | as in unit | how far two single results differ by laboratory error alone, 95 %
"""


def findings_of(
    store: sqlite3.Connection, trial: str, handbook: Handbook | None, series: Sequence[Series]
) -> tuple[Findings, ...]:
    """The findings of every amendment; handbook: None for the program's own tables.

    series: all of the trial, fitted.
    """
    from logbook import handbook as tables
    from logbook.study.findings import findings

    known = tables.load() if handbook is None else handbook
    return tuple(findings(store, trial, known, series=series))


def findings_sheet(found: Iterable[Findings]) -> Sheet:
    """Every sentence of every amendment with its numbers."""
    rows = tuple(_row(one.treatment, each) for one in found for each in one.findings)
    about = (
        "One row for each sentence on an amendment. How far it reaches, what limits it and what to "
        f"mind with the material stand in {TEXT}: read the rows with them."
    )
    return Sheet("findings.csv", about, columns(_FINDINGS), rows)


def _row(treatment: str, one: Finding) -> tuple[Cell, ...]:
    planned = one.planned if one.detectable is not None else None
    return (
        treatment,
        one.topic,
        one.about,
        one.kind,
        one.sentence,
        one.value,
        one.low,
        one.high,
        one.unit,
        one.design,
        one.pull,
        one.declared,
        one.detectable,
        planned,
        one.method,
        one.standing,
        one.source,
        one.treated,
        one.control,
        one.aside,
        one.chance,
    )


def findings_text(found: Sequence[Findings]) -> str:
    """The page of every amendment, 80 columns wide, LF line ends."""
    pages = ["\n".join(_wrapped(one)) for one in found]
    return f"\n\n{'-' * (WIDTH // 2)}\n\n".join(pages) + "\n"


def _wrapped(found: Findings) -> Iterator[str]:
    for text in text_lines(found):
        hang = "  " if text.startswith("- ") else ""
        lines = textwrap.wrap(
            clean(text),
            WIDTH,
            subsequent_indent=hang,
            break_long_words=False,
            break_on_hyphens=False,
        )
        yield from lines or [""]
