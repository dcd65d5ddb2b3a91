"""Samples on their way: shipments and their forms, what is marked on bags, the sample log."""

from __future__ import annotations

import base64
import csv
import io
import json
import re
import shutil
import subprocess
import sys
import zlib
from datetime import date
from itertools import groupby
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from logbook.book.checking import check_store
from logbook.journal import entry as journal
from logbook.report.submission import Form, FormLine
from logbook.report.submission_page import PAPERS, form_pdf
from logbook.store import database, entries, projections, views
from logbook.trial import records
from logbook.trial.times import When
from tests import program as programs
from tests.cli.parted import HEADER, PARTED, begun, write
from tests.program import PROTOCOL, Program, once

PULLED = "2026-03-16T09:00+01:00"  # day 14 of the beds applied on 2 March
SENT = "2026-03-17T10:00+01:00"
CODE = re.compile(r"\b[3479ACDEFGHJKLMNPQRTWXY]{8}\b")
# Everything that would tell the laboratory what a sample is.
BETRAYS = ("B1", "B2", "B3", "B4", "B5", "B6", "control", "none", "untreated", "meal", "C10",
           "compost", "blind", "duplicate", "reference", "house soil", "block")  # fmt: skip


@pytest.fixture
def pulled(program: Program) -> Program:
    """The small trial, applied, with the whole pulls of day 14."""

    def play() -> None:
        programs.begun(program, PROTOCOL)
        program.must("apply", "control,M", on="2026-03-02T10:00+01:00")
        program.must("apply", "C10", on="2026-03-02T11:00+01:00")
        program.must("pull", "all", on=PULLED)

    return once(program, "applied, and pulled on day 14", play)


def log(program: Program, *words: str, on: str = SENT) -> dict[str, Any]:
    """The sample log as a document."""
    found: dict[str, Any] = json.loads(program.must("lab", "log", *words, "--json", on=on).out)
    return found


def sent(program: Program, *words: str, on: str = SENT) -> tuple[str, list[str], str]:
    """A shipment: its code, its bags in packing order, all that was said."""
    said = program.must("lab", "send", *words, on=on)
    (code,) = re.findall(r"shipment (\w{8})", said.out.splitlines()[0])
    rows = re.findall(r"^ +[0-9]+  (\w{8})  ", said.out, re.MULTILINE)
    return code, rows, " ".join(said.out.split())


def states(program: Program, on: str = SENT) -> dict[str, dict[str, str]]:
    """bed -> nutrient -> state, of whole pulls and blinds (by their code)."""
    return {
        one["bed"] or one["sample"]: {a["nutrient"]: a["state"] for a in one["analyses"]}
        for one in log(program, on=on)["samples"]
    }


def report(program: Program, number: str, rows: list[str], on: str, *words: str) -> str:
    """Import a report of these rows."""
    file = program.folder / f"{number}.csv"
    file.write_text(HEADER + "".join(f"{row}\n" for row in rows), encoding="utf-8")
    return program.must("lab", "import", str(file), "--report", number, *words, on=on).out


def codes_by_bed(program: Program) -> dict[str, str]:
    """bed -> the code of its pull."""
    return {one["bed"]: one["sample"] for one in log(program)["samples"] if one["bed"]}


# --- shipments ------------------------------------------------------------------------------------


def test_a_shipment_of_a_pull_is_packed_in_random_order(pulled: Program) -> None:
    code, order, _ = sent(pulled, "--pull", "day14")
    bags = codes_by_bed(pulled)
    assert sorted(order) == sorted(bags.values())
    found = log(pulled)["samples"]
    assert {one["shipment"] for one in found} == {code}
    asked = {(a["nutrient"], a["method"]) for one in found for a in one["analyses"]}
    assert asked == {("nitrate-N", "1 M KCl"), ("ammonium-N", "1 M KCl"), ("pH", "water 1:1")}
    treatment = {"B1": "c", "B5": "c", "B2": "M", "B6": "M", "B3": "C", "B4": "C"}
    beds = {bag: bed for bed, bag in bags.items()}
    runs = [len(list(run)) for _, run in groupby(order, key=lambda one: treatment[beds[one]])]
    assert max(runs) <= 2


def test_two_machines_that_send_the_same_write_one_shipment(
    pulled: Program, monkeypatch: pytest.MonkeyPatch
) -> None:
    other = pulled.folder / "other"
    other.mkdir()
    shutil.copy(pulled.store, other / "logbook.db")
    words = ("--pull", "day 14", "--duplicate", "--reference", "house soil (invented)")
    here = sent(pulled, *words)
    with monkeypatch.context() as patch:
        patch.setenv("LOGBOOK_STORE", str(other / "logbook.db"))
        patch.setenv("LOGBOOK_STATE", str(other / "state"))
        there = sent(Program(other, pulled.capsys), *words, on="2026-03-17T15:00+01:00")
    assert here[:2] == there[:2]
    with views.reading(other / "logbook.db") as store:
        filed = [(one.id, journal.decode(one.body), one.body) for one in views.filed_entries(store)]
    with database.writing(pulled.store) as connection:
        known = {row[0] for row in connection.exec_driver_sql("SELECT id FROM entry")}
        new = [one for one in filed if one[0] not in known]
        entries.append(connection, new)
        projections.apply(connection, [one[:2] for one in new])
    with views.reading(pulled.store) as store:
        assert len(views.fetch(store, "shipment")) == 1
        assert not any(one.conflict for one in views.fetch(store, "sent"))
        assert not any(one.conflict for one in views.fetch(store, "shipment"))
        assert len(views.fetch(store, "sent")) == 8 and len(views.fetch(store, "blind")) == 2
    # Put here without an exchange, they have no signature; nothing else is wrong.
    (problem,) = check_store(pulled.store)
    assert problem.what.startswith("vouched for by nobody")


