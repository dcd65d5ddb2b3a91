"""The program as a process: exit codes, output that arrives whole, readers that leave."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.program import Program

PROGRAM = (sys.executable, "-m", "logbook")


def ran(folder: Path, *words: str, store: Path | None = None) -> subprocess.CompletedProcess[str]:
    """What the program says and its exit code, with its store in a folder."""
    path = store or folder / "logbook.db"
    places = {"LOGBOOK_STORE": str(path), "LOGBOOK_STATE": str(folder / "state")}
    return subprocess.run(
        [*PROGRAM, *words],
        env={**os.environ, **places},
        capture_output=True,
        text=True,
        check=False,
    )


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (("--help",), 0, "Usage: logbook"),
        (("curve", "pH", "M"), 2, "there is no logbook here yet"),
        (("nosuch",), 2, "No such command 'nosuch'"),
    ],
)
def test_exit_codes_and_what_is_said(
    tmp_path: Path, words: tuple[str, ...], code: int, said: str
) -> None:
    done = ran(tmp_path, *words)
    assert done.returncode == code
    assert said in done.stdout + done.stderr


def test_more_than_a_pipe_holds_arrives_whole(started: Program) -> None:
    """A pipe takes 64 KiB at once; the history of forty long remarks is more."""
    for n in range(40):
        started.must("note", f"{n} {'x' * 1_900}", "--on", "B1")
    done = ran(started.folder, "history", "B1", "--json", store=started.store)
    assert done.returncode == 0, done.stderr
    assert len(done.stdout) > 70_000
    assert json.dumps(json.loads(done.stdout)).count("x" * 1_900) == 40


def test_a_reader_that_leaves_early_is_no_error(tmp_path: Path) -> None:
    places = {"LOGBOOK_STORE": str(tmp_path / "logbook.db")}
    with subprocess.Popen(
        [*PROGRAM, "--help"], env={**os.environ, **places}, stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    ) as started:  # fmt: skip
        assert started.stdout is not None
        assert started.stderr is not None
        started.stdout.close()
        assert b"Traceback" not in started.stderr.read()
    assert started.returncode in (0, 1)
