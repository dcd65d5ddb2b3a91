"""What a profile says about a laboratory's reports: where things stand, and what they mean."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from fractions import Fraction

from logbook.labs.grid import Grid
from logbook.labs.marks import Marks
from logbook.trial import chemistry, contents
from logbook.trial.chemistry import Analyte
from logbook.trial.contents import Known

FORMAT = 1
SUFFIX = ".toml"
ORDERS = ("year first", "day first", "month first")
ASKED, FILE_NAME = "asked", "file name"
# What stands before a report's number: "Report no. 26-114", "Certificate of analysis: 26-20".
NUMBERED = re.compile(
    r"\s*(?:(?:work|lab|laboratory|test|analysis|soil)\s+)*"
    r"(?:(?:report|order|job|certificate)\b(?:\s+of\s+analysis)?\s*|prüfbericht(?:s?-|\b)\s*|"
    r"auftrags?[-\s]?(?=(?:nr|nummer)\b))"
    r"(?:(?:no|nr|number|nummer|id)\b|#)?[.:\s]*",
    re.IGNORECASE,
)


@dataclass(frozen=True)
class Measure:
    """A nutrient as the laboratory reports it, with all that makes its numbers comparable.

    `title` is the joined heading of its column, or how the rows of a long layout name it; `at`
    names the column by its letters instead. `method` is the full name with ratio and detection;
    where it or the unit is empty, the rows of a long layout say it.
    `limit` is the laboratory's own for this column, as written, or the heading of a column of a
    wide layout that has it for each sample. `to_dry`: moist contents are made
    dry ones with each sample's own moisture. `optional`: a report may lack it.
    """

    title: str
    nutrient: str
    unit: str
    method: str
    basis: str
    known: Known = field(default_factory=Known)
    limit: str = ""
    at: str = ""
    to_dry: bool = False
    optional: bool = False

    @property
    def analyte(self) -> Analyte:
        """What is measured."""
        return chemistry.find_analyte(self.nutrient)[0]

    @property
    def factor(self) -> Fraction:
        """What a number is multiplied with to be canonical; UserMistake where the unit is wrong."""
        analyte, share = chemistry.find_analyte(self.nutrient)
        return contents.factor(self.unit or analyte.unit, analyte, share, self.known)


@dataclass(frozen=True)
class Layout:
    """Where the table stands: rows as a person counts them.

    `header` are numbers of the header's rows, one below the other; or none, and `below` is a cell
    of the first of `header_rows` rows. `first` is the first row of data, None for the next one.
    A row whose first cell that is not blank begins with one of `end` is below the data; a row is
    left out if that cell or the sample's name begins with one of `skip_rows`. A row with a
    sample's code is neither, unless it is named in full. `spread`: a blank cell in an upper header
    row goes on with the cell to its left.
    """

    long: bool = False
    header: tuple[int, ...] = ()
    below: str = ""
    header_rows: int = 1
    first: int | None = None
    end: tuple[str, ...] = ()
    blank_ends: bool = False
    skip_rows: tuple[str, ...] = ()
    spread: bool = False


@dataclass(frozen=True)
class Roles:
    """Headings of the columns that name what a row is about; "" without such a column.

    Those from `nutrient` on are of a long layout only.
    """

    sample: str = ""
    laboratory_number: str = ""
    received: str = ""
    report: str = ""
    basis: str = ""
    repeat: str = ""
    nutrient: str = ""
    value: str = ""
    unit: str = ""
    method: str = ""
    limit: str = ""
    qualifier: str = ""


@dataclass(frozen=True)
class Profile:
    """How one laboratory's reports are read.

    `number` is where the report's number is: a cell ("B2"), FILE_NAME or ASKED; `received` likewise
    a cell, or "". `skip` are headings of columns to leave out, with `skip_rest` all that are not
    named. `decimal` is "" where the file's own numbers must show it.
    """

    name: str
    lab: str
    layout: Layout
    roles: Roles
    measures: tuple[Measure, ...]
    sheet: str | None = None
    encoding: str | None = None
    delimiter: str | None = None
    decimal: str = ""
    thousands: str = ""
    dates: str = ""
    number: str = ASKED
    received: str = ""
    skip: tuple[str, ...] = ()
    skip_rest: bool = False
    marks: Mapping[str, str] = field(default_factory=dict)

    def reads(self, grid: Grid) -> Marks:
        """How cells are read, with what the file itself shows of its decimal mark.

        A spreadsheet's numbers have no mark of their own: the grid gives them that of its texts, a
        point without any. There it is the grid's that counts, else 1.234 might become 1234.
        """
        own = "," if grid.decimal_comma else "."
        if grid.kind == "xlsx":
            doubtful = grid.point_doubtful and self.decimal != "."
            return Marks(self.marks, own, self.thousands if own == self.decimal else "", doubtful)
        doubtful = grid.point_doubtful and not self.decimal and not grid.decimal_comma
        return Marks(self.marks, self.decimal or own, self.thousands, doubtful)
