"""The docs cannot drift: what they show is what the program prints, and what they tell works."""

from __future__ import annotations

import re
import shlex
from collections.abc import Iterator
from contextlib import redirect_stdout
from datetime import datetime, timedelta
from io import StringIO
from pathlib import Path
from typing import Any

import pytest

from logbook.cli.run import run
from logbook.journal import entry as journal
from logbook.journal.kinds import KINDS, SPACES
from logbook.store import views
from tests import write_docs

ROOT = write_docs.ROOT
PAGES = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").glob("*.md"))]
README = PAGES[0].read_text(encoding="utf-8")
FENCED = re.compile(r"^```(\w*)\n(.*?)^```$", re.DOTALL | re.MULTILINE)
HINT = "run: python -m tests.write_docs"


def test_the_command_reference_is_what_the_program_prints() -> None:
    assert write_docs.COMMANDS.read_text(encoding="utf-8") == write_docs.commands_page(), HINT


def test_the_readme_shows_the_demo_as_it_is(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("LOGBOOK_STORE")
    assert write_docs.readme_page() == README, HINT


def test_quick_start_is_two_blocks_of_sh() -> None:
    blocks = [text for kind, text in FENCED.findall(README) if kind in ("sh", "bash", "shell")]
    assert len(blocks) == 2
    assert blocks[0].splitlines()[-1] == "logbook demo"
    assert blocks[1].splitlines()[-1] == "pytest"


def command_lines() -> Iterator[tuple[str, str]]:
    """Every `logbook ...` that a page or a help text tells people to type, and where it says so."""
    for page in PAGES:
        text = page.read_text(encoding="utf-8")
        if page != write_docs.COMMANDS:
            for _, block in FENCED.findall(text):
                yield from ((page.name, line) for line in block.splitlines())
            for inline in re.findall(r"`(logbook [^`]+)`", FENCED.sub("", text)):
                yield page.name, " ".join(inline.split())
    for words, command in write_docs.commands():
        yield from ((" ".join(words), line) for line in (command.epilog or "").splitlines())


TOLD = sorted(
    (where, line.strip().removeprefix("$ "))
    for where, line in set(command_lines())
    if line.strip().removeprefix("$ ").startswith("logbook ")
)


@pytest.mark.parametrize(("where", "line"), TOLD, ids=lambda text: text)
def test_a_command_that_is_told_exists_with_its_options(where: str, line: str) -> None:
    known = {tuple(words): command for words, command in write_docs.commands()}
    words = shlex.split(line.partition(" > ")[0].partition(" | ")[0])
    command, at = known["logbook",], ("logbook",)
    options = _options(command)
    skip = False
    for word in words[1:]:
        if skip:
            skip = False
            continue
        default = getattr(command, "default", None)
        if default is not None and word not in ("--help", *command.commands):
            # What a group does when no command of it is named.
            command = known[(*at, default)]
            options = _options(command)
        if word.startswith("--"):
            name = word.partition("=")[0]
            assert name in options, f"{where}: {line}: no option {name}"
            skip = options[name] and "=" not in word
        elif (*at, word) in known:
            at = (*at, word)
            command = known[at]
            options = _options(command)
        else:
            assert not hasattr(command, "list_commands"), f"{where}: {line}: no command {word!r}"


def _options(command: Any) -> dict[str, bool]:
    """The options of a command, and whether each takes a value."""
    found = {"--help": False}
    for parameter in command.params:
        for name in parameter.opts:
            found[name] = not getattr(parameter, "is_flag", False)
    return found


def tour() -> list[str]:
    """The commands of the README's console blocks, in order."""
    blocks = [text for kind, text in FENCED.findall(README) if kind == "console"]
    lines = [line for text in blocks for line in text.splitlines()]
    assert all(line.startswith("$ logbook ") for line in lines)
    return [line.removeprefix("$ logbook ") for line in lines]


def test_the_season_of_the_readme_can_be_lived(
    store: Path, now: datetime, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every line of the tour in its order; store, laboratory and stick are the test's."""
    monkeypatch.chdir(tmp_path)
    stick = tmp_path / "stick"
    stick.mkdir()
    commands = [line.replace("/media/greenhouse-stick", str(stick)) for line in tour()]
    assert len(commands) > 15
    for place, line in enumerate(commands):
        if line.startswith("lab import") and not Path("report.csv").exists():
            _write_report(store, Path("report.csv"))
        words, _, file = line.partition(" > ")
        said = StringIO()
        with redirect_stdout(said):
            code = run(shlex.split(words), now=now + timedelta(hours=6, minutes=place))
        assert code == 0, f"logbook {line}"
        if file:
            Path(file).write_text(said.getvalue(), encoding="utf-8")


def _write_report(store: Path, file: Path) -> None:
    with views.reading(store) as connection:
        samples = sorted(views.sample_codes(connection))
    rows = ["sample,nutrient,value,unit,method"]
    for place, code in enumerate(samples):
        rows.append(f"{code},nitrate-N,{10 + place},mg/kg,1 M KCl")
        rows.append(f"{code},ammonium-N,{2 + place / 10},mg/kg,1 M KCl")
    file.write_text("\n".join(rows) + "\n", encoding="utf-8")


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_links_between_pages_lead_somewhere(page: Path) -> None:
    for target in re.findall(r"\]\(([^)#:]+)\)", page.read_text(encoding="utf-8")):
        assert (page.parent / target).exists(), target


def test_the_journal_page_names_every_kind_and_key_space() -> None:
    text = (ROOT / "docs" / "journal.md").read_text(encoding="utf-8")
    named = set(re.findall(r"`([a-z-]+)(?:/[^`]*)?`", text))
    assert set(SPACES) | set(KINDS) <= named


def test_the_entry_of_the_journal_page_has_the_id_it_says() -> None:
    text = (ROOT / "docs" / "journal.md").read_text(encoding="utf-8")
    (body,) = [block.strip() for kind, block in FENCED.findall(text) if kind == "json"]
    name = journal.entry_id(body.encode())
    assert journal.encode(journal.decode(body.encode())) == body.encode()
    assert name in text


def test_every_fault_of_the_list_has_its_figures() -> None:
    page = (ROOT / "docs" / "reliability.md").read_text(encoding="utf-8")
    numbers = {int(number) for number in re.findall(r"^\| (\d+) \|", page, re.MULTILINE)}
    assert numbers == set(range(1, 26))
    for asked, passed in re.findall(r"\| ([\d,]+) \| ([\d,]+) \| [^|]*\|$", page, re.MULTILINE):
        assert asked == passed
