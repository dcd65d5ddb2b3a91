"""A small invented trial, and the program as its user runs it, the clock in the test's hand."""

from __future__ import annotations

import os
import sqlite3
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import pytest

from logbook import config
from logbook.cli import demo
from logbook.cli.run import run
from logbook.trial.codes import is_valid

# Invented. Six beds in two blocks; a compost whose density is not known yet, and a meal.
PROTOCOL = """\
format = 1

[trial]
name = "Small house (invented)"
question = "What does each release by day 28?"
zone = "Europe/Berlin"
planting_day = 28

[lab]
name = "Invented Soil Lab"

[sampling]
depth = "15 cm"
cores = 8

[soil]
source = "one heap (invented)"
texture = "sandy loam"
bulk_density = "1.2 kg/L"

[sizes.bed]
length = "1 m"
width = "0.5 m"
depth = "20 cm"

[application]
incorporated = "15 cm"

[amendments.meal]
name = "plant meal (invented)"
material = "meal"
lot = "bag 1"
density = "0.6 kg/L"
moisture = "8 % wet basis"

[amendments.compost]
name = "yard compost (invented)"
material = "compost"
lot = "heap 1"
density = "not known yet"
moisture = "not known yet"

[treatments.none]
name = "untreated"
control = true

[treatments.M]
name = "meal"
amendment = "meal"
rate = "2 t/ha"

[treatments.C10]
name = "compost, a tenth of the mix"
amendment = "compost"
rate = "10 % v/v of the mix"

[layout]
assigned = "drawn"
seed = 7
beds = [
  { label = "B1", block = "1", treatment = "none", size = "bed" },
  { label = "B2", block = "1", treatment = "M", size = "bed" },
  { label = "B3", block = "1", treatment = "C10", size = "bed" },
  { label = "B4", block = "2", treatment = "C10", size = "bed" },
  { label = "B5", block = "2", treatment = "none", size = "bed" },
  { label = "B6", block = "2", treatment = "M", size = "bed" },
]

[calendar]
pulls = [
  { day = "before" },
  { day = 0, tolerance = 0 },
  { day = 7, tolerance = 1 },
  { day = 14, tolerance = 2 },
  { day = 28, tolerance = 2 },
]

[watering]
every_days = 3
amount = "250 mL per bed"

[nutrients]
nitrate-N = "1 M KCl"
ammonium-N = "1 M KCl"
pH = "water 1:1"
"""


@dataclass(frozen=True)
class Said:
    """What a command answered."""

    code: int
    out: str
    err: str

    @property
    def act(self) -> str:
        """The code that an act echoed."""
        return self.out.split()[0]

    @property
    def samples(self) -> list[str]:
        """The sample codes that a pull echoed, in the order of the beds."""
        return [bags[0] for bags in self.bags]

    @property
    def bags(self) -> list[list[str]]:
        """The codes of each sample's bags and tins, in the order of the beds, then of the parts."""
        found = [
            [word for word in line.split() if is_valid(word)]
            for line in self.out.splitlines()
            if line.startswith("  ")
        ]
        return [bags for bags in found if bags]


@dataclass
class Program:
    """The program on a scratch store; `day` counts from 2 March 2026, 09:00 in Berlin."""

    folder: Path
    capsys: pytest.CaptureFixture[str]
    options: tuple[str, ...] = ()

    @property
    def store(self) -> Path:
        return self.folder / "logbook.db"

    def __call__(self, *words: str, on: str = "2026-03-02T09:00+01:00") -> Said:
        self.capsys.readouterr()
        code = run((*self.options, *words), now=datetime.fromisoformat(on).astimezone(UTC))
        said = self.capsys.readouterr()
        return Said(code, said.out, said.err)

    def must(self, *words: str, on: str = "2026-03-02T09:00+01:00") -> Said:
        said = self(*words, on=on)
        assert said.code == 0, said
        return said

    def journal(self) -> list[bytes]:
        """Every byte written so far, in order."""
        if not self.store.exists():
            return []
        with sqlite3.connect(self.store) as connection:
            rows = connection.execute("SELECT body FROM entry ORDER BY id").fetchall()
        connection.close()
        return [body for (body,) in rows]


@pytest.fixture
def program(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Iterator[Program]:
    """The program in an empty folder, with an empty store."""
    monkeypatch.setenv("LOGBOOK_STORE", str(tmp_path / "logbook.db"))
    monkeypatch.setenv("LOGBOOK_STATE", str(tmp_path / "state"))
    monkeypatch.setenv("LOGBOOK_BY", "mira")
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.setenv("NO_COLOR", "1")
    monkeypatch.chdir(tmp_path)
    yield Program(tmp_path, capsys)


DEMO_DAY = datetime(2026, 5, 18, 7, 0, tzinfo=UTC)


@pytest.fixture(scope="session")
def demo_season(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo's season as of DEMO_DAY, played once for all test processes; only to be read."""
    shared = tmp_path_factory.getbasetemp()
    if os.environ.get("PYTEST_XDIST_WORKER"):
        shared = shared.parent
    store = shared / "demo" / "trial.db"
    try:
        store.parent.mkdir()
    except FileExistsError:
        # Another process plays it; it gives the name when it is done.
        for _ in range(3_000):
            if store.exists():
                return store
            time.sleep(0.1)
        raise
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("LOGBOOK_STATE", str(shared / "demo" / "state"))
        patch.setenv("LOGBOOK_BY", "mira")
        played = store.with_name("playing.db")
        demo.play(played, DEMO_DAY)
    return played.rename(store)


@pytest.fixture
def started(program: Program) -> Program:
    """The small trial, started on 1 March 2026 and filled the same day."""
    return begun(program, PROTOCOL)


def begun(program: Program, protocol: str) -> Program:
    """A trial started from a protocol and filled on 1 March 2026."""

    def play() -> None:
        (program.folder / "trial.toml").write_text(protocol, encoding="utf-8")
        plan = str(program.folder / "trial.toml")
        program.must("trial", "start", plan, on="2026-03-01T09:00+01:00")
        program.must("fill", "all", "--mass", "110 kg", on="2026-03-01T10:00+01:00")

    return once(program, protocol, play)


_AS_LEFT: dict[tuple[str, ...], tuple[Path, dict[str, bytes]]] = {}


def once(program: Program, key: str, play: Callable[[], None]) -> Program:
    """What `play` makes of the empty folder, played once in a process for all tests with its `key`.

    Only a key file knows its store's path, and is told the new one. A program with options may have
    its files anywhere: it plays itself.
    """
    of = (key, config.machine_name())
    if program.options:
        play()
        return program
    if of not in _AS_LEFT:
        play()
        files = [path for path in program.folder.rglob("*") if path.is_file()]
        left = {str(path.relative_to(program.folder)): path.read_bytes() for path in files}
        _AS_LEFT[of] = (program.folder, left)
        return program
    before, left = _AS_LEFT[of]
    for name, data in left.items():
        path = program.folder / name
        path.parent.mkdir(exist_ok=True, mode=0o700)
        if path.suffix == ".json":
            path.touch(mode=0o600)
            path.write_bytes(data.replace(bytes(before), bytes(program.folder)))
        else:
            path.write_bytes(data)
    return program
