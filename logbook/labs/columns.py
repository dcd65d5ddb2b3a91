"""Which column of a laboratory's table plays which role, by the names the trade gives them."""

from __future__ import annotations

import re
from collections.abc import Callable, Collection
from operator import itemgetter

from logbook.errors import Problem
from logbook.labs.reader import Table, shown
from logbook.trial import codes

# role -> names a column may have, best ones first; two columns of one group are ambiguous.
ROLES: dict[str, tuple[str, ...]] = {
    "sample": (
        "sample|sample code|sample id|sample no|sample number|sample name|code|field id|client id",
        "lab id no", "client sample id", "client sample no", "client sample", "customer sample id",
        "customer reference", "client reference", "client ref", "your reference", "your ref",
        "your sample", "sample reference", "sample ref", "sample identification",
    ),
    "nutrient": ("nutrient|analyte|parameter|determinand|element",),
    "value": ("value|result|results|reading|concentration|test result",),
    "unit": ("unit|units|uom|result unit|result units",),
    "method": ("method|extractant|extraction|test method|extraction method|procedure",),
    "basis": ("basis|moisture basis|reporting basis",),
    "report": ("report|report no|report number|report id|lab report",),
    "lab": ("lab|laboratory|lab name|laboratory name",),
    "limit": (
        "limit|reporting limit|rl|limit of quantification|quantification limit|loq",
        "detection limit|limit of detection|lod|mdl",
    ),
    "qualifier": ("qualifier|flag|flags|sign|modifier",),
    "run": ("run|run no|run number|re run",),
    "repeat": ("repeat|replicate|rep|duplicate",),
    # Nothing is measured or paired by it, so that of two of them the better name will do.
    "laboratory_number": (
        "lab no", "lab number", "laboratory number", "laboratory no", "lab sample no",
        "lab sample number", "laboratory sample no", "laboratory sample number", "lab id",
        "laboratory id", "lab sample id", "laboratory sample id", "lab ref", "lab reference",
    ),
}  # fmt: skip
# What is wrong with a table that has a column for each sample, and what to do about it.
LYING = (
    "the samples stand beside one another, a column for each",
    "turn the table in a spreadsheet program (copy, paste transposed), so that each has a row",
)
# What saves anybody from editing a laboratory's file.
IN_A_PROFILE = "let a profile say it (logbook lab profile new)"
NEEDED = ("sample", "nutrient", "value", "unit", "method")


def find_columns(
    table: Table,
    skipped: Collection[int] = (),
    roles: Collection[str] = tuple(ROLES),
    needed: Collection[str] = NEEDED,
) -> tuple[dict[str, int], list[Problem]]:
    """Which column plays which of the roles, and what is missing or ambiguous."""
    names = [_plain(title) for title in table.header]
    columns: dict[str, int] = {}
    problems: list[Problem] = []
    for role in roles:
        for group in ROLES[role]:
            found = [
                i for i, name in enumerate(names) if name in group.split("|") and i not in skipped
            ]
            if len(found) > 1:
                both = " and ".join(shown(table.header[i]) for i in found)
                what = f"columns {both} may each be the {role}"
                problems.append(Problem(f"{table.file}, header", what, "rename all but one"))
            if found:
                columns.setdefault(role, found[0])
    if "sample" in needed and "sample" not in columns and in_header(table.header):
        return columns, [*problems, Problem(f"{table.file}, header", *LYING)]
    for role in needed:
        if role not in columns:
            what = f"there is no column for the {role}"
            remedy = f"{IN_A_PROFILE}, or name it {shown(role)}"
            if role == "sample" and (title := _with_codes(table)):
                what = f"the codes stand in column {shown(title)}, and no column is the sample"
            problems.append(Problem(f"{table.file}, header", what, remedy))
    return columns, problems


def is_sample(title: str) -> bool:
    """Whether a plain table's column of that heading may be the one of the samples."""
    return any(_plain(title) in group.split("|") for group in ROLES["sample"])


def _plain(title: str) -> str:
    return " ".join(re.sub(r"[_\-.#:]", " ", title.lower()).split())


def _with_codes(table: Table) -> str:
    """The title of the first column that holds codes of samples."""
    titles = (title for column, title in enumerate(table.header) if holds_codes(table, column))
    return next(titles, "")


def holds_codes(table: Table, column: int) -> bool:
    """Whether most of a column's first cells are codes of samples."""
    rows = table.rows[:50]
    found = sum(codes.is_valid(codes.tidy(row[column])) for row in rows)
    return 2 * found > len(rows)


def in_header(row: Collection[str]) -> bool:
    """True for a row of sample codes, as the header of a table has them that lies on its side."""
    return sum(codes.is_valid(codes.tidy(cell)) for cell in row if cell) > 1


def picker(columns: dict[str, int], *roles: str) -> Callable[[list[str]], object]:
    """A fast function from a row to its cells of those roles (columns that exist)."""
    places = [columns[role] for role in roles if role in columns]
    return itemgetter(*places) if places else lambda row: None
