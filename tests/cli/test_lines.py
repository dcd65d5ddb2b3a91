"""Corrections and histories of samples, their parts, tins and results; reserved codes, readings."""

from __future__ import annotations

import json
from typing import Any

import pytest

from logbook.store import asking, views
from logbook.study.samples import readings, samples
from tests.cli.parted import LATER, imported, parted
from tests.program import Program

__all__ = ["parted"]


@pytest.fixture
def measured(parted: Program) -> tuple[Program, list[str], list[str]]:
    """Two divided pulls of B1 and B2, with results of the first two parts of each."""
    first, second = parted.must("pull", "B1,B2").bags
    imported(
        parted,
        [
            (first[0], "NO3-N", "10"), (first[1], "pH", "6.5"),
            (second[0], "NO3-N", "20"), (second[1], "pH", "6.6"),
        ],
    )  # fmt: skip
    return parted, first, second


def counting(program: Program) -> dict[tuple[str, str], float | None]:
    """What counts, by bed and nutrient."""
    with views.reading(program.store) as store:
        (trial,) = views.fetch(store, "trial")
        labels = {one.code: one.label for one in samples(store, trial.id)}
        found = readings(store, trial.id)
    return {(labels[one.sample], one.analyte): one.value for one in found}


def lines(program: Program, of: str) -> list[Any]:
    found = json.loads(program.must("history", of, "--json", on=LATER).out)["lines"]
    assert isinstance(found, list)
    return found


Measured = tuple[Program, list[str], list[str]]
ALL = {("B1", "nitrate-N"): 10.0, ("B1", "pH"): 6.5, ("B2", "nitrate-N"): 20.0, ("B2", "pH"): 6.6}


def test_the_bed_of_a_pull_moves_the_results_of_its_parts(measured: Measured) -> None:
    program, _, second = measured
    assert counting(program) == ALL
    program.must("correct", second[0], "--bed", "B6", "--reason", "wrong bed", on=LATER)

    moved = {("B6" if bed == "B2" else bed, name): value for (bed, name), value in ALL.items()}
    assert counting(program) == moved


def test_striking_a_pull_takes_its_parts_and_results_out_and_says_so(measured: Measured) -> None:
    program, first, _ = measured
    program.must("weigh", first[2], "--wet", "94 g")
    said = program.must("strike", first[0], "--reason", "spilt", on=LATER)

    assert said.out == (
        f"{said.act}  struck 6 lines of {first[0]}: spilt\n  2 results of it count no longer\n"
    )
    assert counting(program) == {one: value for one, value in ALL.items() if one[0] == "B2"}
    # They wait for nothing: the pull was here, and was struck.
    with views.reading(program.store) as store:
        assert asking.waiting_results(store) == []
    assert "its pull was struck" in program.must("lab", "results", on=LATER).out
    program.must("undo", on=LATER)
    assert counting(program) == ALL


@pytest.mark.parametrize("part", ["chilled", "dried"])
def test_striking_a_part_takes_its_results_out(measured: Measured, part: str) -> None:
    program, first, _ = measured
    name = f"{first[0]}:{part}"
    said = program.must("strike", name, "--reason", "thawed", on=LATER)

    assert said.out == (
        f"{said.act}  struck 2 lines of {name}: thawed\n  1 result of it counts no longer\n"
    )
    gone = ("B1", "nitrate-N" if part == "chilled" else "pH")
    assert counting(program) == {one: value for one, value in ALL.items() if one != gone}
    program.must("undo", on=LATER)
    assert counting(program) == ALL


def test_a_result_is_named_by_the_sample_or_by_the_bag(measured: Measured) -> None:
    program, first, second = measured
    program.must("correct", f"{first[0]}:pH", "--value", "6.4", "--reason", "slip", on=LATER)
    program.must("correct", f"{second[1]}:pH", "--value", "6.7", "--reason", "slip", on=LATER)

    assert (counting(program)["B1", "pH"], counting(program)["B2", "pH"]) == (6.4, 6.7)
    said = program("strike", f"{second[1]}:nitrate-N", "--reason", "x", on=LATER)
    assert said.err == (
        f"Error: sample {second[1]} has no result of nitrate-N\n"
        f"Try: logbook lab results --sample {second[1]} lists what it has\n"
    )


