"""Pulls divided into parts: a code for each bag, what each is for, and what is made of results."""

from __future__ import annotations

import csv
import json
import re
from collections import Counter
from datetime import date
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logbook.store import asking, views
from logbook.study.samples import Reading, readings, samples
from logbook.trial.codes import new_code
from logbook.trial.records import PARTS, Bag, Part, Pull
from logbook.trial.times import When
from tests.cli.parted import (
    FIRST,
    KINDS,
    LATER,
    NUTRIENTS,
    PARTED,
    begun,
    imported,
    parted,
    write,
)
from tests.program import PROTOCOL, Program

__all__ = ["parted"]
GOOD = "RT4MAXCL"  # valid check symbol, nothing has it


def standing(program: Program) -> list[Reading]:
    """Every reading that the trial's curves are made of, sums left out."""
    with views.reading(program.store) as store:
        (trial,) = views.fetch(store, "trial")
        return [one for one in readings(store, trial.id) if one.analyte != "mineral-N"]


def waiting(program: Program) -> list[str]:
    with views.reading(program.store) as store:
        return asking.waiting_results(store)


def test_every_part_has_a_code_and_the_first_is_the_samples(parted: Program) -> None:
    said = parted.must("pull", "control,M")

    head, kinds, *rows = said.out.splitlines()
    assert head.endswith("pulled 4 samples in 16 bags and tins, Mon 2 Mar 2026 09:00")
    assert kinds.split() == [*KINDS, "bed"]
    assert [row.split()[4] for row in rows] == ["B1", "B2", "B5", "B6"]
    assert all(len(row) <= 80 for row in (kinds, *rows))
    assert len({code for bags in said.bags for code in bags}) == 16
    with views.reading(parted.store) as store:
        found = {one.id: one.record for one in views.fetch(store, "part")}
    for bags in said.bags:
        assert [found[code].kind for code in bags] == KINDS
        assert {found[code].pull for code in bags} == {bags[0]}
        assert found[bags[0]].analyses == ("nitrate-N", "ammonium-N")


def test_lines_of_many_parts_hold_to_eighty_columns(parted: Program) -> None:
    words = ["chilled: nitrate-N", "frozen: ammonium-N", "dried: P", "tin", "retained"]
    given = [word for part in words for word in ("--part", part)]
    said = parted.must("pull", "all", "--for", "before", "--again", "torn", *given, on=FIRST)

    assert [len(bags) for bags in said.bags] == [5] * 6
    assert max(map(len, said.out.splitlines())) <= 80
    assert said.out.splitlines()[1].split() == [*PARTS, "bed"]


def test_one_pull_may_have_other_parts_or_none(parted: Program) -> None:
    other = parted.must("pull", "B1", "--part", "dried: P", "--part", "Chilled: NO3-N")
    whole = parted.must("pull", "B2", "--whole")

    assert [len(bags) for bags in other.bags] == [2]
    assert other.out.splitlines()[1].split() == ["chilled", "dried", "bed"]
    assert [len(bags) for bags in whole.bags] == [1]
    with views.reading(parted.store) as store:
        kept = {one.record.kind: one.record for one in views.fetch(store, "part")}
    assert kept["chilled"].analyses == ("nitrate-N",)
    assert set(kept) == {"chilled", "dried"}


def test_codes_go_by_bed_then_by_part_and_reserved_ones_are_bound(parted: Program) -> None:
    parted.must("week", "--reserve")
    with views.reading(parted.store) as store:
        (trial,) = views.fetch(store, "trial")
        free = asking.free_bags(store, trial.id)
    own = [new_code() for _ in range(2)]
    given = [free[3], own[0], free[0], own[1]]
    words = ("--part", "chilled: nitrate-N", "--part", "dried: P")
    said = parted.must("pull", "B1,B2", *words, "--code", ",".join(given))

    assert said.bags == [given[:2], given[2:]]
    with views.reading(parted.store) as store:
        assert set(asking.free_bags(store, trial.id)) == set(free) - set(given)


