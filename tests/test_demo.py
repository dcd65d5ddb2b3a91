"""The demo: its files come from the seeded script, its season plays, its curves are the truth's.

The truth that the curves are held to is the script's own (sample_logs/garden.py), whose nitrogen
follows published kinetics, named there beside each constant.
"""

from __future__ import annotations

import csv
import json
import math
import shlex
import shutil
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
from tests.program import DEMO_DAY

FOLDER = Path(__file__).resolve().parents[1] / "sample_logs"
# The season of 78 days before it holds the clock change of 29 March 2026.
NOW = DEMO_DAY
LIMITS = 13  # results below the reporting limit, all of them ammonium-N of limed beds


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
def bench_lab(scenario: ModuleType) -> ModuleType:
    """What the laboratory printed."""
    return import_module("bench_lab")


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory, demo_season: Path) -> Path:
    """A season played at NOW and kept."""
    return shutil.copy2(demo_season, tmp_path_factory.mktemp("demo") / "season.db")


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
    assert len(reports) == 16
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


def test_beds_and_laboratory_scatter_as_real_ones_do(
    garden: ModuleType, bench_lab: ModuleType
) -> None:
    """Bed-to-bed CV 7 % and a laboratory CV of 5.5 % make about 9 % for nitrate."""
    tests = next(test for test in bench_lab.TESTS if test.name == "nitrate-N")
    control = [bed for bed in garden.BEDS if bed.treatment == "none"]
    logs = [
        math.log(
            float(bench_lab.printed(bed, tests, day))
            / garden.truth("none", day, bed.began)["nitrate-N"]
        )
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


@pytest.mark.long
def test_the_demo_runs_to_its_end(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    scratch = tmp_path / "scratch"
    scratch.mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(scratch))
    assert run(["demo"], now=NOW) == 0
    said = capsys.readouterr()
    assert said.err == ""
    assert "Propagation house (invented), day 70, Mon 18 May 2026" in said.out
    for words in ("Water", "Pull", "Coming", "Missed", "Awaited", "3 d late"):
        assert words in said.out
    assert "$ logbook curve mineral-N meal" in said.out
    assert "$ logbook curve mineral-N straw" in said.out
    assert "first order" in said.out
    assert "( ) 95 % range between beds, within blocks" in said.out
    assert "logbook demo --keep demo.db" in said.out
    assert list(scratch.iterdir()) == []
    assert not (tmp_path / "mine.db").exists()
    assert not (tmp_path / "state").exists()


@pytest.mark.parametrize(
    "now",
    [
        # 25 October: clocks put back
        datetime(2026, 11, 25, 12, 0, tzinfo=UTC),
        # half an hour before they are put forward
        datetime(2026, 3, 29, 0, 30, tzinfo=UTC),
        datetime(2026, 7, 1, 23, 30, tzinfo=UTC),  # the next day already in the trial's zone
    ],
)
@pytest.mark.long
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
    assert set(pulls) == {"due", "coming", "missed", "skipped"}
    assert (pulls["skipped"]["what"], pulls["skipped"]["beds"]) == ("day 3", ["L1"])
    assert (pulls["missed"]["what"], pulls["missed"]["beds"]) == ("day 42", ["B11"])
    assert garden.FORGOTTEN in [
        bed for task in board["pulls"] if task["state"] == "due" for bed in task["beds"]
    ]
    assert sorted((task["days"], len(task["beds"])) for task in board["water"]) == [(0, 18), (3, 6)]
    # The newest trip to the late beds, and the trip of the day before, whose bags are still here;
    # of those of block 4 that were lost nothing is awaited.
    waits = {
        name: [(one["days"], len(one["codes"])) for one in board[name]]
        for name in ("awaited", "to_send")
    }
    assert waits == {"awaited": [(6, 4), (1, 10)], "to_send": [(1, 10)]}


def rows_of(path: Path) -> list[list[str]]:
    """The rows of a report without its header, in its own delimiter."""
    text = path.read_text(encoding="utf-8-sig")
    delimiter = ";" if ";" in text else ","
    return list(csv.reader(text.splitlines(), delimiter=delimiter))[1:]


def test_every_row_of_every_report_is_in_the_store(
    kept: Path, garden: ModuleType, bench_lab: ModuleType
) -> None:
    printed = {
        (row[0], "nitrate-N" if row[1] == "NO3" else row[1])
        for path in FOLDER.glob("report-*.csv")
        for row in rows_of(path)
    }
    samples = sum(len(garden.pulled_on(day)) for day in garden.DAYS)
    samples += len(garden.LATE_BEDS) * len(garden.LATE_REPORTED_AFTER)
    # 24 beds, 22 from day 35 on, one not pulled; 2 in each of five later trips; one box lost.
    assert samples == 10 * 24 - 3 * 2 - 1 + 5 * 2
    assert len(printed) == (samples - len(garden.LOST_BOX)) * len(bench_lab.TESTS)
    store = sqlite3.connect(kept)
    stored = set(store.execute("SELECT sample, analyte FROM result"))
    (count,) = store.execute("SELECT count(*) FROM result").fetchone()
    (limits,) = store.execute("SELECT count(*) FROM result WHERE qualifier = '<'").fetchone()
    store.close()
    assert stored == printed
    assert count == len(printed)
    assert limits == LIMITS


def test_every_sample_is_chilled_and_dried_and_each_part_has_its_own_analyses(
    kept: Path, garden: ModuleType
) -> None:
    store = sqlite3.connect(kept)
    found = store.execute(
        "SELECT part.kind, result.analyte, count(*) FROM result "
        "JOIN part ON part.code = result.sample GROUP BY 1, 2"
    ).fetchall()
    (parts, pulls) = store.execute(
        "SELECT (SELECT count(*) FROM part), (SELECT count(*) FROM pull)"
    ).fetchone()
    store.close()
    kinds = {kind: {analyte for one, analyte, _ in found if one == kind} for kind, _, _ in found}
    assert kinds == {kind: set(tests) for kind, tests in garden.PARTS.items()}
    assert parts == 2 * pulls


def test_blocks_were_applied_on_two_days(kept: Path, garden: ModuleType) -> None:
    store = sqlite3.connect(kept)
    found = store.execute(
        'SELECT b.block, min(substr(a."when", 1, 10)), max(substr(a."when", 1, 10)) '
        "FROM apply a JOIN bed b ON b.id = a.bed GROUP BY 1 ORDER BY 1"
    ).fetchall()
    store.close()
    days = {"1": "2026-03-09", "2": "2026-03-09", "3": "2026-03-09", "4": "2026-03-10"}
    days["late"] = "2026-04-14"
    assert {block: first for block, first, _ in found} == days
    assert all(first == last for _, first, last in found)


def test_the_reissued_values_are_in_force_and_the_first_ones_in_history(
    kept: Path,
    capsys: pytest.CaptureFixture[str],
    garden: ModuleType,
    bench_lab: ModuleType,
) -> None:
    slips = bench_lab.undiluted()
    first = {tuple(row[:2]): row for row in rows_of(FOLDER / "report-08.csv")}
    again = {tuple(row[:2]): row for row in rows_of(FOLDER / "report-08-reissued.csv")}
    changed = {cell for cell in first if first[cell] != again[cell]}
    assert first.keys() == again.keys()
    assert len(changed) == 3
    assert changed == {(garden.code_of(day, bed, test), test) for day, bed, test in slips}
    for (day, bed, test), wrong in slips.items():
        cell = f"{garden.code_of(day, bed, test)}:{test}"
        old, new = asked(kept, capsys, "history", cell)["lines"]
        right = bench_lab.printed_of(bed, test, day)
        assert old["state"] != new["state"]
        assert old["what"].startswith(f"K {wrong} mg/kg")
        assert new["what"].startswith(f"K {right} mg/kg")
        assert new["reason"] == "re-issued report T-108 of Bench lab (invented)"
    assert demo.REISSUED in {f"{code}:{test}" for code, test in changed}
    (curve,) = asked(kept, capsys, "curve", "K", "meal")["curves"]
    (at,) = [pull for pull in curve["pulls"] if pull["pull"] == "day 35"]
    beds = [garden.bed_of(block, "meal") for block in garden.BLOCKS]
    values = [float(bench_lab.printed_of(bed, "K", 35)) for bed in beds]
    assert at["treated"] == pytest.approx(statistics.mean(values))


def test_the_season_has_readings_a_skipped_pull_and_reserved_codes(
    kept: Path, capsys: pytest.CaptureFixture[str], garden: ModuleType
) -> None:
    for bed in garden.LATE_BEDS:
        lines = asked(kept, capsys, "history", bed.label)["lines"]
        assert [one["reason"] for one in lines if "nobody will be here" in str(one)]
    lines = asked(kept, capsys, "history", garden.bed_of("1", "none"))["lines"]
    assert len([one for one in lines if "soil temperature" in one["what"]]) == 5
    (week,) = asked(kept, capsys, "week")["weeks"]
    # A day early, block 1 without B4 was pulled: 16 beds of the start and B4, L1 and L2.
    assert week["bags"] == 2 * (17 + 2)
    assert len(week["reserved"]) == week["bags"]


def test_history_keeps_what_was_corrected(
    kept: Path, capsys: pytest.CaptureFixture[str], garden: ModuleType
) -> None:
    lines = asked(kept, capsys, "history", garden.HALF_CAN)["lines"]
    corrected = [line for line in lines if line["kind"] == "correct"]
    assert [line["reason"] for line in corrected] == ["the can was half full"]
    assert [line for line in lines if "spilled" in line["what"]]
    day, bed, test = garden.SWAPPED
    told = asked(kept, capsys, "history", f"{garden.code_of(day, bed, test)}:{test}")["lines"]
    assert [line["by"] for line in told] == ["office", "office"]
    assert told[0]["state"] != told[1]["state"]
    passed = asked(kept, capsys, "history", garden.PASSED_OVER)["lines"]
    assert [line["reason"] for line in passed if line["kind"] == "strike"] == [
        "the can was empty: it got none"
    ]


def test_an_act_written_a_day_late_keeps_both_times(
    kept: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lines = asked(kept, capsys, "history", "B1")["lines"]
    late = [line for line in lines if line["written"].startswith("2026-03-18T08:05")]
    assert [line["acted"] for line in late] == ["Tue 17 Mar 2026 17:10"]


def test_the_kept_store_is_sound(kept: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["--store", str(kept), "verify"], now=NOW) == 0


@pytest.mark.long
def test_what_is_suggested_next_can_be_typed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["demo", "--keep", str(tmp_path / "a season.db")], now=NOW) == 0
    after = capsys.readouterr().out.rpartition("Next:")[2]
    lines = [line.strip() for line in after.splitlines() if line.startswith("  logbook ")]
    assert len(lines) == 9
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
    """A mean of four beds of CV 9 %, less one of six at least, stays within 4 standard errors."""
    for day, value in net(kept, capsys, "mineral-N", treatment).items():
        levels = [
            sum(garden.truth(one, day)[part] for part in ("nitrate-N", "ammonium-N"))
            for one in (treatment, "none")
        ]
        error = 0.09 * math.hypot(levels[0] / 2, levels[1] / math.sqrt(6))
        assert abs(value - (levels[0] - levels[1])) < 4 * error, day


def test_the_late_rock_powder_has_its_own_day_0_and_control(
    kept: Path, capsys: pytest.CaptureFixture[str], garden: ModuleType
) -> None:
    (curve,) = asked(kept, capsys, "curve", "mineral-N", "rock")["curves"]
    days = [round(pull["day"]) for pull in curve["pulls"]]
    assert days == list(garden.LATE_REPORTED_AFTER)
    assert {(pull["treated_beds"], pull["control_beds"]) for pull in curve["pulls"]} == {(1, 1)}
    assert {pull["interval_method"] for pull in curve["pulls"]} == {"one bed"}
    assert {pull["difference"]["low"] for pull in curve["pulls"]} == {None}
    assert not [note for note in curve["notes"] if "rewetting" in note]
    # A ground rock gives no nitrogen: single beds of CV 9 % stay within 4 standard errors of none.
    for pull in curve["pulls"]:
        levels = [
            sum(garden.truth(one, pull["day"], 36)[part] for part in ("nitrate-N", "ammonium-N"))
            for one in ("rock", "none")
        ]
        assert abs(pull["difference"]["value"]) < 4 * 0.09 * math.hypot(*levels)
    assert run(["--store", str(kept), "curve", "mineral-N", "rock"], now=NOW) == 0
    said = capsys.readouterr().out
    assert "one bed per treatment: any interval would cover laboratory" in said
    assert "rewetting" not in said


def test_the_late_beds_go_on_with_spare_controls(
    kept: Path, capsys: pytest.CaptureFixture[str], garden: ModuleType
) -> None:
    beds = {row["bed"]: row for row in asked(kept, capsys, "bed", "list")["beds"]}
    for bed in garden.LATE_BEDS:
        assert beds[bed.label]["soil"] == f"run untreated since the start ({bed.was})"
        assert beds[bed.label]["joined"] == "2026-04-13"
    (curve,) = asked(kept, capsys, "curve", "mineral-N", "meal")["curves"]
    controls = {pull["pull"]: pull["control_beds"] for pull in curve["pulls"]}
    assert (controls["day 28"], controls["day 35"]) == (8, 6)


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
