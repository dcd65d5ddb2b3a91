"""A composite of several beds: one sample, one replicate, counted for each of its beds."""

from __future__ import annotations

import json

import pytest

from logbook.store import views
from logbook.study.samples import samples
from logbook.study.series import Series, series_of
from logbook.trial.codes import new_code
from tests.cli.parted import LATER, begun, imported
from tests.program import PROTOCOL, Program

# Invented: four blocks, so that two composites of two beds can be made of either side.
FOUR = (
    PROTOCOL.replace(
        '  { label = "B6", block = "2", treatment = "M", size = "bed" },\n',
        '  { label = "B6", block = "2", treatment = "M", size = "bed" },\n'
        '  { label = "B7", block = "3", treatment = "none", size = "bed" },\n'
        '  { label = "B8", block = "3", treatment = "M", size = "bed" },\n'
        '  { label = "B9", block = "4", treatment = "none", size = "bed" },\n'
        '  { label = "B10", block = "4", treatment = "M", size = "bed" },\n',
    )
    + 'P = "Mehlich-3"\n'
)


@pytest.fixture
def four(program: Program) -> Program:
    """Four blocks, applied on 2 March 2026 but for the compost."""
    return begun(program, FOUR)


def the_series(program: Program, analyte: str = "P") -> Series:
    with views.reading(program.store) as store:
        (trial,) = views.fetch(store, "trial")
        (found,) = series_of(store, trial.id, analyte)
        return found


def pulled(program: Program, *groups: str) -> list[str]:
    """The codes of composites of these beds."""
    return [program.must("pull", beds, "--composite").samples[0] for beds in groups]


def test_a_composite_is_one_sample_named_by_its_beds(four: Program) -> None:
    said = four.must("pull", "B6,B2", "--composite")
    assert said.out.splitlines()[0].endswith("1 sample mixed from 2 beds, Mon 2 Mar 2026 09:00")
    assert said.out.splitlines()[1:] == [f"  {said.samples[0]}  B2, B6 for day 0"]
    inside = four.must("pull", "B1", "--whole").samples[0]

    with views.reading(four.store) as store:
        (trial,) = views.fetch(store, "trial")
        found = {one.code: one for one in samples(store, trial.id)}
        (line,) = views.fetch(store, "pull", "id = ?", (said.samples[0],))
        labels = {bed.id: bed.label for bed in views.bed_refs(store, trial.id)}
    mixed = found[said.samples[0]]
    assert (mixed.label, mixed.block, mixed.blocks) == ("B2+B6", "", ("1", "2"))
    assert (mixed.treatment, mixed.control, mixed.age) == ("M", False, 0)
    assert (found[inside].label, found[inside].block) == ("B1", "1")
    # In bench order, whatever the order in which the beds were said.
    assert [labels[bed] for bed in (line.record.bed, *line.record.also)] == ["B2", "B6"]


def test_the_calendar_counts_it_for_each_of_its_beds(four: Program) -> None:
    four.must("pull", "B2,B6", "--composite", "--for", "day 0")
    (board,) = json.loads(four.must("today", "--json").out)["boards"]

    due = {bed for task in board["pulls"] if task["what"] == "day 0" for bed in task["beds"]}
    assert due == {"B1", "B5", "B7", "B8", "B9", "B10"}
    again = four("pull", "B6", "--for", "day 0")
    assert again.err.startswith("Error: day 0 (Mon 2 Mar 2026) of B6 was written down already")


def test_composites_across_blocks_are_compared_by_welch_and_never_paired(four: Program) -> None:
    codes = pulled(four, "B2,B6", "B8,B10", "B1,B5", "B7,B9")
    imported(four, [(code, "P", value) for code, value in zip(codes, ["20", "24", "10", "12"],
                                                            strict=True)])  # fmt: skip
    (row,) = the_series(four).rows

    found = row.difference
    assert (found.method, found.treated_beds, found.control_beds) == ("welch", 2, 2)
    # By hand: 22 - 11 = 11; variances 8 and 2, so 4 and 1 of the means; Satterthwaite's
    # df = (4 + 1)^2 / (4^2 / 1 + 1^2 / 1) = 25 / 17.
    assert found.against_control.value == 11.0
    assert found.against_control.df == pytest.approx(25 / 17)
    assert {one.block for one in row.observations} == {None}


