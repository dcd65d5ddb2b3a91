"""A report that is re-issued under a number of its own: nothing of it is lost, nothing doubled."""

from __future__ import annotations

import json
from hashlib import sha256
from itertools import chain, combinations

import pytest

from logbook.store import views
from tests.cli.test_lab import BASIS, HEADER, ON, SIX, long, pulled, report, results
from tests.program import Program

__all__ = ["pulled"]

LAB = "Invented Soil Lab"
Pulled = tuple[Program, list[str]]


def standing(program: Program) -> dict[tuple[str, str], list[tuple[str, int, str]]]:
    """Report, run and value of all that stands, by sample and nutrient."""
    found: dict[tuple[str, str], list[tuple[str, int, str]]] = {}
    with views.reading(program.store) as store:
        for one in views.fetch(store, "result"):
            of = found.setdefault((one.record.sample, one.record.analyte), [])
            of.append((one.record.report, one.record.run, one.record.reported))
    return found


@pytest.fixture
def chain_of_two(pulled: Pulled) -> Pulled:
    """26-1 has six bags; 26-2 is a re-issue of the first two of them; third.csv one of all."""
    program, codes = pulled
    program.must("lab", "import", report(program, long(codes, SIX)), "--report", "26-1", on=ON)
    part = report(program, long(codes[:2], ["10.5", "11.5"]), "second.csv")
    program.must("lab", "import", part, "--report", "26-2", "--replaces", "26-1", on=ON)
    report(program, long(codes, ["10.6", "11.6", "12.6", *SIX[3:]]), "third.csv")
    return program, codes


def test_a_whole_re_issue_replaces_a_report_and_the_re_issue_of_a_part_of_it(
    chain_of_two: Pulled,
) -> None:
    program, codes = chain_of_two
    words = ("lab", "import", "third.csv", "--report", "26-3")
    both = ("--replaces", "26-1", "--replaces", "26-2")
    said = program.must(*words, *both, on=ON).out
    assert said.startswith(
        f"third.csv: report 26-3 of {LAB} has other values than report 26-1:\n"
        f"  {codes[2]}  nitrate-N   12 -> 12.6 mg/kg\n"
        f"third.csv: report 26-3 of {LAB} has other values than report 26-2:\n"
        f"  {codes[0]}  nitrate-N   10.5 -> 10.6 mg/kg\n"
        f"  {codes[1]}  nitrate-N   11.5 -> 11.6 mg/kg\n"
    )
    told = " ".join(said.split())
    assert "it takes the place of 12 results of reports 26-1, 26-2, now struck" in told
    assert "left standing" not in said
    found = standing(program)
    assert {(number, run) for several in found.values() for number, run, _ in several} == {
        ("26-3", 1)
    }
    assert {len(several) for several in found.values()} == {1}
    assert len(found) == 12
    before = program.journal()
    assert "imported already" in program.must(*words, *both, on=ON).out
    assert program.journal() == before
    program.must("undo", on=ON)
    assert results(program)[codes[0], "nitrate-N"] == "10.5"
    assert results(program)[codes[2], "nitrate-N"] == "12"
    program.must("verify", on=ON)


@pytest.mark.parametrize(
    "said", [[], ["--reissued"], ["--replaces", "26-1"], ["--replaces", "26-2"],
             ["--replaces", "26-9"]],
)  # fmt: skip
def test_the_advice_of_each_refusal_is_a_command_that_works(
    chain_of_two: Pulled, said: list[str]
) -> None:
    program, _ = chain_of_two
    words = ("lab", "import", "third.csv", "--report", "26-3")
    before = program.journal()
    refused = program(*words, *said, on=ON)
    assert (refused.code, refused.out) == (2, "")
    assert program.journal() == before
    advice = refused.err.partition("Try: ")[2].partition(" if ")[0].split()
    assert sorted(advice) == ["--replaces", "--replaces", "26-1", "26-2"]
    program.must(*words, *advice, on=ON)
    assert {len(several) for several in standing(program).values()} == {1}


