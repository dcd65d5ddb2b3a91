"""A season of real use: 120 days of a 20-bed trial played through the command line.

With what a real season does: blocks applied on two days, a clock change, a missed pull, an early
one, a late watering, a spill, a slip undone and one corrected, a skipped pull, a calendar changed
on the way, an amendment that joins in week 5 with its own control, parts of a pull, non-detects,
a report re-issued. Boards, lists and curves are asserted on chosen days. All of it is invented.
"""

from __future__ import annotations

import json
import math
import random
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from logbook.store import views
from tests.program import Program, Said

ZONE = ZoneInfo("Europe/Berlin")
DAY0 = date(2026, 3, 2)  # the clocks go forward on day 27
PLANNED = (7, 14, 28, 42, 56, 84, 112)
BLOCKS = {"1": "B1-B5", "2": "B6-B10", "3": "B11-B15", "4": "B16-B20"}
ORDER = ("none", "meal", "straw", "yard", "none")  # in every block, then the spare control
LOOKED_AT = (-2, 1, 9, 17, 20, 26, 33, 36, 44, 62, 71, 86, 113, 120)
HEADER = "sample,nutrient,value,unit,method\n"

PROTOCOL = f"""\
format = 1

[trial]
name = "Season of use (invented)"
question = "What does each release by planting?"
zone = "Europe/Berlin"
planting_day = 28

[lab]
name = "Invented Soil Lab"

[sampling]
depth = "15 cm"
cores = 8

[sampling.parts]
chilled = ["nitrate-N", "ammonium-N"]
dried = ["K", "pH"]

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

[amendments.straw]
name = "straw compost (invented)"
material = "compost"
lot = "heap 1"
density = "0.3 kg/L"
moisture = "60 % wet basis"

[amendments.yard]
name = "yard compost (invented)"
material = "compost"
lot = "heap 2"
density = "0.55 kg/L"
moisture = "40 % wet basis"

[treatments.none]
name = "untreated"
control = true

[treatments.meal]
name = "meal"
amendment = "meal"
rate = "2 t/ha"

[treatments.straw]
name = "straw compost, a fifth of the mix"
amendment = "straw"
rate = "20 % v/v of the mix"

[treatments.yard]
name = "yard compost, a tenth of the mix"
amendment = "yard"
rate = "10 % v/v of the mix"

[layout]
assigned = "drawn"
seed = 20260302
beds = [
{
    "".join(
        f'  {{ label = "B{5 * block + place + 1}", block = "{block + 1}", '
        f'treatment = "{ORDER[place]}", size = "bed" }},' + chr(10)
        for block in range(4)
        for place in range(5)
    )
}]

[calendar]
pulls = [
  {{ day = "before" }},
  {{ day = 0, tolerance = 0 }},
{"".join(f"  {{ day = {day}, tolerance = {1 if day == 7 else 2} }}," + chr(10) for day in PLANNED)}]

[watering]
every_days = 3
amount = "500 mL per bed"

[nutrients]
nitrate-N = "1 M KCl"
ammonium-N = "1 M KCl"
K = "Mehlich-3"
pH = "water 1:1"
"""


def net_nitrate(treatment: str, age: float) -> float:
    """The invented truth, mg/kg above the control: first order, and a draw-down that recovers."""
    if age < 0 or treatment == "none":
        return 0.0
    if treatment == "meal":
        return 40 * (1 - math.exp(-0.1 * age))
    if treatment == "straw":
        return -14 * (1 - math.exp(-0.3 * age)) + 30 * (1 - math.exp(-0.015 * age))
    if treatment == "rock":
        return 0.0
    return 3 + 0.1 * age


