"""No cell and no result is lost or doubled between a laboratory's file and the book.

Reports are made up by hypothesis: values, flags, layouts, encodings, decimal marks, notes above and
below. They are written as text and as a spreadsheet (by openpyxl, another program than ours), read
back, imported, listed, and imported again.
"""

from __future__ import annotations

import csv
import io
import json
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path
from random import Random

import openpyxl
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from logbook import config
from logbook.labs.grid import FORBIDDEN
from logbook.labs.reader import read_grid
from tests.labs.hostile import Rows, csv_text
from tests.program import Program

ON = "2026-03-20T09:00+01:00"
WORDS = st.text(
    st.characters(
        codec="cp1252", exclude_categories=["Cc", "Cf", "Cs", "Zl", "Zp"],
        exclude_characters="\xad\xa0_",
    ),
    max_size=12,
)  # fmt: skip
NUMBERS = st.decimals(0, 9999, places=3).map(lambda value: f"{value.normalize():f}")
FLAGS = st.sampled_from(["<0.5", "< 0.05", ">200", "ND", "n.d.", "#N/A", "-", "'5", "=1+1", "@x"])
CELLS = st.one_of(
    WORDS, NUMBERS, FLAGS, st.just(""), st.sampled_from(["a\nb", 'say "x"', "a;b,c|d"])
)
GRIDS = st.integers(2, 6).flatmap(
    lambda width: st.lists(st.lists(CELLS, min_size=width, max_size=width), min_size=1, max_size=8)
)


def tidy(rows: Rows) -> Rows:
    """What a person calls the same grid: without blank rows and columns at its end."""
    kept = [[text if text.strip() else "" for text in row] for row in rows]
    while kept and not any(kept[-1]):
        kept.pop()
    while kept and kept[0] and not any(row[-1] for row in kept):
        kept = [row[:-1] for row in kept]
    return kept


def as_workbook(rows: Rows) -> bytes:
    """The rows as texts of a spreadsheet."""
    made = openpyxl.Workbook()
    for at, row in enumerate(rows, start=1):
        for column, text in enumerate(row, start=1):
            if text:
                made.active.cell(at, column, text).data_type = "s"
    stream = io.BytesIO()
    made.save(stream)
    return stream.getvalue()


@given(
    rows=GRIDS,
    delimiter=st.sampled_from(",;\t|"),
    end=st.sampled_from(["\n", "\r\n", "\r"]),
    encoding=st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "cp1252"]),
)
@settings(max_examples=250)
def test_a_grid_comes_back_as_text(
    tmp_path: Path, rows: Rows, delimiter: str, end: str, encoding: str
) -> None:
    text = csv_text(rows, delimiter, end)
    assume(not FORBIDDEN.search(text) and tidy(rows))
    assume(not rows[0][0].startswith("sep="))
    path = tmp_path / "report.csv"
    path.write_bytes(text.encode(encoding))
    asked = encoding if encoding == "cp1252" else None
    read = read_grid(path, delimiter=delimiter, encoding=asked)
    assert tidy(read.rows) == tidy(rows)
    assert read.delimiter == delimiter


@given(rows=GRIDS)
@settings(max_examples=150)
def test_a_grid_comes_back_from_a_spreadsheet(tmp_path: Path, rows: Rows) -> None:
    assume(tidy(rows))
    path = tmp_path / "report.xlsx"
    path.write_bytes(as_workbook(rows))
    read = read_grid(path)
    assert tidy(read.rows) == tidy(rows)
    assert read.lines == list(range(1, len(read.rows) + 1))
    assert read.flaws == ()


# Doubles of 15 digits: the other program writes no more than 16.
DOUBLES = st.floats(-1e300, 1e300).map(lambda value: float(f"{value:.15g}"))


@given(values=st.lists(DOUBLES, min_size=1, max_size=20))
def test_numbers_keep_fifteen_digits(tmp_path: Path, values: list[float]) -> None:
    made = openpyxl.Workbook()
    for value in values:
        made.active.append([value, "x"])
    made.save(tmp_path / "numbers.xlsx")
    read = read_grid(tmp_path / "numbers.xlsx")
    for value, (text, _) in zip(values, read.rows, strict=True):
        assert Decimal(text) == Decimal(f"{value:.15g}")


# --- through the program ------------------------------------------------------------------------

KINDS = [("NO3-N", "mg/kg", "1 M KCl"), ("NH4-N", "mg/kg", "1 M KCl"), ("pH", "", "water 1:1")]
HEADER = ["sample", "nutrient", "value", "unit", "method"]
NAMES = {"NO3-N": "nitrate-N", "NH4-N": "ammonium-N", "pH": "pH"}
AMOUNTS = st.one_of(
    st.decimals(1, 99, places=2).map(str),
    st.sampled_from(["<0.5", "< 0.05", "7", "12.25", "0.125", "0"]),
)
VALUES = st.tuples(AMOUNTS, AMOUNTS, st.decimals(4, 9, places=1).map(str))