def test_what_was_sent_is_not_sent_again_until_the_shipment_is_struck(pulled: Program) -> None:
    code, order, _ = sent(pulled, "all")
    again = pulled("lab", "send", order[0], on=SENT)
    assert (again.code, again.err) == (
        2,
        f"Error: {order[0]} was sent already, in shipment {code}\n"
        f"Try: if that is wrong: logbook strike {code} --reason TEXT\n",
    )
    assert pulled("lab", "send", "--all-waiting", on=SENT).code == 2
    said = pulled.must("strike", code, "--reason", "the carrier never came", on=SENT).out
    assert f"a form that was written of shipment {code} no longer holds" in said
    assert {state for one in states(pulled).values() for state in one.values()} == {"pulled"}
    later, reordered, _ = sent(pulled, "--all-waiting", on="2026-03-18T10:00+01:00")
    assert later != code and sorted(reordered) == sorted(order)


def test_a_shipment_is_undone_corrected_and_read_again(pulled: Program) -> None:
    code, _, _ = sent(pulled, "all", "--duplicate")
    pulled.must("correct", code, "--when", "mon 17:00", "--reason", "on Monday", on=SENT)
    assert {one["sent"] for one in log(pulled)["samples"]} == {"2026-03-16T17:00+01:00"}
    story = pulled.must("history", code, on=SENT).out
    assert "on Monday" in story and f"shipment {code} to Invented Soil Lab" in story
    paper = f"  a form that was written of shipment {code} no longer holds: throw it away\n"
    assert paper not in pulled.must("undo", on=SENT).out
    assert {one["sent"] for one in log(pulled)["samples"]} == {"2026-03-17"}
    said = pulled.must("undo", on=SENT).out
    assert "took back the shipment" in said
    assert said.endswith(paper)
    assert {one["sent"] for one in log(pulled)["samples"]} == {None}
    # The blind went with it.
    assert len(log(pulled)["samples"]) == 6


def test_undo_is_refused_once_a_later_line_speaks_of_the_blind(pulled: Program) -> None:
    code, order, _ = sent(pulled, "all", "--duplicate")
    blind = next(one for one in order if one not in codes_by_bed(pulled).values())
    report(pulled, "R1", [f"{blind},NO3-N,12,mg/kg,1 M KCl"], "2026-03-24T09:00+01:00")
    pulled.must("undo", on=SENT)  # the import
    report(pulled, "R1", [f"{blind},NO3-N,12,mg/kg,1 M KCl"], "2026-03-24T09:00+01:00")
    assert "wait for the pull" not in pulled.must("today", on="2026-03-24T09:00+01:00").out
    struck = pulled.must("strike", code, "--reason", "typed twice", on=SENT)
    assert "struck" in struck.out


def test_a_part_of_a_pull_left_behind_is_said(pulled: Program) -> None:
    _, _, said = sent(pulled, "M,C10")
    assert "Note: day 14: the controls of B1, B5 stay behind" in said
    _, _, said = sent(pulled, "B1")
    assert "Note: day 14: the control of B5 stays behind" in said
    _, _, said = sent(pulled, "B5")
    assert "behind" not in said


def test_a_pull_sent_apart_is_said_in_the_log_and_on_the_curve(pulled: Program) -> None:
    bags = codes_by_bed(pulled)
    first, _, _ = sent(pulled, "B1,B2,B5")
    second, _, _ = sent(pulled, "B3,B4,B6", on="2026-03-18T09:00+01:00")
    rows = [f"{bags[bed]},NO3-N,{10 + n},mg/kg,1 M KCl" for n, bed in enumerate(sorted(bags))]
    report(pulled, "R1", rows, "2026-03-25T09:00+01:00")
    sentence = "treated and control of day 14 went to the laboratory in different shipments"
    (note,) = log(pulled, on="2026-03-25T09:00+01:00")["notes"]
    assert note.startswith(f"{sentence} (B3, B4, B6; shipments {second}, {first})")
    curve = json.loads(pulled.must("curve", "nitrate-N", "--json", on="2026-03-25T09:00+01:00").out)
    notes = {one["treatment"]: " ".join(one["notes"]) for one in curve["curves"]}
    assert sentence in notes["C10"] and sentence in notes["M"]


def test_the_shipment_that_parts_a_pull_says_so(pulled: Program) -> None:
    first, _, _ = sent(pulled, "M,C10")
    second, _, said = sent(pulled, "control", on="2026-03-18T09:00+01:00")
    assert (
        "Note: treated and control of day 14 went to the laboratory in different shipments "
        f"(B2-B4, B6; shipments {first}, {second})"
    ) in said


def test_bags_that_went_before_and_were_kept_otherwise_are_said(pulled: Program) -> None:
    pulled.must("lab", "mark", "dried", "M,C10", on="2026-03-16T12:00+01:00")
    _, _, said = sent(pulled, "M,C10")
    assert "not kept alike" not in said, "the control may still be dried as it should"
    pulled.must("lab", "mark", "dried", "control", on="2026-03-17T12:00+01:00")
    _, _, said = sent(pulled, "control", on="2026-03-18T09:00+01:00")
    assert (
        "the control (B1, B5 air-dried on Tue 17 Mar 2026) and the treated beds (B2-B4, B6 "
        "air-dried on Mon 16 Mar 2026) were not kept alike"
    ) in said


def test_a_pull_sent_together_block_by_block_is_not_split(pulled: Program) -> None:
    pulled.must("lab", "mark", "dried", "B1-B3", on="2026-03-16T12:00+01:00")
    sent(pulled, "B1-B3")
    dried = pulled.must("lab", "mark", "dried", "B4-B6", on="2026-03-17T12:00+01:00")
    _, _, said = sent(pulled, "B4-B6", on="2026-03-18T09:00+01:00")
    assert log(pulled)["notes"] == []
    assert "different shipments" not in said
    assert "alike" not in dried.out and "alike" not in said


def test_several_reference_materials_each_get_a_blind_code(pulled: Program) -> None:
    _, order, said = sent(pulled, "all", "--reference", "house soil", "--reference", "blank")
    assert len(order) == 8
    hidden = {one["of"]: one["sample"] for one in log(pulled)["samples"] if one["of"]}
    assert set(hidden) == {"house soil", "blank"}
    for name, code in hidden.items():
        assert code in order
        assert f"Fill a bag with the code {code}: soil of the material {name}." in said
        assert f"no assigned values of the reference material {name}" in said