@dataclass
class Played:
    """The season as it is played: what the program answered, and what the laboratory will find."""

    program: Program
    rng: random.Random = field(default_factory=lambda: random.Random(5))
    pulled: dict[str, list[tuple[str, str]]] = field(default_factory=dict)
    reports: dict[str, str] = field(default_factory=dict)
    boards: dict[int, dict[str, Any]] = field(default_factory=dict)
    weeks: dict[int, dict[str, Any]] = field(default_factory=dict)

    def at(self, day: int, clock: str = "09:00") -> str:
        """The instant of a trial day in the house's zone."""
        moment = datetime.combine(DAY0 + timedelta(days=day), time.fromisoformat(clock), ZONE)
        return moment.isoformat()

    def do(self, day: int, *words: str, clock: str = "09:00") -> Said:
        return self.program.must(*words, on=self.at(day, clock))

    def ask(self, day: int, *words: str) -> Any:
        return json.loads(self.do(day, *words, "--json", clock="20:00").out)

    def board(self, day: int) -> dict[str, Any]:
        (board,) = self.ask(day, "today")["boards"]
        return dict(board)

    def pull(self, day: int, beds: str, *words: str) -> None:
        """Pull beds and keep what the laboratory will find in their parts."""
        before = self._codes()
        self.do(day, "pull", beds, *words)
        new = [row for row in self._codes() if row not in before]
        trip = str(day)
        for code, label, treatment, age, kind in new:
            self.pulled.setdefault(trip, []).extend(
                (code, cell) for cell in self._cells(label, treatment, age, kind)
            )

    def report(self, trip: int, day: int, number: str) -> None:
        """The laboratory's report of a trip comes in."""
        rows = "".join(f"{code},{cell}\n" for code, cell in self.pulled[str(trip)])
        self.reports[number] = HEADER + rows
        path = self.program.folder / f"{number}.csv"
        path.write_text(self.reports[number], encoding="utf-8")
        self.do(day, "lab", "import", path.name, "--report", number)

    def _codes(self) -> list[tuple[str, str, str, int, str]]:
        """Every part of every pull: code, bed, treatment, age of the bed, kind."""
        with views.reading(self.program.store) as store:
            rows = store.execute(
                'SELECT part.code, b.label, t.code, substr(p."when", 1, 10), part.kind, '
                '(SELECT min(substr(a."when", 1, 10)) FROM apply a WHERE a.bed = b.id) '
                "FROM part JOIN pull p ON p.id = part.pull JOIN bed b ON b.id = p.bed "
                "JOIN treatment t ON t.id = b.treatment "
                'ORDER BY p."when", b.place, part.kind'
            ).fetchall()
        return [
            (code, label, treatment, _days(day, applied), kind)
            for code, label, treatment, day, kind, applied in rows
        ]

    def _cells(self, label: str, treatment: str, age: int, kind: str) -> list[str]:
        block = math.floor((int(label[1:]) - 1) / 5) if label.startswith("B") else 1
        noise = self.rng.gauss
        if kind == "dried":
            ph = 6.4 + noise(0, 0.05)
            return [
                f"K,{(120 + 5 * block) * (1 + noise(0, 0.05)):.0f},mg/kg,Mehlich-3",
                f"pH,{ph:.2f},,water 1:1",
            ]
        level = 20 + block + 0.15 * max(age, 0)
        nitrate = (level + net_nitrate(treatment, age)) * (1 + noise(0, 0.04))
        ammonium = 2.0 * math.exp(-max(age, 0) / 20)
        cell = "<0.5" if ammonium < 0.5 else f"{ammonium:.1f}"
        return [f"nitrate-N,{nitrate:.1f},mg/kg,1 M KCl", f"ammonium-N,{cell},mg/kg,1 M KCl"]


def _days(day: str, applied: str | None) -> int:
    return -1 if applied is None else (date.fromisoformat(day) - date.fromisoformat(applied)).days


def states(board: dict[str, Any], state: str) -> dict[str, list[str]]:
    """The beds in one state, by planned pull."""
    found: dict[str, list[str]] = {}
    for task in board["pulls"]:
        if task["state"] == state:
            found.setdefault(task["what"], []).extend(task["beds"])
    return found


def _water(season: Played, day: int) -> None:
    """Every third day from the filling on; block 2 is forgotten once and done two days later."""
    if (day + 7) % 3 == 0 and day >= -4:
        if day == 32:
            season.do(day, "water", "block 1,block 3,block 4", clock="08:00")
        else:
            season.do(day, "water", "all", clock="08:00")
    if day == 34:
        season.do(day, "water", "block 2", "--amount", "0.6 L", clock="18:00")


def _pulls(season: Played, day: int) -> None:
    """Blocks 1 to 3 on their day; block 4 was applied two days later and follows itself."""
    first = "block 1,block 2,block 3"
    if day == -1:
        season.pull(day, first, "--for", "before")
    if day == 0:
        season.do(day, "apply", first)
        season.pull(day, first, "--for", "day 0")
    if day == 1:
        season.pull(day, "block 4", "--for", "before")
    if day == 2:
        season.do(day, "apply", "block 4")
        season.pull(day, "block 4", "--for", "day 0")
    if day in PLANNED and day not in (14, 84):
        season.pull(day, first if day != 42 else "B1-B8,B10-B14" if day >= 35 else first)
    if day - 2 in PLANNED and day - 2 != 84:
        season.pull(day, "B16-B19" if day > 35 else "block 4")
    if day == 14:  # B7 is forgotten and never made up for
        season.pull(day, "B1-B6,B8-B15")


