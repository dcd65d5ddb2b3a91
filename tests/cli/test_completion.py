"""What the Tab key offers, as a shell asks for it."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest

from tests.program import Program


def offered(program: Program, line: str) -> list[str]:
    """The words offered for an unfinished command line; bash's protocol."""
    words = line.split(" ")
    environment = {
        **os.environ,
        "_LOGBOOK_COMPLETE": "complete_bash",
        "COMP_WORDS": line,
        "COMP_CWORD": str(len(words) - 1),
    }
    command = [sys.executable, "-c", "from logbook.cli.app import app; app(prog_name='logbook')"]
    done = subprocess.run(command, env=environment, capture_output=True, text=True, check=False)
    assert done.stderr == ""
    return [word for word in done.stdout.split("\n") if word]


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        ("logbook wat", ["water"]),
        ("logbook water B", ["B1", "B2", "B3", "B4", "B5", "B6"]),
        ("logbook water B1,B5,con", ["B1,B5,control"]),
        ("logbook pull C", ["C10"]),
        ("logbook curve pH ", ["C10", "M"]),
        ("logbook curve nit", ["nitrate-N"]),
        ("logbook compare day", ["day 0", "day 7", "day 14", "day 28"]),
        ("logbook amendment set s", ["soil"]),
        ("logbook event B1 f", ["flooded"]),
        ("logbook --trial S", ["Small house (invented)"]),
        ("logbook machines re", ["retire"]),
        ("logbook machines --j", ["--json"]),
    ],
)
def test_words_come_from_the_store(started: Program, line: str, expected: list[str]) -> None:
    assert offered(started, line) == expected


def test_sample_codes_are_offered_newest_first(started: Program) -> None:
    (old,) = started.must("pull", "B1", "--for", "before", on="2026-03-02T08:00+01:00").samples
    (new,) = started.must("pull", "B2", "--for", "before", on="2026-03-02T08:30+01:00").samples
    assert offered(started, "logbook lab add ")[:2] == [new, old]
    found = offered(started, "logbook strike ")
    assert {old, new} <= set(found)


def test_without_a_store_nothing_is_offered_and_nothing_fails(program: Program) -> None:
    assert offered(program, "logbook water B") == []
    program.store.write_text("shopping list")
    assert offered(program, "logbook water B") == []
    assert program.store.read_text() == "shopping list"


def test_a_completion_loads_nothing_heavy(started: Program) -> None:
    script = (
        "import sys, os\n"
        "from logbook.cli.app import app\n"
        "try:\n    app(prog_name='logbook')\n"
        "except SystemExit:\n    pass\n"
        "heavy = {'sqlalchemy', 'alembic', 'pandas', 'numpy', 'scipy', 'matplotlib', 'rich'}\n"
        "print(sorted(heavy & sys.modules.keys()), file=sys.stderr)\n"
    )
    environment = {
        **os.environ,
        "_LOGBOOK_COMPLETE": "complete_bash",
        "COMP_WORDS": "logbook water B",
        "COMP_CWORD": "2",
    }
    done = subprocess.run(
        [sys.executable, "-c", script], env=environment, capture_output=True, text=True, check=False
    )
    assert done.stderr.strip() == "[]"