@pytest.mark.parametrize(
    ("number", "what"),
    [("26-9", f"there is no report 26-9 of {LAB}"), ("25-7", "nothing of it stands under report")],
)
def test_a_report_to_replace_that_has_nothing_of_it_is_named(
    chain_of_two: Pulled, number: str, what: str
) -> None:
    program, codes = chain_of_two
    other = report(program, f"{HEADER}{codes[0]},P,4,mg/kg,Olsen\n", "p.csv")
    program.must("lab", "import", other, "--report", "25-7", on=ON)
    before = program.journal()
    both = ("--replaces", "26-1", "--replaces", "26-2")
    for more in ((), both):
        said = program(
            "lab", "import", "third.csv", "--report", "26-3", *more, "--replaces", number, on=ON
        )
        assert said.code == 2
        assert said.err.startswith(f"Error: third.csv: {what}")
        assert "and these samples stand under reports 26-1, 26-2; nothing was written" in said.err
        assert said.err.endswith(f"Try: {' '.join(both)} if it replaces these reports\n")
    assert program.journal() == before


def test_a_report_to_replace_where_nothing_of_it_is_here(pulled: Pulled) -> None:
    program, codes = pulled
    name = report(program, long(codes, SIX))
    said = program("lab", "import", name, "--report", "26-2", "--replaces", "26-1", on=ON)
    assert said.err == (
        f"Error: report.csv: there is no report 26-1 of {LAB}; nothing was written\n"
        "Try: check the number, or leave --replaces out\n"
    )


ONE = HEADER + "{0},pH,{1},,water 1:1\n"


def measured_twice(program: Program, code: str) -> None:
    """pH 6.1 in report 26-1, and 6.3 in its re-run 26-1R."""
    first = report(program, ONE.format(code, "6.1"), "first.csv")
    program.must("lab", "import", first, "--report", "26-1", on=ON)
    again = report(program, ONE.format(code, "6.3"), "again.csv")
    program.must("lab", "import", again, "--report", "26-1R", "--repeat", on=ON)


@pytest.mark.parametrize(
    ("old", "stands"),
    [
        ("26-1", [("26-1R", 2, "6.3"), ("26-2", 1, "6.2")]),
        ("26-1R", [("26-1", 1, "6.1"), ("26-2", 2, "6.2")]),
    ],
)
def test_a_re_issue_of_one_of_two_measurements_leaves_the_other_one(
    pulled: Pulled, old: str, stands: list[tuple[str, int, str]]
) -> None:
    program, codes = pulled
    measured_twice(program, codes[0])
    name = report(program, ONE.format(codes[0], "6.2"), "new.csv")
    words = ("lab", "import", name, "--report", "26-2", "--replaces", old)
    program.must(*words, on=ON)
    assert sorted(standing(program)[codes[0], "pH"]) == stands
    assert "imported already" in program.must(*words, on=ON).out


REPORTS = ("26-1", "26-2", "26-3")


@pytest.mark.parametrize(
    "named", [*chain.from_iterable(combinations(REPORTS, n) for n in range(4))]
)
def test_whatever_is_named_nothing_is_lost_or_doubled(
    pulled: Pulled, named: tuple[str, ...]
) -> None:
    """Of five bags 26-1 has four, 26-2 re-issued two of them, 26-3 has the fifth and a nutrient.

    Each result that stood stands or was replaced by the new report, and no run stands twice.
    """
    program, codes = pulled
    for number, content, more in [
        ("26-1", long(codes[:4], SIX[:4]), ()),
        ("26-2", long(codes[:2], ["10.5", "11.5"]), ("--replaces", "26-1")),
        ("26-3", f"{long(codes[4:5], ['14'])}{codes[0]},P,4,mg/kg,Olsen\n", ()),
    ]:
        name = report(program, content, f"{number}.csv")
        program.must("lab", "import", name, "--report", number, *more, on=ON)
    before = standing(program)
    report(program, long(codes, ["9", *SIX[1:]]), "new.csv")
    options = [word for number in named for word in ("--replaces", number)]
    said = program("lab", "import", "new.csv", "--report", "26-4", *options, on=ON)
    assert (said.code == 0) == (named == REPORTS)
    after = standing(program)
    assert (after == before) == (named != REPORTS)
    assert set(before) <= set(after)
    assert {len(several) for several in after.values()} == {1}