@dataclass(frozen=True)
class Layout:
    """How a laboratory writes a file."""

    kind: str
    delimiter: str
    encoding: str
    end: str
    comma: bool
    order: list[int]

    def write(self, rows: Rows, path: Path) -> None:
        """Write rows of sample, nutrient, value, unit and method."""
        placed = [[row[at] for at in self.order] for row in rows]
        if self.kind == "xlsx":
            made = openpyxl.Workbook()
            for row in placed:
                made.active.append([as_number(text) for text in row])
            made.save(path)
            return
        value = self.order.index(2)
        for row in placed:
            row[value] = row[value].replace(".", ",") if self.comma else row[value]
        text = csv_text(placed, self.delimiter, self.end)
        path.write_bytes(text.encode(self.encoding))


LAYOUTS = st.builds(
    Layout,
    kind=st.sampled_from(["csv", "csv", "xlsx"]),
    delimiter=st.sampled_from(";\t|,"),
    encoding=st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "utf-16-le"]),
    end=st.sampled_from(["\n", "\r\n"]),
    comma=st.booleans(),
    order=st.permutations(range(5)),
)


@pytest.fixture
def pulled(started: Program) -> tuple[Program, list[str]]:
    """The small trial with the first pull of its six beds; the codes in the order of the beds."""
    said = started.must("pull", "all", "--for", "before", on="2026-03-02T08:00+01:00")
    return started, said.samples


def as_number(text: str) -> str | float | None:
    """A number where a spreadsheet would hold one."""
    return float(text) if text.replace(".", "", 1).isdecimal() else text or None


Standing = dict[tuple[str, str], tuple[str, Decimal]]


def stands(program: Program) -> Standing:
    """Every result that stands: its side and number, by sample and nutrient."""
    listed = json.loads(program.must("lab", "results", "--json", on=ON).out)["results"]
    found = {(one["sample"], one["nutrient"]): measured(one["value"]) for one in listed}
    assert len(found) == len(listed)
    return found


def measured(text: str) -> tuple[str, Decimal]:
    """`<0.5` as its side and its number."""
    return text[:1].strip("0123456789"), Decimal(text.lstrip("< "))


def meant(rows: Rows) -> Standing:
    """What the rows of a report say."""
    return {(row[0], NAMES[row[1]]): measured(row[2]) for row in rows}


@given(
    layout=LAYOUTS,
    values=st.lists(VALUES, min_size=6, max_size=6),
    left_out=st.sets(st.integers(0, 17), max_size=16),
    shuffled=st.randoms(use_true_random=False),
)
@settings(max_examples=60)
def test_nothing_is_lost_or_doubled_by_an_import(
    pulled: tuple[Program, list[str]],
    layout: Layout,
    values: list[tuple[str, str, str]],
    left_out: set[int],
    shuffled: Random,
) -> None:
    program, samples = pulled
    rows = [
        [sample, name, value, unit, method]
        for sample, each in zip(samples, values, strict=True)
        for (name, unit, method), value in zip(KINDS, each, strict=True)
    ]
    rows = [row for at, row in enumerate(rows) if at not in left_out]
    shuffled.shuffle(rows)
    name = f"report.{layout.kind}"
    layout.write([HEADER, *rows], program.folder / name)
    with untouched(program):
        program.must("lab", "import", name, "--report", "1", on=ON)
        assert stands(program) == meant(rows)
        before = program.journal()
        again = program.must("lab", "import", name, "--report", "1", on=ON)
        assert "imported already" in again.out
        assert program.journal() == before


@contextmanager
def untouched(program: Program) -> Iterator[None]:
    """Put the store back as it was, so that every example begins alike."""
    kept = program.folder / "kept"
    shutil.copytree(program.folder / "state", kept / "state")
    shutil.copy(program.store, kept)
    yield
    for name in (program.store.name, f"{program.store.name}-wal", f"{program.store.name}-shm"):
        (program.folder / name).unlink(missing_ok=True)
    shutil.copy(kept / program.store.name, program.store)
    shutil.rmtree(program.folder / "state")
    shutil.copytree(kept / "state", program.folder / "state")
    shutil.rmtree(kept)


