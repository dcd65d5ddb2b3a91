"""Odd and SQL-like text through every form: it comes back as it went in, and steers nothing."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable, Sequence
from contextlib import closing
from pathlib import Path

import pytest

from tests.faults.counting import Counting
from tests.faults.killing import must_be_sound
from tests.faults.odd import kept, texts
from tests.labs.hostile import csv_text
from tests.program import PROTOCOL, Program

pytestmark = pytest.mark.long

ON = "2026-03-05T09:00+01:00"


def schema(path: Path) -> list[tuple[str, str]]:
    """Every table, index and trigger."""
    with closing(sqlite3.connect(path)) as store:
        return store.execute("SELECT name, sql FROM sqlite_master ORDER BY name").fetchall()


def asked(path: Path, query: str) -> list[str]:
    """The first column of a query."""
    with closing(sqlite3.connect(path)) as store:
        return [str(row[0]) for row in store.execute(query)]


def lines(program: Program) -> list[dict[str, str]]:
    """The history of B1, as programs read it."""
    found: list[dict[str, str]] = json.loads(program.must("history", "B1", "--json", on=ON).out)[
        "lines"
    ]
    return found


def a_note(program: Program, text: str) -> None:
    program.must("note", "--on", "B1", "--", text, on=ON)
    assert kept(text) in asked(program.store, "SELECT text FROM note")
    assert lines(program)[-1]["what"] == f"B1: note: {kept(text)}"


def a_mishap(program: Program, text: str) -> None:
    program.must("event", "B1", "spilled", f"--text={text}", on=ON)
    assert lines(program)[-1]["what"] == f"B1: spilled: {kept(text)}"


def a_reason(program: Program, text: str) -> None:
    act = program.must("note", "x", "--on", "B1", on=ON).act
    program.must("strike", act, f"--reason={text}", on=ON)
    assert lines(program)[-1]["reason"] == kept(text)


def a_correction(program: Program, text: str) -> None:
    act = program.must("note", "x", "--on", "B1", on=ON).act
    program.must("correct", act, f"--text={text}", "--reason=slip", on=ON)
    assert any(line["what"].endswith(f"note: {kept(text)}") for line in lines(program))


def a_handle(program: Program, text: str) -> None:
    handle = text[:40].strip()
    if not handle.isprintable():
        said = program(f"--by={handle}", "note", "x", on=ON)
        assert (said.code, said.err.splitlines()[1]) == (
            2,
            "Try: use up to 40 printable characters",
        )
        return
    program.must(f"--by={handle}", "note", "x", "--on", "B1", on=ON)
    assert lines(program)[-1]["by"] == kept(handle)


FORMS: dict[str, Callable[[Program, str], None]] = {
    "a note": a_note,
    "a mishap": a_mishap,
    "a reason": a_reason,
    "a correction": a_correction,
    "a handle": a_handle,
}


@pytest.mark.parametrize("form", FORMS)
def test_odd_text_comes_back_as_it_was(started: Program, counting: Counting, form: str) -> None:
    before = schema(started.store)
    with counting.fault("23", "odd and SQL-like text", "through every form", 100) as count:
        for text in texts(count.asked, count.rng):
            FORMS[form](started, text)
            count.passed += 1
    assert schema(started.store) == before
    must_be_sound(started.store)


@pytest.mark.parametrize("word", ["Small house (invented)", "one heap (invented)", "bag 1"])
def test_odd_text_in_a_protocol(program: Program, counting: Counting, word: str) -> None:
    how = "as a name in a protocol"
    with counting.fault("23", "odd and SQL-like text", how, 100) as count:
        for text in texts(count.asked, count.rng):
            for one in program.folder.glob("logbook*"):
                one.unlink()
            # TOML and JSON escape alike, but for characters beyond the first plane.
            quoted = json.dumps(text[:200], ensure_ascii=False)[1:-1]
            (program.folder / "trial.toml").write_text(
                PROTOCOL.replace(word, quoted), encoding="utf-8"
            )
            said = program("trial", "start", "trial.toml", on=ON)
            if said.code == 2:
                assert "the program made a mistake" not in said.err, said
                assert all(line.isprintable() for line in said.err.splitlines())
                count.saw["names refused in a sentence"] += 1
            else:
                held = _texts([json.loads(one) for one in program.journal()])
                # Names are of one line, with one blank between words.
                assert _one_line(kept(text[:200])) in map(_one_line, held)
                must_be_sound(program.store)
            count.passed += 1


def _texts(document: object) -> Sequence[str]:
    """Every text in a document."""
    if isinstance(document, dict):
        return [text for value in document.values() for text in _texts(value)]
    if isinstance(document, list):
        return [text for value in document for text in _texts(value)]
    return [document] if isinstance(document, str) else []


def _one_line(text: str) -> str:
    return " ".join(text.split())


def test_odd_text_in_a_report(started: Program, counting: Counting) -> None:
    samples = started.must("pull", "all", "--for", "before", on="2026-03-01T12:00+01:00").samples
    before = schema(started.store)
    with counting.fault("23", "odd and SQL-like text", "in a laboratory's file", 100) as count:
        for n, text in enumerate(texts(count.asked, count.rng)):
            cell = text[:200]
            rows = [
                ["sample", "nutrient", "value", "unit", "method", "lab"],
                [samples[n % 6], "P", f"{n}.5", "mg/kg", cell, "Invented Soil Lab"],
            ]
            (started.folder / "r.csv").write_text(csv_text(rows), encoding="utf-8")
            said = started("lab", "import", "r.csv", "--report", f"R{n}", on=ON)
            if said.code == 2:
                assert "the program made a mistake" not in said.err, said
                count.saw["cells refused in a sentence"] += 1
            else:
                found = asked(started.store, "SELECT method FROM result")
                assert kept(_one_line(cell)) in found
            count.passed += 1
    assert schema(started.store) == before
    must_be_sound(started.store)
