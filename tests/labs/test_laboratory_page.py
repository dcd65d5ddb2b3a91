"""The page on reports of a laboratory: its files are read, its commands run, its tables true."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest

from logbook.labs.marks import USUAL
from logbook.labs.profiles.reading import read
from logbook.trial import chemistry, qualifiers
from tests.program import Program

PAGE = (Path(__file__).parents[2] / "docs" / "laboratory.md").read_text(encoding="utf-8")
FENCED = re.compile(r"^```(\w*)\n(.*?)^```$", re.DOTALL | re.MULTILINE)
ON = "2026-04-20T09:00+02:00"


def block(kind: str, place: int = 0) -> str:
    return [text for word, text in FENCED.findall(PAGE) if word == kind][place]


def test_the_page_works(started: Program, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = started.folder / "profiles"
    monkeypatch.setenv("LOGBOOK_PROFILES", str(folder))
    (started.folder / "fen-114.csv").write_text(block("csv"), encoding="utf-8")
    for place, text in enumerate((block("console"), block("console", 1))):
        command, *expected = text.splitlines()
        said = started(*shlex.split(command)[2:], on=ON)
        printed = (said.out + said.err).splitlines()
        assert [line for line in expected if line not in printed] == []
        assert said.code == (2, 0)[place]
        (folder / "fen.toml").write_text(block("toml"), encoding="utf-8")


def test_the_profile_is_what_is_proposed_but_for_what_a_person_adds(
    started: Program, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("LOGBOOK_PROFILES", str(started.folder))
    (started.folder / "fen-114.csv").write_text(block("csv"), encoding="utf-8")
    answers = ("dates=day first", "basis=dry", "method of pH 1:5=water", "mark J=estimated")
    said = [word for answer in answers for word in ("--say", answer)]
    words = ("fen-114.csv", "--name", "fen", "--lab", "Fen Soil Laboratory (invented)")
    started.must("lab", "profile", "new", *words, *said, on=ON)
    made = (started.folder / "fen.toml").read_text(encoding="utf-8").splitlines()
    shown = block("toml").splitlines()
    # Added by a person: ICP, of which the report says nothing. The form may be named either way.
    assert [line for line in shown if line not in made] == [
        'nutrient = "NO3-N"',
        'detection = "ICP"',
    ]


def test_the_table_of_words_is_the_programs() -> None:
    rows = re.findall(r"^\| ([a-z-]+) \| (.+?) \| (.+?) \|$", PAGE, re.MULTILINE)
    words = [row for row in rows if row[0] in qualifiers.WORDS]
    assert words == [(name, one.meaning, one.effect) for name, one in qualifiers.WORDS.items()]


def test_the_marks_named_are_understood() -> None:
    listed = PAGE.partition("Everywhere the same are:")[2].partition("A profile may say")[0]
    named = [
        mark.strip(" .\n") for mark in re.split(r"[,;:]|\(.*?\)|and as", " ".join(listed.split()))
    ]
    strange = {"nothing reported", "an empty cell", ""}
    assert [one for one in named if one not in strange and one.upper() not in USUAL
            and one.upper() != "N.D"] == []  # fmt: skip


def test_the_factors_are_the_programs() -> None:
    for form, factor in re.findall(r"(NO3|P2O5|K2O) x ([0-9.]+)", PAGE):
        share = float(chemistry.find_analyte(form)[1])
        assert round(share, 4) == float(factor)
    read(block("toml").encode(), "fen.toml", "fen")
