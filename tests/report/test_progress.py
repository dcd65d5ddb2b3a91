"""The bar for long work: told by readers and writers, shown on a terminal after a second."""

from __future__ import annotations

import io
from datetime import date
from pathlib import Path

import pytest

from logbook.labs.reader import read_grid, read_sound_rows
from logbook.report.terminal.progress import bar
from logbook.store import views
from logbook.study import plausibility
from logbook.trial.times import When
from tests.program import Program
from tests.workbooks import book


class Screen(io.StringIO):
    """A terminal, or not."""

    def __init__(self, terminal: bool) -> None:
        super().__init__()
        self.terminal = terminal

    def isatty(self) -> bool:
        return self.terminal


def shown(terminal: bool, seconds: float) -> str:
    screen = Screen(terminal)
    ticks = iter([0.0, *[seconds] * 10])
    with bar("Reading 'soil.csv' [bold]", screen, lambda: next(ticks)) as step:
        for share in (0.1, 0.5, 2.0):
            step(share)
    return screen.getvalue()


def test_a_bar_on_a_terminal_after_a_second(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TERM", "xterm")
    text = shown(terminal=True, seconds=1.5)
    assert "Reading 'soil.csv' [bold]" in text
    assert "100%" in text


@pytest.mark.parametrize(("terminal", "seconds"), [(True, 0.9), (False, 60.0)])
def test_no_bar_for_what_is_quick_or_seen_by_nobody(terminal: bool, seconds: float) -> None:
    assert shown(terminal, seconds) == ""


@pytest.mark.parametrize("kind", ["csv", "xlsx"])
def test_readers_tell_how_far_they_are(tmp_path: Path, kind: str) -> None:
    rows = [["day", "value"], *([str(day), "1.5"] for day in range(21_000))]
    path = tmp_path / f"r.{kind}"
    text = "".join(f"{day},{value}\n" for day, value in rows)
    path.write_bytes(text.encode() if kind == "csv" else book(rows))
    told: list[float] = []
    read_grid(path, progress=told.append)
    assert len(told) > 3
    assert told == sorted(told)
    assert 0 < told[0] < 0.5 < told[-1] <= 1
    again: list[float] = []
    read_sound_rows(path, progress=again.append)
    assert again == told


def test_an_import_writes_nothing_of_it_where_nobody_looks(started: Program) -> None:
    said = started.must("pull", "all", "--for", "before", on="2026-03-02T08:00+01:00")
    rows = "".join(f"{code},NO3-N,12,mg/kg,1 M KCl\n" for code in said.samples)
    (started.folder / "r.csv").write_text(f"sample,nutrient,value,unit,method\n{rows}")
    assert started.must("lab", "import", "r.csv", on="2026-03-20T09:00+01:00").err == ""


def test_checks_of_a_report_tell_how_far_they_are(started: Program) -> None:
    samples = started.must("pull", "all", "--for", "before", on="2026-03-02T08:00+01:00").samples
    lines = "".join(f"{code},pH,6.5,,water 1:1\n" for code in samples)
    (started.folder / "r.csv").write_text(f"sample,nutrient,value,unit,method\n{lines}")
    started.must("lab", "import", "r.csv", on="2026-03-12T08:00+01:00")
    told: list[float] = []
    with views.reading(started.store) as store:
        found = {f"result/{one.id}": one.record for one in views.fetch(store, "result")}
        at = When(date(2026, 3, 12))
        assert plausibility.queries_on(store, found, at, progress=told.append) == []
    assert told == [1.0]