def test_a_bag_that_cannot_be_meant_by_its_bed_is_named_by_its_code(pulled: Program) -> None:
    said = pulled("lab", "mark", "lost", "B1", on=SENT)
    code = said.err.split("lab mark lost ")[1].strip()
    assert said.err.startswith("Error: which bags are lost?\nTry: name the shipment, or the bag's")
    assert "1 bag lost" in pulled.must("lab", "mark", "lost", code, on=SENT).out


def test_a_day_that_is_too_early_for_some_bags_offers_the_pull(pulled: Program) -> None:
    pulled.must("pull", "all", on="2026-04-02T09:00+02:00")
    said = pulled("lab", "send", "B1-B6", "--on", "2026-03-31", on="2026-04-02T12:00+02:00")
    assert "was pulled on" in said.err
    assert "Try: say which pull was sent: --pull 'day 14'\n" in said.err


@pytest.mark.parametrize(
    ("words", "error"),
    [
        (["lab", "send"], "which bags?"),
        (["lab", "send", "all", "--form", "form.txt"], "a form is a PDF or CSV file"),
        (["lab", "send", "all", "--form", "nowhere/form.pdf"], "is no folder that can be written"),
        (["lab", "send", "all", "--paper", "a5"], "'a5' is no paper"),
        (["lab", "send", "all", "--on", "2026-03-12"], "was pulled on"),
        (["lab", "send", "all", "--on", "2026-04-12"], "is in the future"),
        (["lab", "send", "all", "--analyses", "K"], "for none of these analyses"),
        (["lab", "send", "all", "--analyses", "unobtainium"], "is not a nutrient"),
        (["lab", "send", "RT4MAXCL"], "no bag here has the code"),
        (["lab", "send", "all", "--pull", "day 9"], "the calendar has no pull"),
        (["lab", "send", "all", "--pull", "day 28"], "none was pulled"),
        (["lab", "send", "all", "--part", "dusty"], "is not a part of a pull"),
        (["lab", "send", "all", "--text", "a\nb"], "a line break"),
        (
            ["lab", "send", "all", "--reference", "blank", "--reference", "Blank"],
            "the reference material Blank is named twice",
        ),
        (["lab", "form", "RT4MAXCL", "form.pdf"], "there is no shipment RT4MAXCL"),
        (["lab", "mark", "sent", "all"], "is not done with samples"),
        (["lab", "mark", "lost", "all"], "which bags are lost?"),
        (["lab", "mark", "dried", "B1,RT4MAXCL"], "beds and codes are mixed"),
        (["lab", "mark", "dried", "all", "--when", "2026-03-12"], "was pulled on"),
        (["lab", "log", "--sample", "B1"], "is not a code"),
        (["lab", "log", "--shipment", "RT4MAXCL"], "no bag here has the code"),
    ],
    ids=" ".join,
)
def test_wrong_input_writes_nothing(pulled: Program, words: list[str], error: str) -> None:
    before = pulled.journal()
    said = pulled(*words, on=SENT)
    assert said.code == 2
    assert said.err.startswith("Error: ") and error in said.err
    assert pulled.journal() == before
    assert not list(pulled.folder.glob("form*"))


def test_results_of_blinds_belong_to_no_bed_and_wait_for_none(pulled: Program) -> None:
    """A second half that reads 99 must move no curve: it is no further replicate of its bed."""
    bags = codes_by_bed(pulled)
    _, order, _ = sent(pulled, "all", "--duplicate", "--reference", "house soil (invented)")
    hidden = [one for one in order if one not in bags.values()]
    on = "2026-03-25T09:00+01:00"
    report(
        pulled,
        "R1",
        [f"{code},NO3-N,1{n},mg/kg,1 M KCl" for n, code in enumerate(bags.values())],
        on,
    )
    before = json.loads(pulled.must("curve", "nitrate-N", "--json", on=on).out)
    said = report(pulled, "R2", [f"{code},NO3-N,99,mg/kg,1 M KCl" for code in hidden], on)
    assert "no pull here has these codes" not in said
    after = json.loads(pulled.must("curve", "nitrate-N", "--json", on=on).out)
    assert after["curves"] == before["curves"]
    found = json.loads(pulled.must("lab", "results", "--json", on=on).out)["results"]
    told = {one["sample"]: one for one in found}
    assert [told[code]["bed"] for code in hidden] == [None, None]
    assert {told[code]["blind"].split()[1] for code in hidden} == {"duplicate", "reference"}
    assert not any(one["struck"] for one in found)
    assert states(pulled, on=on)[hidden[0]]["nitrate-N"] == "reported"


def test_analyses_that_are_not_asked_for_are_said(pulled: Program) -> None:
    _, _, said = sent(pulled, "all", "--analyses", "NO3-N,pH")
    assert "not asked for, though these bags are for it: ammonium-N" in said
    found = {a["nutrient"] for one in log(pulled)["samples"] for a in one["analyses"]}
    assert found == {"nitrate-N", "pH"}


# --- the form -------------------------------------------------------------------------------------


def words_of(pdf: bytes) -> str:
    """The lines drawn on a PDF's pages: streams in ASCII85 of zlib (ISO 32000-1, 7.4.3, 7.4.4)."""
    drawn = []
    for stream in re.findall(rb"stream\r?\n(.*?)endstream", pdf, re.DOTALL):
        data = zlib.decompress(base64.a85decode(stream.strip().removesuffix(b"~>")))
        texts = re.findall(rb"\(((?:[^()\\]|\\.)*)\) Tj", data)
        drawn += [re.sub(rb"\\([()\\])", rb"\1", text).decode("cp1252") for text in texts]
    return "\n".join(drawn)


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_the_form_tells_the_laboratory_what_it_needs_and_no_more(
    pulled: Program, paper: str
) -> None:
    code, order, _ = sent(
        pulled, "all", "--duplicate", "--reference", "house soil (invented)",
        "--form", "form.pdf", "--paper", paper, "--by-what", "by courier",
    )  # fmt: skip
    pdf = (pulled.folder / "form.pdf").read_bytes()
    size = {"a4": b"595.2756 841.8898", "letter": b"612 792"}[paper]
    assert b"/MediaBox [ 0 0 " + size in pdf
    text = words_of(pdf).replace("\xa0", " ")
    # The foot of the page is drawn first.
    assert CODE.findall(text) == [code, code, *order]
    for needed in ("Small house (invented)", "Invented Soil Lab", "by courier", "1 M KCl",
                   "water 1:1", "Mon 16 Mar 2026 09:00", "15 cm", "moist", "relinquished by",
                   "received by", "condition, temperature", "date, time"):  # fmt: skip
        assert needed in text, needed
    assert not [word for word in BETRAYS if word in text]


