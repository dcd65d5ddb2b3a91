"""Whatever way a laboratory writes a report, the same values come out; and it takes no hours."""

from __future__ import annotations

import csv
import io
import random
import tracemalloc
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from logbook.errors import BadData
from logbook.labs.importer import Parsed, parse_long
from logbook.labs.reader import read_table
from logbook.trial import codes

KINDS = [
    ("NO3-N", "mg/kg", "2 M KCl"), ("P", "ppm", "Mehlich-3"), ("K", "µg/g", "Olsen, modified"),
    ("EC", "dS/m", "water 1:1"), ("CEC", "cmol(+)/kg", 'the "old" way'),
]  # fmt: skip
ENCODINGS = ("utf-8", "utf-8-sig", "utf-16", "latin-1")
VALUES = st.decimals(0, 9999, places=2, allow_nan=False, allow_infinity=False)
Row = tuple[int, tuple[str, str, str], Decimal, bool]
ROWS: st.SearchStrategy[list[Row]] = st.lists(
    st.tuples(st.integers(0, 9), st.sampled_from(KINDS), VALUES, st.booleans()),
    min_size=1,
    max_size=12,
    unique_by=lambda row: (row[0], row[1]),
)
DRAW = random.Random(11).choice
SAMPLES = [codes.new_code(DRAW) for _ in range(10)]


def written(rows: list[Row], delimiter: str, comma: bool) -> str:
    stream = io.StringIO(newline="")
    out = csv.writer(stream, delimiter=delimiter)
    out.writerow(["Sample Code", "Parameter", "Result", "Units", "Method"])
    for sample, (name, unit, method), value, censored in rows:
        cell = f"{'<' if censored and value else ''}{value:.2f}"
        out.writerow(
            [SAMPLES[sample], name, cell.replace(".", "," if comma else "."), unit, method]
        )
    return stream.getvalue()


def parsed_from(path: Path) -> Parsed:
    return parse_long(read_table(path), SAMPLES, lab="Invented Lab", report="1")


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(ROWS, st.sampled_from(",;\t"), st.booleans(), st.sampled_from(ENCODINGS))
def test_reports_read_back(
    tmp_path: Path, rows: list[Row], delimiter: str, comma: bool, encoding: str
) -> None:
    path = tmp_path / "report.csv"
    path.write_bytes(written(rows, delimiter, comma).encode(encoding))
    parsed = parsed_from(path)
    assert (parsed.problems, parsed.waiting) == ([], [])
    assert len(parsed.results) == len(rows)
    for (sample, (name, unit, _), value, censored), result in zip(
        rows, parsed.results, strict=True
    ):
        below = censored and value != 0
        assert result.sample == SAMPLES[sample]
        assert (result.limit if below else result.value) == value
        assert (result.value if below else result.limit) is None
        assert result.qualifier == ("<" if below else "")
        assert result.form == name
        assert result.reported_unit == unit


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=300)
@given(ROWS, st.integers(0, 10**6), st.binary(min_size=1, max_size=6), st.sampled_from(ENCODINGS))
def test_damaged_reports_end_in_words(
    tmp_path: Path, rows: list[Row], at: int, noise: bytes, encoding: str
) -> None:
    data = written(rows, ";", True).encode(encoding)
    place = at % len(data)
    path = tmp_path / "report.csv"
    path.write_bytes(data[:place] + noise + data[place + len(noise) // 2 :])
    try:
        parsed = parsed_from(path)
    except BadData as error:
        assert error.problems
        assert error.message.isprintable()
        return
    shown = [str(problem) for problem in parsed.problems] + parsed.notes
    kept = [f"{r.lab}{r.report}{r.method}{r.reported}{r.form}" for r in parsed.results]
    assert all(line.isprintable() for line in shown)
    assert "\x1b" not in "".join(kept)


@pytest.fixture(scope="module")
def large(tmp_path_factory: pytest.TempPathFactory) -> Path:
    rng = random.Random(5)
    samples = [codes.new_code(rng.choice) for _ in range(4000)]
    lines = [
        f'{sample},{name},{rng.uniform(1, 20):.2f},{unit},"{method.replace(chr(34), "")}"\n'
        for sample in samples
        for name, unit, method in KINDS
    ]
    path = tmp_path_factory.mktemp("large") / "large.csv"
    path.write_text("sample,nutrient,value,unit,method\n" + "".join(lines), encoding="utf-8")
    return path


def test_memory_stays_modest(large: Path) -> None:
    """20,000 rows stay under 1 kB each; 100,000 results then take well under 100 MB."""
    tracemalloc.start()
    try:
        table = read_table(large)
        parsed = parse_long(table, [], lab="L", report=None)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert len(parsed.results) == 20_000
    assert len(parsed.waiting) == 4000
    assert peak < 20_000 * 1000
