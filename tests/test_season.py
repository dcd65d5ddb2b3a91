"""The command `season`, from acts on the command line to files read back with pandas.

Expected differences and dilutions are worked out beside the checks from the results typed here;
everything about the trial is invented.
"""

from __future__ import annotations

import hashlib
import math
import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from xml.etree import ElementTree

import pandas as pd
import pytest

from logbook.cli.run import run
from logbook.store import database, projections

# Invented. Two blocks; a compost on top of the soil, a meal whose moisture is not known yet.
PROTOCOL = """\
format = 1
[trial]
name = "=Two beds, two blocks (invented)"
question = "How much nitrogen by day 28?"
zone = "Europe/Berlin"
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
[amendments.compost]
name = "yard compost (invented)"
material = "compost"
lot = "heap 1"
density = "0.6 kg/L"
moisture = "40 % wet basis"
[amendments.meal]
name = "plant meal (invented)"
material = "meal"
lot = "bag 1"
density = "0.6 kg/L"
moisture = "not known yet"
[treatments.none]
name = "untreated"
control = true
[treatments.C]
name = "compost"
amendment = "compost"
rate = "25 % v/v on top of the soil"
[treatments.M]
name = "meal"
amendment = "meal"
rate = "2 t/ha"
[layout]
assigned = "by hand"
beds = [
  { label = "B1", block = "1", treatment = "none", size = "bed" },
  { label = "B2", block = "1", treatment = "C", size = "bed" },
  { label = "B3", block = "1", treatment = "M", size = "bed" },
  { label = "B4", block = "2", treatment = "C", size = "bed" },
  { label = "B5", block = "2", treatment = "none", size = "bed" },
  { label = "B6", block = "2", treatment = "M", size = "bed" },
]
[calendar]
pulls = [
  { day = "before" },
  { day = 0, tolerance = 0 },
  { day = 7, tolerance = 1 },
  { day = 14, tolerance = 1 },
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

HEAD = "sample,nutrient,value,unit,method,basis\n"
# mg/kg of nitrate-N by bed, day 0 then day 7, invented
NITRATE = {
    "B1": ("10", "12"),
    "B2": ("11", "18"),
    "B3": ("10", "30"),
    "B4": ("13", "20"),
    "B5": ("9", "11"),
    "B6": ("12", "33"),
}
SECRET = "Ask the neighbour about the gate"


@dataclass
class House:
    """The program, its folder, and the sample codes by bed and day."""

    folder: Path
    capsys: pytest.CaptureFixture[str]
    samples: dict[tuple[str, int], str] = field(default_factory=dict)

    def say(self, *words: str, day: int = 0, clock: str = "09:00", code: int = 0) -> str:
        """Run a command on a day after 2 March 2026; its output, or its errors if it fails."""
        now = datetime.fromisoformat(f"2026-03-{2 + day:02d}T{clock}+01:00").astimezone(UTC)
        self.capsys.readouterr()
        assert run(words, now=now) == code, self.capsys.readouterr()
        said = self.capsys.readouterr()
        return said.err if code else said.out

    def pull(self, beds: str, day: int, *more: str) -> None:
        """Pull beds and keep the codes that were echoed."""
        said = self.say("pull", beds, *more, day=day)
        for line in said.splitlines()[1:]:
            code, label = line.split()[:2]
            self.samples.setdefault((label, day), code)

    def report(self, name: str, rows: str, day: int) -> str:
        """Import rows of a report; returns the act's code."""
        (self.folder / name).write_text(HEAD + rows, encoding="utf-8")
        return self.say("lab", "import", name, "--report", name[:-4], day=day).split()[0]

    def season(self, name: str, *more: str) -> dict[str, bytes]:
        """Export into a folder of that name, and every byte of it."""
        self.say("season", name, *more, day=20)
        return {one.name: one.read_bytes() for one in (self.folder / name).iterdir()}

    def read(self, name: str, file: str) -> pd.DataFrame:
        return pd.read_csv(self.folder / name / file, dtype={"block": str, "report": str})


