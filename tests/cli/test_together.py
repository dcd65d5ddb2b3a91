"""Two programs at the same moment: what is checked and then written holds for both."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from logbook.book import writing
from logbook.trial.codes import new_code
from tests.program import Program

# Starts the program once a file appears: both have loaded everything by then.
_START = """\
import sys, time
from pathlib import Path
from logbook.book import corrections
from logbook.cli import acts, lines, pulls
from logbook.cli.run import run
print("ready", flush=True)
while not Path(sys.argv[1]).exists():
    time.sleep(0.001)
sys.exit(run(sys.argv[2:]))
"""


def together(program: Program, *words: str) -> list[tuple[int, str]]:
    """The exit codes and errors of the same command in two processes, by exit code."""
    go = program.folder / "go"
    running = [
        subprocess.Popen(
            [sys.executable, "-c", _START, str(go), *words],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            cwd=Path(__file__).parents[2],
            env={**os.environ, "PYTHONIOENCODING": "utf-8"},
        )
        for _ in range(2)
    ]
    for one in running:
        assert one.stdout is not None
        assert one.stdout.readline() == "ready\n"
    go.touch()
    found = []
    for one in running:
        _, err = one.communicate(timeout=60)
        found.append((one.returncode, err))
    return sorted(found)


def act_of(program: Program) -> str:
    """The code of the newest act that every program agreed on."""
    lines = json.loads(program.must("history", "B3", "--json").out)["lines"]
    return str(lines[-1]["reference"]).partition(":")[0]


def test_a_bed_is_applied_by_one_of_two_programs(started: Program) -> None:
    (first, said), (second, error) = together(started, "apply", "B3", "--when", "2026-03-02")
    assert (first, said, second, error) == (
        0,
        "",
        2,
        "Error: applied already: B3 on Mon 2 Mar 2026; nothing was written\n"
        f"Try: if that line is wrong: logbook correct {act_of(started)}:B3\n",
    )


def test_a_code_is_used_by_one_of_two_programs(started: Program) -> None:
    code = new_code()
    words = ("pull", "B1", "--code", code, "--again", "x", "--when", "2026-03-02")
    (first, said), (second, error) = together(started, *words)
    assert (first, said, second, error) == (
        0, "", 2, f"Error: used already: {code}\nTry: check the bag\n",
    )  # fmt: skip


def test_the_same_pull_is_written_by_one_of_two_programs(started: Program) -> None:
    (first, _), (second, error) = together(started, "pull", "B1", "--when", "2026-03-02")
    assert (first, second) == (0, 2)
    # Told before or inside the write, whichever program came how far.
    assert error.startswith("Error: this pull of B1 was written down ")


@pytest.mark.parametrize(
    ("words", "meanwhile", "error"),
    [
        (
            ["apply", "B3"],
            ["apply", "B2-B4"],
            "Error: applied already: B3 on Mon 2 Mar 2026 09:00; nothing was written\n"
            "Try: if that line is wrong: logbook correct ACT:B3\n",
        ),
        (
            ["pull", "B1"],
            ["pull", "B1,B5"],
            "Error: this pull of B1 was written down by another program just now; "
            "nothing was written\n"
            "Try: logbook history BED shows it; --again REASON if it is a second one\n",
        ),
        (
            ["skip", "B1", "--for", "before", "--reason", "away"],
            ["skip", "B1,B2", "--for", "before", "--reason", "rain"],
            "Error: before is skipped on B1 already: rain\n",
        ),
        (
            ["calendar", "add", "40"],
            ["calendar", "add", "41"],
            "Error: the calendar was changed by another program just now; nothing was written\n"
            "Try: logbook calendar show, then type it again if it still holds\n",
        ),
    ],
)
def test_a_line_written_between_the_check_and_the_write(
    started: Program,
    monkeypatch: pytest.MonkeyPatch,
    words: list[str],
    meanwhile: list[str],
    error: str,
) -> None:
    opened = writing.opened
    first = True

    def late(*given: object, **named: object) -> object:
        nonlocal first
        if first:
            first = False
            started.must(*meanwhile)
        return opened(*given, **named)  # type: ignore[arg-type]

    monkeypatch.setattr(writing, "opened", late)
    said = started(*words)
    told = error.replace("ACT", act_of(started)) if "ACT" in error else error
    assert (said.code, said.out, said.err) == (2, "", told)


def test_a_trial_that_was_undone_starts_again(started: Program) -> None:
    started.must("undo")
    started.must("undo")
    said = started.must("trial", "start", "trial.toml")
    assert "started 'Small house (invented)': 6 beds" in said.out
    started.must("fill", "all", "--mass", "110 kg")
    again = started("trial", "start", "trial.toml")
    assert again.err == (
        "Error: trial.toml: this trial was started already; nothing was written\n"
        "Try: logbook today\n"
    )


def test_a_tin_weighed_by_another_program_meanwhile(
    started: Program, monkeypatch: pytest.MonkeyPatch
) -> None:
    (code,) = started.must("pull", "B1", "--part", "tin").samples
    opened = writing.opened
    calls = iter([True])

    def late(*given: object, **named: object) -> object:
        if next(calls, False):
            started.must("weigh", code, "--wet", "94 g")
        return opened(*given, **named)  # type: ignore[arg-type]

    monkeypatch.setattr(writing, "opened", late)
    said = started("weigh", code, "--wet", "95 g")
    assert (said.code, said.err) == (
        2,
        f"Error: tin {code} was weighed by another program just now; nothing was written\n"
        "Try: logbook history CODE shows it; type the weights again if they still hold\n",
    )
