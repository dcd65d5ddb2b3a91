"""`findings` as its user meets it: the demo's pages, the document, what is empty, the export."""

from __future__ import annotations

import csv
import json
import re
import textwrap
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator

from logbook.cli.run import run
from logbook.report.findings_files import findings_sheet
from logbook.report.sheets import sheet_bytes
from logbook.study.findings import Finding, Findings
from tests import write_docs
from tests.program import DEMO_DAY, Program
from tests.scenario import AMMONIUM, NITRATE, SCHEMA, Plan, day_of, play, told

AMENDMENTS = ("meal", "rock", "shell", "straw", "yard")
# Words that growers read otherwise than statisticians mean them, or that promise too much.
NEVER = re.compile(
    r"draw-?down|crossing|signific|verdict|\bdose\b|\bsame\b|\bnan\b|\binf\b|\bNone\b"
    r"|\d[eE]-\d|-0(?![.\d])"
)
LEVELS = dict.fromkeys((0, 7, 14, 28), ((10.0, 11.0, 9.5, 10.5), (12.0, 13.5, 11.0, 12.5)))
AMMONIA = dict.fromkeys(LEVELS, ((1.0, 1.1, 1.0, 0.9), (1.0, 1.0, 1.2, 0.9)))


@pytest.fixture
def season(demo_season: Path) -> Path:
    """The demo's season."""
    return demo_season


def said(store: Path, capsys: pytest.CaptureFixture[str], *words: str) -> str:
    capsys.readouterr()
    assert run(["--store", str(store), *words], now=DEMO_DAY) == 0
    return capsys.readouterr().out


@pytest.mark.parametrize("width", [80, 120])
def test_every_page_of_the_demo_fits_and_says_nothing_it_must_not(
    season: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    width: int,
) -> None:
    monkeypatch.setenv("COLUMNS", str(width))
    page = said(season, capsys, "findings")
    assert max(map(len, page.splitlines())) <= width
    assert page.isascii()
    assert not NEVER.search(page)
    heads = [line for line in page.splitlines() if line.startswith("Findings: ")]
    assert [head.split()[1] for head in heads] == list(AMENDMENTS)
    assert page.count("How far this reaches") == page.count("\nCare\n") == len(AMENDMENTS)


def test_the_document_follows_its_schema(season: Path, capsys: pytest.CaptureFixture[str]) -> None:
    document = json.loads(said(season, capsys, "findings", "--json"))
    Draft202012Validator.check_schema(SCHEMA)
    Draft202012Validator(SCHEMA).validate(document)
    assert [one["treatment"] for one in document["findings"]] == list(AMENDMENTS)
    for one in document["findings"]:
        declared = [each for each in one["findings"] if each["declared"]]
        assert [each["about"] for each in declared] == ["mineral-N"]
        for each in one["findings"]:
            if each["kind"] == "no difference shown" and each["method"]:
                assert each["detectable_difference"] > 0.0


def test_every_field_of_the_schema_says_what_it_is() -> None:
    for part in SCHEMA["$defs"].values():
        assert set(part["required"]) == set(part["properties"])
        assert all(field.get("description") for field in part["properties"].values())


def test_the_page_in_the_docs_is_what_the_program_prints(season: Path) -> None:
    found = write_docs.findings_page(season)
    assert write_docs.FINDINGS.read_text(encoding="utf-8") == found, (
        "run: python -m tests.write_docs"
    )


def test_one_late_bed_finds_nothing(season: Path, capsys: pytest.CaptureFixture[str]) -> None:
    page = " ".join(said(season, capsys, "findings", "rock").split())
    assert "Cannot say: one bed on a side; between single beds, which is no finding: P " in page
    assert "more than the control by" not in page and "less than the control by" not in page


def test_an_empty_store_has_no_findings(program: Program) -> None:
    answer = program("findings")
    assert answer.code == 2 and "there is no logbook here yet" in answer.err


def test_a_trial_without_results_cannot_say(started: Program) -> None:
    out = " ".join(started.must("findings", "M").out.split())
    assert "No pull has been compared yet" in out
    assert (
        "mineral-N: cannot say: there is no result of day 28 to compare yet [day 28; declared "
        "beforehand]."
    ) in out


def test_no_treatment_of_that_name(started: Program) -> None:
    answer = started("findings", "Z")
    assert answer.code == 2 and "'Z'" in answer.err


def test_treated_beds_without_a_control(program: Program) -> None:
    (program.folder / "trial.toml").write_text(Plan(blocks=2).text(), encoding="utf-8")
    program.must("trial", "start", "trial.toml", on=day_of(-1))
    program.must("apply", "all", on=day_of(0, "08:00"))
    codes = program.must("pull", "B2,B4", on=day_of(7)).samples
    rows = [f"{code},P,30,mg/kg,Olsen" for code in codes]
    text = "sample,nutrient,value,unit,method\n" + "\n".join(rows)
    (program.folder / "results.csv").write_text(text, encoding="utf-8")
    program.must("lab", "import", "results.csv", "--report", "1", on=day_of(40))

    page = told(program)

    assert "cannot say: there is no result of day 28 to compare yet" in page
    assert "No pull has been compared yet" in page
    assert "P (Olsen)" in told(program, "--pull", "7")


