"""Moisture tins: weights that follow later, the moisture they give, and weights that cannot be."""

from __future__ import annotations

import pytest

from logbook.store import asking, views
from tests.cli.parted import LATER, parted
from tests.program import Program

__all__ = ["parted"]


@pytest.fixture
def tin(parted: Program) -> tuple[Program, str, str]:
    """The program, the code of a tin of B1, and that of the chilled part beside it."""
    (bags,) = parted.must("pull", "B1").bags
    return parted, bags[2], bags[0]


def test_the_moisture_of_a_manuals_example(tin: tuple[Program, str, str]) -> None:
    # 94 g moist, 78 g dry: 0.20513 of the dry mass (worked example of an instrument manual).
    program, code, _ = tin
    said = program.must("weigh", code, "--tare", "0 g", "--wet", "94 g", "--dry", "78 g")

    assert said.out == (
        f"{said.act}  tin {code} of B1: empty 0 g, moist 94 g, dry 78 g, Mon 2 Mar 2026 09:00\n"
        "  moisture 20.5 % of the dry mass\n"
    )


def test_weights_follow_a_day_later(tin: tuple[Program, str, str]) -> None:
    program, code, _ = tin
    first = program.must("weigh", code, "--tare", "20.1 g", "--wet", "94 g")
    assert first.out.endswith("  to follow: dry weight\n")
    second = program.must("weigh", code, "--dry", "0.078 kg", on="2026-03-03T17:00+01:00")

    # (94 - 78) / (78 - 20.1) = 16 / 57.9
    assert second.out.endswith("  moisture 27.6 % of the dry mass\n")
    with views.reading(program.store) as store:
        (trial,) = views.fetch(store, "trial")
        assert code not in {one for one, *_ in asking.open_tins(store, trial.id)}
    for of in (code, "B1"):
        told = " ".join(program.must("history", of, on=LATER).out.split())
        assert "B1: tin " + code + " weighed, empty 20.1 g, moist 94 g acted" in told
        assert "dry 78 g: moisture 27.6 % of the dry mass" in told
        assert "Tue 3 Mar 2026 17:00 | stands | " + code + ":weights" in told


def test_a_weight_that_was_known_needs_a_reason(tin: tuple[Program, str, str]) -> None:
    program, code, _ = tin
    program.must("weigh", code, "--tare", "20.1 g", "--wet", "94 g")
    refused = program("weigh", code, "--wet", "95 g", "--dry", "78 g")
    assert (refused.code, refused.err) == (
        2,
        "Error: written down already: empty 20.1 g, moist 94 g\n"
        "Try: add --reason TEXT if it was wrong\n",
    )
    program.must("weigh", code, "--wet", "95 g", "--dry", "78 g", "--reason", "misread")
    told = " ".join(program.must("history", code).out.split())
    assert "corrected to B1: tin " + code + " weighed, empty 20.1 g, moist 95 g, dry 78 g" in told
    assert "because: misread" in told
    program.must("correct", f"{code}:weights", "--dry", "79 g", "--reason", "misread again")
    told = " ".join(program.must("history", code).out.split())
    assert "moist 95 g, dry 79 g: moisture 27.2 %" in told


def test_undo_takes_back_the_last_weight_only(tin: tuple[Program, str, str]) -> None:
    program, code, _ = tin
    program.must("weigh", code, "--tare", "20.1 g", "--wet", "94 g")
    program.must("weigh", code, "--dry", "78 g")
    program.must("undo")

    with views.reading(program.store) as store:
        (found,) = views.fetch(store, "weigh")
    assert (str(found.record.wet_g), found.record.dry_g) == ("94", None)


WRONG: dict[str, tuple[list[str], str]] = {
    "nothing": ([], "Error: nothing was weighed\nTry: say what: --tare, --wet, --dry\n"),
    "dry above moist": (
        ["--wet", "78 g", "--dry", "94 g"],
        "Error: the dry weight, 94 g, is more than the moist one, 78 g\n"
        "Try: check which weight is which; all of them are with the tin\n",
    ),
    "tin as heavy as its soil": (
        ["--tare", "78 g", "--wet", "94 g", "--dry", "78 g"],
        "Error: the empty tin, 78 g, is not below the dry weight, 78 g\n"
        "Try: check which weight is which; all of them are with the tin\n",
    ),
    "tin above its moist soil": (
        ["--tare", "95 g", "--wet", "94 g"],
        "Error: the empty tin, 95 g, is not below the moist weight, 94 g\n",
    ),
    "no unit": (["--dry", "78"], "Error: '78' has no unit\n"),
    "volume": (["--dry", "78 mL"], "Error: 'mL' is not a unit of mass\n"),
    "less than nothing": (["--tare", "-1 g"], "Error: '-1 g' is less than nothing\n"),
    "nothing at all": (["--wet", "0 g"], "Error: '0 g' must be more than nothing\n"),
    "future": (["--dry", "78 g", "--when", "2026-03-03"], "Error: Tue 3 Mar 2026 is in the future"),
}


@pytest.mark.parametrize("name", WRONG)
def test_weights_that_cannot_be(tin: tuple[Program, str, str], name: str) -> None:
    program, code, _ = tin
    words, error = WRONG[name]
    before = program.journal()
    said = program("weigh", code, *words)

    assert (said.code, said.out, program.journal()) == (2, "", before)
    assert said.err.startswith(error), said.err


def test_codes_that_are_no_tins(tin: tuple[Program, str, str]) -> None:
    program, code, chilled = tin
    whole = program.must("pull", "B2", "--whole").samples[0]
    swapped = code[1] + code[0] + code[2:]
    for given, error in (
        (chilled, f"{chilled} is a chilled part, no moisture tin"),
        (whole, f"{whole} is an undivided sample, no moisture tin"),
        ("RT4MAXCL", "no tin has the code RT4MAXCL"),
        ("tin", "'TIN' is not a sample code: a code has 8 symbols, this one 3"),
    ):
        said = program("weigh", given, "--dry", "78 g")
        assert (said.code, said.err.splitlines()[0]) == (2, f"Error: {error}")
    if swapped != code:
        assert f"did you mean {code}?" in program("weigh", swapped, "--dry", "78 g").err


def test_a_tin_whose_pull_was_struck(tin: tuple[Program, str, str]) -> None:
    program, code, own = tin
    program.must("strike", own, "--reason", "spilt")
    said = program("weigh", code, "--dry", "78 g")

    assert (said.code, said.err.splitlines()[0]) == (2, f"Error: no tin has the code {code}")