@pytest.mark.parametrize("paper", PAPERS)
def test_the_widest_code_and_a_method_stay_on_one_line(paper: str) -> None:
    line = FormLine(1, "WWWWWWWW", "", "", "15", "moist", ("ammonium-N (0.01 M CaCl2 1:10)",))
    page = form_pdf(Form("t", "RT4MAXCL", "lab", "", "", "", "", (line,) * 60), paper)
    text = words_of(page)
    assert text.count("WWWWWWWW") == 60
    assert text.replace("\xa0", " ").count("ammonium-N (0.01 M CaCl2 1:10)") == 60
    assert text.count("analyses (method)") == text.count("shipment RT4MAXCL, page") > 1


def test_the_form_is_written_again_as_a_table(pulled: Program) -> None:
    code, order, _ = sent(pulled, "all", "--duplicate", "--reference", "house soil (invented)")
    pulled.must("lab", "form", code, "form.csv", on=SENT)
    text = (pulled.folder / "form.csv").read_text(encoding="utf-8")
    rows = list(csv.DictReader(io.StringIO(text)))
    assert [one["sample"] for one in rows] == order
    assert [int(one["place"]) for one in rows] == list(range(1, 9))
    others = {tuple(v for k, v in one.items() if k not in ("sample", "place")) for one in rows}
    assert len(others) == 1
    assert rows[0]["analyses"] == "nitrate-N (1 M KCl); ammonium-N (1 M KCl); pH (water 1:1)"
    assert not [word for word in BETRAYS if word in text]
    again = pulled("lab", "form", code, "form.csv", on=SENT)
    assert (again.code, again.err.splitlines()[0]) == (2, "Error: form.csv is there already")
    assert again.err.splitlines()[1] == "Try: name another file, or delete it first"


def test_a_duplicate_does_not_share_a_time_that_only_its_other_half_has(pulled: Program) -> None:
    """Each bed pulled at its own minute: a time that comes twice would show the pair."""
    for minute, bed in enumerate(("B1", "B2", "B3", "B4", "B5", "B6")):
        on = f"2026-03-30T09:{minute:02}+02:00"
        pulled.must("pull", bed, "--when", f"09:{minute:02}", on=on)
    code, _, said = sent(pulled, "--pull", "day 28", "--duplicate", on="2026-03-30T12:00+02:00")
    (half, of) = re.findall(r"code (\w{8}): half of the soil of (\w{8})", said)[0]
    pulled.must("lab", "form", code, "form.csv", on="2026-03-30T12:00+02:00")
    text = (pulled.folder / "form.csv").read_text(encoding="utf-8")
    times = {one["sample"]: one["pulled"] for one in csv.DictReader(io.StringIO(text))}
    assert times[half] != times[of]
    assert times[half] in [time for one, time in times.items() if one != half]


def test_remarks_cannot_run_in_a_spreadsheet_or_break_the_page(pulled: Program) -> None:
    formula = "=HYPERLINK(1) <b>\u2603"
    code, _, _ = sent(pulled, "all", "--lab", formula, "--text", formula)
    for name in ("form.csv", "form.pdf"):
        pulled.must("lab", "form", code, name, on=SENT)
    row = next(csv.DictReader(io.StringIO((pulled.folder / "form.csv").read_text("utf-8"))))
    assert row["laboratory"] == "'" + formula
    page = (pulled.folder / "form.pdf").read_bytes()
    assert "=HYPERLINK(1) < b > ?" in words_of(page).replace("\n", " ")


# --- holding times, drying ------------------------------------------------------------------------


def test_moist_nitrate_is_late_after_hours_and_the_source_is_said(pulled: Program) -> None:
    _, _, said = sent(pulled, "all")
    assert "ammonium-N, nitrate-N of moist soil: the holding time of 12 h is over for" in said
    assert "dry within 12 h or cool" in said and "pH of" not in said


def test_chilled_bags_say_until_when(pulled: Program) -> None:
    pulled.must("lab", "mark", "chilled", "all", on="2026-03-16T10:00+01:00")
    _, _, said = sent(pulled, "all")
    assert "is over" not in said
    assert "ammonium-N, nitrate-N of chilled soil must be measured by Wed 18 Mar 2026 09:00" in said


def test_a_wait_of_which_only_days_are_known_may_be_over(pulled: Program) -> None:
    pulled.must("lab", "mark", "chilled", "all", on="2026-03-16T10:00+01:00")
    _, _, said = sent(pulled, "all", "--on", "2026-03-18", on="2026-03-19T10:00+01:00")
    assert "chilled soil: the holding time of 48 h may be over (only the day is known)" in said


def test_drying_control_and_treated_on_different_days_is_said_with_the_reason(
    pulled: Program,
) -> None:
    """Nelson & Bremner 1972 (Agron. J. 64:196): air-drying ten soils added 4.2 mg/kg of NH4-N."""
    first = pulled.must("lab", "mark", "dried", "control", on="2026-03-16T12:00+01:00")
    assert "Note" not in first.out, "the others may be next"
    second = pulled.must("lab", "mark", "dried", "M,C10", on="2026-03-17T09:00+01:00")
    told = " ".join(second.out.split())
    assert (
        "the control (B1, B5 air-dried on Mon 16 Mar 2026) and the treated beds (B2-B4, B6 "
        "air-dried on Tue 17 Mar 2026) were not kept alike: drying alone adds about 4 mg/kg of "
        "ammonium-N (Nelson & Bremner 1972)"
    ) in told
    assert "not kept alike" in sent(pulled, "all")[2]