def test_what_a_part_was_can_be_corrected(measured: Measured) -> None:
    program, first, _ = measured
    program.must(
        "correct", f"{first[0]}:chilled", "--part", "frozen: nitrate-N", "--reason", "x", on=LATER
    )
    with views.reading(program.store) as store:
        (trial,) = views.fetch(store, "trial")
        methods = {one.method for one in readings(store, trial.id, "nitrate-N")}
    assert methods == {"1 M KCl, frozen", "1 M KCl, chilled"}
    for words, error in (
        ("dried: P", f"sample {first[0]} has a dried part already: {first[1]}"),
        ("frozen: pH", f"pH is meant for the dried part {first[1]} already"),
        ("burnt", "'burnt' is not a part of a pull"),
    ):
        said = program("correct", f"{first[0]}:frozen", "--part", words, "--reason", "x", on=LATER)
        assert (said.code, said.err.splitlines()[0]) == (2, f"Error: {error}")


def test_the_time_of_a_pull_takes_its_parts_along(measured: Measured) -> None:
    program, first, _ = measured
    program.must("correct", first[0], "--when", "2026-03-02", "--reason", "no hour", on=LATER)

    with views.reading(program.store) as store:
        pulls = views.fetch(store, "pull", "id = ?", (first[0],))
        found = views.fetch(store, "part", "pull = ?", (first[0],))
    assert {one.record.when.text for one in (*pulls, *found)} == {"2026-03-02"}
    assert len(found) == 4


def test_an_act_is_corrected_bed_by_bed(parted: Program) -> None:
    said = parted.must("pull", "B1,B2")
    parted.must("correct", f"{said.act}:B2", "--cores", "6", "--reason", "stones")

    with views.reading(parted.store) as store:
        cores = {one.id: one.record.cores for one in views.fetch(store, "pull")}
    assert cores == {said.samples[0]: 8, said.samples[1]: 6}
    parted.must("strike", f"{said.act}:B1", "--reason", "spilt")
    with views.reading(parted.store) as store:
        assert {one.record.pull for one in views.fetch(store, "part")} == {said.samples[1]}


def test_a_history_shows_parts_and_results_in_the_order_of_writing(measured: Measured) -> None:
    program, first, _ = measured
    program.must("correct", first[0], "--cores", "7", "--reason", "one lost", on=LATER)
    program.must("correct", first[0], "--cores", "6", "--reason", "two lost", on=LATER)
    told = lines(program, first[0])

    # All of one second: by the number of the writer's entries, so 7 comes before 6.
    assert [(line["what"].partition(",")[0], line["reference"]) for line in told] == [
        (f"B1: pulled {first[0]} for day 0", first[0]),
        (f"B1: chilled part {first[0]} for nitrate-N", f"{first[0]}:chilled"),
        (f"B1: dried part {first[1]} of {first[0]} for pH", first[1]),
        (f"B1: tin part {first[2]} of {first[0]}", first[2]),
        (f"B1: retained part {first[3]} of {first[0]}", first[3]),
        ("nitrate-N 10 mg/kg (reported 10 mg/kg as NO3-N; 1 M KCl", f"{first[0]}:nitrate-N"),
        ("pH 6.5 (reported 6.5 as pH; water 1:1", f"{first[1]}:pH"),
        (f"corrected to B1: pulled {first[0]} for day 0", first[0]),
        (f"corrected to B1: pulled {first[0]} for day 0", first[0]),
    ]
    assert [line["what"].split(", ")[1] for line in told[-2:]] == ["7 cores to 15 cm",
                                                                  "6 cores to 15 cm"]  # fmt: skip
    # Every reference that a history shows can be typed.
    for line in told:
        assert lines(program, line["reference"])