def test_one_composite_of_many_beds_is_one_replicate(four: Program) -> None:
    codes = pulled(four, "M", "control")
    imported(four, [(codes[0], "P", "20"), (codes[1], "P", "10")])
    (row,) = the_series(four).rows

    assert (row.difference.method, row.difference.against_control.value) == ("one bed", 10.0)
    assert row.difference.against_control.low is None
    assert row.difference.against_control.reason.startswith("one bed per treatment")
    assert {one.bed for one in row.observations} == {"B2+B6+B8+B10", "B1+B5+B7+B9"}


def test_single_controls_of_every_block_stand_against_a_composite(four: Program) -> None:
    (mixed,) = pulled(four, "M")
    controls = four.must("pull", "control").samples
    values = zip(controls, ["8", "10", "12", "14"], strict=True)
    imported(four, [(mixed, "P", "20"), *((code, "P", value) for code, value in values)])
    (row,) = the_series(four).rows

    assert (row.difference.treated_beds, row.difference.control_beds) == (1, 4)
    assert row.difference.against_control.value == 9.0  # 20 - (8 + 10 + 12 + 14) / 4
    assert row.difference.method == "one bed"


def test_a_composite_beside_single_beds_says_why_blocks_are_not_used(four: Program) -> None:
    mixed = pulled(four, "B2,B6")
    single = four.must("pull", "B8,B10,control").samples
    imported(four, [(code, "P", f"1{place}") for place, code in enumerate([*mixed, *single])])
    (row,) = the_series(four).rows

    assert (row.difference.method, row.difference.note) == (
        "welch",
        "blocks not used: some beds have no block",
    )


def test_history_of_every_bed_shows_it_struck_or_not(four: Program) -> None:
    (mixed,) = pulled(four, "B2,B6")
    told = f"B2+B6: pulled {mixed} for day 0, 8 cores to 15 cm,\n"
    assert told in four.must("history", "B2").out
    assert told in four.must("history", "B6").out
    assert told not in four.must("history", "B8").out

    four.must("strike", mixed, "--reason", "spilt", on=LATER)
    for bed in ("B2", "B6"):
        assert "because: spilt" in four.must("history", bed, on=LATER).out


def test_the_beds_of_a_composite_can_be_corrected(four: Program) -> None:
    (mixed,) = pulled(four, "B2,B6")
    four.must("correct", mixed, "--bed", "B2,B8,B10", "--reason", "other bucket")
    with views.reading(four.store) as store:
        (trial,) = views.fetch(store, "trial")
        (found,) = samples(store, trial.id)
    assert found.label == "B2+B8+B10"

    for beds, words in (("B2", "'B2' is no composite"), ("B1,B2", "'B1,B2' is no composite")):
        said = four("correct", mixed, "--bed", beds, "--reason", "x")
        assert (said.code, said.err) == (
            2,
            f"Error: {words}: two beds or more of one treatment\n"
            "Try: strike the pull and write it anew\n",
        )


WRONG = {
    "different treatments": (
        ["B1,B2"],
        "Error: B1, B2 have different treatments (M, none): a composite of them would say nothing "
        "of any\nTry: mix beds of one treatment only\n",
    ),
    "one bed": (
        ["B2"],
        "Error: a composite is mixed from two beds or more\nTry: leave --composite out\n",
    ),
    "two codes": (
        ["B2,B6", "--code", f"{new_code()},{new_code()}"],
        "Error: a composite needs 1 code, not 2\n",
    ),
    "no such bed": (
        ["B2,B99"],
        "Error: 'B99' is no bed, block or treatment here (did you mean B9?)\n",
    ),
}


@pytest.mark.parametrize("name", WRONG)
def test_wrong_composites_leave_no_trace(four: Program, name: str) -> None:
    words, error = WRONG[name]
    before = four.journal()
    said = four("pull", *words, "--composite")

    assert (said.code, said.out, four.journal()) == (2, "", before)
    assert said.err.startswith(error), said.err


def test_beds_of_different_age_make_no_composite(started: Program) -> None:
    started.must("apply", "B2")
    started.must("apply", "B6", on="2026-03-05T09:00+01:00")
    said = started("pull", "M", "--composite", on="2026-03-06T09:00+01:00")

    assert (said.code, said.err) == (
        2,
        "Error: B2, B6 were not applied on the same day: a composite of them would have no age\n"
        "Try: mix beds of one application day only\n",
    )