def _mishaps(season: Played, day: int) -> None:
    if day == 20:
        season.do(day, "event", "B8", "spilled", "--text", "a third lost")
    if day == 22:
        code = season.do(day, "water", "B1", "--amount", "5 L").act
        season.do(day, "correct", f"{code}:B1", "--amount", "0.5 L", "--reason", "slip of the pen")
    if day == 23:
        season.do(day, "note", "wrong trial")
        season.do(day, "undo")
    if day == 35:
        rock = ("--name", "rock dust (invented)", "--material", "rock powder", "--lot", "bag 9")
        season.do(day, "amendment", "add", "rock", *rock)
        known = ("--density", "1.5 kg/L", "--moisture", "2 % wet basis")
        season.do(day, "amendment", "set", "rock", *known)
        season.do(day, "treatment", "add", "rock", "--amendment", "rock", "--rate", "10 t/ha")
        season.do(
            day, "bed", "add", "L1", "--treatment", "rock", "--block", "late", "--from", "B15"
        )
        season.do(
            day, "bed", "add", "L2", "--treatment", "none", "--block", "late", "--from", "B20"
        )
        season.do(day, "apply", "L1,L2", clock="10:00")
        season.pull(day, "L1,L2", "--for", "day 0")
    if day in (42, 49, 63, 77, 91):
        season.pull(day, "L1,L2")
    if day == 38:
        season.do(day, "skip", "B9", "--for", "day 42", "--reason", "too wet to core")
    if day == 60:
        season.do(day, "calendar", "drop", "day 84", "--reason", "house is needed for seedlings")
        season.do(day, "calendar", "add", "70", "--tolerance", "3")
    if day == 70:
        season.pull(day, "B1-B14")
    if day == 72:
        season.pull(day, "B16-B19")


def _laboratory(season: Played, day: int) -> None:
    """Reports come ten days after the trips; the one of day 28 is issued again on day 50."""
    trips = [int(trip) for trip in season.pulled]
    for trip in trips:
        if day == trip + 10:
            season.report(trip, day, f"R{trip + 10:03d}")
    if day == 50:
        text = season.reports["R038"]
        line = next(one for one in text.splitlines() if ",nitrate-N," in one)
        code, nutrient, value, unit, method = line.split(",")
        again = text.replace(line, f"{code},{nutrient},{float(value) + 1:.1f},{unit},{method}")
        path = season.program.folder / "again.csv"
        path.write_text(again, encoding="utf-8")
        said = season.do(day, "lab", "import", "again.csv", "--report", "R038", "--reissued")
        assert code in said.out
        assert f"{float(value):g} -> {float(value) + 1:g}" in said.out


@pytest.fixture
def season(program: Program) -> Played:
    """The season, played to day 120."""
    (program.folder / "trial.toml").write_text(PROTOCOL, encoding="utf-8")
    played = Played(program)
    played.do(-8, "trial", "start", "trial.toml")
    played.do(-7, "fill", "all", "--mass", "120 kg", "--moisture", "16 %")
    before: list[bytes] = []
    for day in range(-6, 121):
        _water(played, day)
        _pulls(played, day)
        _mishaps(played, day)
        _laboratory(played, day)
        if day in LOOKED_AT:
            played.boards[day] = played.board(day)
            (played.weeks[day],) = played.ask(day, "week")["weeks"]
        if day % 30 == 0:
            after = program.journal()
            assert set(before) <= set(after), "a line that was written is gone"
            before = after
    return played


def beds(first: int, last: int, *without: int) -> list[str]:
    return [f"B{number}" for number in range(first, last + 1) if number not in without]


@pytest.mark.long
def test_the_season(season: Played) -> None:
    _the_boards(season)
    _the_weeks(season)
    _the_curves(season)
    _the_record(season)


def _the_boards(season: Played) -> None:
    boards = season.boards
    assert states(boards[-2], "due") == {"before": beds(1, 20)}
    assert boards[-2]["day"] is None
    assert boards[1]["day"] == 1
    assert states(boards[1], "coming") == {"day 7": beds(1, 15)}
    # B7 was forgotten on day 14: overdue while its window lasts again, then missed for ever.
    assert states(boards[17], "overdue") == {"day 14": ["B7"]}
    assert states(boards[20], "missed") == {"day 14": ["B7"]}
    # Day 26 is before, day 28 after the clocks go forward; block 4 is two days behind.
    assert states(boards[26], "due") == {"day 28": beds(1, 15)}
    assert states(boards[26], "coming") == {"day 28": beds(16, 20)}
    # Block 2 was not watered on day 32; the others were.
    (late,) = boards[33]["water"]
    assert (late["beds"], late["days"]) == (beds(6, 10), 1)
    # B15 and B20 went on as L1 and L2: nothing more is owed or poured there.
    assert states(boards[36], "coming") == {"day 42": beds(1, 19, 15), "day 7": ["L1", "L2"]}
    assert states(boards[44], "skipped") == {"day 42": ["B9"]}
    assert states(boards[44], "missed")["day 14"] == ["B7"]
    # From day 60 on the calendar has a day 70 and no day 84.
    assert states(boards[62], "coming") == {"day 70": beds(1, 19, 15)}
    assert states(boards[62], "due") == {"day 28": ["L1", "L2"]}
    assert states(boards[71], "due") == {"day 70": beds(16, 19)}
    assert "day 84" not in {task["what"] for board in boards.values() for task in board["pulls"]}
    assert states(boards[113], "due") == {"day 112": beds(16, 19)}
    assert states(boards[120], "due") == states(boards[120], "overdue") == {}
    assert [(one["pulled"], len(one["codes"])) for one in boards[120]["awaited"]] == [
        ("2026-06-22", 28),
        ("2026-06-24", 8),
    ]
    assert all(board["wrong"] == [] for board in boards.values())


