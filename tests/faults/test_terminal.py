"""What data says never steers a terminal: every screen is captured from a real pseudo-terminal.

Escape sequences: ECMA-48 (CSI, OSC, C1); OSC 52 writes the clipboard in common terminals; bidi
controls: Unicode TR 9. Square brackets are the markup of the library that draws tables.
"""

from __future__ import annotations

import contextlib
import os
import re
import subprocess
import sys
from datetime import UTC, datetime
from decimal import Decimal

import pytest

from logbook.book import writing
from logbook.cli.run import run
from logbook.journal.entry import key
from logbook.journal.kinds import to_value
from logbook.store import views
from logbook.sync.folder import Folder
from logbook.sync.place import Run
from logbook.trial import records
from logbook.trial.times import When
from tests.elsewhere import Elsewhere
from tests.faults.counting import Counting
from tests.faults.killing import must_be_sound
from tests.program import Program
from tests.sync.chains import chain, head, writer_id
from tests.terminal import captured, pty

ON = "2026-03-05T09:00+01:00"
STEERING = {
    "CSI": "\x1b[2J\x1b[31m", "OSC": "\x1b]0;owned\x07", "OSC 52": "\x1b]52;c;b3duZWQ=\x07",
    "C1 CSI": "\x9b31m", "C1 OSC": "\x9d0;owned\x9c", "bidi": "\u202eevil\u2066", "bell": "\x07",
    "line": "one\r\ntwo\u2028three\x85four", "back": "a\x08\x08b", "DEL": "\x7f", "tab": "a\tb",
    "zero width": "a\u200bb\ufeff", "tag": "\U000e0041",
}  # fmt: skip
MARKUP = ["[red]slugs[/red]", "[/]", "[link=file:///x]y[/link]", "[bold", ":bug:", "\\[x]"]
# A folder, and a machine that left lines in it, by names that nobody would type.
SHARED = "st\x1b[2Jick\u202e"
STRANGER = "".join(STEERING.values())
SCREENS = [
    ("today",), ("week",), ("history", "all"), ("history", "B1"), ("trial", "list"),
    ("trial", "show"), ("bed", "list"), ("amendment", "list"), ("treatment", "list"),
    ("lab", "results"), ("lab", "log"), ("lab", "samples"), ("machines",), ("levels",),
    ("findings",), ("verify",), ("calendar", "show"), ("conflicts",), ("lab", "queries"),
    ("curve", "P"), ("compare", "P"), ("strike", "nothing"), ("water", "B\x1b[2J9"), ("\x1b[2J",),
    ("note", "x", "y\x1b[2J"), ("lab", "import", "no\x1b]0;x\x07.csv"),
    ("--trial", "\x9b2J", "today"),
    ("correct", "\u202e", "--reason", "x"), ("history", "[/]"), ("curve", "[red]P"),
    ("sync", "places"), ("sync", SHARED, "--dry-run"), ("sync", SHARED), ("sync",),
    ("sync", "add", "again", SHARED), ("sync", "places"), ("sync", "no\x1b[2J"),
    ("sync", "forget", "\x9b2J"), ("machines",), ("machines", "enrol", "\x1b[2J"),
    ("machines", "enrol", writer_id(STRANGER)[:8]),
    ("machines", "enrol", writer_id(STRANGER)[:8], "--yes"),
    ("machines", "retire", writer_id(STRANGER)[:8], "--reason", "x\x1b[2J"), ("machines",),
    ("--store", "new.db", "join", SHARED), ("--store", "new.db", "join", "no\x1b]0;x\x07"),
    ("--store", "new.db", "join", SHARED, "--founder", writer_id(STRANGER)[:8]),
    ("conflicts",), ("settle", "1"), ("settle", "\x1b[2J", "--keep", "1", "--reason", "x"),
    ("settle", "1", "--keep", "1", "--reason", "x\x1b[2J"), ("restore", "\x1b[2J"),
    ("settle", "1", "--keep", "1", "--reason", "read again"), ("conflicts",),
    ("--store", "new.db", "join", SHARED, "--founder", writer_id(STRANGER)[:8], "--yes"),
]  # fmt: skip
# What the program itself may send: colours and weights, and the end of a line as a terminal has it.
OWN = re.compile("\x1b\\[[0-9;]*m|\r\n")