@pytest.mark.parametrize(
    ("way", "told"),
    [
        ("NO3-N,6,mg/kg,1 M KCl", False),
        ("pH,6,,water 1:1", True),
    ],
)
def test_only_how_bags_were_kept_until_their_nitrate_was_measured_counts(
    pulled: Program, way: str, told: bool
) -> None:
    """What happens to a bag afterwards cannot show in its nitrate or ammonium."""
    bags = {one["bed"]: one["sample"] for one in log(pulled)["samples"]}
    text = "sample,nutrient,value,unit,method\n" + "".join(
        f"{code},{way}\n" for code in bags.values()
    )
    (pulled.folder / "r.csv").write_text(text, encoding="utf-8")
    pulled.must("lab", "import", "r.csv", "--report", "R1", on="2026-03-18T09:00+01:00")
    control, treated = (
        ",".join(bags[bed] for bed in beds) for beds in (("B1", "B5"), ("B2", "B3", "B4", "B6"))
    )
    pulled.must("lab", "mark", "dried", control, on="2026-03-19T09:00+01:00")
    said = pulled.must("lab", "mark", "dried", treated, on="2026-03-20T09:00+01:00")
    assert ("not kept alike" in " ".join(said.out.split())) == told


def test_drying_all_on_one_day_is_nothing_to_say(pulled: Program) -> None:
    said = pulled.must("lab", "mark", "dried", "all", on="2026-03-16T12:00+01:00")
    assert said.out.split("\n")[0].split()[1:5] == ["6", "bags", "air-dried,", "Mon"]
    _, _, said_later = sent(pulled, "all")
    assert "alike" not in said_later and "holding" not in said_later


def test_one_side_dried_and_the_other_moist_is_said(pulled: Program) -> None:
    pulled.must("lab", "mark", "dried", "M,C10", on="2026-03-16T12:00+01:00")
    assert "the control (B1, B5 moist)" in sent(pulled, "all")[2]


# --- the log --------------------------------------------------------------------------------------


def test_every_analysis_has_its_own_state_while_a_report_is_partial(pulled: Program) -> None:
    bags = codes_by_bed(pulled)
    code, _, _ = sent(pulled, "all")
    pulled.must("lab", "mark", "received", code, "--text", "at 9 C", on="2026-03-19T10:00+01:00")
    rows = [f"{bags['B1']},NO3-N,10,mg/kg,1 M KCl", f"{bags['B2']},pH,6.5,,water 1:1"]
    report(pulled, "R1", rows, "2026-03-25T09:00+01:00")
    found = states(pulled, on="2026-03-26T09:00+01:00")
    assert found["B1"] == {"nitrate-N": "reported", "ammonium-N": "received", "pH": "received"}
    assert found["B2"] == {"nitrate-N": "received", "ammonium-N": "received", "pH": "reported"}
    said = pulled.must("lab", "log", on="2026-03-26T09:00+01:00").out
    assert "Awaited: 16 results." in said
    assert "How long Invented Soil Lab usually takes is not known yet" in said
    steps = pulled.must("lab", "log", "--sample", bags["B1"], on="2026-03-26T09:00+01:00").out
    assert max(map(len, steps.splitlines())) <= 80
    steps = " ".join(steps.split())
    for step in ("Mon 16 Mar 2026 09:00 pulled, mira", "Tue 17 Mar 2026 sent, mira: in shipment",
                 "Thu 19 Mar 2026 10:00 received, mira: at 9 C",
                 "reported nitrate-N, mira: report R1 of Invented Soil Lab"):  # fmt: skip
        assert step in steps


def test_results_are_late_after_the_usual_days(program: Program) -> None:
    (program.folder / "t").mkdir()
    from tests.program import PROTOCOL

    protocol = PROTOCOL.replace('"Invented Soil Lab"\n', '"Invented Soil Lab"\nusual_days = 5\n', 1)
    begun(program, protocol)
    program.must("pull", "control,M", "--when", "09:00", on="2026-03-16T09:00+01:00")
    code, _, _ = sent(program, "all")
    for on, late in (("2026-03-22T09:00+01:00", False), ("2026-03-23T09:00+01:00", True)):
        found = log(program, on=on)
        assert {a["late"] for one in found["samples"] for a in one["analyses"]} == {late}
        assert found["laboratories"] == [
            {"name": "Invented Soil Lab", "usual_days": 5, "known_from": "as the protocol says"}
        ]
        week = json.loads(program.must("week", "--json", on=on).out)["weeks"][0]
        assert [(one["shipment"], one["results"], one["days"]) for one in week["late"]] == (
            [(code, 12, 6)] if late else []
        )
    said = " ".join(program.must("week", on="2026-03-23T09:00+01:00").out.split())
    assert (
        f"[ ] ask Invented Soil Lab: 12 results of shipment {code} are late, 6 d since it was sent "
        "(usually 5 d, as the protocol says)"
    ) in said


def test_how_long_a_laboratory_takes_is_known_from_three_reports_without_re_runs(
    pulled: Program,
) -> None:
    bags = {one["bed"]: one["sample"] for one in log(pulled)["samples"]}

    def usual(on: str) -> tuple[float | None, str | None]:
        (one,) = log(pulled, on=on)["laboratories"]
        return one["usual_days"], one["known_from"]

    def reported(name: str, beds: str, on: str, *words: str) -> None:
        rows = [f"{bags[bed]},pH,6.1,water 1:1," for bed in beds.split(",")]
        text = "\n".join(["sample,nutrient,value,method,unit", *rows]) + "\n"
        (pulled.folder / f"{name}.csv").write_text(text, encoding="utf-8")
        pulled.must("lab", "import", f"{name}.csv", "--report", name, *words, on=on)

    for beds in ("B1,B2", "B3,B4", "B5,B6"):
        pulled.must("lab", "send", beds, on=SENT)
    reported("R1", "B1,B2", "2026-03-20T09:00+01:00")
    reported("R2", "B3,B4", "2026-03-22T09:00+01:00")
    # Two reports and a re-run are two reports.
    reported("R1b", "B1", "2026-03-29T09:00+02:00", "--repeat")
    assert usual("2026-03-29T10:00+02:00") == (None, None)
    reported("R3", "B5,B6", "2026-03-31T09:00+02:00")
    # Of 3, 5 and 14 days; with the re-run of 12 days it would be 8.5.
    assert usual("2026-04-01T10:00+02:00") == (5, "the median of 3 past reports")


