"""Naming beds: labels, ranges, blocks, treatments, the control, and slips of the hand."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logbook.errors import UserMistake
from logbook.trial.ranges import BedRef, compact, resolve

CODES = ("CTL", "COM", "MEAL")


def _house(prefix: str = "B", width: int = 1) -> list[BedRef]:
    """Twelve beds on a bench, four blocks of three: control, compost, meal."""
    return [
        BedRef(
            id=f"id{n}",
            label=f"{prefix}{n:0{width}d}",
            block=str((n - 1) // 3 + 1),
            treatment_code=CODES[(n - 1) % 3],
            control=(n - 1) % 3 == 0,
            place=n,
        )
        for n in range(1, 13)
    ]


def _labels(text: str, beds: list[BedRef] | None = None) -> str:
    return " ".join(bed.label for bed in resolve(text, beds or _house()))


@pytest.mark.parametrize(
    ("text", "labels"),
    [
        ("B1-B6,B9", "B1 B2 B3 B4 B5 B6 B9"),
        ("b1 - b3 , b9", "B1 B2 B3 B9"),
        ("B1-3", "B1 B2 B3"),
        ("B1–B3", "B1 B2 B3"),
        ("B9-B11", "B9 B10 B11"),
        ("B12, B2", "B2 B12"),
        ("B4,B1-B4,B4", "B1 B2 B3 B4"),
        ("B7-B7,", "B7"),
        ("all", " ".join(f"B{n}" for n in range(1, 13))),
        ("control", "B1 B4 B7 B10"),
        ("Check", "B1 B4 B7 B10"),
        ("CTL", "B1 B4 B7 B10"),
        ("meal", "B3 B6 B9 B12"),
        ("treatment COM", "B2 B5 B8 B11"),
        ("block 2", "B4 B5 B6"),
        ("rep  4", "B10 B11 B12"),
        ("3", "B7 B8 B9"),
        ("block 1, COM", "B1 B2 B3 B5 B8 B11"),
    ],
)
def test_beds_by_every_name_they_have(text: str, labels: str) -> None:
    assert _labels(text) == labels


def test_lists_follow_the_bench_not_the_words() -> None:
    house = [
        BedRef(b.id, b.label, b.block, b.treatment_code, b.control, -b.place) for b in _house()
    ]
    assert _labels("B1-B3", house) == "B3 B2 B1"


def test_padded_labels_are_numbers_too() -> None:
    assert _labels("B08-B11", _house(width=2)) == "B08 B09 B10 B11"
    assert _labels("B8-B11", _house(width=2)) == "B08 B09 B10 B11"


def test_labels_with_a_dash_of_their_own() -> None:
    house = _house(prefix="North-")
    assert _labels("North-2", house) == "North-2"
    assert _labels("North-2-North-4,north-9", house) == "North-2 North-3 North-4 North-9"
    assert _labels("North-2-4", house) == "North-2 North-3 North-4"


def test_plain_numbers_as_labels_win_over_blocks() -> None:
    house = _house(prefix="")
    assert _labels("3", house) == "3"
    assert _labels("2-4", house) == "2 3 4"
    assert _labels("block 3", house) == "7 8 9"


def test_label_wins_over_treatment_code_of_the_same_name() -> None:
    house = [*_house(), BedRef("x", "COM", "5", "MEAL", False, 13)]
    assert [bed.id for bed in resolve("com", house)] == ["x"]
    assert _labels("treatment COM", house) == "B2 B5 B8 B11"


def test_code_and_block_of_the_same_name_are_refused() -> None:
    house = [
        BedRef("1", "B1", "A", "A", False, 1),
        BedRef("2", "B2", "A", "C", True, 2),
        BedRef("3", "B3", "D", "A", False, 3),
        BedRef("4", "B4", "D", "C", True, 4),
    ]
    with pytest.raises(UserMistake) as caught:
        resolve("a", house)
    assert caught.value.message == (
        "'a' is a treatment code and a block: write it as block NAME or treatment CODE"
    )
    assert _labels("block A", house) == "B1 B2"
    assert _labels("treatment A", house) == "B1 B3"
    assert _labels("D", house) == "B3 B4"


def test_treatment_called_check_that_is_not_the_control_is_refused() -> None:
    house = [
        BedRef("1", "B1", "1", "CHECK", False, 1),
        BedRef("2", "B2", "1", "NIL", True, 2),
    ]
    with pytest.raises(UserMistake, match="'check' is the word for the control beds and a treat"):
        resolve("check", house)


def test_names_that_differ_by_capitals_only() -> None:
    house = [
        BedRef("1", "b1", "1", "X", False, 1),
        BedRef("2", "B1", "1", "Y", False, 2),
        BedRef("3", "B2", "1", "Y", False, 3),
    ]
    assert [bed.id for bed in resolve("b1", house)] == ["1"]
    assert [bed.id for bed in resolve("B1-B2", house)] == ["2", "3"]


HINT = "beds: B1-B12; treatments: COM, CTL, MEAL; blocks: 1, 2, 3, 4; or all, control"


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("contrl", "'contrl' is no bed, block or treatment here (did you mean control?)"),
        ("B1-B3,mael", "'mael' is no bed, block or treatment here (did you mean MEAL?)"),
        ("block 9", "'block 9' is no bed, block or treatment here (did you mean block 4 or block 3"
         " or block 2?)"),
        ("zzz", "'zzz' is no bed, block or treatment here"),
        ("zz yy", "'zz yy' is no bed, block or treatment here (put commas between beds)"),
        ("B11-B14", "'B11-B14' reaches over beds that do not exist: B13, B14"),
        ("B0-B2", "'B0-B2' reaches over beds that do not exist: B0"),
        ("B1-B999999999999",
         "'B1-B999999999999' reaches over beds that do not exist: B13, B14, B15 and more"),
        ("B6-B1", "'B6-B1' counts down: write the lower bed first"),
        ("A1-B3", "'A1-B3' is no bed, block or treatment here"),
        ("qq,zz", "'qq' is no bed, block or treatment here; 'zz' is no bed, block or treatment"
         " here"),
        (" , ", "no bed was named"),
    ],
)  # fmt: skip
def test_slips_are_named_with_what_there_is(text: str, message: str) -> None:
    with pytest.raises(UserMistake) as caught:
        resolve(text, _house())
    assert caught.value.message == message
    assert caught.value.hint == HINT


def test_range_over_a_gap_names_the_bed_that_is_not_there() -> None:
    house = [bed for bed in _house(width=2) if bed.label != "B05"]
    with pytest.raises(UserMistake, match="'B04-B06' reaches over beds that do not exist: B05"):
        resolve("B04-B06", house)


def test_trial_without_beds_and_trial_without_control() -> None:
    with pytest.raises(UserMistake, match="this trial has no beds"):
        resolve("all", [])
    with pytest.raises(UserMistake, match="'control': no bed of this trial is a control"):
        resolve("control", [bed for bed in _house() if not bed.control])


def test_two_beds_of_one_label_are_not_guessed_between() -> None:
    """Two machines may have set up the same label; the journal keeps both."""
    house = [*_house(), BedRef("other", "B2", "1", "COM", False, 2)]
    with pytest.raises(UserMistake, match="'B2' is the label of 2 beds"):
        resolve("B2", house)
    with pytest.raises(UserMistake, match=r"could mean more than one bed of a number \(B2, B2\)"):
        resolve("B1-B3", house)
    assert len(resolve("all", house)) == 13


@pytest.mark.parametrize(
    ("labels", "short"),
    [
        ("B1 B2 B3 B4 B5 B6 B9", "B1-B6, B9"),
        ("B10 B9 B8", "B8-B10"),
        ("B1 B2", "B1, B2"),
        ("B08 B09 B10", "B08-B10"),
        ("B9 B010 B011", "B9, B010, B011"),
        ("A1 A2 A3 B4 B5", "A1-A3, B4, B5"),
        ("north south", "north, south"),
        ("B1 B1 B1", "B1"),
        ("", ""),
    ],
)
def test_compact(labels: str, short: str) -> None:
    assert compact(labels.split()) == short


@settings(derandomize=True, max_examples=100, deadline=None)
@given(
    picked=st.sets(st.integers(1, 12), min_size=1),
    prefix=st.sampled_from(["B", "", "North-", "bed "]),
    width=st.sampled_from([1, 2, 3]),
)
def test_what_compact_writes_resolve_reads(picked: set[int], prefix: str, width: int) -> None:
    house = _house(prefix, width)
    labels = [bed.label for bed in house if bed.place in picked]
    assert [bed.label for bed in resolve(compact(reversed(labels)), house)] == labels


@settings(derandomize=True, max_examples=100, deadline=None)
@given(text=st.text(alphabet="Bb-–,0123456789 alcontrCOMkMEAL", max_size=20))
def test_any_text_gives_beds_or_one_plain_mistake(text: str) -> None:
    house = _house()
    try:
        found = resolve(text, house)
    except UserMistake as mistake:
        assert mistake.message
    else:
        assert found == sorted(found, key=lambda bed: bed.place)
        assert len(found) == len({bed.id for bed in found}) > 0