@pytest.fixture
def started(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> House:
    """The trial, started, filled and applied; no pull yet."""
    monkeypatch.setenv("LOGBOOK_STORE", str(tmp_path / "book.db"))
    monkeypatch.setenv("LOGBOOK_STATE", str(tmp_path / "state"))
    monkeypatch.setenv("LOGBOOK_BY", "mira")
    monkeypatch.chdir(tmp_path)
    house = House(tmp_path, capsys)
    (tmp_path / "trial.toml").write_text(PROTOCOL, encoding="utf-8")
    house.say("trial", "start", "trial.toml")
    house.say("fill", "all", "--mass", "110 kg", clock="09:10")
    house.say("apply", "all", clock="09:20")
    return house


@pytest.fixture
def house(started: House) -> Iterator[House]:
    """A short season: two pulls, a repeat, a late one, a mishap, corrections, a non-detect."""
    started.pull("all", 0)
    watered = started.say("water", "all", day=3).split()[0]
    started.say("correct", f"{watered}:B2", "--amount", "100 mL", "--reason", "=half", day=3)
    started.say("strike", f"{watered}:B3", "--reason", "was left dry", day=3)
    started.say("note", SECRET, "--on", "B2", day=4)
    started.say("event", "B6", "spilled", "--text", SECRET, day=5)
    started.pull("all", 7)
    started.pull("B2", 8, "--again", "first bag torn")
    started.pull("B1,B2,B4,B5", 16)
    rows = [
        f"{started.samples[bed, day]},NO3-N,{value},mg/kg,1 M KCl,dry\n"
        for bed, values in NITRATE.items()
        for day, value in zip((0, 7), values, strict=True)
    ]
    started.report("R1.csv", "".join(rows), 10)
    other = f"{started.samples['B3', 7]},NO3-N,28,mg/kg,2 M KCl,dry\n"
    other += f"{started.samples['B1', 7]},NO3-N,11,mg/kg,2 M KCl,dry\n"
    other += f"{started.samples['B1', 7]},NH4-N,<0.5,mg/kg,1 M KCl,dry\n"
    started.report("R2.csv", other, 11)
    slip = f"{started.samples['B4', 7]}:nitrate-N"
    started.say("correct", slip, "--value", "21", "--reason", "the lab rang", day=12)
    yield started


def test_results_are_tidy_and_as_reported(house: House) -> None:
    house.season("out")
    found = house.read("out", "results.csv")
    assert len(found) == 12 + 3
    one = found[(found["sample"] == house.samples["B2", 7])].iloc[0]
    assert (one["bed"], one["block"], one["treatment"], one["control"]) == ("B2", "1", "C", "no")
    assert (one["pull"], one["day"], one["nutrient"], one["value"]) == ("day 7", 7, "nitrate-N", 18)
    assert (one["reported"], one["form"], one["report"]) == ("18", "NO3-N", "R1")
    censored = found[found["qualifier"] == "<"].iloc[0]
    assert pd.isna(censored["value"])
    assert (censored["limit"], censored["reported"], censored["conflict"]) == (0.5, "<0.5", "no")


def test_differences_are_those_of_the_results(house: House) -> None:
    """By hand: day 7 of C: T = (18 + 21)/2, C = (12 + 11)/2, gaps 6 and 10 within blocks.

    T - C = 8; paired t on 1 df: 12.706 x sqrt(8/2) = 25.412 either side (12.706: any table of
    Student's t). f = 0.25 x 0.6 x 0.6 / (0.25 x 0.6 x 0.6 + 1.2) = 0.0697674, and T - (1 - f) C =
    8 + 0.0697674 x 11.5 = 8.80233.
    """
    house.season("out")
    found = house.read("out", "net_release.csv")
    nitrate = found[(found["nutrient"] == "nitrate-N") & (found["method"] == "1 M KCl")]
    one = nitrate[(nitrate["treatment"] == "C") & (nitrate["pull"] == "day 7")].iloc[0]
    assert one["treated"] == 19.5
    assert one["control"] == 11.5
    assert one["difference"] == 8
    assert one["low"] == pytest.approx(8 - 25.412, abs=0.01)
    assert one["high"] == pytest.approx(8 + 25.412, abs=0.01)
    assert (one["df"], one["interval_method"]) == (1, "within-block")
    assert one["f"] == pytest.approx(0.0697674, abs=1e-6)
    assert one["corrected"] == pytest.approx(8.80233, abs=1e-5)
    assert "by hand: not randomised" in one["series_notes"]
    meal = nitrate[nitrate["treatment"] == "M"].iloc[0]
    assert pd.isna(meal["corrected"])
    assert "the moisture of meal is not known yet" in meal["series_notes"]
    alone = found[found["method"] == "2 M KCl"].iloc[0]
    assert alone["interval_method"] == "one bed"
    assert alone["difference"] == 17
    assert "no test is reported" in alone["reason"]


def test_pulls_with_their_flags_and_those_that_were_not_made(house: House) -> None:
    house.season("out")
    pulls = house.read("out", "pulls.csv").set_index("sample")
    assert len(pulls) == 6 + 6 + 1 + 4
    late = pulls.loc[house.samples["B4", 16]]
    assert (late["timing"], late["from_target"], late["pull"]) == ("late", 2, "day 14")
    again = pulls.loc[house.samples["B2", 8]]
    assert (again["repeat"], again["repeat_reason"]) == ("yes", "first bag torn")
    spilled = pulls[pulls["events_before"].notna()]
    assert spilled["bed"].tolist() == ["B6"]
    assert spilled["events_before"].tolist() == ["spilled 2026-03-07"]
    assert pulls.loc[house.samples["B6", 0], "results"] == 1
    gone = house.read("out", "not_pulled.csv")
    states = gone.set_index(["bed", "pull"])["state"]
    assert states["B1", "before"] == "missed"
    assert states["B3", "day 14"] == "overdue"  # window to day 15, last act on day 16
    assert states["B3", "day 28"] == "coming"


def test_corrections_tell_what_was_and_why(house: House) -> None:
    house.season("out")
    found = house.read("out", "corrections.csv")
    assert "by" not in found.columns
    water = found[(found["bed"] == "B2") & (found["field"] == "volume_ml")].iloc[0]
    assert (water["how"], water["old"], water["new"]) == ("corrected", "250", "100")
    assert water["reason"] == "'=half"
    struck = found[found["how"] == "struck"].iloc[0]
    assert (struck["bed"], struck["what"], struck["field"]) == ("B3", "water", "(whole line)")
    assert struck["old"].startswith("watered 250 mL")
    result = found[(found["nutrient"] == "nitrate-N") & (found["field"] == "value")].iloc[0]
    assert (result["bed"], result["old"], result["new"]) == ("B4", "20", "21")
    assert result["reason"] == "the lab rang"


def test_names_and_notes_stay_out_unless_asked(house: House) -> None:
    note = house.say("note", "gate left open", day=13).split()[0]
    house.say("strike", note, "--reason", "wrong trial", day=13)
    plain = b"".join(house.season("plain").values())
    for word in ("mira", SECRET, "gate left open", str(house.folder), "R1.csv"):
        assert word.encode() not in plain
    asked = house.season("asked", "--with-notes", "--with-authors")
    assert set(house.read("asked", "corrections.csv")["by"]) == {"mira"}
    assert b"gate left open" in asked["corrections.csv"]
    notes = house.read("asked", "notes.csv")
    assert notes["text"].tolist() == [SECRET, SECRET]
    assert notes["kind"].tolist() == ["note", "spilled"]


def test_a_corrected_event_keeps_its_words_to_itself(house: House) -> None:
    act = house.say("event", "B1", "flooded", "--text", "first words", day=13).split()[0]
    house.say("correct", act, "--text", "second words", "--reason", "clearer", day=13)
    house.say("strike", act, "--reason", "not here", day=13)
    plain = b"".join(house.season("plain").values())
    assert b"first words" not in plain
    assert b"second words" not in plain
    assert b"flooded" in plain
    asked = house.season("asked", "--with-notes")["corrections.csv"]
    assert b"first words,second words,clearer" in asked


def test_the_same_book_makes_the_same_bytes(house: House) -> None:
    first = house.season("one")
    house.say("season", "two", day=25, clock="23:30")  # another day, another clock
    second = {one.name: one.read_bytes() for one in (house.folder / "two").iterdir()}
    with database.writing(house.folder / "book.db") as connection:
        projections.rebuild(connection)
    third = house.season("one", "--replace")
    assert first == second == third
    assert all(b"\r" not in body for name, body in first.items() if not name.endswith(".png"))


def test_the_manifest_holds_the_hashes_of_all_files(house: House) -> None:
    written = house.season("out")
    manifest = house.read("out", "manifest.csv").set_index("file")
    assert set(manifest.index) == written.keys() - {"manifest.csv"}
    for name, row in manifest.iterrows():
        assert row["sha256"] == hashlib.sha256(written[str(name)]).hexdigest()
        assert row["bytes"] == len(written[str(name)])


def test_every_set_of_comparable_results_has_its_figure(house: House) -> None:
    written = house.season("out")
    figures = {name for name in written if name.startswith("curve_")}
    sets = ("curve_nitrate-N_1-M-KCl", "curve_nitrate-N_2-M-KCl")
    assert figures == {f"{name}{kind}" for name in sets for kind in (".png", ".svg")}
    for name in figures:
        if name.endswith(".png"):
            assert written[name].startswith(b"\x89PNG\r\n\x1a\n")
        else:
            assert ElementTree.fromstring(written[name]).tag.endswith("svg")


def test_every_column_stands_in_the_readme(house: House) -> None:
    written = house.season("out", "--with-notes", "--with-authors")
    text = written["README.txt"].decode()
    for name in [name for name in written if name.endswith(".csv")]:
        assert f"- {name}:" in text
        if name == "manifest.csv":
            continue
        part = text.split(f"\nColumns of {name}\n", 1)[1].split("\nColumns of ", 1)[0]
        named = [line[2:].split(":")[0].split(" [")[0] for line in part.splitlines()
                 if line.startswith("- ")]  # fmt: skip
        assert named == list(house.read("out", name).columns)
    whole = " ".join(text.split())
    # 25 % on top of the soil is 0.25/1.25 = 20 % of the mix
    assert "25 % v/v on top of the soil (= 20 % v/v of the mix)" in whole
    assert "assigned by hand: not randomised" in whole
    assert "one bed per treatment: any interval would cover" in whole
    assert "not a fertiliser recommendation" in whole
    assert "The moisture of meal is not known yet" in whole
    assert max(map(len, text.splitlines())) <= 88


def test_refused_fits_are_named(house: House) -> None:
    """Two pulls are too few for any shape."""
    house.season("out")
    fits = house.read("out", "fits.csv")
    mine = fits[(fits["treatment"] == "C") & (fits["method"] == "1 M KCl")]
    assert len(set(mine["shape"])) == 5
    assert set(mine["fitted"]) == set(mine["chosen"]) == {"no"}
    assert mine["why"].str.contains("pulls").all()
    assert mine["refused"].notna().all()
    assert mine["reason"].str.contains("pulls").all()
    assert len(house.read("out", "curves.csv")) == 0


def test_fitted_curves_run_by_the_day_to_the_last_pull(started: House) -> None:
    """A line of 2 mg/kg a day above the control: its curve is that line (worked by hand)."""
    days = (0, 7, 14, 20, 27)
    rows = ""
    for day in days:
        started.pull("B1,B2,B4,B5", day)
        for bed, value in (("B1", 10), ("B5", 11), ("B2", 12 + 2 * day), ("B4", 13 + 2 * day)):
            rows += f"{started.samples[bed, day]},NO3-N,{value},mg/kg,2 M KCl,dry\n"
    started.report("R.csv", rows, 28)
    started.say("season", "out", day=28)
    fits = started.read("out", "fits.csv")
    line = fits[fits["shape"] == "zero order"].set_index("symbol")
    assert line.loc["a", "value"] == pytest.approx(2, abs=1e-6)
    assert line.loc["a", "parameter_unit"] == "mg/kg per day"
    assert (line.loc["a", "pulls"], line.loc["a", "dilution_corrected"]) == (5, "yes")
    assert line.loc["a", "last_day"] == 27
    # Both treated beds rise by exactly 2 a day and both controls by nothing: no spread to judge by.
    assert line.loc["a", ["value", "through_all_pulls"]].tolist() == pytest.approx([2, 2])
    assert "range" in line.loc["D0", "reason_low"] and math.isnan(line.loc["D0", "low"])
    assert set(fits["chosen"]) == {"yes", "no"} and line.loc["a", "chosen"] == "yes"
    assert fits[fits["chosen"] == "no"]["why"].notna().all()
    curve = started.read("out", "curves.csv")
    curve = curve[curve["shape"] == "zero order"]
    assert curve["day"].tolist() == list(range(28))
    # D0 = 2 + f x 10.5 with f = 0.0697674 as above
    assert curve["value"].iloc[0] == pytest.approx(2 + 0.0697674 * 10.5, abs=1e-4)
    assert curve["value"].iloc[27] - curve["value"].iloc[0] == pytest.approx(54, abs=1e-4)
    assert set(curve["drawn"]) == {"yes"}
    assert curve[["low", "high"]].isna().all(axis=None)
    assert curve["band"].str.startswith("both blocks give the same difference, so that").all()


def test_without_results_it_says_what_is_missing(started: House) -> None:
    said = started.say("season", "out")
    assert said == (
        "Written to out: 0 samples and 0 results in 7 tables, 0 figures, README.txt, manifest.csv; "
        "no results yet, so no differences, curves and figures\n"
    )
    assert len(started.read("out", "results.csv")) == 0
    assert len(started.read("out", "not_pulled.csv")) > 0
    text = (started.folder / "out" / "README.txt").read_text(encoding="utf-8")
    assert "No results yet" in text


def test_the_readme_says_what_was_declared_beforehand(house: House) -> None:
    text = PROTOCOL.replace("=Two beds, two blocks", "Declared").replace('label = "B', 'label = "X')
    (house.folder / "other.toml").write_text(
        f'{text}Mg = {{ method = "Mehlich-3", cv = "8 %", sd = "2 mg/kg", margin = "20 ppm" }}\n',
        encoding="utf-8",
    )
    house.say("trial", "start", "other.toml", day=13)
    house.say("--trial", "Declared", "season", "declared", day=20)
    told = " ".join((house.folder / "declared" / "README.txt").read_text(encoding="utf-8").split())
    assert (
        "Mg by Mehlich-3; declared: the laboratory's CV 8 %, its error near nothing 2 mg/kg, a "
        "difference that matters 20 mg/kg."
    ) in told


def test_another_trial_of_the_book_stays_out(house: House) -> None:
    before = house.season("before")
    text = PROTOCOL.replace("=Two beds, two blocks", "Another").replace('label = "B', 'label = "X')
    (house.folder / "other.toml").write_text(text, encoding="utf-8")
    house.say("trial", "start", "other.toml", day=13)
    act = house.say("water", "X1", "--amount", "1 L", day=13).split()[0]
    house.say("strike", act, "--reason", "elsewhere", day=13)
    house.say("--trial", "=Two beds", "season", "after", day=20)
    for name in ("pulls.csv", "results.csv", "corrections.csv", "net_release.csv"):
        assert (house.folder / "after" / name).read_bytes() == before[name]


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (("season",), "Missing argument 'OUT_DIR'"),
        (("season", "trial.toml"), "trial.toml: this is a file, not a folder"),
        (("season", "no/such/out"), "no/such/out: there is no folder to put it in"),
        (("season", "state", "--replace"), "state: the folder is not empty and holds no earlier"),
        (("season", "."), ".: this is the folder you are in"),
        (("--trial", "oats", "season", "out"), "there is no trial called 'oats'"),
        (("--store", "none.db", "season", "out"), "none.db: there is no logbook here yet"),
    ],
)
def test_wrong_input(started: House, words: tuple[str, ...], message: str) -> None:
    before = sorted(started.folder.rglob("*"))
    assert message in started.say(*words, code=2)
    assert sorted(started.folder.rglob("*")) == before