def test_judgements_and_losses(pulled: Program) -> None:
    bags = codes_by_bed(pulled)
    sent(pulled, "all")
    rows = [f"{bags[bed]},NO3-N,{n},mg/kg,1 M KCl" for n, bed in enumerate(("B1", "B2", "B3"), 10)]
    report(pulled, "R1", rows, "2026-03-24T09:00+01:00")
    on = "2026-03-25T09:00+01:00"
    pulled.must("lab", "mark", "accepted", f"{bags['B1']}:NO3-N", on=on)
    asked = records.Handling(bags["B3"], "nitrate-N", records.RERUN, When(date(2026, 3, 25)), "")
    write(pulled, "handle", [(journal.key("handling", "RT4MAXCL", bags["B3"], "nitrate-N"), asked)])
    pulled.must("lab", "mark", "lost", bags["B4"], "--text", "bag torn", on=on)
    found = states(pulled, on=on)
    assert found["B1"]["nitrate-N"] == "accepted" and found["B1"]["pH"] == "sent"
    assert found["B3"]["nitrate-N"] == "re-run asked"
    assert set(found["B4"].values()) == {"lost"}
    report(
        pulled, "R2", [f"{bags['B3']},NO3-N,13,mg/kg,1 M KCl"], "2026-03-27T09:00+01:00", "--repeat"
    )
    assert states(pulled, on="2026-03-28T09:00+01:00")["B3"]["nitrate-N"] == "reported"
    assert pulled.must("undo", on=on).code == 0
    assert states(pulled, on="2026-03-28T09:00+01:00")["B3"]["nitrate-N"] == "re-run asked"
    act = pulled.must("lab", "mark", "lost", bags["B5"], on=on).act
    pulled.must("strike", f"{act}:{bags['B5']}", "--reason", "found", on=on)
    assert set(states(pulled, on=on)["B5"].values()) == {"sent"}
    act = pulled.must("lab", "mark", "lost", bags["B5"], on=on).act
    pulled.must("correct", act, "--text", "never arrived", "--reason", "wording", on=on)
    assert "never arrived" in pulled.must("lab", "log", "--sample", bags["B5"], on=on).out
    pulled.must("undo", on=on)
    assert "took back the marking of bags" in pulled.must("undo", on=on).out


def test_only_a_result_out_of_question_is_accepted_by_a_mark(pulled: Program) -> None:
    bag = codes_by_bed(pulled)["B1"]
    sent(pulled, "all")
    on = "2026-03-25T09:00+01:00"
    said = pulled("lab", "mark", "accepted", f"{bag}:pH", on=on)
    assert said.code == 2 and "no result to accept yet" in said.err
    report(pulled, "R1", [f"{bag},pH,65,,water 1:1"], "2026-03-24T09:00+01:00")
    said = pulled("lab", "mark", "accepted", f"{bag}:pH", on=on)
    assert said.code == 2 and f"logbook lab answer {bag}:pH accept" in " ".join(said.err.split())
    for word in ("queried", "re-run"):
        said = pulled("lab", "mark", word, f"{bag}:pH", on=on)
        assert said.code == 2 and "logbook lab answer" in said.err


def test_what_is_reported_is_not_lost(pulled: Program) -> None:
    bags = codes_by_bed(pulled)
    code, _, _ = sent(pulled, "all", "--analyses", "pH")
    report(pulled, "R1", [f"{bags['B1']},pH,6.5,,water 1:1"], "2026-03-24T09:00+01:00")
    on = "2026-03-25T09:00+01:00"
    said = pulled("lab", "mark", "lost", bags["B1"], on=on)
    assert said.code == 2 and f"reported already: 1 ({bags['B1']})" in " ".join(said.err.split())
    told = pulled.must("lab", "mark", "lost", code, on=on).out
    assert "5 bags lost" in told and "reported already: 1" in told
    assert states(pulled, on=on)["B1"]["pH"] == "reported"
    assert "lost already" in pulled("lab", "mark", "lost", bags["B2"], on=on).err


def test_what_was_done_with_a_bag_follows_in_time(pulled: Program) -> None:
    bag = codes_by_bed(pulled)["B1"]
    code, _, _ = sent(pulled, "all", "--analyses", "pH")
    on = "2026-03-25T09:00+01:00"
    said = pulled("lab", "mark", "received", code, "--when", "2026-03-16", on=on)
    assert said.code == 2 and "so it cannot be received before" in " ".join(said.err.split())
    report(pulled, "R1", [f"{bag},pH,6.5,,water 1:1"], "2026-03-23T09:00+01:00")
    said = pulled("lab", "mark", "dried", bag, on=on)
    assert said.code == 2 and "was reported on Mon 23 Mar 2026" in " ".join(said.err.split())


def test_a_bag_is_marked_once_and_what_is_dried_is_not_frozen(pulled: Program) -> None:
    on = "2026-03-16T12:00+01:00"
    first = pulled.must("lab", "mark", "dried", "all", on=on).out
    assert "6 bags air-dried, Mon 16 Mar 2026 12:00 (day 14): " in " ".join(first.split())
    again = pulled("lab", "mark", "dried", "all", on=on)
    assert again.code == 2 and "air-dried already" in again.err
    cold = pulled("lab", "mark", "frozen", "all", on=on)
    assert cold.code == 2 and "no cold undoes" in " ".join(cold.err.split())


def test_beds_of_which_bags_of_two_pulls_wait_need_the_pull(pulled: Program) -> None:
    on = "2026-03-30T12:00+02:00"
    pulled.must("pull", "all", "--when", "09:00", on=on)
    said = pulled("lab", "mark", "dried", "all", on=on)
    assert said.code == 2 and "bags of 2 pulls fit: " in said.err and "--pull" in said.err


