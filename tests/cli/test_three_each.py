"""Three wrong inputs, each of another class, for the commands that no test of their own covers."""

from __future__ import annotations

import pytest

from tests.program import Program

ON = "2026-03-02T09:00+01:00"
NOWHERE = ("--store", "nowhere/logbook.db")
OTHER = ("--trial", "Other")

# command: what is typed and what is said, three times
WRONG: dict[str, list[tuple[tuple[str, ...], str]]] = {
    "today": [
        (("today", "--on", "soon"), "'soon' is not a time"),
        (("today", "--on", "2026-03-02 08:30"), "a board is for a whole day"),
        ((*OTHER, "today"), "there is no trial called 'Other'"),
    ],
    "history": [
        (("history", "B99"), "'B99' is no bed, block or treatment here"),
        (("history", "RT4MAXCL"), "no line has the code RT4MAXCL"),
        ((*NOWHERE, "history", "B1"), "there is no logbook here yet"),
    ],
    "note": [
        (("note", ""), "the note is empty"),
        (("note", "x", "--on", "B99"), "'B99' is no bed, block or treatment here"),
        (("note", "x", "--when", "2027-01-01"), "is in the future"),
    ],
    "event": [
        (("event", "B1", "exploded"), "'exploded' is not an event"),
        (("event", "B99", "spilled"), "'B99' is no bed, block or treatment here"),
        (("event", "B1", "spilled", "--when", "25:00"), "'25:00' is not a time"),
    ],
    "undo": [
        (("--by", "nobody", "undo"), "there is nothing of nobody's on this machine to undo"),
        (("undo", "B1"), "unexpected extra argument"),
        (("--by", " ", "undo"), "cannot be a handle"),
    ],
    "verify": [
        ((*NOWHERE, "verify"), "there is no logbook here yet"),
        (("verify", "--fast"), "No such option: --fast"),
        (("--store", ".", "verify"), "this is a folder, not a store"),
    ],
    "demo": [
        (("demo", "--keep", "."), ". is a folder"),
        (("demo", "--keep", "trial.toml"), "trial.toml exists already; nothing was written"),
        (("demo", "x"), "unexpected extra argument"),
    ],
    "trial check": [
        (("trial", "check", "none.toml"), "none.toml: cannot be read"),
        (("trial", "check", "."), "cannot be read"),
        (("trial", "check"), "Missing argument"),
    ],
    "trial show": [
        ((*OTHER, "trial", "show"), "there is no trial called 'Other'"),
        ((*NOWHERE, "trial", "show"), "there is no logbook here yet"),
        (("trial", "show", "B1"), "unexpected extra argument"),
    ],
    "amendment show": [
        ((*OTHER, "amendment", "show"), "there is no trial called 'Other'"),
        ((*NOWHERE, "amendment", "show"), "there is no logbook here yet"),
        (("amendment", "show", "--all"), "No such option: --all"),
    ],
    "lab results": [
        (("lab", "results", "--bed", "B99"), "'B99' is no bed, block or treatment here"),
        (("lab", "results", "--nutrient", "gold"), "'gold' is not a nutrient"),
        (("lab", "results", "--sample", "B1"), "is not a"),
    ],
    "season": [
        (("season", "."), ".: this is the folder you are in"),
        (("season", "trial.toml"), "trial.toml"),
        ((*OTHER, "season", "out"), "there is no trial called 'Other'"),
    ],
    "compare": [
        (("compare", "day 99"), "has no pull 'day 99'"),
        (("compare", "--treatment", "Z"), "'Z'"),
        ((*NOWHERE, "compare"), "there is no logbook here yet"),
    ],
}


@pytest.mark.parametrize(
    ("words", "expected"),
    [case for cases in WRONG.values() for case in cases],
    ids=[f"{name} {place}" for name in WRONG for place in (1, 2, 3)],
)
def test_refused_in_a_sentence(started: Program, words: tuple[str, ...], expected: str) -> None:
    before = started.journal()

    said = started(*words, on=ON)

    assert said.code == 2, said
    assert expected in said.err, said.err
    assert "made a mistake" not in said.err
    assert started.journal() == before


def test_each_has_three() -> None:
    assert {len(cases) for cases in WRONG.values()} == {3}