def test_a_re_issue_that_leaves_whole_bags_out_names_each_once(pulled: Pulled) -> None:
    program, codes = pulled
    program.must("lab", "import", report(program, long(codes, SIX)), "--report", "26-1", on=ON)
    part = report(program, "".join(long(codes[:3], SIX[:3]).splitlines(True)[:-1]), "part.csv")
    words = ("lab", "import", part, "--report", "26-2", "--replaces", "26-1")
    document = json.loads(program.must(*words, "--dry-run", "--json", on=ON).out)
    assert len(document["missing"]) == 7
    assert document["replaced_reports"] == ["26-1"]
    said = program.must(*words, on=ON).out
    assert said.startswith(
        f"part.csv: report 26-2 of {LAB} lacks results of the report that it\n  replaces, 26-1:\n"
    )
    for code in codes[3:]:
        assert said.count(code) == 1
        assert f"  {code}  all 2 results -> not in it, left standing\n" in said
    assert f"  {codes[2]}  pH          6.2 -> not in it, left standing\n" in said
    assert said.endswith(
        f"{BASIS}Note: it takes the place of 5 results of report 26-1, now struck\n"
        "Note: not in the re-issue and left standing: 7 results; logbook strike\n"
        "      SAMPLE:NUTRIENT --reason TEXT strikes one\n"
    )


def test_a_report_without_a_number_is_told_how_it_gets_its_own(pulled: Pulled) -> None:
    program, codes = pulled
    name = report(program, long(codes, SIX))
    made = sha256((program.folder / name).read_bytes()).hexdigest()[:12]
    note = f"Note: the file gives no report number: {made} is made from its content; --report "
    words = ("lab", "import", name)
    dry = program.must(*words, "--dry-run", on=ON).out
    assert f"{note}NUMBER gives it the laboratory's" in " ".join(dry.split())
    said = program.must(*words, on=ON).out
    way = f"NUMBER --replaces {made}, with the same file, gives it the laboratory's"
    assert note + way in " ".join(said.split())
    assert "no report number" not in program.must(*words, on=ON).out

    right = (*words, "--report", "26-1", "--replaces", made)
    said = program.must(*right, on=ON).out
    assert "no report number" not in said
    assert {one[0] for several in standing(program).values() for one in several} == {"26-1"}
    assert {len(several) for several in standing(program).values()} == {1}
    before = program.journal()
    for again in (right, words, (*words, "--report", "26-1")):
        assert "imported already (12 results)" in program.must(*again, on=ON).out
    assert program.journal() == before
    program.must("verify", on=ON)
    program.must("undo", on=ON)
    assert {one[0] for several in standing(program).values() for one in several} == {made}
    assert "imported already (12 results)" in program.must(*words, on=ON).out


def test_a_number_put_right_leaves_nothing_to_say_and_no_other_value(pulled: Pulled) -> None:
    program, codes = pulled
    name = report(program, long(codes, SIX))
    program.must("lab", "import", name, "--report", "26-l", on=ON)
    why = ("--reason", "the laboratory rang")
    program.must("correct", f"{codes[0]}:nitrate-N", "--value", "9", *why, on=ON)
    said = program.must("lab", "import", name, "--report", "26-1", "--replaces", "26-l", on=ON).out
    assert f"{codes[0]}  nitrate-N   9 (corrected here) -> 10 mg/kg" in said
    assert f"as the report gives it: {codes[0]} nitrate-N;" in " ".join(said.split())
    for curve in json.loads(program.must("curve", "nitrate-N", "--json", on=ON).out)["curves"]:
        assert not [note for note in curve["notes"] if "struck" in note]


def test_the_same_file_read_otherwise_does_not_stand_twice_under_its_right_number(
    pulled: Pulled,
) -> None:
    program, codes = pulled
    wide = f"sample,NO3-N (mg/kg),P (mg/kg)\n{codes[0]},10,4\n"
    name = report(program, wide)
    words = ("lab", "import", name, "--method", "NO3-N=1 M KCl", "--method")
    act = program.must(*words, "P=Olsen", "--report", "26-2", on=ON).act
    before = program.journal()
    said = program(*words, "P=Mehlich-3", "--report", "26-1", "--replaces", "26-2", on=ON)
    assert said.code == 2
    assert f"as report 26-2 of {LAB}, with {codes[0]} P by 'Olsen'; nothing was" in said.err
    assert f"strike the first import: logbook strike {act} --reason TEXT" in said.err
    assert program.journal() == before