def test_a_misread_code_is_named_as_a_code(pulled: Program) -> None:
    bag = codes_by_bed(pulled)["B1"]
    for words in (("mark", "dried", bag[:-1]), ("send", bag[:-1]), ("mark", "dried", f"{bag}X")):
        said = pulled("lab", *words, on=SENT)
        told = " ".join(said.err.split())
        assert said.code == 2 and "is not a code: a code has 8 symbols" in told and bag in told
    said = pulled("lab", "mark", "dried", "RTXMAXCL", on=SENT)
    assert said.code == 2 and "its check symbol does not fit" in " ".join(said.err.split())


def test_a_query_stands_until_it_is_answered(pulled: Program) -> None:
    """Of two queries about one result, the one that is open says where it stands."""
    bag = codes_by_bed(pulled)["B1"]
    sent(pulled, "all")
    report(pulled, "R1", [f"{bag},NO3-N,10,mg/kg,1 M KCl"], "2026-03-24T09:00+01:00")
    on, at = "2026-03-26T09:00+01:00", When(date(2026, 3, 24))

    def query(kind: str) -> tuple[str, Any]:
        name = journal.key("query", bag, "nitrate-N", "1 M KCl", "R1", kind)
        what = "four times the bed's last value"
        return name, records.Query(bag, "nitrate-N", "1 M KCl", "R1", what, kind, at, None)

    def answer(kind: str, what: str) -> tuple[str, Any]:
        ident = journal.ident(query(kind)[0])
        return f"answer/{ident}", records.Answer(ident, bag, what, When(date(2026, 3, 25)), "rang")

    write(pulled, "query", [query("jump"), query("form")])
    assert states(pulled, on=on)["B1"]["nitrate-N"] == "queried"
    write(pulled, "query", [answer("jump", "accepted")])
    assert states(pulled, on=on)["B1"]["nitrate-N"] == "queried"
    write(pulled, "query", [answer("form", "re-run asked")])
    assert states(pulled, on=on)["B1"]["nitrate-N"] == "re-run asked"
    steps = pulled.must("lab", "log", "--sample", bag, on=on).out
    assert "queried nitrate-N, ana: four times the bed's last value" in steps
    assert "re-run asked nitrate-N, ana: rang" in steps
    story = " ".join(pulled.must("history", bag, on=on).out.split())
    assert f"query on {bag} nitrate-N: four times the bed's last value" in story


