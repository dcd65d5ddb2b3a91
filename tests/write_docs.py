"""Write what the docs take from the program: docs/commands.md, the outputs in docs/python.md, a
page of findings in docs/findings.md, and the demo in README.md.

    python -m tests.write_docs

Run it after a change of a command's help, the board or the curve; a test compares.
"""

from __future__ import annotations

import io
import os
import re
import tempfile
from collections.abc import Iterator
from contextlib import redirect_stdout
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from tests.notebook import PAGE, demo_store, python_page

ROOT = Path(__file__).resolve().parents[1]
README = ROOT / "README.md"
COMMANDS = ROOT / "docs" / "commands.md"
FINDINGS = ROOT / "docs" / "findings.md"
DEMO_DAY = datetime(2026, 5, 18, 7, 0, tzinfo=UTC)
SHOWN = ("$ logbook today", "$ logbook curve mineral-N meal")

HEAD = """# Commands

What `--help` prints, command by command. Written by `python -m tests.write_docs`; a test compares
it with the program.
"""
_DEMO = re.compile(r"(?<=<!-- demo -->\n```text\n).*?(?=```\n)", re.DOTALL)

_FOUND = re.compile(r"(?<=<!-- findings -->\n```text\n).*?(?=```\n)", re.DOTALL)
FOUND = ("findings", "straw")


def commands_page() -> str:
    """docs/commands.md as it must be."""
    os.environ["COLUMNS"] = "80"
    sections = [HEAD]
    for words, command in commands():
        context = _context(words, command)
        lines = [line.rstrip() for line in command.get_help(context).splitlines()]
        sections.append(f"## {' '.join(words)}\n\n```text\n" + "\n".join(lines) + "\n```\n")
    return "\n".join(sections)


def _context(words: list[str], command: Any) -> Any:
    """A command about to show its help.

    The names of the help option come from the program; said here, the help does not depend on
    which commands this process has run before.
    """
    names = ["-h", "--help"]
    return command.make_context(
        " ".join(words), [], resilient_parsing=True, help_option_names=names
    )


def commands() -> Iterator[tuple[list[str], Any]]:
    """The program and each of its commands: the words that call it, and the command."""
    from typer.main import get_command

    from logbook.cli.app import app

    program = get_command(app)
    yield ["logbook"], program
    yield from _below(["logbook"], program)


def _below(words: list[str], group: Any) -> Iterator[tuple[list[str], Any]]:
    context = _context(words, group)
    for name in group.list_commands(context):
        command = group.get_command(context, name)
        yield [*words, name], command
        if hasattr(command, "list_commands"):
            yield from _below([*words, name], command)


def readme_page() -> str:
    """README.md with the demo's board and one curve as the program shows them."""
    shown = demo_parts()
    demo = "\n\n".join(f"{command}\n\n{shown[command]}" for command in SHOWN)
    return _DEMO.sub(lambda _: demo + "\n", README.read_text(encoding="utf-8"), count=1)


def findings_page(store: Path) -> str:
    """docs/findings.md with a page of the demo's findings as the program prints it."""
    from logbook.cli.run import run

    os.environ["COLUMNS"] = "80"
    said = io.StringIO()
    with redirect_stdout(said):
        code = run(["--store", str(store), *FOUND], now=DEMO_DAY)
    assert code == 0
    page = f"$ logbook {' '.join(FOUND)}\n\n{said.getvalue()}"
    return _FOUND.sub(lambda _: page, FINDINGS.read_text(encoding="utf-8"), count=1)


def demo_parts() -> dict[str, str]:
    """What the demo shows on DEMO_DAY, by the command that shows it."""
    from logbook.cli.run import run

    os.environ["COLUMNS"] = "80"
    said = io.StringIO()
    with redirect_stdout(said):
        code = run(["demo"], now=DEMO_DAY)
    assert code == 0
    parts = re.split(r"^(\$ logbook .*)\n", said.getvalue(), flags=re.MULTILINE)
    pairs = zip(parts[1::2], parts[2::2], strict=True)
    return {
        command: "\n".join(line.rstrip() for line in text.strip().splitlines())
        for command, text in pairs
    }


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as scratch:
        os.environ |= {"LOGBOOK_STATE": scratch, "NO_COLOR": "1", "TERM": "dumb"}
        os.environ.pop("LOGBOOK_STORE", None)
        store = demo_store(Path(scratch), DEMO_DAY)
        FINDINGS.write_text(findings_page(store), encoding="utf-8")
        PAGE.write_text(python_page(Path(scratch)), encoding="utf-8")
        COMMANDS.write_text(commands_page(), encoding="utf-8")
        README.write_text(readme_page(), encoding="utf-8")