def test_of_a_report_that_was_replaced_it_is_said_by_which(pulled: Pulled) -> None:
    program, codes = pulled
    for place, number in enumerate(("R-1", "R-2", "R-3")):
        name = report(program, long(codes[:2], [f"1{place}", f"2{place}"]), f"{number}.csv")
        old = ("--replaces", f"R-{place}") if place else ()
        program.must("lab", "import", name, "--report", number, *old, on=ON)
    said = program.must("lab", "results", "--report", "R-2", on=ON).out
    assert said == f"Report R-2 of {LAB} was replaced by R-3.\n"
    chained = f"R-1 of {LAB} was replaced by R-2, and R-2 was replaced by R-3"
    said = program.must("lab", "results", "--report", "r-1", on=ON).out
    assert " ".join(said.split()) == f"Report {chained}."
    document = json.loads(program.must("lab", "results", "--report", "R-1", "--json", on=ON).out)
    assert document["results"] == []
    told = program("history", "R-1", on=ON)
    assert told.code == 2
    assert f"report {chained}: a history is that of a bed" in " ".join(told.err.split())
    # Something of it stands, though not of this nutrient.
    none = program.must("lab", "results", "--report", "R-3", "--nutrient", "Zn", on=ON).out
    assert none == "No such results yet.\n"


def test_of_a_report_that_was_undone_it_is_said_that_nothing_stands(pulled: Pulled) -> None:
    program, codes = pulled
    name = report(program, long(codes[:1], ["10"]))
    program.must("lab", "import", name, "--report", "R-1", on=ON)
    program.must("undo", on=ON)
    said = program.must("lab", "results", "--report", "R-1", on=ON).out
    assert said == f"Report R-1 of {LAB} stands no longer: it was struck or undone.\n"
    assert program.must("lab", "results", "--report", "R-9", on=ON).out == "No such results yet.\n"


def test_a_report_is_found_whatever_the_capitals_of_its_number(pulled: Pulled) -> None:
    program, codes = pulled
    name = report(program, long(codes[:2], ["10", "11"]))
    program.must("lab", "import", name, "--report", "D-156", on=ON)
    one = program.must("lab", "results", "--report", "D-156", on=ON).out
    assert codes[0] in one
    assert program.must("lab", "results", "--report", "d-156", on=ON).out == one
    assert "'d-156' is a report, and a history is" in program("history", "d-156", on=ON).err


def test_what_one_report_of_a_file_leaves_out_and_another_has_is_not_left_standing(
    pulled: Pulled,
) -> None:
    program, codes = pulled
    program.must("lab", "import", report(program, long(codes, SIX)), "--report", "26-1", on=ON)
    first, *rows = long(codes[:5], ["9", *SIX[1:5]]).splitlines()
    parts = [f"{row},{'26-2' if place < 6 else '26-3'}" for place, row in enumerate(rows)]
    name = report(program, "\n".join([f"{first},report", *parts]), "split.csv")
    said = program.must("lab", "import", name, "--replaces", "26-1", on=ON).out
    assert said.count("left standing") == 2  # the last bag, and the note
    assert f"{codes[5]}  all 2 results -> not in it, left standing" in said
    found = standing(program)
    assert {len(several) for several in found.values()} == {1}
    assert found[codes[0], "nitrate-N"] == [("26-2", 1, "9")]
    assert found[codes[5], "nitrate-N"] == [("26-1", 1, "<0.5")]


def test_a_report_does_not_replace_itself(pulled: Pulled) -> None:
    program, codes = pulled
    for number, some in (("26-1", codes[:3]), ("26-2", codes[3:])):
        name = report(program, long(some, SIX[:3]), f"{number}.csv")
        program.must("lab", "import", name, "--report", number, on=ON)
    before = program.journal()
    name = report(program, long(codes, ["9", *SIX[1:]]), "new.csv")
    both = ("--replaces", "26-1", "--replaces", "26-2")
    said = program("lab", "import", name, "--report", "26-1", "--reissued", on=ON)
    assert said.err.endswith("Try: --replaces 26-2 if it replaces that report, or --repeat if the "
                             "samples were measured a second time\n")  # fmt: skip
    said = program("lab", "import", name, "--report", "26-1", *both, on=ON)
    assert said.err == (
        "Error: new.csv: --replaces 26-1 names the report itself; nothing was written\n"
        "Try: leave it out; --reissued says that the report came again under its own number\n"
    )
    assert program.journal() == before