def test_the_daily_board_loads_no_records_of_shipments() -> None:
    """They are read when asked for: seven more records are felt in the command typed most."""
    code = (
        "import sys; import logbook.cli.today, logbook.store.asking; "
        "sys.exit('logbook.trial.custody' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_parts_go_by_their_own_codes_and_tins_do_not_go(program: Program) -> None:
    begun(program, PARTED)
    program.must("pull", "control,M", on="2026-03-16T09:00+01:00")
    _, order, _ = sent(program, "all", "--part", "chilled", on="2026-03-16T15:00+01:00")
    found = {one["sample"]: one for one in log(program, on="2026-03-16T15:00+01:00")["samples"]}
    assert {found[one]["kind"] for one in order} == {"chilled"} and len(order) == 4
    assert {a["nutrient"] for one in order for a in found[one]["analyses"]} == {
        "nitrate-N", "ammonium-N",
    }  # fmt: skip
    _, rest, _ = sent(program, "--all-waiting", on="2026-03-17T15:00+01:00")
    assert {found[one]["kind"] for one in rest} == {"dried"} and len(rest) == 4
    assert "tin" not in {one["kind"] for one in found.values()}


def test_a_half_that_is_kept_here_waits_for_nothing(program: Program) -> None:
    begun(program, PARTED)
    program.must("pull", "control,M", on="2026-03-16T09:00+01:00")
    kinds = {one["kind"] for one in log(program, "--waiting")["samples"]}
    assert kinds == {"chilled", "dried"}


def test_beds_that_are_marked_dried_leave_the_chilled_parts_alone(program: Program) -> None:
    begun(program, PARTED)
    program.must("pull", "control,M", on="2026-03-16T09:00+01:00")
    said = program.must("lab", "mark", "dried", "all", on="2026-03-16T15:00+01:00")
    assert "4 bags air-dried" in said.out
    kinds = {
        one["kind"]
        for one in log(program, on="2026-03-16T15:00+01:00")["samples"]
        if any(event["state"] == "air-dried" for event in one["events"])
    }
    assert kinds == {"dried"}


# --- any shipment ---------------------------------------------------------------------------------


@settings(max_examples=15, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(beds=st.sets(st.sampled_from([f"B{n}" for n in range(1, 7)]), min_size=1))
def test_a_whole_pull_stays_together_whatever_went_before(pulled: Program, beds: set[str]) -> None:
    """Some beds, then the rest: a split is flagged just where a treated bed left its controls."""
    original = Path(str(pulled.store) + ".kept")
    if not original.exists():
        shutil.copy(pulled.store, original)
        shutil.copytree(pulled.folder / "state", pulled.folder / "state.kept")
    shutil.copy(original, pulled.store)
    shutil.rmtree(pulled.folder / "state")
    shutil.copytree(pulled.folder / "state.kept", pulled.folder / "state")
    bags = codes_by_bed(pulled)
    _, first, _ = sent(pulled, ",".join(sorted(beds)))
    assert sorted(first) == sorted(bags[bed] for bed in beds)
    if len(beds) < len(bags):
        sent(pulled, "--all-waiting", on="2026-03-18T10:00+01:00")
    control = {"B1": "B1", "B2": "B1", "B3": "B1", "B4": "B5", "B5": "B5", "B6": "B5"}
    apart = [bed for bed in bags if (bed in beds) != (control[bed] in beds)]
    assert bool(log(pulled, on="2026-03-18T10:00+01:00")["notes"]) == bool(apart)


def test_labels_of_a_shipment_do_not_show_what_is_hidden(pulled: Program) -> None:
    words = ("--duplicate", "--reference", "house soil (invented)", "--labels", "x.svg")
    _, order, _ = sent(pulled, "all", *words, "--sheet", "a4-99x67")
    page = (pulled.folder / "x.svg").read_text(encoding="utf-8")
    shown = [re.findall(r"<text[^>]*>([^<]*)</text>", one) for one in page.split("<g ")[1:]]
    labels = [one for one in shown if one]
    # In packing order, and nothing but the code tells one from another.
    spaced = [f"{code[:4]} {code[4:]}" for code in order]
    assert [next(t for t in one if t in spaced) for one in labels] == spaced
    assert len({tuple(t for t in one if t not in spaced) for one in labels}) == 1


def test_the_labels_of_a_shipment_once_more(pulled: Program) -> None:
    words = ("--duplicate", "--labels", "x.svg")
    code, _, _ = sent(pulled, "all", *words, "--sheet", "a4-99x67")
    again = ("--shipment", code.lower(), "--out", "y.svg", "--sheet", "a4-99x67")
    assert "Written: y.svg: 7 labels, 1 page of a4-99x67." in pulled.must("labels", *again).out
    first, second = ((pulled.folder / name).read_bytes() for name in ("x.svg", "y.svg"))
    assert first == second
    wrong = {
        ("--shipment", code, "--open", "--out", "z.svg"):
            "Error: labels of a shipment have codes alone\nTry: leave --open out\n",
        ("--shipment", "RT4MAXCL", "--out", "z.svg"):
            "Error: there is no shipment RT4MAXCL\nTry: logbook lab log names them\n",
        (code, "--out", "z.svg"):
            f"Error: {code} is a shipment\nTry: logbook labels --shipment {code}\n",
    }  # fmt: skip
    for asked, said in wrong.items():
        answer = pulled("labels", *asked)
        assert (answer.code, answer.out, answer.err) == (2, "", said)
    pulled.must("strike", code, "--reason", "other box", on="2026-03-17T11:00+01:00")
    assert pulled("labels", "--shipment", code, "--out", "z.svg").code == 2
    assert not (pulled.folder / "z.svg").exists()


def test_a_shipment_stands_though_its_labels_fail(pulled: Program) -> None:
    (pulled.folder / ".x.pdf.part").mkdir()
    said = pulled("lab", "send", "all", "--labels", "x.pdf", on=SENT)
    (code,) = re.findall(r"shipment (\w{8}) to", said.out)
    error, remedy = said.err.splitlines()[-2:]
    assert said.code == 2
    assert error.startswith(
        f"Error: shipment {code} is written down, but there are no labels: x.pdf"
    )
    assert remedy == f"Try: logbook labels --shipment {code} --out FILE.pdf"


def test_labels_that_cannot_be_written_are_refused_before_bags_are_sent(pulled: Program) -> None:
    before = pulled.journal()
    said = pulled("lab", "send", "all", "--labels", "x.doc", on=SENT)
    assert said.code == 2 and pulled.journal() == before
    said = pulled("lab", "send", "all", "--sheet", "a4-99x67", on=SENT)
    assert said.code == 2 and "--sheet is for labels" in said.err


def test_a_shipments_own_code_is_no_sample(pulled: Program) -> None:
    code, _, _ = sent(pulled, "all")
    head, row = "sample,nutrient,value,unit,method\n", ",P,4,mg/kg,Olsen\n"
    (pulled.folder / "r.csv").write_text(f"{head}{code}{row}")
    before = pulled.journal()
    said = pulled("lab", "import", "r.csv", on=SENT)
    assert said.code == 2
    assert (
        f"(value '{code}'): this is the code of a shipment (to Invented Soil Lab, "
        "Tue 17 Mar 2026), not of a sample"
    ) in said.err
    said = pulled("lab", "add", code, "P", "4", "--unit", "mg/kg", "--method", "Olsen", on=SENT)
    assert (said.code, pulled.journal()) == (2, before)


def test_a_sample_that_is_waited_for_is_one_sample(pulled: Program) -> None:
    head, row = "sample,nutrient,value,unit,method\n", ",P,4,mg/kg,Olsen\n"
    (pulled.folder / "r.csv").write_text(f"{head}RT4MAXCL{row}")
    pulled.must("lab", "import", "r.csv", on=SENT)
    board = " ".join(pulled.must("today", on=SENT).out.split())
    assert "results wait for the pull of 1 sample: RT4MAXCL" in board


def test_of_an_unknown_laboratory_start_show_and_send_say_the_same(program: Program) -> None:
    text = PROTOCOL.replace('name = "Invented Soil Lab"', 'name = "not known yet"')
    (program.folder / "trial.toml").write_text(text, encoding="utf-8")
    waits = (
        "Waits: the laboratory is not known yet: lab send and lab import want --lab NAME, the same "
        "one each time, since only one laboratory's results can be compared"
    )
    start = program.must("trial", "start", "trial.toml", on="2026-03-01T09:00+01:00").out
    assert waits in start.splitlines()
    program.must("fill", "all", "--mass", "110 kg", on="2026-03-01T10:00+01:00")
    program.must("apply", "control,M", on="2026-03-02T10:00+01:00")
    said = program.must("pull", "B1,B2", on=PULLED)
    refused = program("lab", "send", "B1", on=SENT)
    assert (refused.code, refused.err) == (
        2,
        "Error: the laboratory is not known yet: the trial names none\n"
        "Try: say which: --lab NAME\n",
    )
    code = said.out.splitlines()[1].split()[0]
    head = "sample,nutrient,value,unit,method\n"
    (program.folder / "r.csv").write_text(f"{head}{code},P,4,mg/kg,Olsen\n")
    program.must("lab", "import", "r.csv", "--lab", "Bench lab", on=SENT)
    assert waits in program.must("trial", "show", on=SENT).out.splitlines()
    # The one laboratory whose results are here is the one to name.
    assert program("lab", "send", "B2", on=SENT).err.endswith("Try: say which: --lab 'Bench lab'\n")
    program.must("lab", "send", "B2", "--lab", "Bench lab", on=SENT)
