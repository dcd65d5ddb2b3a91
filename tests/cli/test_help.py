"""Help reads like one careful person wrote it: two examples a command, `--json` where one reads."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from typer.main import get_command

from logbook.cli.app import app
from tests.program import Program

# What only writes, prints a file or draws nothing that a program would read.
WRITING = {
    "lab profile new", "hub init",
    "demo", "trial template", "trial start", "amendment set", "amendment add", "treatment add",
    "bed add", "calendar add", "calendar drop", "fill", "apply", "water", "measure", "pull",
    "labels", "weigh", "skip", "note", "event", "undo", "strike", "correct", "settle", "lab add",
    "season", "backup", "restore", "lab send", "lab form", "lab mark", "lab answer",
    "machines enrol", "machines retire", "machines ignore", "machines trust", "sync add",
    "sync forget", "join", "export journal", "import journal",
}  # fmt: skip


def _commands(group: Any, before: tuple[str, ...] = ()) -> Iterator[tuple[str, ...]]:
    for name in group.list_commands(None):
        found = group.get_command(None, name)
        if hasattr(found, "list_commands"):
            yield from _commands(found, (*before, name))
        else:
            yield (*before, name)


COMMANDS = list(_commands(get_command(app)))


@pytest.mark.parametrize("words", COMMANDS, ids=" ".join)
def test_help_has_examples_and_fits_the_screen(program: Program, words: tuple[str, ...]) -> None:
    told = program.must(*words, "--help").out

    examples = told.partition("Examples:")[2].splitlines()
    own = [line for line in examples if line.strip().startswith("logbook")]
    assert len(own) >= 2, told
    assert all(words[0] in line for line in own)
    assert max(map(len, told.splitlines())) <= 80
    assert "\n\n\n" not in told
    assert not program.store.exists()


@pytest.mark.parametrize(
    "words", [one for one in COMMANDS if " ".join(one) not in WRITING], ids=" ".join
)
def test_every_reading_command_speaks_json(program: Program, words: tuple[str, ...]) -> None:
    assert "--json" in program.must(*words, "--help").out


def test_the_list_of_writing_commands_names_none_that_is_gone() -> None:
    assert WRITING - {"weigh", "amendment add", "backup", "restore"} <= {
        " ".join(one) for one in COMMANDS
    }


def test_the_first_screen_of_help_fits(program: Program) -> None:
    told = program.must("--help").out
    assert max(map(len, told.splitlines())) <= 80
    # No sentence of the list of commands is cut off.
    assert "..." not in told.partition("Commands:")[2]
