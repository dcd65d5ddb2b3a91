"""Cells of exported tables that begin as a formula does: text, for every spreadsheet.

A spreadsheet runs a cell that begins with = + - @, a tab or a line break (common practice; the
list is that of public advice on CSV files). Numbers, also negative ones, stay numbers.
"""

from __future__ import annotations

import csv
import io
from decimal import Decimal

import openpyxl

from logbook.report.sheets import Column, Sheet, clean, sheet_bytes
from tests.cli.test_hostile_exports import runs
from tests.faults.counting import Counting
from tests.faults.odd import texts

BEGINNINGS = "=+-@\t\r\uff1d\uff0b\uff0d\uff20"
COLUMNS = (Column("text", "", "somebody's words"), Column("value", "mg/kg", "a number"))


def test_no_cell_of_a_table_is_a_formula(counting: Counting) -> None:
    peer = openpyxl.Workbook().active
    how = "texts that begin with = + - @ TAB CR or their wide forms, numbers beside them"
    with counting.fault("25", "cells of CSV files", how, 500) as count:
        words = [count.rng.choice(BEGINNINGS) + text for text in texts(count.asked, count.rng)]
        numbers = [Decimal(count.rng.randint(-9999, 9999)) / 100 for _ in words]
        sheet = Sheet("t.csv", "a row", COLUMNS, tuple(zip(words, numbers, strict=True)))
        _, *rows = csv.reader(io.StringIO(sheet_bytes(sheet).decode(), newline=""))
        for word, number, (cell, value) in zip(words, numbers, rows, strict=True):
            assert not runs(cell), cell
            if cell != word:  # what is no number has its apostrophe, and is whole behind it
                assert cell == f"'{clean(word)}"
                assert peer.cell(1, 1, cell).data_type == "s"
                count.saw["texts made safe"] += 1
            assert Decimal(value) == number and "'" not in value
            count.saw["negative numbers that stayed numbers"] += number < 0
            count.passed += 1
