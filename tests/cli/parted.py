"""The small invented trial with parts: moist for nitrogen, dried for the rest, a tin, a half."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime
from typing import Any

import pytest

from logbook.book import writing
from tests import program as programs
from tests.program import PROTOCOL, Program

PARTS = """\
[sampling.parts]
retained = []
chilled = ["nitrate-N", "ammonium-N"]
dried = ["pH", "P", "K"]
tin = []

"""
NUTRIENTS = 'P = "Mehlich-3"\nK = "Mehlich-3"\n'
PARTED = PROTOCOL.replace("[soil]\n", PARTS + "[soil]\n", 1) + NUTRIENTS
KINDS = ["chilled", "dried", "tin", "retained"]
HEADER = "sample,nutrient,value,unit,method\n"
FIRST = "2026-03-02T09:00+01:00"
LATER = "2026-03-10T09:00+01:00"


@pytest.fixture
def parted(program: Program) -> Program:
    """The trial with parts, started, filled, and applied on 2 March 2026 but for the compost."""
    return begun(program, PARTED)


def begun(program: Program, protocol: str) -> Program:
    """A trial started from a protocol, filled and applied but for the compost."""

    def play() -> None:
        programs.begun(program, protocol).must("apply", "control,M")

    return programs.once(program, f"{protocol} applied", play)


def imported(program: Program, rows: Iterable[tuple[str, str, str]], name: str = "R1") -> str:
    """Import results (code, nutrient, value); what was said."""
    methods = {"NO3-N": "1 M KCl", "NH4-N": "1 M KCl", "pH": "water 1:1"}
    lines = [
        f"{code},{nutrient},{value},{'' if nutrient == 'pH' else 'mg/kg'},"
        f"{methods.get(nutrient, 'Mehlich-3')}\n"
        for code, nutrient, value in rows
    ]
    (program.folder / f"{name}.csv").write_text(HEADER + "".join(lines), encoding="utf-8")
    return program.must(
        "lab", "import", str(program.folder / f"{name}.csv"), "--report", name, on=LATER
    ).out


def write(program: Program, kind: str, lines: Iterable[tuple[str, Any]]) -> None:
    """Write records straight into the book, as another machine's entries would bring them."""
    now = datetime(2026, 3, 3, 8, 0, tzinfo=UTC)
    with writing.opened(program.store, program.folder / "state", by="ana", now=now) as book:
        book.record(kind, lines)