def test_a_result_that_stands_out_is_said_and_kept(program: Program) -> None:
    wild = {day: (control, treated) for day, (control, treated) in LEVELS.items()}
    wild[14] = (wild[14][0], (12.1, 30.0, 11.2, 12.4))
    play(program, Plan(), {NITRATE: wild, AMMONIUM: AMMONIA})

    page = told(program)

    assert re.search(r"- B4 on day 14 stands out \(31 mg/kg, [\d.]+ times .+\): kept\.\n", page)


def test_waterings_and_temperatures_are_counted_from_application_on(program: Program) -> None:
    plan = Plan()
    soil = ("measure", "soil temperature")
    play(
        program,
        plan,
        {NITRATE: LEVELS, AMMONIUM: AMMONIA},
        # Before application, twice on one day, of the control alone: of these one day counts.
        (0, ("water", "all", "--when", "2026-03-01T12:00+00:00")),
        (3, ("water", "all")),
        (3, ("water", "C", "--amount", "1 L")),
        (6, ("water", "control")),
        (9, ("water", "B2")),
        (0, (*soil, "2 C", "--when", "2026-03-01T12:00+00:00")),
        (2, (*soil, "18 C", "--on", "B1")),
        (5, (*soil, "21.5 C", "--on", "B2")),
        (5, ("measure", "air temperature", "30 C")),
    )

    page = told(program)

    assert "watered on 2 days (plan: 250 mL every 3 days)" in page
    assert "soil temperature about 19.8 C (18 to 21.5, 2 readings)" in page


def test_air_is_named_where_no_soil_was_read_and_what_was_not_written_down(
    program: Program,
) -> None:
    results = {NITRATE: LEVELS, AMMONIUM: AMMONIA}
    play(program, Plan(), results, (5, ("measure", "air temperature", "30 C")))

    page = told(program)

    assert "no watering written down (plan: 250 mL every 3 days)" in page
    assert "air temperature about 30 C (30 to 30, 1 reading)" in page


def test_the_export_carries_the_page_and_its_numbers(program: Program) -> None:
    play(program, Plan(name="=2+3"), {NITRATE: LEVELS, AMMONIUM: AMMONIA})
    program.must("season", "out", on=day_of(121))

    text = (program.folder / "out" / "findings.txt").read_text(encoding="utf-8")
    with (program.folder / "out" / "findings.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))

    assert max(map(len, text.splitlines())) <= 80
    page = program.must("findings", on=day_of(121)).out
    assert text.split() == page.split()
    assert textwrap.shorten(rows[0]["sentence"], 40).startswith("mineral-N: more than")
    (declared,) = (row for row in rows if row["declared"] == "yes")
    # 12.25 + 1.025 less 10.25 + 1.0 by the means of nitrate and ammonium.
    assert float(declared["value"]) == pytest.approx(2.025)
    assert float(declared["low"]) < 2.025 < float(declared["high"])
    assert declared["unit"] == "mg/kg" and declared["design"] == "4+4 beds, within blocks"
    readme = (program.folder / "out" / "README.txt").read_text(encoding="utf-8")
    assert "findings.txt: what the trial found of each amendment" in readme
    assert "Columns of findings.csv" in readme


def test_no_sentence_runs_as_a_formula() -> None:
    one = Finding("nutrients", "P", "cannot say", "=HYPERLINK(1)", design="+1+2", pull="@x")
    found = Findings("t", "C", "", "", (), "", (one,), (), (), ())
    body = sheet_bytes(findings_sheet([found])).decode()
    assert "'=HYPERLINK(1)" in body and "'+1+2" in body and "'@x" in body


def test_a_strike_is_told_without_its_author(program: Program) -> None:
    play(program, Plan(), {NITRATE: LEVELS, AMMONIUM: AMMONIA})
    codes = [
        line.split()[0]
        for line in program.must("lab", "results", "--bed", "B4", on=day_of(121)).out.splitlines()
        if "nitrate-N" in line
    ]
    program.must("strike", f"{codes[-1]}:nitrate-N", "--reason", "bag torn", on=day_of(121))

    page = told(program)

    assert "truck and left out: " in page and "bag torn" in page
    assert "mira" not in page


def test_another_date_is_no_planting_day(season: Path, capsys: pytest.CaptureFixture[str]) -> None:
    page = said(season, capsys, "findings", "straw", "--pull", "day 56")
    assert "\nAmmonium, pH and salt, day 56\n" in page and "At planting" not in page
    assert "\nAt planting, day 28\n" in said(season, capsys, "findings", "straw")