def test_machines_that_disagree_are_shown(house: House) -> None:
    """A disagreement as the fold marks it: its row says so, and it stays out of the difference."""
    with sqlite3.connect(house.folder / "book.db") as connection:
        connection.execute(
            "UPDATE result SET conflict = 1 WHERE sample = ?", (house.samples["B4", 7],)
        )
    connection.close()
    house.season("out")
    results = house.read("out", "results.csv").set_index("sample")
    assert results.loc[house.samples["B4", 7], "conflict"] == "yes"
    found = house.read("out", "net_release.csv")
    found = found[(found["treatment"] == "C") & (found["method"] == "1 M KCl")]
    one = found[(found["pull"] == "day 7") & (found["nutrient"] == "nitrate-N")].iloc[0]
    assert (one["treated"], one["treated_beds"]) == (18, 1)


def test_the_readme_names_the_laboratory_of_the_results_where_the_protocol_names_none(
    house: House,
) -> None:
    text = PROTOCOL.replace("=Two beds, two blocks", "Unnamed").replace('label = "B', 'label = "X')
    begin = text.index("[lab]")
    text = text[:begin] + text[text.index("[", begin + 1) :]
    (house.folder / "other.toml").write_text(text, encoding="utf-8")
    house.say("trial", "start", "other.toml", day=13)
    house.say("--trial", "Unnamed", "season", "none", day=20)
    assert "laboratory: not known yet." in _readme(house, "none")
    said = house.say("pull", "Unnamed:X1", day=14)
    code = next(line.split()[0] for line in said.splitlines() if line.startswith("  "))
    (house.folder / "x.csv").write_text(
        f"sample,nutrient,value,unit,method\n{code},nitrate-N,7,mg/kg,1 M KCl\n", encoding="utf-8"
    )
    house.say("lab", "import", "x.csv", "--report", "x-1", "--lab", "Fen Lab", day=20)
    house.say("--trial", "Unnamed", "season", "one", day=20)
    assert "laboratory: Fen Lab (1 result); the protocol names none." in _readme(house, "one")


def _readme(house: House, folder: str) -> str:
    return " ".join((house.folder / folder / "README.txt").read_text(encoding="utf-8").split())
