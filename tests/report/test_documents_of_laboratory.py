"""The JSON of the laboratory follows docs/schema, whatever is missing in it.

The schema language is JSON Schema draft 2020-12 (json-schema.org); what it demands is ours.
"""

from __future__ import annotations

import copy
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from tests.program import Program

FOLDER = Path(__file__).parents[2] / "docs" / "schema"
LATER = "2026-04-22T09:00+02:00"
NAMES = ("queries", "chart", "precision", "log")
HEADER = "sample,nutrient,value,unit,method\n"


def schema(name: str) -> dict[str, Any]:
    """The schema of a command of `lab`."""
    found: dict[str, Any] = json.loads((FOLDER / f"{name}.json").read_text(encoding="utf-8"))
    return found


def faults(name: str, document: dict[str, Any]) -> list[str]:
    """What the schema has against a document."""
    found = Draft202012Validator(schema(name)).iter_errors(document)
    return [f"{list(one.absolute_path)}: {one.message}" for one in found]


def document(program: Program, name: str, *options: str) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(program.must("lab", name, *options, "--json", on=LATER).out)
    return found


@pytest.fixture
def busy(started: Program) -> Program:
    """Blinds, repeats, a material in three reports, a result beyond a limit, a lost bag, queries.

    Queries are open, answered and moot.
    """
    started.must("apply", "control", on="2026-03-02T09:00+01:00")
    started.must("apply", "M", "--amount", "100 g", on="2026-03-02T09:00+01:00")
    value = "nitrate-N = 30 mg/kg +- 1 mg/kg by 1 M KCl"
    started.must("lab", "reference", "house soil", value, on="2026-03-02T10:00+01:00")
    pulled = started.must("pull", "B1,B2,B5,B6", on="2026-03-09T09:30+01:00").samples
    words = ("lab", "send", "--all-waiting", "--on", "today", "--duplicate")
    said = started.must(*words, "--reference", "house soil", on="2026-03-10T09:00+01:00").out
    blinds = [line.split()[1] for line in said.splitlines() if "blind" in line or " of " in line]
    blind = [code for code in blinds if len(code) == 8 and code not in pulled]
    first, second, third, fourth = pulled
    rows = [f"{code},nitrate-N,{value},mg/kg,1 M KCl"
            for code, value in (*((one, "12") for one in (*pulled[:3], *blind)), (fourth, "<1"),
                                (first, "13"), (second, "<1"))]  # fmt: skip
    rows += [f"{first},pH,65,,water 1:1", f"{second},pH,.65,,water 1:1"]
    text = HEADER + "\n".join(rows) + "\n"
    (started.folder / "r.csv").write_text(text, encoding="utf-8")
    started.must("lab", "import", "r.csv", "--report", "r", on=LATER)
    started.must("lab", "answer", f"{first}:pH", "strike", "--reason", "point lost", on=LATER)
    started.must("lab", "answer", f"{second}:pH", "re-run", "--reason", "point?", on=LATER)
    started.must("lab", "mark", "lost", f"{third}:pH", on=LATER)
    # The material in two reports more: it is out of control in the first, which is in question.
    for day, number in ((16, "30.5"), (23, "29.5")):
        at = f"2026-03-{day}T09:30+01:00"
        started.must("pull", "B1", on=at)
        words = ("lab", "send", "--all-waiting", "--on", "today", "--reference", "house soil")
        said = started.must(*words, on=at).out
        (code,) = {line.split()[1] for line in said.splitlines() if "reference of " in line}
        row = f"{code},nitrate-N,{number},mg/kg,1 M KCl\n"
        (started.folder / f"r{day}.csv").write_text(HEADER + row, encoding="utf-8")
        started.must("lab", "import", f"r{day}.csv", "--report", f"r{day}", on=LATER)
    return started


@pytest.mark.parametrize("name", NAMES)
def test_the_schema_is_one(name: str) -> None:
    Draft202012Validator.check_schema(schema(name))
    assert schema(name)["title"] == f"logbook lab {name} --json"


@pytest.mark.parametrize("name", NAMES)
def test_documents_follow_it(busy: Program, name: str) -> None:
    options = ("--all",) if name == "queries" else ()
    found = document(busy, name, *options)
    assert faults(name, found) == []
    assert all(found[one] for one in found if one not in ("format", "notes"))


@pytest.mark.parametrize("name", NAMES)
def test_documents_of_a_trial_without_samples(started: Program, name: str) -> None:
    assert faults(name, document(started, name)) == []


def test_every_state_of_a_query_is_known_to_the_schema(busy: Program) -> None:
    found = document(busy, "queries", "--all")
    assert {one["state"] for one in found["queries"]} >= {"struck", "re-run asked"}
    assert faults("queries", found) == []


def objects(of: dict[str, Any]) -> Iterator[dict[str, Any]]:
    """Every object in a document, itself too."""
    yield of
    for value in of.values():
        for one in value if isinstance(value, list) else [value]:
            if isinstance(one, dict):
                yield from objects(one)


@pytest.mark.parametrize("name", NAMES)
def test_a_field_that_is_missing_or_unknown_is_a_fault(busy: Program, name: str) -> None:
    """Else a field could go, or change its name, and no test would say so."""
    whole = document(busy, name)
    for place, one in enumerate(objects(whole)):
        field = next(iter(one))
        other = copy.deepcopy(whole)
        changed = list(objects(other))[place]
        changed[f"{field}_"] = changed.pop(field)
        assert faults(name, other), field
    for defined in [schema(name), *schema(name)["$defs"].values()]:
        assert defined["required"] == list(defined["properties"])
        assert defined["additionalProperties"] is False