def hostile(program: Program, text: str) -> None:
    """Records that another machine may have sent: no form of ours would take them."""
    now = datetime(2026, 3, 4, 8, tzinfo=UTC)
    with writing.opened(program.store, program.folder / "state", by=f"m{text}", now=now) as book:
        beds = book.connection.exec_driver_sql("SELECT id, trial FROM bed WHERE label = 'B1'").all()
        bed, trial = beds[0]
        at = When(now.date())
        code, sample = book.new_code(), book.new_code()
        result = records.Result(
            f"lab{text}", f"R{text}", sample, "P", f"m{text}", "dry", 1, 1, Decimal("2.5"), None,
            "", "mg/kg", f"2.5{text}", "mg/kg", f"flag{text}",
        )  # fmt: skip
        for kind, name, record in [
            ("note", f"note/{code}/{bed}", records.Note(bed, at, f"note {text}")),
            ("note", f"note/{code}/{trial}", records.Note(trial, at, f"note {text}")),
            ("event", f"event/{code}/{bed}", records.Event(bed, at, "spilled", text)),
            (
                "lab",
                key("result", f"lab{text}", "R", sample, "P", f"m{text}", "dry", "1", "1"),
                result,
            ),
        ]:
            book.record(kind, [(name, record)], reason=f"because {text}")


def harmless(screen: bytes, plain: bool) -> list[str]:
    """Whatever of a screen is neither text nor what the program itself sends."""
    text = screen.decode("utf-8", errors="surrogateescape")
    rest = text.replace("\r\n", "") if plain else OWN.sub("", text)
    return sorted({one for one in rest if not one.isprintable()})


def shared(program: Program) -> None:
    """A folder in which a stranger's lines lie, and a line that two machines disagree about."""
    (program.folder / SHARED).mkdir()
    program.must("sync", "add", "shared", SHARED, on=ON)
    program.must("sync", on=ON)
    bodies = chain(STRANGER, 3)
    run_of_it = Run(writer_id(STRANGER), bodies, (head(STRANGER, bodies),))
    Folder(program.folder / SHARED, "0" * 16).send([run_of_it])
    program.must("note", "which of the two?", on=ON)
    with views.reading(program.store) as store:
        one = views.fetch(store, "note")[-1]
    text = to_value(records.Note(one.record.about, one.record.when, STRANGER))
    Elsewhere(program.store, "else[/]where", "m\x1b[2J").says(f"note/{one.id}", text)


@pytest.mark.parametrize("colours", ["plain", "colours"])
def test_no_byte_of_the_data_steers_the_terminal(
    started: Program, counting: Counting, monkeypatch: pytest.MonkeyPatch, colours: str
) -> None:
    for text in STEERING.values():
        hostile(started, text)
    must_be_sound(started.store)
    shared(started)
    now = datetime.fromisoformat(ON)
    how = "every reading command and refusal, on a pseudo-terminal, with colours and with --plain"
    with counting.fault("24", "terminal", how, len(SCREENS), always=True) as count:
        for words in SCREENS:
            with captured(monkeypatch) as got:
                code = run(("--plain", *words) if colours == "plain" else words, now=now)
            screen = b"".join(got)
            assert harmless(screen, colours == "plain") == [], (words, screen)
            assert code in (0, 1, 2), (words, screen)
            assert b"the program made a mistake" not in screen, (words, screen)
            count.saw["bytes looked at"] += len(screen)
            count.passed += 1


@pytest.mark.parametrize("text", MARKUP)
def test_markup_is_shown_as_it_stands(
    started: Program, monkeypatch: pytest.MonkeyPatch, text: str
) -> None:
    started.must("note", "--on", "B1", "--", text, on=ON)
    for words in (("history", "B1"), ("curve", text)):
        with captured(monkeypatch) as got:
            run(("--plain", *words), now=datetime.fromisoformat(ON))
        assert text in b"".join(got).decode().replace("\r\n", " "), words


def test_the_program_as_a_process_on_a_terminal(
    started: Program, monkeypatch: pytest.MonkeyPatch
) -> None:
    hostile(started, "".join(STEERING.values()))
    monkeypatch.delenv("NO_COLOR")
    ours, its = pty.openpty()
    process = subprocess.Popen(
        [sys.executable, "-m", "logbook", "history", "B1"],
        stdin=its, stdout=its, stderr=its, env={**os.environ, "TERM": "xterm-256color"},
    )  # fmt: skip
    os.close(its)
    got = b""
    with contextlib.suppress(OSError):
        while data := os.read(ours, 65536):
            got += data
    os.close(ours)
    assert process.wait(60) == 0
    assert b"note" in got and harmless(got, plain=False) == []


def test_the_test_knows_what_steers() -> None:
    for text in STEERING.values():
        assert harmless(f"x{text}y".encode(), plain=True), repr(text)
    assert harmless(b"\x1b[31mred\x1b[0m\r\n", plain=False) == []
    assert harmless(b"\x1b[31mred", plain=True) == ["\x1b"]
