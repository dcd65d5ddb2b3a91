"""Values of the right types that cannot be are kept and forwarded, and met by no reader."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from typing import Any

import pytest

from logbook.journal.fold import agree
from logbook.journal.kinds import from_value, readable, to_value
from logbook.trial import rates, records
from tests.store import made

TRIAL = {
    "name": "T", "question": "?", "zone": "Europe/Lisbon", "assigned": "drawn", "seed": 1,
    "planting_day": 28, "endpoint": "mineral-N", "protocol": "00", "depth_cm": "15", "cores": 8,
    "lab": None,
}  # fmt: skip

HANDLED = {"sample": "x", "analysis": "", "state": "frozen", "when": "2026-03-02", "text": ""}
REFERENCE = {
    "name": "soil", "analyte": "P", "value": "30", "unit": "mg/kg", "method": "Olsen", "sd": "2",
    "trial": "",
}  # fmt: skip


def _result(**changes: Any) -> dict[str, Any]:
    return {**to_value(made.result("RT4MAXCL", "K", "12.5")[1]), **changes}


@pytest.mark.parametrize(
    ("space", "value"),
    [
        ("result", _result(analyte="Se")),
        ("result", _result(qualifier="~")),
        ("result", _result(value=None, limit=None, qualifier="<")),
        ("result", _result(value="12.5", qualifier="<", limit="1")),
        ("planned-pull", {"trial": "t", "name": "day x", "day": 9 * 10**9, "tolerance": 1}),
        ("planned-pull", {"trial": "t", "name": "day 7", "day": 7, "tolerance": -1}),
        ("trial", {**TRIAL, "zone": "Europe/Atlantis"}),
        ("soil", {"trial": "t", "source": "", "texture": "", "bulk_density": "0"}),
        ("lot-density", {"lot": "l", "density": "-1"}),
        ("followed", {"trial": "t", "analyte": "P", "method": "m", "cv": "0"}),
        ("followed", {"trial": "t", "analyte": "P", "method": "m", "margin": "-1"}),
        (
            "lot-content",
            {
                "lot": "l",
                "analyte": "P",
                "value": "1",
                "unit": "mg/kg",
                "basis": "dry",
                "method": "m",
                "sd": "-0.1",
            },
        ),
        ("lot-moisture", {"lot": "l", "moisture": "100"}),
        ("watering-plan", {"trial": "t", "interval": 0, "amount": "1", "unit": "mL"}),
        ("trial", {**TRIAL, "usual_days": 0}),
        ("sent", {"shipment": "s", "sample": "x", "place": 0, "analyses": []}),
        ("sent", {"shipment": "s", "sample": "x", "place": 1, "analyses": ["Se"]}),
        (
            "sent",
            {"shipment": "s", "sample": "x", "place": 1, "analyses": ["P"], "methods": ["a", "b"]},
        ),
        ("handling", {**HANDLED, "state": "eaten"}),
        ("handling", {**HANDLED, "analysis": "Se"}),
        ("blind", {"code": "c", "kind": "triplicate", "of": "x", "trial": "t"}),
        ("reference", {**REFERENCE, "unit": "g/kg"}),
        ("reference", {**REFERENCE, "sd": "0"}),
        ("reference", {**REFERENCE, "analyte": "Se"}),
        (
            "answer",
            {"query": "q", "sample": "x", "what": "maybe", "when": "2026-03-02", "text": ""},
        ),
    ],
)
def test_what_cannot_be_is_not_shown(space: str, value: dict[str, Any]) -> None:
    assert not readable(space, value)


def test_what_can_be_is_shown() -> None:
    # As the releases before these fields wrote it.
    assert readable("followed", {"trial": "t", "analyte": "P", "method": "m"})
    assert readable("trial", TRIAL)
    assert readable("result", _result())
    assert readable("result", _result(value=None, limit="0.5", qualifier="<"))
    control = records.Treatment("t", "A", "a", True, None, None, None, Decimal(15))
    assert readable("treatment", to_value(control))
    assert readable("handling", HANDLED) and readable("reference", REFERENCE)
    assert readable("handling", {**HANDLED, "analysis": "P"})
    sent = records.Sent("s", "x", 1, ("P",), ("Olsen",))
    assert readable("sent", to_value(sent)) and from_value("sent", to_value(sent)) == sent
    too_much = {**to_value(control), "rate": "150", "rate_unit": rates.OF_MIX}
    assert not readable("treatment", too_much)


def test_fields_that_say_nothing_are_left_out_so_that_old_and_new_programs_agree() -> None:
    """A trial started by a program that knew no usual days is the trial started by this one."""
    new = to_value(made.TRIAL)
    assert "usual_days" not in new
    assert agree(new, {name: value for name, value in new.items() if name != "usual_days"})
    assert from_value("trial", new) == made.TRIAL
    told = to_value(replace(made.TRIAL, usual_days=10))
    assert told["usual_days"] == 10 and readable("trial", told)
    assert "flags" not in _result()


def test_one_value_has_one_writing() -> None:
    eighteen = [records.LotMoisture("l", Decimal(text)) for text in ("18", "18.0", "18.00")]
    assert {to_value(one)["moisture"] for one in eighteen} == {"18"}
    assert to_value(records.LotMoisture("l", Decimal("100")))["moisture"] == "100"


def test_two_machines_that_import_one_report_agree() -> None:
    one = {"lab": "L", "number": "1", "file": "a.csv", "sha256": "00", "rows": 3,
           "received": "2026-03-20T09:00+01:00"}  # fmt: skip
    other = {**one, "file": "copy of a.csv", "received": "2026-03-22"}
    assert agree(one, other)
    assert not agree(one, {**other, "rows": 4})


def test_what_was_added_to_a_record_later_is_left_out_where_it_says_nothing() -> None:
    # A machine with an older program writes these records without the fields: no dispute follows.
    followed = to_value(records.Followed("t", "P", "Mehlich-3"))
    assert followed == {"trial": "t", "analyte": "P", "method": "Mehlich-3"}
    content = to_value(records.LotContent("l", "P", Decimal("900"), "mg/kg", "dry", "acid digest"))
    assert "sd" not in content
    told = to_value(records.Followed("t", "P", "Mehlich-3", cv=Decimal("8"), margin=Decimal("5")))
    assert (told["cv"], told["margin"]) == ("8", "5")
    assert readable("followed", told) and from_value("followed", told).cv == Decimal("8")