@pytest.mark.parametrize("by", ["correct", "typed"])
def test_what_a_person_wrote_under_a_wrong_number_is_not_said_to_be_of_the_file(
    pulled: Pulled, by: str
) -> None:
    program, codes = pulled
    rows = "".join(
        f"{code},P,{value},mg/kg,Olsen\n" for code, value in zip(codes, "45", strict=False)
    )
    name = report(program, HEADER + rows)
    program.must("lab", "import", name, "--report", "26-l", on=ON)
    why = ("--reason", "asked them")
    of = codes[0] if by == "correct" else codes[2]
    if by == "correct":
        program.must("correct", f"{of}:P", "--method", "Mehlich-3", *why, on=ON)
    else:
        add = ("lab", "add", of, "P", "6 mg/kg", "--method", "Mehlich-3")
        program.must(*add, "--report", "26-l", on=ON)
    words = ("lab", "import", name, "--report", "26-1", "--replaces", "26-l")
    before = program.journal()
    refused = program(*words, on=ON)
    assert refused.code == 2
    assert f"{of} P by 'Mehlich-3' as well, which is not in this file;" in refused.err
    assert program.journal() == before
    advice = refused.err.partition("afterwards: logbook ")[2].partition(" --reason")[0].split()
    program.must(*advice, *why, on=ON)
    program.must(*words, on=ON)
    found = standing(program)
    assert {one[0] for several in found.values() for one in several} == {"26-1"}
    assert {len(several) for several in found.values()} == {1}
    program.must("verify", on=ON)


@pytest.mark.parametrize("equal", [True, False])
def test_what_another_report_took_over_does_not_come_back_beside_it(
    pulled: Pulled, equal: bool
) -> None:
    """26-2 re-issued two bags of 26-1, which then comes again under its own number."""
    program, codes = pulled
    program.must("lab", "import", report(program, long(codes, SIX)), "--report", "26-1", on=ON)
    part = report(program, long(codes[:2], ["9", "11"]), "part.csv")
    program.must("lab", "import", part, "--report", "26-2", "--replaces", "26-1", on=ON)
    new = long(codes, ["9" if equal else "8", "11", "12.5", *SIX[3:]])
    words = ("lab", "import", report(program, new, "new.csv"), "--report", "26-1")
    said = program(*words, "--reissued", on=ON)
    if not equal:
        assert said.code == 2
        assert "4 of the 12 results of report 26-1 stand here already under report" in said.err
        assert "Try: --replaces 26-2 if it replaces that report" in said.err
        said = program.must(*words, "--replaces", "26-2", "--json", on=ON)
    assert said.code == 0
    found = standing(program)
    assert {len(several) for several in found.values()} == {1}
    assert found[codes[2], "nitrate-N"] == [("26-1", 1, "12.5")]
    assert found[codes[0], "nitrate-N"] == [("26-2", 1, "9") if equal else ("26-1", 1, "8")]
    assert "imported already" in program.must(*words, on=ON).out
    program.must("undo", on=ON)
    assert standing(program)[codes[0], "nitrate-N"] == [("26-2", 1, "9")]
    program.must("verify", on=ON)


def test_a_report_comes_back_once_the_one_that_took_its_place_is_struck(pulled: Pulled) -> None:
    program, codes = pulled
    first = ("lab", "import", report(program, long(codes, SIX)), "--report", "26-1")
    program.must(*first, on=ON)
    why = ("--reason", "of another house")
    program.must("strike", f"{codes[5]}:pH", *why, on=ON)
    before = standing(program)
    part = report(program, long(codes[:3], ["9", *SIX[1:3]]), "part.csv")
    said = program.must("lab", "import", part, "--report", "26-2", "--replaces", "26-1", on=ON)
    # While that stands, the first file is here already; or it takes its place in turn.
    assert "imported already (12 results)" in program.must(*first, on=ON).out
    program.must(*first, "--replaces", "26-2", on=ON)
    assert standing(program) == before
    program.must("undo", on=ON)
    (act,) = (line.split()[0] for line in said.out.splitlines() if "  imported" in line)
    program.must("strike", act, *why, on=ON)
    assert len(standing(program)) == 5
    assert "imported 6 results of 3 samples" in program.must(*first, on=ON).out
    assert standing(program) == before
    assert "imported already (12 results)" in program.must(*first, on=ON).out
    program.must("verify", on=ON)