def _the_weeks(season: Played) -> None:
    week = season.weeks[26]  # 28 March to 3 April, across the clock change
    days = {day["day"]: day for day in week["days"]}
    assert len(days) == 7
    assert [task["beds"] for task in days["2026-03-30"]["pulls"]] == [beds(1, 15)]
    assert [task["beds"] for task in days["2026-04-01"]["pulls"]] == [beds(16, 20)]
    assert [day for day, one in days.items() if one["water"]] == ["2026-03-31", "2026-04-03"]
    assert week["bags"] == 40  # twenty beds, chilled and dried
    assert [day["day"] for day in season.weeks[33]["days"] if day["water"]] == [
        "2026-04-04", "2026-04-06", "2026-04-07", "2026-04-09", "2026-04-10",
    ]  # fmt: skip


def _the_curves(season: Played) -> None:
    found = {
        treatment: season.ask(120, "curve", "mineral-N", treatment)["curves"][0]
        for treatment in ("meal", "straw", "yard", "rock")
    }
    nets = {
        treatment: {pull["pull"]: pull["difference"]["value"] for pull in curve["pulls"]}
        for treatment, curve in found.items()
    }
    # The invented truth: 40 (1 - e^-0.1t); within the spread of beds and laboratory.
    assert nets["meal"]["day 7"] == pytest.approx(40 * (1 - math.exp(-0.7)), abs=3)
    assert nets["meal"]["day 56"] == pytest.approx(40, abs=4)
    (first_order,) = (one for one in found["meal"]["fits"] if one["shape"] == "first order")
    rate = next(one for one in first_order["parameters"] if one["symbol"] == "k")
    assert rate["value"] == pytest.approx(0.1, rel=0.25)
    # Straw takes nitrate down and gives it back.
    assert nets["straw"]["day 7"] < -6
    assert nets["straw"]["day 70"] > 2
    counts = {pull["pull"]: pull["treated_beds"] for pull in found["meal"]["pulls"]}
    assert counts["day 14"] == 3  # B7
    assert {pull["pull"]: pull["treated_beds"] for pull in found["yard"]["pulls"]}["day 42"] == 3
    assert any("B8 spilled" in note for note in found["straw"]["notes"])
    (without,) = season.ask(120, "curve", "mineral-N", "straw", "--without-flagged")["curves"]
    assert {p["pull"]: p["treated_beds"] for p in without["pulls"]}["day 28"] == 3
    assert {p["pull"]: p["treated_beds"] for p in without["pulls"]}["day 14"] == 4
    # The rock joined on day 35 with a control of its own history: one bed each, and said so.
    rock = found["rock"]
    assert [pull["day"] for pull in rock["pulls"]] == [0, 7, 14, 28, 42, 56]
    assert all(pull["interval_method"] == "one bed" for pull in rock["pulls"])
    assert not any("rewetting" in note for note in rock["notes"])
    (ph,) = season.ask(120, "curve", "pH", "meal")["curves"]
    assert ph["fits"] == []
    assert all(abs(pull["difference"]["value"]) < 0.2 for pull in ph["pulls"])


def _the_record(season: Played) -> None:
    """Every slip is readable, nothing is lost, and the tables say what the journal says."""
    told = season.do(120, "history", "B1").out
    assert "slip of the pen" in told
    assert "wrong trial" in "".join(body.decode() for body in season.program.journal())
    reissued = season.ask(120, "compare", "day 28", "--treatment", "meal")
    assert reissued
    assert season.do(120, "verify").out.endswith("no problems found\n")
    season.do(120, "season", "out")
    names = {path.name for path in (season.program.folder / "out").iterdir()}
    assert {
        "pulls.csv",
        "results.csv",
        "net_release.csv",
        "corrections.csv",
        "manifest.csv",
    } <= names