def test_results_of_parts_count_for_their_pull(parted: Program) -> None:
    first, second = parted.must("pull", "B1,B2").bags
    said = imported(
        parted,
        [
            (first[0], "NO3-N", "10"), (first[1], "pH", "6.5"), (first[1], "P", "31"),
            (second[0], "NO3-N", "20"), (second[1], "NO3-N", "25"), (second[3], "P", "33"),
        ],
    )  # fmt: skip

    assert (
        f"Note: the part was not meant for this analysis: {second[1]} nitrate-N "
        f"(dried for pH, P, K), {second[3]} P (retained)"
    ) in " ".join(said.split())
    found = {(one.sample, one.analyte, one.method): one.value for one in standing(parted)}
    # How a part was kept belongs to the method of nitrate and ammonium (Nelson & Bremner 1972).
    assert found == {
        (first[0], "nitrate-N", "1 M KCl, chilled"): 10.0,
        (first[0], "pH", "water 1:1"): 6.5,
        (first[0], "P", "Mehlich-3"): 31.0,
        (second[0], "nitrate-N", "1 M KCl, chilled"): 20.0,
        (second[0], "nitrate-N", "1 M KCl, dried"): 25.0,
        (second[0], "P", "Mehlich-3"): 33.0,
    }
    assert waiting(parted) == []
    typed = parted.must("lab", "add", second[2], "pH", "6.4", "--method", "water 1:1", on=LATER)
    assert f"Note: the part was not meant for this analysis: {second[2]} pH (tin)" in " ".join(
        typed.out.split()
    )


def test_results_are_listed_with_the_bag_that_was_analysed(parted: Program) -> None:
    (bags,) = parted.must("pull", "B1").bags
    imported(parted, [(bags[0], "NO3-N", "10"), (bags[1], "pH", "6.5")])

    for words in (("--sample", bags[0]), ("--bed", "B1")):
        said = parted.must("lab", "results", *words, on=LATER).out
        assert max(map(len, said.splitlines())) <= 80
        told = " ".join(said.split())
        for line in (
            f"{bags[0]} Mon 2 Mar 2026 B1 nitrate-N 10 mg/kg (1 M KCl, chilled, dry; report R1)",
            f"{bags[1]} Mon 2 Mar 2026 B1 pH 6.5 (water 1:1, dried, dry; report R1)",
        ):
            assert line in told
    only = parted.must("lab", "results", "--sample", bags[1], on=LATER).out
    assert bags[1] in only and bags[0] not in only
    lines = json.loads(parted.must("lab", "results", "--json", on=LATER).out)["results"]
    assert {(one["sample"], one["part_of"], one["kind"]) for one in lines} == {
        (bags[0], bags[0], "chilled"),
        (bags[1], bags[0], "dried"),
    }


def test_the_season_tells_parts_and_stays_the_same_bytes(parted: Program) -> None:
    (bags,) = parted.must("pull", "B1").bags
    parted.must("weigh", bags[2], "--tare", "0 g", "--wet", "94 g", "--dry", "78 g")
    imported(parted, [(bags[0], "NO3-N", "10"), (bags[1], "pH", "6.5")])
    parted.must("correct", f"{bags[1]}", "--part", "dried: pH", "--reason", "slip", on=LATER)

    for name, day in (("one", LATER), ("two", "2026-05-01T09:00+02:00")):
        parted.must("season", name, on=day)
    files = {path.name: path.read_bytes() for path in (parted.folder / "one").iterdir()}
    assert files == {path.name: path.read_bytes() for path in (parted.folder / "two").iterdir()}
    (pull,) = rows_of(parted, "pulls.csv")
    told = "; ".join(f"{kind} {code}" for kind, code in zip(KINDS, bags, strict=True))
    assert (pull["sample"], pull["parts"], pull["results"]) == (bags[0], told, "2")
    assert [
        (row["sample"], row["part"], row["kind"]) for row in rows_of(parted, "results.csv")
    ] == [
        (bags[0], bags[0], "chilled"),
        (bags[0], bags[1], "dried"),
    ]
    (tin,) = rows_of(parted, "moisture.csv")
    # 94 g moist and 78 g dry soil: 16 / 78 = 20.513 % (an instrument manual's worked example).
    assert (tin["tin"], tin["bed"], tin["moisture"]) == (bags[2], "B1", "20.5128205")
    changed = [row for row in rows_of(parted, "corrections.csv") if row["what"] == "part"]
    assert [(row["sample"], row["bed"], row["old"], row["new"]) for row in changed] == [
        (bags[1], "B1", "pH, P, K", "pH")
    ]
    text = " ".join(files["README.txt"].decode().split())
    assert "chilled for nitrate-N, ammonium-N; dried for pH, P, K; tin; retained" in text


