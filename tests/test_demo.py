"""The demo: its files come from the seeded script, its season plays, its curves are the truth's.

The truth that the curves are held to is the script's own (sample_logs/garden.py), whose nitrogen
follows published kinetics, named there beside each constant.
"""

from __future__ import annotations

import csv
import json
import math
import shlex
import sqlite3
import statistics
import sys
import tempfile
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from importlib import import_module
from pathlib import Path
from types import ModuleType
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from logbook import protocol
from logbook.cli import demo
from logbook.cli.run import run

FOLDER = Path(__file__).resolve().parents[1] / "sample_logs"
# The season of 78 days before it holds the clock change of 29 March 2026.
NOW = datetime(2026, 5, 20, 9, 0, tzinfo=UTC)


@pytest.fixture(scope="module")
def scenario() -> Iterator[ModuleType]:
    """The script that writes the demo's files."""
    sys.path.insert(0, str(FOLDER))
    yield import_module("scenario")
    sys.path.remove(str(FOLDER))


@pytest.fixture(scope="module")
def garden(scenario: ModuleType) -> ModuleType:
    """The truth behind the files."""
    return import_module("garden")


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A season played at NOW and kept."""
    store = tmp_path_factory.mktemp("demo") / "season.db"
    assert run(["demo", "--keep", str(store)], now=NOW) == 0
    return store


@pytest.fixture(autouse=True)
def _own_folders(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("LOGBOOK_STATE", str(tmp_path / "state"))
    monkeypatch.setenv("LOGBOOK_STORE", str(tmp_path / "mine.db"))
    monkeypatch.setenv("LOGBOOK_BY", "tester")


def asked(store: Path, capsys: pytest.CaptureFixture[str], *words: str) -> Any:
    """The JSON that a command prints about the kept season."""
    capsys.readouterr()
    assert run(["--store", str(store), *words, "--json"], now=NOW) == 0
    return json.loads(capsys.readouterr().out)


def net(
    store: Path, capsys: pytest.CaptureFixture[str], nutrient: str, treatment: str
) -> dict[int, float]:
    """Treated minus control by day, as `curve` gives it; days without a value left out."""
    (curve,) = asked(store, capsys, "curve", nutrient, treatment)["curves"]
    return {
        round(pull["day"]): pull["difference"]["value"]
        for pull in curve["pulls"]
        if pull["difference"]["value"] is not None
    }


def test_the_files_are_what_the_script_writes(scenario: ModuleType) -> None:
    written = scenario.files()
    there = {path.name for path in FOLDER.iterdir() if path.suffix in (".csv", ".toml")}
    assert there == set(written)
    for name, data in written.items():
        assert (FOLDER / name).read_bytes() == data, f"{name}: run sample_logs/scenario.py again"


def test_the_script_writes_into_a_folder(scenario: ModuleType, tmp_path: Path) -> None:
    scenario.write(tmp_path)
    assert {path.name for path in tmp_path.iterdir()} == set(scenario.files())


def test_everything_is_marked_invented() -> None:
    data = (FOLDER / "protocol.toml").read_bytes()
    read = protocol.read(data, "protocol.toml")
    marked = [read.name, read.lab or "", read.source, *(stuff.name for stuff in read.materials)]
    assert [text for text in marked if "(invented)" not in text] == []
    reports = sorted(FOLDER.glob("report-*.csv"))
    assert len(reports) == 10
    assert all("(invented)" in path.read_text(encoding="utf-8-sig") for path in reports)


def test_one_report_has_a_byte_order_mark_semicolons_and_decimal_commas() -> None:
    text = (FOLDER / "report-04.csv").read_bytes()
    assert text.startswith(b"\xef\xbb\xbfsample;nutrient;value;")
    assert b";40,7;" in text
    assert b"." not in text


def test_treatments_are_spread_over_blocks(garden: ModuleType) -> None:
    for block in garden.BLOCKS:
        inside = sorted(bed.treatment for bed in garden.BEDS if bed.block == block)
        assert inside == sorted(garden.PER_BLOCK)


def test_beds_and_laboratory_scatter_as_real_ones_do(garden: ModuleType) -> None:
    """Bed-to-bed CV 7 % and a laboratory CV of 5.5 % make about 9 % for nitrate."""
    tests = next(test for test in garden.TESTS if test.name == "nitrate-N")
    control = [bed for bed in garden.BEDS if bed.treatment == "none"]
    logs = [
        math.log(float(garden.printed(bed, tests, day)) / garden.truth("none", day)["nitrate-N"])
        for bed in control
        for day in garden.DAYS
    ]
    assert 0.06 < statistics.stdev(logs) < 0.12
    assert abs(statistics.mean(logs)) < 0.08


def test_published_kinetics_behind_the_truth(garden: ModuleType) -> None:
    """Ebid et al. 2007: half-life 6.86 d; Stanford & Smith 1972: 12.8 weeks at 35 C."""
    ((_, fast),) = garden.MINERAL_N["meal"].phases
    ((_, slow),) = garden.MINERAL_N["yard"].phases
    assert math.log(2) / fast == pytest.approx(6.86, abs=0.01)
    assert math.log(2) / slow / 7 == pytest.approx(12.8, abs=0.05)
    # Q10 = 2: .0270 a week at 25 C for .054 at 35 C, so .0219 at 22 C.
    assert pytest.approx(0.0270 * 2**-0.3, rel=1e-9) == garden.SOIL_K * 7


def test_the_demo_runs_to_its_end(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    scratch = tmp_path / "scratch"
    scratch.mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(scratch))
    assert run(["demo"], now=NOW) == 0
    said = capsys.readouterr()
    assert said.err == ""
    assert "Propagation house (invented), day 70, Wed 20 May 2026" in said.out
    for words in ("Water", "Pull", "Coming", "Missed", "Awaited", "3 d late"):
        assert words in said.out
    assert "$ logbook curve mineral-N meal" in said.out
    assert "$ logbook curve mineral-N straw" in said.out
    assert "first order" in said.out
    assert "interval of the rate: not computed yet" in said.out
    assert "logbook demo --keep demo.db" in said.out
    assert list(scratch.iterdir()) == []
    assert not (tmp_path / "mine.db").exists()
    assert not (tmp_path / "state").exists()


@pytest.mark.parametrize(
    "now",
    [
        datetime(2026, 11, 25, 12, 0, tzinfo=UTC),  # 25 October: clocks put back
        datetime(2026, 3, 29, 0, 30, tzinfo=UTC),  # half an hour before they are put forward
        datetime(2026, 7, 1, 23, 30, tzinfo=UTC),  # the next day already in the trial's zone
    ],
)
def test_the_season_ends_today_in_the_trials_zone(
    now: datetime, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    store = tmp_path / "played.db"
    demo.play(store, now)
    assert run(["--store", str(store), "today", "--json"], now=now) == 0
    (board,) = json.loads(capsys.readouterr().out)["boards"]
    assert board["today"] == now.astimezone(ZoneInfo("Europe/Lisbon")).date().isoformat()
    assert board["day"] == 70
    assert board["wrong"] == []


def test_the_kept_board_shows_every_kind_of_thing(
    kept: Path, capsys: pytest.CaptureFixture[str], garden: ModuleType
) -> None:
    (board,) = asked(kept, capsys, "today")["boards"]
    pulls = {task["state"]: task for task in board["pulls"]}
    assert set(pulls) == {"due", "coming", "missed"}
    assert (pulls["missed"]["what"], pulls["missed"]["beds"]) == ("day 42", ["B11"])
    assert garden.FORGOTTEN in [
        bed for task in board["pulls"] if task["state"] == "due" for bed in task["beds"]
    ]
    assert sorted((task["days"], len(task["beds"])) for task in board["water"]) == [(0, 18), (3, 6)]
    assert [(one["days"], len(one["codes"])) for one in board["awaited"]] == [(14, 1), (1, 5)]


def test_every_row_of_every_report_is_in_the_store(kept: Path, garden: ModuleType) -> None:
    rows = 0
    for path in FOLDER.glob("report-*.csv"):
        with path.open(encoding="utf-8-sig", newline="") as lines:
            rows += sum(1 for _ in csv.reader(lines)) - 1
    samples = len(garden.DAYS) * len(garden.BEDS) - 2  # one bed not pulled, one jar broken
    assert rows == samples * len(garden.TESTS)
    store = sqlite3.connect(kept)
    (stored,) = store.execute("SELECT count(*) FROM result").fetchone()
    (limits,) = store.execute("SELECT count(*) FROM result WHERE qualifier = '<'").fetchone()
    store.close()
    assert stored == rows
    assert limits == 13


def test_history_keeps_what_was_corrected(
    kept: Path, capsys: pytest.CaptureFixture[str], garden: ModuleType
) -> None:
    lines = asked(kept, capsys, "history", garden.HALF_CAN)["lines"]
    corrected = [line for line in lines if line["kind"] == "correct"]
    assert [line["reason"] for line in corrected] == ["the can was half full"]
    assert [line for line in lines if "spilled" in line["what"]]
    day, bed, test = garden.SWAPPED
    told = asked(kept, capsys, "history", f"{garden.CODES[day, bed]}:{test}")["lines"]
    assert [(line["by"], line["state"]) for line in told] == [
        ("office", "replaced"),
        ("office", ""),
    ]
    passed = asked(kept, capsys, "history", garden.PASSED_OVER)["lines"]
    assert [line["reason"] for line in passed if line["kind"] == "strike"] == [
        "the can was empty: it got none"
    ]


def test_an_act_written_a_day_late_keeps_both_times(
    kept: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lines = asked(kept, capsys, "history", "B1")["lines"]
    late = [line for line in lines if line["written"].startswith("2026-03-20T08:05")]
    assert [line["acted"] for line in late] == ["Thu 19 Mar 2026 17:10"]


def test_the_kept_store_is_sound(kept: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["--store", str(kept), "verify"], now=NOW) == 0


def test_what_is_suggested_next_can_be_typed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["demo", "--keep", str(tmp_path / "a season.db")], now=NOW) == 0
    after = capsys.readouterr().out.rpartition("Next:")[2]
    lines = [line.strip() for line in after.splitlines() if line.startswith("  logbook ")]
    assert len(lines) == 5
    for line in lines:
        assert run(shlex.split(line)[1:], now=NOW + timedelta(hours=1)) == 0, line


# --- the curves against the truth ---------------------------------------------------------------


def test_the_meal_releases_fast(kept: Path, capsys: pytest.CaptureFixture[str]) -> None:
    found = net(kept, capsys, "mineral-N", "meal")
    # True: 3 + 45 (1 - e^(-0.101 t)), that is 26 on day 7 and 47 on day 42.
    assert 20 < found[7] < 34
    assert 40 < found[42] < 56
    (curve,) = asked(kept, capsys, "curve", "mineral-N", "meal")["curves"]
    assert curve["dilution"] == pytest.approx(0.0014, abs=0.0001)


def test_the_straw_compost_draws_down_and_gives_back(
    kept: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    found = net(kept, capsys, "mineral-N", "straw")
    assert min(found, key=lambda day: found[day]) in (7, 14)
    assert max(found[7], found[14]) < -7
    assert found[14] < found[28] < found[56]
    assert found[42] > 0
    assert found[56] > 3


def test_the_yard_compost_is_slow(kept: Path, capsys: pytest.CaptureFixture[str]) -> None:
    found = net(kept, capsys, "mineral-N", "yard")
    assert all(0 < found[day] < 13 for day in found if day >= 0)
    assert found[56] > found[0]


def test_the_shell_moves_ph_and_calcium(kept: Path, capsys: pytest.CaptureFixture[str]) -> None:
    acidity, calcium = net(kept, capsys, "pH", "shell"), net(kept, capsys, "Ca", "shell")
    assert abs(acidity[-1]) < 0.15
    assert 0.8 < acidity[56] < 1.3  # true: 0.15 + 0.95 (1 - e^(-0.045 x 56)) = 1.02
    assert abs(calcium[-1]) < 120
    assert 600 < calcium[56] < 900  # true: 420 + 390 (1 - e^(-0.035 x 56)) - 0.3 % = 751


@pytest.mark.parametrize("treatment", ["meal", "straw", "yard"])
def test_mineral_n_follows_the_truth(
    treatment: str, kept: Path, capsys: pytest.CaptureFixture[str], garden: ModuleType
) -> None:
    """A mean of four beds of CV 9 %, less one of eight, stays within 4 of its standard errors."""
    for day, value in net(kept, capsys, "mineral-N", treatment).items():
        levels = [
            sum(garden.truth(one, day)[part] for part in ("nitrate-N", "ammonium-N"))
            for one in (treatment, "none")
        ]
        error = 0.09 * math.hypot(levels[0] / 2, levels[1] / math.sqrt(8))
        assert abs(value - (levels[0] - levels[1])) < 4 * error, day


# --- refusals -----------------------------------------------------------------------------------


def test_nothing_that_exists_is_written_over(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    taken = tmp_path / "taken.db"
    taken.write_text("mine")
    assert run(["demo", "--keep", str(taken)], now=NOW) == 2
    assert capsys.readouterr().err == (
        f"Error: {taken} exists already; nothing was written\nTry: name a new file\n"
    )
    assert taken.read_text() == "mine"
    assert run(["demo", "--keep", str(tmp_path)], now=NOW) == 2
    assert capsys.readouterr().err == (
        f"Error: {tmp_path} is a folder\nTry: name a new file in it: {tmp_path / 'demo.db'}\n"
    )


def test_the_demo_takes_no_store(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["--store", str(tmp_path / "mine.db"), "demo"], now=NOW) == 2
    assert capsys.readouterr().err == (
        "Error: the demo makes a store of its own\nTry: logbook demo --keep FILE\n"
    )


def test_an_act_that_fails_ends_the_demo_and_keeps_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    broken = tmp_path / "broken"
    broken.mkdir()
    (broken / "protocol.toml").write_bytes((FOLDER / "protocol.toml").read_bytes())
    (broken / "acts.csv").write_text(
        "day,clock,by,name,command\n"
        "-8,10:00,office,,trial start {folder}/protocol.toml\n"
        "-7,10:00,bench,,water B99\n"
    )
    monkeypatch.setattr(demo, "scenario_folder", lambda: broken)
    assert run(["demo", "--keep", str(tmp_path / "kept.db")], now=NOW) == 2
    said = capsys.readouterr().err
    assert said.startswith("Error: the demo stopped at: logbook --store ")
    assert "'B99' is no bed, block or treatment here" in said
    assert not (tmp_path / "kept.db").exists()