@pytest.mark.parametrize("kind", ["csv", "xlsx"])
def test_what_was_imported_is_what_is_exported(
    pulled: tuple[Program, list[str]], kind: str
) -> None:
    program, samples = pulled
    rows = [
        [sample, name, value, unit, method, f"26-{at:03}"]
        for at, sample in enumerate(samples)
        for (name, unit, method), value in zip(KINDS, [f"1{at}.25", "<0.5", f"6.{at}"], strict=True)
    ]
    layout = Layout(kind, ";", "utf-8", "\n", comma=True, order=[0, 1, 2, 3, 4, 5])
    layout.write([[*HEADER, "lab no"], *rows], program.folder / f"report.{kind}")
    program.must("lab", "import", f"report.{kind}", on=ON)
    program.must("season", "season", on=ON)
    with (program.folder / "season" / "results.csv").open(encoding="utf-8", newline="") as stream:
        exported = list(csv.DictReader(stream))
    found = {
        (row["sample"], row["nutrient"]): measured(
            row["qualifier"] + (row["value"] or row["limit"])
        )
        for row in exported
    }
    assert len(exported) == len(rows)
    assert found == meant([row[:5] for row in rows])
    assert {(row["sample"], row["laboratory_number"]) for row in exported} == {
        (row[0], row[5]) for row in rows
    }


# --- a laboratory's own layout, from its file to the files of the season ------------------------

MEANING = {"": "", "<": "", "J": "estimated", "H": "holding-time", "R": "rejected",
         "ND": "not-detected"}  # fmt: skip
MARKED = st.tuples(st.decimals("0.5", "900", places=1), st.sampled_from(sorted(MEANING)))
PROFILE = """\
format = 1
lab = "Wide lab (invented)"
[file]
decimal = "{decimal}"
[layout]
header = "Probe Nr."
header_rows = 2
end = ["Anmerkung"]
[columns]
sample = "Probe Nr."
[usual]
basis = "dry"
[[column]]
title = "Nitrat-N mg/kg"
nutrient = "NO3-N"
unit = "mg/kg"
method = "1 M KCl"
limit = "0{decimal}2"
[[column]]
title = "Kalium (für Böden) mg/kg"
nutrient = "K"
unit = "mg/kg"
method = "Mehlich-3"
limit = "1"
[skip]
columns = ["Stufe"]
[qualifiers]
J = "estimated"
H = "holding-time"
R = "rejected"
"""


def cell_of(value: Decimal, mark: str, decimal: str) -> str:
    """A cell as the laboratory writes it."""
    text = str(value).replace(".", decimal)
    return {"": text, "<": f"<{text}", "ND": "ND"}.get(mark, f"{text} {mark}")


@pytest.mark.long
@given(
    kind=st.sampled_from(["csv", "xlsx"]),
    encoding=st.sampled_from(["utf-8-sig", "utf-16", "cp1252"]),
    decimal=st.sampled_from(".,"),
    above=st.integers(0, 3),
    cells=st.lists(st.tuples(MARKED, MARKED), min_size=6, max_size=6),
    shuffled=st.randoms(use_true_random=False),
)
@settings(max_examples=60)
def test_a_wide_report_with_marks_comes_out_of_the_season_as_it_went_in(
    pulled: tuple[Program, list[str]],
    kind: str, encoding: str, decimal: str, above: int,
    cells: list[tuple[tuple[Decimal, str], tuple[Decimal, str]]],
    shuffled: Random,
) -> None:  # fmt: skip
    program, samples = pulled
    body = [
        [code, cell_of(*nitrate, decimal), "C", cell_of(*potassium, decimal)]
        for code, (nitrate, potassium) in zip(samples, cells, strict=True)
    ]
    shuffled.shuffle(body)
    rows = [
        *[["Prüfbericht", "26-1", "", ""]] * above,
        ["Probe Nr.", "Nitrat-N", "Stufe", "Kalium (für Böden)"],
        ["", "mg/kg", "", "mg/kg"],
        *body,
        ["Anmerkung", "J: geschätzt", "", ""],
    ]
    profile = config.profiles_folder() / "wide.toml"
    profile.parent.mkdir(parents=True, exist_ok=True)
    profile.write_text(PROFILE.format(decimal=decimal), encoding="utf-8")
    if kind == "xlsx":
        (program.folder / "r.xlsx").write_bytes(as_workbook(rows))
    else:
        (program.folder / "r.csv").write_bytes(csv_text(rows, ";", "\r\n").encode(encoding))
    with untouched(program):
        words = ("--profile", "wide", "--report", "26-1")
        program.must("lab", "import", f"r.{kind}", *words, on=ON)
        shutil.rmtree(program.folder / "season", ignore_errors=True)
        program.must("season", "season", on=ON)
    with (program.folder / "season" / "results.csv").open(encoding="utf-8", newline="") as stream:
        exported = list(csv.DictReader(stream))
    limits = {"nitrate-N": "0.2", "K": "1"}
    expected = {}
    for code, pair in zip(samples, cells, strict=True):
        for name, (value, mark) in zip(limits, pair, strict=True):
            below = mark in ("<", "ND")
            number = Decimal(limits[name]) if mark == "ND" else value
            expected[code, name] = ("<" if below else "", number, MEANING[mark])
    assert len(exported) == len(expected)
    assert {
        (row["sample"], row["nutrient"]): (
            row["qualifier"], Decimal(row["limit"] if row["qualifier"] else row["value"]),
            row["flags"],
        )
        for row in exported
    } == expected  # fmt: skip
