"""What a spreadsheet's formats show of a number.

Formats, their built-in numbers and dates are those of ECMA-376 (ISO/IEC 29500), Part 1, sections
18.8.30, 18.8.31 and 18.17.4.1; the peer for built-in dates is openpyxl.
"""

from __future__ import annotations

import pytest

from logbook.labs import formats
from logbook.labs.formats import Look, numeral


@pytest.mark.parametrize(
    ("stored", "text"),
    [
        ("12.300000000000001", "12.3"),  # 17 digits of the double nearest to 12.3
        ("0.30000000000000004", "0.3"),
        ("5", "5"), ("5.0", "5"), ("-0", "0"), ("-0.0", "0"), ("1E-3", "0.001"), ("1e5", "100000"),
        ("123456789012345678", "123456789012346000"), ("1.5E+300", "1.5E+300"), (".5", "0.5"),
        ("007", "7"), ("12.50", "12.5"),
        ("1_0", None), ("nan", None), ("inf", None), ("1E400", None), ("0x10", None), ("1,5", None),
        ("١٢", None), ("", None), ("1 2", None),
    ],
)  # fmt: skip
def test_stored_numbers(stored: str, text: str | None) -> None:
    assert numeral(stored) == text


@pytest.mark.parametrize(
    ("code", "number", "text"),
    [
        ("0.00", "5", "5.00"), ("0.00", "7.1234", "7.1234"), ("#,##0", "1234", "1234"),
        ("#,##0.00", "1234.5", "1234.50"), ("0%", "0.12", "12%"), ("0.0%", "0.034", "3.4%"),
        ("0.00%", "0.034", "3.40%"), ("0.00E+00", "12300", "12300"), ("# ?/?", "0.5", "0.5"),
        ('0.0 "mg/kg"', "12", "12.0 mg/kg"), ('"<"0.0', "0.5", "<0.5"),
        ('[<0.5]"<0.5";0.00', "0.2", "<0.5"), ('[<0.5]"<0.5";0.00', "0.5", "0.50"),
        ('[>200]">200";[<1]"n.d.";0', "250", ">200"), ('[>200]">200";[<1]"n.d.";0', "0.4", "n.d."),
        ('0.0;-0.0;"n.d."', "0", "n.d."), ("0.00_);(0.00)", "-3", "-3.00"),
        ("0.0;[Red]0.0", "-2", "-2.0"), ("[Red]0.0", "2", "2.0"), ("General", "2.5", "2.5"),
        ("0.0_ ;\\-0.0\\ ", "-2", "-2.0"), ("[$-407]0.0", "2", "2.0"), ("?0.0", "2", "2.0"),
        ("yyyy-mm-dd", "46095", "2026-03-14"), ("d/m/yy", "46095.4375", "2026-03-14"),
        ("d/m/yy h:mm", "46095.4375", "2026-03-14 10:30"), ("[$-F800]dddd", "46095", "2026-03-14"),
        ("hh:mm:ss", "0.4375115740740741", "10:30:01"), ("mm:ss", "0.5", "12:00"),
        ("[h]:mm", "1.5", "36:00:00"), ("mmm-yy", "46095", "2026-03-14"),
        ("h:mm AM/PM", "46095.75", "2026-03-14 18:00"), ('"day" d', "46095", "2026-03-14"),
        # The 1900 system: 1 is 1 January 1900, 61 is 1 March 1900 (ECMA-376, 18.17.4.1).
        ("d/m/yy", "1", "1900-01-01"), ("d/m/yy", "59", "1900-02-28"), ("d/m/yy", "61",
         "1900-03-01"), ("d/m/yy", "2958465", "9999-12-31"),
    ],
)  # fmt: skip
def test_what_a_format_shows(code: str, number: str, text: str) -> None:
    assert Look(code).text(number) == text


@pytest.mark.parametrize(
    ("code", "number", "why"),
    [
        (";;;", "5", "its format hides the number it holds"),
        ("0.0;;", "0", "its format hides the number it holds"),
        ("0.0,", "1234", "its format shows it in thousands"),
        ("#,##0,", "1234", "its format shows it in thousands"),
        ("d/m/yy", "60", "it is formatted as a date, and no calendar has that day"),
        ("d/m/yy", "0", "it is formatted as a date, and no calendar has that day"),
        ("d/m/yy", "-1", "it is formatted as a date, and no calendar has that day"),
        ("d/m/yy", "2958466", "it is formatted as a date, and no calendar has that day"),
        ("d/m/yy", "1E+300", "it is formatted as a date, and no calendar has that day"),
        ("[<1]0.0;[<2]0.0", "5", "its format shows nothing of such a number"),
    ],
)
def test_numbers_that_a_format_hides(code: str, number: str, why: str) -> None:
    with pytest.raises(ValueError, match=why):
        Look(code).text(number)


def test_days_counted_from_1904() -> None:
    """0 is 1 January 1904 there (ECMA-376, 18.17.4.1)."""
    assert Look("d/m/yy").text("0", since_1904=True) == "1904-01-01"
    assert Look("d/m/yy").text("44633", since_1904=True) == "2026-03-14"


def test_built_in_dates_agree_with_the_peer() -> None:
    from openpyxl.styles.numbers import BUILTIN_FORMATS, is_date_format

    for number, code in BUILTIN_FORMATS.items():
        ours = formats.BUILT_IN.get(number)
        assert (ours is not None and Look(ours).is_date) == is_date_format(code), number
