"""What a start loads: a command that people type all day must not wait for libraries it won't use.

Measured by modules loaded, not by milliseconds: the same on a busy machine and on an idle one.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

import pytest

from logbook.cli.run import run
from logbook.protocol import template

NUMBERS = {"pandas", "numpy", "scipy", "matplotlib", "plotext"}
READS_WITHOUT = NUMBERS | {"sqlalchemy", "alembic", "cryptography", "pydantic"}
# An act signs with the key file of a writer that is there already, and finds the schema current.
ACTS_WITHOUT = NUMBERS | {"alembic", "cryptography", "pydantic", "rich"}
STARTED = datetime(2026, 3, 10, 8, 30, tzinfo=UTC)


def loaded(arguments: list[str], store: Path) -> set[str]:
    """The top-level packages that this command line loads, in a process of its own."""
    environment = os.environ | {
        "LOGBOOK_STORE": str(store),
        "LOGBOOK_STATE": str(store.parent / "state"),
        "LOGBOOK_BY": "mira",
        "PYTHONIOENCODING": "utf-8",
    }
    done = subprocess.run(
        [sys.executable, "-X", "importtime", "-m", "logbook", *arguments],
        env=environment, capture_output=True, encoding="utf-8", check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-2000:]
    names = re.findall(r"^import time:.*\|\s+(\S+)$", done.stderr, re.MULTILINE)
    assert "logbook.cli.run" in names
    return {name.partition(".")[0] for name in names}


@pytest.fixture(scope="module")
def started(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store with the template's trial, filled and applied."""
    folder = tmp_path_factory.mktemp("started")
    protocol = folder / "trial.toml"
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("LOGBOOK_STORE", str(folder / "logbook.db"))
        patch.setenv("LOGBOOK_STATE", str(folder / "state"))
        patch.setenv("LOGBOOK_BY", "mira")
        protocol.write_text(template(), encoding="utf-8")
        assert run(["trial", "start", str(protocol)], STARTED) == 0
        assert run(["fill", "all", "--mass", "300 kg", "--moisture", "18 %"], STARTED) == 0
        assert run(["apply", "B1,B2,B4,B6,B8,B9"], STARTED) == 0
    return folder / "logbook.db"


@pytest.mark.parametrize("arguments", [["--help"], ["today"], ["--version"]], ids=" ".join)
def test_an_empty_store_loads_nothing_heavy(arguments: list[str], tmp_path: Path) -> None:
    assert not loaded(arguments, tmp_path / "logbook.db") & READS_WITHOUT


@pytest.mark.parametrize(
    "arguments",
    [["today", "--on", "2026-03-24"], ["today", "--json"], ["trial", "show"], ["history", "B1"]],
    ids=" ".join,
)
def test_reading_loads_no_numbers_and_no_write_side(arguments: list[str], started: Path) -> None:
    assert not loaded(arguments, started) & READS_WITHOUT


def test_the_board_is_printed_without_rich(started: Path) -> None:
    """Loading rich is a fifth of the time of the command that people type most."""
    assert "rich" not in loaded(["today", "--on", "2026-03-24"], started)


def test_an_act_loads_no_numbers_and_no_migrations(started: Path) -> None:
    assert not loaded(["water", "B1"], started) & ACTS_WITHOUT


def test_the_measure_sees_what_is_loaded(started: Path) -> None:
    assert "sqlalchemy" in loaded(["water", "B2"], started)
