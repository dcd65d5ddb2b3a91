"""Files that were cut, bent or made to harm end in a clear error or a correct read.

Never in a traceback, in control characters on the screen, in a store that holds half of a report,
or in memory without a bound. All from seeds, the same at every run.
"""

from __future__ import annotations

import json
import random
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest

from logbook.errors import LogbookError
from logbook.labs.grid import Grid, control_character
from logbook.labs.reader import read_grid, read_sound_rows
from tests.labs import hostile
from tests.program import Program

TEXTS, BOOKS = 1_500, 900


def outcome(path: Path, content: bytes) -> Grid | LogbookError:
    """What comes of a file: a grid that keeps its promises, or an error that can be shown."""
    path.write_bytes(content)
    try:
        read = read_grid(path)
    except LogbookError as error:
        told = [str(error), error.hint, *map(str, getattr(error, "problems", ()))]
        assert all(line.isprintable() for line in told), told
        assert max(map(len, told)) < 400, told
        assert error.exit_code == 2
        return error
    assert {len(row) for row in read.rows} == {read.width}
    assert read.lines == sorted(set(read.lines))
    assert len(read.lines) == len(read.rows)
    assert not any(control_character(cell) for row in read.rows for cell in row)
    assert all(note.isprintable() for note in read.notes)
    try:
        table, problems = read_sound_rows(path)
    except LogbookError:
        return read
    assert {len(row) for row in table.rows} <= {len(table.header)}
    assert table.rows or problems
    return read


def test_bent_text_files(tmp_path: Path) -> None:
    outcomes = [
        outcome(tmp_path / "hostile.csv", content) for content in hostile.hostile_texts(TEXTS)
    ]
    refused = [one for one in outcomes if isinstance(one, LogbookError)]
    assert TEXTS * 0.3 < len(refused) < TEXTS * 0.9
    assert len({str(one) for one in refused}) > 100


def test_bent_spreadsheets(tmp_path: Path) -> None:
    outcomes = [
        outcome(tmp_path / "hostile.xlsx", content) for content in hostile.hostile_books(BOOKS)
    ]
    refused = [one for one in outcomes if isinstance(one, LogbookError)]
    assert BOOKS * 0.3 < len(refused) < BOOKS * 0.95
    assert len({str(one) for one in refused}) > 40


def test_a_spreadsheet_cut_or_flipped_reads_as_it_was_or_not_at_all(tmp_path: Path) -> None:
    """A zip archive has a checksum for every part."""
    rng = random.Random(3)
    sound = hostile.sheet_of(hostile.ROWS)
    whole = outcome(tmp_path / "h.xlsx", sound)
    assert isinstance(whole, Grid)
    assert whole.rows == hostile.ROWS
    for _ in range(200):
        bend = rng.choice([hostile.cut, hostile.flipped])
        read = outcome(tmp_path / "h.xlsx", bend(rng, sound))
        assert isinstance(read, LogbookError) or read.rows == whole.rows


def test_a_text_file_cut_short_loses_its_end_only(tmp_path: Path) -> None:
    rng = random.Random(4)
    for _ in range(200):
        data = hostile.base(rng)
        read = outcome(tmp_path / "h.csv", data[: rng.randrange(len(data))])
        if isinstance(read, Grid) and len(read.rows) > 2 and read.width == 5:
            assert read.rows[:-1] == hostile.ROWS[: len(read.rows) - 1]


@pytest.mark.skipif(sys.platform != "linux", reason="limits of a process are Linux's")
@pytest.mark.long
def test_bombs_are_refused_in_bounded_memory(tmp_path: Path) -> None:
    """Each in a process that may take 1 GB at most; all of them stay below 500 MB."""
    names = list(hostile.bombs(tmp_path))
    done = subprocess.run(
        [sys.executable, "-c", READ_ALL, *names],
        cwd=tmp_path, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-2000:]
    said, most = json.loads(done.stdout)
    assert list(said) == names
    assert most < 500_000
    taken = {name: said[name] for name in names if said[name] is None}
    assert set(taken) <= {"merged", "strings", "text"}, said
    assert not any("Traceback" in text for text in said.values() if text)


READ_ALL = """
import json, resource, sys
from pathlib import Path
resource.setrlimit(resource.RLIMIT_AS, (1 << 30, 1 << 30))
from logbook.errors import LogbookError
from logbook.labs.reader import read_grid
said = {}
for name in sys.argv[1:]:
    try:
        read_grid(Path(name))
        said[name] = None
    except LogbookError as error:
        said[name] = str(error)
status = Path("/proc/self/status").read_text()
print(json.dumps([said, int(status.split("VmHWM:")[1].split()[0])]))
"""


# --- through the program ------------------------------------------------------------------------


def dump(program: Program) -> list[str]:
    """Everything in the store."""
    with sqlite3.connect(program.store) as connection:
        lines = list(connection.iterdump())
    connection.close()
    return lines


def report_of(samples: list[str]) -> hostile.Rows:
    kinds = [("NO3-N", "mg/kg", "1 M KCl"), ("NH4-N", "mg/kg", "1 M KCl"), ("pH", "", "water 1:1")]
    rows = [["sample", "nutrient", "value", "unit", "method"]]
    for sample in samples:
        rows += [[sample, name, "6.5", unit, method] for name, unit, method in kinds]
    return rows


@pytest.fixture
def pulled(started: Program) -> tuple[Program, list[str]]:
    """The small trial with its pull of day 0."""
    day = "2026-03-02T12:00+01:00"
    return started, started.must("pull", "all", "--cores", "8", on=day).samples


@pytest.mark.parametrize("count", [70, pytest.param(2_000, marks=pytest.mark.long)])
def test_no_bent_report_is_half_imported(pulled: tuple[Program, list[str]], count: int) -> None:
    program, samples = pulled
    rng = random.Random(count)
    rows = report_of(samples)
    refused = 0
    for at in range(count):
        sound = hostile.csv_text(rows).encode() if at % 2 else hostile.sheet_of(rows)
        ways = [hostile.cut, hostile.flipped, hostile.stuffed]
        bend = rng.choice(ways if at % 2 else [*ways, hostile.bent_member, hostile.renamed])
        name = f"hostile-{at}.{'csv' if at % 2 else 'xlsx'}"
        (program.folder / name).write_bytes(bend(rng, sound))
        before = dump(program)
        said = program("lab", "import", name, on="2026-03-12T12:00+01:00")
        assert said.code in (0, 2), said
        assert "Traceback" not in said.err + said.out
        assert all(line.isprintable() for line in (said.err + said.out).splitlines())
        if said.code == 2:
            refused += 1
            assert dump(program) == before
    assert refused > count / 2


@pytest.mark.parametrize(
    "name", ["../x.csv", "no\x1b[2J.csv", "a\u202eb.csv", "-x.csv", "n\nl.csv"]
)
def test_names_of_files_that_steer_nothing(pulled: tuple[Program, list[str]], name: str) -> None:
    program, _ = pulled
    before = dump(program)
    path = program.folder / name
    if "/" not in name:
        path.write_bytes(b"sample,value\nx,1\n")
    said = program("lab", "import", "--", str(path))
    assert said.code == 2
    assert all(line.isprintable() for line in (said.err + said.out).splitlines())
    assert dump(program) == before