def rows_of(program: Program, name: str) -> list[dict[str, str]]:
    with (program.folder / "one" / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_results_of_a_part_wait_for_its_pull(parted: Program) -> None:
    """The office has the report and the part's line; the pull itself was not synced yet."""
    with views.reading(parted.store) as store:
        (trial,) = views.fetch(store, "trial")
        bed = views.bed_refs(store, trial.id)[0]
    own, code = new_code(), new_code()
    at = When(date(2026, 3, 2))
    write(parted, "pull", [(f"part/{code}", Part(code, own, "dried", ("pH",), at))])
    imported(parted, [(code, "pH", "6.5")])
    assert waiting(parted) == [code]
    assert standing(parted) == []
    listed = parted.must("lab", "results", on=LATER).out
    assert "waits for its pull" in listed

    write(parted, "pull", [(f"pull/{own}", Pull(own, bed.id, at, None, 8, trial.record.depth_cm,
                                                None))])  # fmt: skip
    assert waiting(parted) == []
    assert [(one.sample, one.value) for one in standing(parted)] == [(own, 6.5)]


WRONG: dict[str, tuple[list[str], str]] = {
    "no such part": (
        ["pull", "B1", "--part", "roasted: P"],
        "Error: 'roasted' is not a part of a pull\n"
        "Try: use: chilled, frozen, dried, tin, retained\n",
    ),
    "no such nutrient": (
        ["pull", "B1", "--part", "dried: unobtainium"],
        "Error: 'unobtainium' is not a nutrient this program knows\n",
    ),
    "a nutrient in two parts": (
        ["pull", "B1", "--part", "dried: P", "--part", "chilled: P"],
        "Error: P is named in dried and in chilled\nTry: measure it in one part\n",
    ),
    "a part twice": (
        ["pull", "B1", "--part", "dried: P", "--part", "dried: K"],
        "Error: the part 'dried' is named twice\nTry: one bag of each kind\n",
    ),
    "a sum": (
        ["pull", "B1", "--part", "chilled: mineral-N"],
        "Error: mineral-N is a sum and no analysis\nTry: name nitrate-N and ammonium-N\n",
    ),
    "a nutrient from a tin": (
        ["pull", "B1", "--part", "tin: P"],
        "Error: a tin is dried for its moisture: no nutrient comes of it\n",
    ),
    "whole and in parts": (
        ["pull", "B1", "--whole", "--part", "dried: P"],
        "Error: a pull is whole or has parts\nTry: leave --whole or --part out\n",
    ),
    "too few codes": (
        ["pull", "B1", "--code", GOOD],
        "Error: 1 bed needs 4 different codes in 4 bags each, not 1\n",
    ),
    "one code twice": (
        ["pull", "B1,B2", "--whole", "--code", f"{GOOD},{GOOD}"],
        f"Error: a code is given twice: {GOOD}\nTry: every bag has its own\n",
    ),
    "a wrong symbol": (
        ["pull", "B1", "--whole", "--code", "RT4MAXC0"],
        "Error: 'RT4MAXC0' is not a sample code: no code has the symbol '0'\n",
    ),
}


@pytest.mark.parametrize("name", WRONG)
def test_one_clear_error_and_no_trace(parted: Program, name: str) -> None:
    words, error = WRONG[name]
    before = parted.journal()
    said = parted(*words)

    assert (said.code, said.out, parted.journal()) == (2, "", before)
    assert said.err.startswith(error), said.err


def test_codes_that_belong_to_something_else_are_refused(parted: Program) -> None:
    (bags,) = parted.must("pull", "B1").bags
    said = parted("pull", "B2", "--whole", "--code", bags[2])
    assert (said.code, said.err) == (2, f"Error: used already: {bags[2]}\nTry: check the bag\n")

    write(parted, "set", [(f"bag/{GOOD}", Bag("other", GOOD, When(date(2026, 3, 1))))])
    said = parted("pull", "B2", "--whole", "--code", GOOD)
    assert said.code == 2
    assert said.err == (
        f"Error: {GOOD} is reserved for a bag of another trial, not of Small house (invented)\n"
        "Try: check the bag, or name the trial with --trial NAME\n"
    )


# --- whatever the mix ----------------------------------------------------------------------------

ANALYSES = ("NO3-N", "NH4-N", "P", "K", "pH")
BEDS = ("B1", "B2", "B5", "B6")


@st.composite
def divided(draw: st.DrawFn) -> list[tuple[str, list[str]]]:
    """One pull's parts, each nutrient in one of them; none: whole."""
    kinds = draw(st.lists(st.sampled_from(["chilled", "frozen", "dried"]), unique=True))
    shares: dict[str, list[str]] = {kind: [] for kind in kinds}
    for analysis in ANALYSES if kinds else ():
        shares[draw(st.sampled_from(kinds))].append(analysis)
    extra = draw(st.sampled_from([[], ["tin"], ["tin", "retained"]])) if kinds else []
    return [*shares.items(), *((kind, []) for kind in extra)]


VALUES = {
    (bed, analysis): str(value)
    for value, (bed, analysis) in enumerate(
        ((bed, analysis) for bed in BEDS for analysis in ANALYSES if analysis != "pH"), start=10
    )
} | {(bed, "pH"): f"6.{place}" for place, bed in enumerate(BEDS)}


def lived(program: Program, folder: Path, mixes: list[list[tuple[str, list[str]]]]) -> Program:
    """The trial in a folder of its own, pulled in these parts, with all its results."""
    folder.mkdir()
    mine = Program(folder, program.capsys, ("--store", str(folder / "logbook.db")))
    begun(mine, PROTOCOL + NUTRIENTS)
    rows = []
    for bed, mix in zip(BEDS, mixes, strict=True):
        words = [word for kind, names in mix for word in ("--part", f"{kind}: {','.join(names)}")]
        (bags,) = mine.must("pull", bed, *words).bags
        order = sorted(mix, key=lambda part: PARTS.index(part[0]))
        of = {name: code for code, (_, names) in zip(bags, order, strict=False) for name in names}
        rows += [(of.get(one, bags[0]), one, VALUES[bed, one]) for one in ANALYSES]
    imported(mine, rows)
    return mine


def beds_and_days(program: Program) -> Counter[tuple[str, date, str, str, float | None]]:
    with views.reading(program.store) as store:
        (trial,) = views.fetch(store, "trial")
        pulled = {one.code: one for one in samples(store, trial.id)}
    return Counter(
        (pulled[one.sample].label, pulled[one.sample].day, one.analyte, one.method, one.value)
        for one in standing(program)
    )


@settings(max_examples=8)
@given(data=st.data())
@pytest.mark.long
def test_whatever_the_mix_of_parts_a_result_counts_for_one_bed_and_day(
    data: st.DataObject, program: Program
) -> None:
    """And where handling does not matter, parts say what whole bags say."""
    place = sum(1 for _ in program.folder.iterdir())
    mixes = [data.draw(divided()) for _ in BEDS]
    whole = beds_and_days(lived(program, program.folder / f"w{place}", [[]] * len(BEDS)))
    parts = beds_and_days(lived(program, program.folder / f"p{place}", mixes))

    assert sum(parts.values()) == len(BEDS) * len(ANALYSES) == len(parts)
    steady = ("P", "K", "pH")
    assert {one for one in parts if one[2] in steady} == {one for one in whole if one[2] in steady}
    for bed, mix in zip(BEDS, mixes, strict=True):
        kept = {name: kind for kind, names in mix for name in names}
        method = f"1 M KCl, {kept['NO3-N']}" if mix else "1 M KCl"
        assert parts[bed, date(2026, 3, 2), "nitrate-N", method, float(VALUES[bed, "NO3-N"])] == 1


# --- the protocol --------------------------------------------------------------------------------


def test_the_protocol_tells_what_every_pull_is_divided_into(program: Program) -> None:
    (program.folder / "trial.toml").write_text(PARTED, encoding="utf-8")
    said = program.must("trial", "check", "trial.toml").out

    assert "30 samples in 120 bags and tins for the laboratory" in said
    assert "Part of every pull: chilled for nitrate-N, ammonium-N.\n" in said
    found = json.loads(program.must("trial", "check", "trial.toml", "--json").out)
    assert (found["samples"], found["bags"], list(found["parts"])) == (30, 120, KINDS)


def test_the_templates_parts_can_be_had_by_taking_the_marks_away(program: Program) -> None:
    lines = program.must("trial", "template").out.splitlines()
    first = lines.index("# [sampling.parts]")
    for place in range(first, first + 5):
        lines[place] = lines[place].removeprefix("# ")
    (program.folder / "trial.toml").write_text("\n".join(lines), encoding="utf-8")
    found = json.loads(program.must("trial", "check", "trial.toml", "--json").out)

    assert found["bags"] == 4 * found["samples"]
    assert found["parts"]["dried"] == ["P", "pH", "EC"]
    assert not [text for text in found["warnings"] if "part" in text or "dried" in text]


def test_the_protocol_warns_of_nitrogen_in_dried_soil(program: Program) -> None:
    dried = PARTED.replace('chilled = ["nitrate-N", "ammonium-N"]\n', "")
    dried = dried.replace('dried = ["pH", "P", "K"]', 'dried = ["nitrate-N", "ammonium-N", "pH"]')
    (program.folder / "trial.toml").write_text(dried, encoding="utf-8")
    said = " ".join(program.must("trial", "check", "trial.toml").out.split())

    assert "Note: nitrate-N and ammonium-N in dried soil: drying alone adds some of it" in said
    assert "Note: no part of a pull is meant for P, K" in said


def test_all_problems_of_the_parts_come_at_once_with_their_lines(program: Program) -> None:
    wrong = PARTED.replace(
        PARTS_BLOCK,
        '[sampling.parts]\nroasted = ["P"]\nchilled = ["nitrate-N", "gold"]\n'
        'dried = ["nitrate-N", "Zn", "P"]\ntin = ["K"]\nfrozen = "ammonium-N"\n\n',
    )
    (program.folder / "trial.toml").write_text(wrong, encoding="utf-8")
    first = wrong.splitlines().index("[sampling.parts]") + 1
    said = program("trial", "check", "trial.toml")

    assert said.code == 2
    where = [f"trial.toml, line {first + n}, sampling.parts" for n in range(1, 6)]
    for line in (
        f"{where[0]}.roasted: 'roasted' is not a part of a pull",
        f"{where[1]}.chilled[2]: 'gold' is not a nutrient this program knows",
        f"{where[2]}.dried: nitrate-N is in chilled already",
        f"{where[2]}.dried: Zn is not followed",
        f"{where[3]}.tin: a tin is dried for its moisture: no nutrient comes of it",
        f'{where[4]}.frozen: "frozen" is not a list of nutrients',
    ):
        assert line in said.err, said.err
    assert "cannot be used: 6 problems" in said.err


PARTS_BLOCK = PARTED[PARTED.index("[sampling.parts]") : PARTED.index("[soil]")]


# --- one pull that is divided otherwise than the others -------------------------------------------

APART = ("--part", "chilled: nitrate-N, ammonium-N", "--part", "dried: pH")
TOLD = (
    "Note: nitrate-N and ammonium-N of this pull come from chilled parts, of the trial's other "
    "pulls from undivided bags: its results form a series of their own; logbook undo takes it back."
)


def test_a_pull_divided_otherwise_than_the_others_is_said(started: Program) -> None:
    started.must("apply", "control,M", on=FIRST)
    assert started.must("pull", "control,M", "--for", "day 0", on=FIRST).err == ""
    later = "2026-03-09T09:00+01:00"
    said = started.must("pull", "M", "--for", "day 7", *APART, on=later)
    assert " ".join(said.err.split()) == TOLD
    # What is divided as some other pull was says nothing more, nor does a part without nitrogen.
    assert started.must("pull", "control", "--for", "day 7", *APART, on=later).err == ""
    assert started.must("pull", "C10", "--part", "dried: P", "--for", "before", on=later).err == ""


def test_a_whole_pull_of_a_divided_trial_is_said(parted: Program) -> None:
    parted.must("pull", "control,M", "--for", "day 0", on=FIRST)
    said = parted.must("pull", "M", "--for", "day 7", "--whole", on="2026-03-09T09:00+01:00")
    assert (
        "of this pull come from undivided bags, of the trial's other pulls from chilled parts"
    ) in " ".join(said.err.split())


def test_what_sets_two_series_of_a_nutrient_apart_is_named(started: Program) -> None:
    """Days 0 and 28 whole, days 7 and 14 chilled, from one laboratory by one method."""
    on = "2026-04-20T09:00+02:00"
    started.must("apply", "control,M", on=FIRST)
    rows = ""
    for day, words in ((0, ()), (7, APART), (14, APART), (28, ())):
        at = f"2026-03-{2 + day:02d}T12:00+0{1 if day < 27 else 2}:00"
        said = started.must("pull", "B1,B2,B5,B6", "--for", f"day {day}", *words, on=at)
        for place, bags in enumerate(said.bags):
            rows += f"{bags[0]},nitrate-N,{20 + place * day},mg/kg,1 M KCl\n"
            rows += f"{bags[0]},ammonium-N,5,mg/kg,1 M KCl\n"
    (started.folder / "r.csv").write_text(f"sample,nutrient,value,unit,method\n{rows}")
    started.must("lab", "import", "r.csv", "--report", "r", on=on)
    curves = json.loads(started.must("curve", "mineral-N", "M", "--json", on=on).out)["curves"]
    notes = {one["method"]: " ".join(one["notes"]) for one in curves}
    told = "another part ({}) was used too: those results stand in a series of their own"
    assert told.format("chilled") in notes["1 M KCl"]
    assert told.format("whole") in notes["1 M KCl, chilled"]
    said = started.must("compare", "--all-dates", on=on)
    names = re.findall(r"^(mineral-N.*?)  +\d", said.out, re.MULTILINE)
    assert set(names) == {"mineral-N (whole)", "mineral-N (chilled)"}
    assert max(map(len, said.out.splitlines())) <= 80
