"""Repeatability on a terminal: numbers with their units, within 80 columns."""

from __future__ import annotations

import pytest

from logbook.analysis.repeatability import Repeatability
from logbook.report.terminal.quality import show_precision
from logbook.study.quality import Precision


def test_r_and_what_is_declared_have_their_unit(capsys: pytest.CaptureFixture[str]) -> None:
    near = Repeatability(0.0929, 9, None, 0, 0.9)
    acid = Repeatability(0.05, 9, None, 0, 6.4)
    show_precision(
        [
            Precision(("L", "P", "Olsen", "dry"), "mg/kg", 9, near, sd=0.2),
            Precision(("L", "pH", "water 1:1", "dry"), "pH", 9, acid, sd=0.1),
        ],
        (),
    )
    lines = capsys.readouterr().out.splitlines()
    assert max(map(len, lines)) <= 80
    rows = [" ".join(one.split()) for one in lines[1:3]]
    assert rows == [
        "P Olsen 9 9 0.093 mg/kg 0.26 mg/kg 0.2 mg/kg measured",
        "pH water 1:1 9 9 0.05 0.14 0.1 measured",
    ]
