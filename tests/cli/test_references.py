"""`lab reference`: what is written of a material, how it is read, corrected and struck."""

from __future__ import annotations

import json
from decimal import Decimal
from typing import Any

import pytest

from logbook.store import views
from logbook.trial.records import Reference
from tests.cli.parted import parted
from tests.program import Program

__all__ = ["parted"]

SOIL = "house soil (invented)"


def listed(program: Program, *words: str) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = json.loads(
        program.must("lab", "reference", *words, "--json").out
    )["references"]
    return found


def kept(program: Program) -> list[Reference]:
    with views.reading(program.store) as store:
        return [one.record for one in views.fetch(store, "reference")]


def test_values_are_kept_with_their_method_and_trial(started: Program) -> None:
    said = started.must(
        "lab", "reference", SOIL, "P = 35 mg/kg +- 2 mg/kg by Mehlich-3", "pH = 6.8 +- 0.1",
        "--method", "water 1:1",
    ).out  # fmt: skip
    assert said.splitlines()[1:] == [
        "  P 35 +- 2 mg/kg by Mehlich-3",
        "  pH 6.8 +- 0.1 by water 1:1",
    ]
    phosphorus, acidity = sorted(kept(started), key=lambda one: one.analyte)
    assert (phosphorus.name, phosphorus.value, phosphorus.sd) == (SOIL, Decimal(35), Decimal(2))
    assert (acidity.value, acidity.method) == (Decimal("6.8"), "water 1:1")
    assert phosphorus.trial == acidity.trial != ""
    shown = started.must("lab", "reference").out
    assert shown.splitlines() == [
        SOIL,
        "  P 35 +- 2 mg/kg by Mehlich-3, Small house (invented)",
        "  pH 6.8 +- 0.1 by water 1:1, Small house (invented)",
    ]


@pytest.mark.parametrize(
    ("typed", "analyte", "value", "sd"),
    [
        # P2O5 holds 2 x 30.974 of its 141.945 g/mol (IUPAC weights of 2021): 0.43642 of it is P.
        ("P2O5 = 100 mg/kg +- 10 mg/kg", "P", "43.642", "4.3642"),
        # Potassium has 39.098 g/mol and one charge: 1 cmol(+)/kg are 390.98 mg/kg.
        ("K = 0.5 cmol(+)/kg +- 0.05", "K", "195.49", "19.549"),
        ("OM = 4.2 +- 0.2 %", "OM", "4.2", "0.2"),
        ("P = 35mg/kg \u00b1 2", "P", "35", "2"),
        ("nitrate-N = 0 mg/kg", "nitrate-N", "0", None),
        ("nitrate-N = 0 mg/kg +- 0.2 mg/kg", "nitrate-N", "0", "0.2"),
    ],
)
def test_units_and_forms_become_canonical(
    started: Program, typed: str, analyte: str, value: str, sd: str | None
) -> None:
    started.must("lab", "reference", SOIL, typed, "--method", "by the certificate")
    (one,) = kept(started)
    assert one.analyte == analyte
    assert float(one.value) == pytest.approx(float(value), rel=2e-5)
    assert (one.sd is None) == (sd is None)
    if one.sd is not None and sd is not None:
        assert float(one.sd) == pytest.approx(float(sd), rel=2e-5)


def test_a_value_for_every_trial_stands_beside_that_of_one(started: Program) -> None:
    started.must("lab", "reference", SOIL, "P = 35 mg/kg by Olsen", "--all-trials")
    started.must("lab", "reference", SOIL, "P = 36 mg/kg by Olsen")
    assert {(one["trial"], one["value"]) for one in listed(started)} == {
        (None, "35"),
        ("Small house (invented)", "36"),
    }


def test_a_known_value_changes_with_a_reason_only(started: Program) -> None:
    started.must("lab", "reference", SOIL, "P = 35 mg/kg by Olsen")
    said = started("lab", "reference", SOIL.upper(), "P = 53 mg/kg by Olsen")
    assert said.code == 2 and f"known already: P of {SOIL}" in said.err
    assert [one["value"] for one in listed(started)] == ["35"]
    started.must("lab", "reference", SOIL.upper(), "P = 53 mg/kg by Olsen", "--reason", "digits")
    assert [(one["name"], one["value"]) for one in listed(started)] == [(SOIL, "53")]
    assert started.must("verify").code == 0


def test_a_value_is_corrected_and_struck_by_its_act(started: Program) -> None:
    act = started.must(
        "lab", "reference", SOIL, "P = 35 mg/kg +- 2 by Olsen", "K = 120 mg/kg by Mehlich-3"
    ).act
    started.must("correct", f"{act}:P", "--value", "36 mg/kg", "--reason", "typing slip")
    started.must("strike", f"{act}:K", "--reason", "of another bottle")
    (one,) = listed(started)
    assert (one["nutrient"], one["value"], one["sd"]) == ("P", "36", "2")
    said = started("correct", f"{act}:Mg", "--value", "1 mg/kg", "--reason", "x")
    assert said.code == 2 and f"the act {act} has no value of Mg" in said.err
    started.must("undo")
    assert [one["nutrient"] for one in listed(started)] == ["P", "K"]


def test_a_shipment_says_which_values_are_missing(started: Program) -> None:
    at = "2026-03-01T11:00+01:00"
    started.must("pull", "all", on=at)
    words = ("lab", "send", "--all-waiting", "--reference", SOIL)
    told = " ".join(started.must(*words, on=at).out.split())
    assert "no assigned values" in told
    started.must("undo", on=at)
    values = ("nitrate-N = 12 mg/kg by 1 M KCl", "ammonium-N = 3 mg/kg by 1 M KCl")
    started.must("lab", "reference", SOIL, *values, on=at)
    told = " ".join(started.must(*words, on=at).out.split())
    assert f"no value of pH by water 1:1 is assigned to {SOIL} yet" in told
    started.must("undo", on=at)
    started.must("lab", "reference", SOIL, "pH = 6.9 by water 1:1", on=at)
    assert "assigned" not in started.must(*words, on=at).out


def test_where_pulls_are_divided_it_goes_with_what_is_known_of_it(parted: Program) -> None:
    parted.must("lab", "reference", SOIL, "K = 150 mg/kg +- 5 by Mehlich-3")
    parted.must("pull", "all", on="2026-03-09T09:00+01:00")
    on = "2026-03-10T09:00+01:00"
    told = parted.must("lab", "send", "--pull", "day 7", "--reference", SOIL, on=on).out
    (line,) = [one for one in told.splitlines() if f"reference of {SOIL}" in one]
    assert {"P", "K", "pH"} <= set(line.replace(",", "").split())
    assert "nitrate-N by" not in " ".join(told.split()).partition("no assigned value")[2]


def test_an_empty_list_says_what_to_type(started: Program) -> None:
    assert "lab reference NAME" in started.must("lab", "reference").out
    assert listed(started, "unheard of") == []


def test_every_wrong_value_is_told_at_once(started: Program) -> None:
    before = started.journal()
    said = started(
        "lab", "reference", SOIL, "P = 35 mg/kg +- 5 %", "K = lots mg/kg", "pH = 7",
        "--method", "x",
    )  # fmt: skip
    assert said.code == 2 and "P = 35 mg/kg +- 5 %" in said.err and "K = lots mg/kg" in said.err
    assert started.journal() == before
