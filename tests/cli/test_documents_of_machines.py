"""The JSON of sync, machines and conflicts follows docs/schema, whatever is missing in it.

The schema language is JSON Schema draft 2020-12 (json-schema.org); what it demands is ours.
"""

from __future__ import annotations

import copy
import json
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from tests.cli.test_syncing import Bench, enrolled, two  # noqa: F401

FOLDER = Path(__file__).parents[2] / "docs" / "schema"
NAMES = ("sync", "machines", "conflicts")
# Their keys are data: names of machines, of fields of a line.
MAPS = {"fetched_lines", "lines_to_wait", "waiting_entries", "value", "besides"}
LATER = "2026-03-20T09:00+01:00"


def schema(name: str) -> dict[str, Any]:
    found: dict[str, Any] = json.loads((FOLDER / f"{name}.json").read_text(encoding="utf-8"))
    return found


def faults(name: str, document: dict[str, Any]) -> list[str]:
    """What the schema has against a document."""
    found = Draft202012Validator(schema(name)).iter_errors(document)
    return [f"{list(one.absolute_path)}: {one.message}" for one in found]


def document(bench: Bench, name: str, *words: str) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(bench.at("office", name, *words, "--json", on=LATER).out)
    return found


@pytest.fixture
def busy(enrolled: Bench) -> Bench:  # noqa: F811
    """A conflict, a doubled pull, a chain that forks, a machine that waits, a place that is out."""
    made = enrolled
    made.must("office", "apply", "M", on="2026-03-02T10:00+01:00")
    act = made.must("office", "water", "B1", "--amount", "250 mL").act
    made.must("office", "sync", made.stick)
    made.must("bench", "sync", made.stick)
    for machine, amount in (("office", "200 mL"), ("bench", "300 mL")):
        made.must(machine, "correct", act, "--amount", amount, "--reason", "read again")
        made.must(machine, "pull", "B2", on="2026-03-09T09:00+01:00")
    # A second disk with the bench's keys: what both write has the same numbers.
    shutil.copytree(made.folder / "bench", made.folder / "kept" / "bench")
    shutil.copytree(made.folder / "bench-keys", made.folder / "kept" / "bench-keys")
    made.must("bench", "note", "on the bench", "--on", "B2")
    made.must("bench", "sync", made.stick)
    for one in ("bench", "bench-keys"):
        shutil.rmtree(made.folder / one)
        (made.folder / "kept" / one).rename(made.folder / one)
    made.must("bench", "note", "on its copy", "--on", "B3")
    made.at("bench", "sync", made.stick)
    made.must("tablet", "join", made.stick, "--yes")
    out = made.folder / "out"
    out.mkdir()
    made.must("office", "sync", "add", "out", str(out))
    out.rmdir()
    made.must("office", "sync", "add", "stick", made.stick)
    (Path(made.stick) / "amendment-logbook-segments" / "bad.seg").write_bytes(b"")
    return made


@pytest.mark.parametrize("name", NAMES)
def test_the_schema_is_one(name: str) -> None:
    Draft202012Validator.check_schema(schema(name))
    assert schema(name)["title"] == f"logbook {name} --json"
    for defined in [schema(name), *schema(name)["$defs"].values()]:
        assert defined["required"] == list(defined["properties"])
        assert defined["additionalProperties"] is False


def test_documents_follow_it_whatever_happened(busy: Bench) -> None:
    dry = document(busy, "sync", "--dry-run")
    assert faults("sync", dry) == []
    assert dry["exchanges"][0]["lines_to_wait"]
    found = document(busy, "sync")
    (one,) = found["exchanges"]
    assert one["fetched_lines"] and one["waiting_entries"] and one["problems"] and one["remarks"]
    assert found["not_reached"]
    told = {
        "sync": found,
        "machines": document(busy, "machines"),
        "conflicts": document(busy, "conflicts"),
    }
    assert any(one["forks"] for one in told["machines"]["machines"])
    assert any(one["waiting"] for one in told["machines"]["machines"])
    assert told["conflicts"]["conflicts"] and told["conflicts"]["possible_duplicates"]
    for name, whole in told.items():
        assert faults(name, whole) == []
        every_field_is_known_and_needed(name, whole)


def every_field_is_known_and_needed(name: str, whole: dict[str, Any]) -> None:
    """Else a field could go, or change its name, and no test would say so."""
    for place, one in enumerate(objects(whole)):
        field = next(iter(one))
        other = copy.deepcopy(whole)
        changed = list(objects(other))[place]
        changed[f"{field}_"] = changed.pop(field)
        assert faults(name, other), field


def objects(of: dict[str, Any]) -> Iterator[dict[str, Any]]:
    """Every object in a document whose names are ours, itself too."""
    yield of
    for name, value in of.items():
        for one in value if isinstance(value, list) else [value]:
            if isinstance(one, dict) and name not in MAPS:
                yield from objects(one)


@pytest.mark.parametrize("name", NAMES)
def test_documents_of_one_machine_alone(two: Bench, name: str) -> None:  # noqa: F811
    words = (two.stick,) if name == "sync" else ()
    assert faults(name, document(two, name, *words)) == []
    waiting = [*words, "--dry-run"] if name == "sync" else words
    assert faults(name, document(two, name, *waiting)) == []