def test_reserved_codes_readings_and_skips_have_histories(parted: Program) -> None:
    parted.must("week", "--reserve")
    with views.reading(parted.store) as store:
        (trial,) = views.fetch(store, "trial")
        bag, other = asking.free_bags(store, trial.id)[:2]
    assert f"code {bag} reserved for a bag" in parted.must("history", bag).out
    parted.must("strike", bag, "--reason", "torn")
    assert "because: torn" in parted.must("history", bag).out
    (pulled,) = parted.must("pull", "B1", "--whole", "--code", other).samples
    assert lines(parted, pulled)[0]["what"].startswith("code ")

    read = parted.must("measure", "soil temperature", "27.5 C", "--on", "B1,B2").act
    parted.must("correct", f"{read}:B2", "--value", "28 C", "--reason", "misread")
    parted.must("skip", "B2", "--for", "day 7", "--reason", "away")
    told = parted.must("history", "B2").out
    assert "corrected to B2: soil temperature: 28 C" in told
    assert "day 7" in told
    assert "away" in told


def test_undo_of_a_pull_is_refused_once_a_part_has_a_result(measured: Measured) -> None:
    program, _, _ = measured
    program.must("--by", "ana", "pull", "B5", on=LATER)
    program.must("undo", on=LATER)  # mira's import
    program.must("undo", on=LATER)  # mira's pull
    assert counting(program) == {}

    (bags,) = program.must("pull", "B1", "--again", "anew", on=LATER).bags
    # Another person's result of one of its parts: mira's pull cannot go from under it.
    program.must(
        "--by", "ana", "lab", "add", bags[1], "pH", "6.5", "--method", "water 1:1", on=LATER
    )
    said = program("undo", on=LATER)
    assert (said.code, said.err) == (
        2,
        f"Error: {bags[1]}:pH speaks of {bags[1]}, which cannot be undone any more\n"
        f"Try: strike the later line first: logbook strike {bags[1]}:pH --reason TEXT\n",
    )


WRONG: dict[str, tuple[list[str], str]] = {
    "no such planned pull": (
        ["--for", "day 99"],
        "Error: the calendar has no pull 'day 99'\n"
        "Try: it has: before, day 0, day 7, day 14, day 28\n",
    ),
    "no cores": (
        ["--cores", "0"],
        "Error: a sample has at least one core\nTry: strike the pull if there was none\n",
    ),
    "fewer than none": (["--cores", "-3"], "Error: a sample has at least one core\n"),
    "amount of a pull": (
        ["--amount", "1 kg"],
        "Error: a pull has no amount to correct\nTry: it has: when, bed, for, cores, depth\n",
    ),
    "two beds": (["--bed", "B1,B2"], "Error: 'B1,B2' names 2 beds: a line is about one\n"),
    "depth of nothing": (["--depth", "0 cm"], "Error: '0 cm' must be more than nothing\n"),
}


@pytest.mark.parametrize("name", WRONG)
def test_wrong_corrections_of_a_pull(parted: Program, name: str) -> None:
    (code,) = parted.must("pull", "B1", "--whole").samples
    words, error = WRONG[name]
    before = parted.journal()
    said = parted("correct", code, *words, "--reason", "x")

    assert (said.code, said.out, parted.journal()) == (2, "", before)
    assert said.err.startswith(error), said.err


@pytest.mark.parametrize(
    ("suffix", "error"),
    [
        ("frozen", "sample {code} has no frozen part"),
        ("weights", "no tin of {code} was weighed"),
        ("gold", "'gold' is not a nutrient this program knows"),
        ("K", "sample {code} has no result of K"),
    ],
)
def test_wrong_references(parted: Program, suffix: str, error: str) -> None:
    (bags,) = parted.must("pull", "B1").bags
    said = parted("strike", f"{bags[0]}:{suffix}", "--reason", "x")

    assert (said.code, said.err.splitlines()[0]) == (2, "Error: " + error.format(code=bags[0]))


def test_a_planned_pull_is_corrected_by_any_of_its_names(parted: Program) -> None:
    (code,) = parted.must("pull", "B1", "--whole").samples
    parted.must("correct", code, "--for", "14", "--reason", "early")

    with views.reading(parted.store) as store:
        (found,) = views.fetch(store, "pull")
    assert found.record.planned == "day 14"
