"""Result cells by a laboratory's marks. Which marks laboratories print is common practice."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logbook.errors import UserMistake
from logbook.labs.marks import NOTHING, THOUSANDS, USUAL, Marks
from logbook.trial import qualifiers

TABLE = {
    "U": "not-detected", "J": "estimated", "UJ": "not-detected estimated", "R": "rejected",
    "H": "holding-time", "B": "blank", "*": "see-note", "~": "spread", "n": "below-reporting",
    "t": "trace", "r": "re-run", "d": "diluted", "IS": "insufficient", "q": "insufficient",
    "@": "holding-time", "v": "blank", "..": NOTHING,
}  # fmt: skip
POINT = Marks(TABLE)
COMMA = Marks(TABLE, decimal=",", thousands=".")
GROUPED = Marks(TABLE, decimal=".", thousands=",")

# cell -> value, limit, side, words
READ = [
    ("12.5", "12.5", None, "", ""), (" 12.5  ", "12.5", None, "", ""),
    ("<0.5", None, "0.5", "<", ""), ("< 0.5", None, "0.5", "<", ""),
    ("\u22640.5", None, "0.5", "<", ""), (">200", None, "200", ">", ""),
    ("0.5 U", None, "0.5", "<", "not-detected"), ("0.5U", None, "0.5", "<", "not-detected"),
    ("0.5 UJ", None, "0.5", "<", "not-detected estimated"),
    ("12.5 J", "12.5", None, "", "estimated"), ("12.5J", "12.5", None, "", "estimated"),
    ("J 12.5", "12.5", None, "", "estimated"), ("12.5 (J)", "12.5", None, "", "estimated"),
    ("12.5 J,H", "12.5", None, "", "estimated holding-time"),
    ("12.5 R", "12.5", None, "", "rejected"), ("0.3 n", "0.3", None, "", "below-reporting"),
    ("7*", "7", None, "", "see-note"), ("7 ~", "7", None, "", "spread"),
    ("7 r d", "7", None, "", "diluted re-run"), ("7 @", "7", None, "", "holding-time"),
    ("7 EHT", "7", None, "", "holding-time"), ("7 FBK", "7", None, "", "blank"),
    ("< 0.5 J", None, "0.5", "<", "estimated"),
    ("ND", None, None, "", "not-detected"), ("BDL", None, None, "", "not-detected"),
    ("BLQ", None, None, "", "not-detected"), ("not detected", None, None, "", "not-detected"),
    ("< LOQ", None, None, "", "not-detected"), ("trace", None, None, "", "trace"),
    ("CAN", None, None, "", "cancelled"), ("IS", None, None, "", "insufficient"),
    ("q", None, None, "", "insufficient"), ("R", None, None, "", "rejected"),
]  # fmt: skip


@pytest.mark.parametrize(("cell", "value", "limit", "side", "words"), READ)
def test_cells(cell: str, value: str | None, limit: str | None, side: str, words: str) -> None:
    read = POINT.read(cell)
    assert read.value == (None if value is None else Decimal(value))
    assert read.limit == (None if limit is None else Decimal(limit))
    assert (read.qualifier, read.flags) == (side, words)


@pytest.mark.parametrize("cell", ["ND", "BDL", "U", "trace", "t"])
def test_what_is_not_detected_takes_its_limit_and_is_never_0(cell: str) -> None:
    read = POINT.read(cell, "0.5")
    assert (read.value, read.limit, read.qualifier) == (None, Decimal("0.5"), "<")
    waiting = POINT.read(cell)
    assert (waiting.value, waiting.limit) == (None, None)
    assert qualifiers.effect(waiting.flags, has_number=False) == qualifiers.WAITS


@pytest.mark.parametrize("cell", ["", " ", "-", "--", "n/a", "NA", "..", "null"])
def test_cells_that_report_nothing(cell: str) -> None:
    assert POINT.is_nothing(cell)
    with pytest.raises(UserMistake, match="there is no value"):
        POINT.read(cell)


@pytest.mark.parametrize(
    ("marks", "cell", "value"),
    [
        (GROUPED, "1,234.5", "1234.5"), (GROUPED, "1,234,567", "1234567"),
        (GROUPED, "999.5", "999.5"), (COMMA, "1.234,5", "1234.5"), (COMMA, "1.234", "1234"),
        (COMMA, "12,5", "12.5"), (Marks({}, ".", " "), "1 234.5", "1234.5"),
        (Marks({}, ",", " "), "1\u202f234,5", "1234.5"), (Marks({}, ".", "'"), "1’234.5", "1234.5"),
    ],
)  # fmt: skip
def test_decimal_and_thousands_marks(marks: Marks, cell: str, value: str) -> None:
    assert marks.read(cell).value == Decimal(value)


WRONG = [
    (POINT, "1O.5", "'1O.5' has a letter in place of a digit"),
    (POINT, "l2", "'l2' has a letter in place of a digit"),
    (POINT, "1,234.5", "'1,234.5' has a thousands mark"),
    (POINT, "1.234,5", "'1.234,5' has a thousands mark"),
    (GROUPED, "1,5", "'1,5' is not grouped in thousands as the profile says"),
    (COMMA, "1.5", "'1.5' is not grouped in thousands as the profile says"),
    (Marks({}, doubtful=True), "1.250", "'1.250' can be read as a thousand or as a decimal number"),
    (POINT, "12.5 Q", "'Q' in '12.5 Q' is no mark that the profile explains"),
    (POINT, "VL", "'VL' is a rating, not a measurement"),
    (Marks(), "H", "'H' is a rating, not a measurement"),
    (Marks(), "12 J", "'J' in '12 J' is no mark that the profile explains"),
    (POINT, "J", "'J' says 'estimated by the laboratory', but there is no number"),
    (POINT, "<0", "a limit of 0 in '<0' says nothing"),
    (POINT, "0 U", "a limit of 0 in '0 U' says nothing"),
    (POINT, "1e3", "'1e3' has an exponent, as spreadsheets write it when they drop digits"),
    (POINT, "12.5.3", "'12.5.3' is not a number"),
    (POINT, "=1+1", "'=' in '=1+1' is no mark that the profile explains"),
]


@pytest.mark.parametrize(("marks", "cell", "what"), WRONG)
def test_what_is_not_understood_is_refused(marks: Marks, cell: str, what: str) -> None:
    with pytest.raises(UserMistake) as refused:
        marks.read(cell)
    assert refused.value.message == what
    assert refused.value.hint


@pytest.mark.parametrize(
    ("marks", "cell", "name"),
    [
        (Marks(decimal=","), "1.146,0", "point"), (Marks(decimal=","), "1.146", "point"),
        (POINT, "1,234.5", "comma"), (POINT, "1 234.5", "blank"), (POINT, "1'234", "apostrophe"),
    ],
)  # fmt: skip
def test_a_thousands_mark_is_for_the_profile_to_say(marks: Marks, cell: str, name: str) -> None:
    with pytest.raises(UserMistake) as refused:
        marks.read(cell)
    hint = f'if it groups thousands, say thousands = "{name}" in [file] of the profile'
    assert refused.value.hint == hint
    said = Marks(marks.table, marks.decimal, THOUSANDS[name])
    assert said.read(cell).value in (Decimal("1146"), Decimal("1234.5"), Decimal("1234"))


def test_one_mark_means_different_things_at_two_laboratories() -> None:
    other = Marks({"*": "blank", "U": "estimated"})
    assert POINT.read("7 *").flags == "see-note"
    assert other.read("7 *").flags == "blank"
    assert other.read("0.5 U").value == Decimal("0.5")


def test_no_single_letter_is_understood_without_a_profile() -> None:
    assert not [mark for mark in USUAL if len(mark) == 1 and mark.isalpha()]
    assert all(
        word in qualifiers.WORDS for words in USUAL.values() for word in words.split()
        if words != NOTHING
    )  # fmt: skip


@given(
    st.decimals("0.001", "999999", places=3),
    st.sampled_from([(".", ""), (".", ","), (",", ""), (",", "."), (".", " "), (",", "'")]),
    st.sampled_from(["", "J", "R", "J H", "*", "U"]),
    st.booleans(),
)
def test_what_is_written_is_read_again(
    value: Decimal, style: tuple[str, str], mark: str, before: bool
) -> None:
    decimal, thousands = style
    text = f"{value:,.3f}".replace(",", "\0").replace(".", decimal).replace("\0", thousands)
    if thousands:
        read = Marks(TABLE, decimal, thousands).read(
            f"{mark} {text}" if before else f"{text} {mark}"
        )
    else:
        text = f"{value:.3f}".replace(".", decimal)
        read = Marks(TABLE, decimal).read(f"{mark} {text}" if before else f"{text} {mark}")
    assert (read.limit if mark == "U" else read.value) == value
    assert read.flags == qualifiers.joined(
        word for one in mark.split() for word in TABLE[one].split()
    )


@given(st.text(max_size=12))
def test_any_cell_is_read_or_refused(cell: str) -> None:
    for marks in (POINT, COMMA, GROUPED):
        try:
            read = marks.read(cell)
        except UserMistake as refused:
            assert refused.message
        else:
            assert read.flags or read.value is not None or read.limit is not None
