"""What follows from a laboratory's words beside a number. The effects are common practice."""

from __future__ import annotations

from logbook.journal.kinds import from_value, readable, to_value
from logbook.trial import qualifiers
from logbook.trial.records import Result


def result(**changes: object) -> Result:
    cells = {
        "lab": "L", "report": "1", "sample": "S", "analyte": "P", "method": "Olsen",
        "basis": "dry", "run": 1, "n": 1, "value": None, "limit": None, "qualifier": "",
        "unit": "mg/kg", "reported": "x", "reported_unit": "mg/kg", "form": "P",
    }  # fmt: skip
    return Result(**(cells | changes))  # type: ignore[arg-type]


def test_the_gravest_word_counts() -> None:
    assert qualifiers.effect("") == qualifiers.USABLE
    assert qualifiers.effect("estimated diluted") == qualifiers.NOTED
    assert qualifiers.effect("estimated rejected") == qualifiers.LEFT_OUT
    assert qualifiers.effect("not-detected") == qualifiers.USABLE
    assert qualifiers.effect("not-detected", has_number=False) == qualifiers.WAITS
    assert qualifiers.effect("cancelled", has_number=False) == qualifiers.LEFT_OUT
    assert qualifiers.effect("a-word-of-a-newer-program") == qualifiers.NOTED


def test_what_counts_in_curves() -> None:
    assert qualifiers.counts("estimated")
    assert not qualifiers.counts("rejected")
    assert not qualifiers.counts("trace", has_number=False)


def test_words_are_kept_once_and_in_one_order() -> None:
    assert qualifiers.joined(["estimated", "not-detected", "estimated"]) == "not-detected estimated"
    assert qualifiers.spoken("insufficient") == "too little sample"


def test_a_result_without_flags_is_the_bytes_of_programs_that_knew_none() -> None:
    plain = to_value(result(value=1))
    assert "flags" not in plain
    assert from_value("result", plain | {"value": "1"}).flags == ""


def test_only_a_flagged_result_may_lack_a_number() -> None:
    assert not readable("result", to_value(result()))
    flagged = to_value(result(flags="cancelled"))
    assert readable("result", flagged)
    assert from_value("result", flagged).flags == "cancelled"
