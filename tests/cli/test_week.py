"""The coming week as a list to prepare and print, and codes reserved for its bags."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from logbook.trial.codes import is_valid
from tests.cli.parted import parted
from tests.program import PROTOCOL, Program

__all__ = ["parted"]

DAY0 = "2026-03-02T09:00+01:00"
DAY12 = "2026-03-14T09:00+01:00"  # a Saturday; day 14 is Monday the 16th
BEDS = "B1, B2, B5, B6"


@pytest.fixture
def applied(started: Program) -> Program:
    """The small trial with its controls and M applied on 2 March, watered on the 13th."""
    started.must("apply", "control,M", on=DAY0)
    started.must("water", "all", on="2026-03-13T09:00+01:00")
    return started


def week(program: Program, on: str = DAY12) -> Any:
    (one,) = json.loads(program.must("week", "--json", on=on).out)["weeks"]
    return one


def test_a_week_on_paper(applied: Program) -> None:
    code = applied.must("pull", "B1", "--for", "day 7", on="2026-03-10T09:00+01:00").samples[0]
    assert applied.must("week", on=DAY12).out == (
        "Small house (invented), week from Sat 14 Mar 2026\n"
        "\n"
        "Sat 14 Mar 2026\n"
        "  [ ] pull before: B3, B4\n"
        "\n"
        "Mon 16 Mar 2026\n"
        f"  [ ] pull day 14: {BEDS}, by Wed 18 Mar 2026\n"
        "  [ ] water B1-B6: 250 mL each\n"
        "\n"
        "Thu 19 Mar 2026\n"
        "  [ ] water B1-B6: 250 mL each\n"
        "\n"
        "Read and weigh\n"
        "  [ ] soil temperature: not read yet\n"
        "\n"
        "To send\n"
        "  [ ] 1 bag of Tue 10 Mar 2026, 4 d ago\n"
        "\n"
        "Bags to prepare: 6; codes reserved: 0\n"
        "  logbook week --reserve gives codes to write on the others\n"
    )
    assert code in week(applied)["awaited"][0]["codes"]
    assert week(applied)["to_send"] == week(applied)["awaited"]
    applied.must("lab", "send", code, on=DAY12)
    said = applied.must("week", on=DAY12).out
    assert "Results to expect\n  1 bag of Tue 10 Mar 2026, 4 d ago\n" in said
    assert "To send" not in said and week(applied)["to_send"] == []


def test_tins_are_listed_by_bed_in_the_order_of_the_bench(parted: Program) -> None:
    words = ("pull", "B1,B2,B5,B6", "--for", "day 7", "--part", "tin")
    bags = parted.must(*words, on="2026-03-10T09:00+01:00").samples
    parted.must("weigh", bags[1], "--tare", "10 g", "--wet", "60 g", on="2026-03-10T10:00+01:00")
    said = parted.must("week", on=DAY12).out.splitlines()
    assert [line for line in said if " tin " in line] == [
        f"  [ ] weigh the tin of {bed}, Tue 10 Mar 2026, {code}: {missing}"
        for code, bed, missing in zip(
            bags,
            ("B1", "B2", "B5", "B6"),
            ("moist weight, then dry", "dry weight", *2 * ("moist weight, then dry",)),
            strict=True,
        )
    ]


def test_a_large_trial_fits_the_paper(program: Program) -> None:
    """Beds with names that make no ranges, and a window of any width."""
    beds = "".join(
        f'  {{ label = "bed{chr(97 + n)}{chr(97 + (7 * n) % 26)}x{n % 2}", block = "1", '
        f'treatment = "{("none", "M", "C10")[n % 3]}", size = "bed" }},\n'
        for n in range(24)
    )
    head, rest = PROTOCOL.split("beds = [\n")
    _, tail = rest.split("]\n\n[calendar]")
    text = f"{head}beds = [\n{beds}]\n\n[calendar]{tail}"
    (program.folder / "trial.toml").write_text(text, encoding="utf-8")
    program.must("trial", "start", "trial.toml", on="2026-03-01T09:00+01:00")
    program.must("fill", "all", on="2026-03-01T10:00+01:00")
    out = program.must("week", on="2026-03-02T09:00+01:00").out
    assert max(map(len, out.splitlines())) <= 80
    assert out.isascii()
    assert out.count("bed") >= 24


def test_it_is_the_same_for_programs(applied: Program) -> None:
    found = week(applied)
    assert [day["day"] for day in found["days"]] == [f"2026-03-{n}" for n in range(14, 21)]
    (pull,) = found["days"][2]["pulls"]
    assert (pull["planned"], pull["beds"], pull["until"]) == (
        "day 14", BEDS.split(", "), "2026-03-18",
    )  # fmt: skip
    assert found["bags"] == 6


def test_a_late_pull_stands_on_the_first_day(applied: Program) -> None:
    found = week(applied, "2026-03-19T09:00+01:00")
    (late,) = [one for one in found["days"][0]["pulls"] if one["planned"] == "day 14"]
    assert late["state"] == "overdue"
    text = applied.must("week", on="2026-03-19T09:00+01:00").out
    late = f"pull day 14: {BEDS}, overdue: its window closed on Wed 18 Mar 2026"
    assert late in " ".join(text.split())


def test_skipped_pulls_and_beds_that_left_are_not_in_it(applied: Program) -> None:
    applied.must("skip", "B5,B6", "--for", "14", "--reason", "r", on=DAY12)
    applied.must("event", "B1", "out of the trial", on=DAY12)
    text = applied.must("week", on=DAY12).out
    assert "pull day 14: B2," in text
    assert "water B2-B6: 250 mL each" in text


def test_a_bed_that_was_pulled_for_the_last_time_is_watered_no_more(applied: Program) -> None:
    on = "2026-03-29T09:00+02:00"  # day 27; what came before day 28 is missed
    applied.must("pull", "B2,B6", "--for", "day 28", on=on)
    days = week(applied, on)["days"]
    watered = [bed for day in days for task in day["water"] for bed in task["beds"]]
    assert "B1" in watered
    assert not {"B2", "B6"} & {*watered}
    (board,) = json.loads(applied.must("today", "--json", on=on).out)["boards"]
    today = [bed for task in board["water"] for bed in task["beds"]]
    assert sorted(today) == sorted(bed for task in days[0]["water"] for bed in task["beds"])


@pytest.mark.parametrize("day", range(1, 6))
def test_the_week_waters_today_what_the_board_does(applied: Program, day: int) -> None:
    """Also where the last pull, of day 28 within 2 days, is overdue: from 2 to 3 April."""
    on = f"2026-04-{day:02d}T09:00+02:00"
    (board,) = json.loads(applied.must("today", "--json", on=on).out)["boards"]
    today = sorted(bed for task in board["water"] for bed in task["beds"])
    first = week(applied, on)["days"][0]
    assert today == sorted(bed for task in first["water"] for bed in task["beds"])
    assert bool({"B2", "B6"} & {*today}) == (day < 4)


def test_several_trials_come_one_under_another(applied: Program) -> None:
    other = PROTOCOL.replace("Small house", "Other house").replace('"B', '"C')
    (applied.folder / "other.toml").write_text(other, encoding="utf-8")
    applied.must("trial", "start", "other.toml", on=DAY12)
    lines = applied.must("week", on=DAY12).out.splitlines()
    heads = [n for n, line in enumerate(lines) if ", week from " in line]
    assert [lines[n].split(",")[0] for n in heads] == [
        "Other house (invented)", "Small house (invented)",
    ]  # fmt: skip
    assert lines[heads[1] - 1] == ""
    boards = applied.must("today", on=DAY12).out.splitlines()
    second = next(n for n, line in enumerate(boards) if line.startswith("Small house"))
    assert boards[second - 1] == ""
    assert max(map(len, boards)) <= 80
    assert len(json.loads(applied.must("week", "--json", on=DAY12).out)["weeks"]) == 2


class TestReservedCodes:
    def test_they_are_as_many_as_bags_and_valid(self, applied: Program) -> None:
        said = applied.must("week", "--reserve", on=DAY12).out
        assert "  reserved 6 codes for bags\n" in said
        assert "Bags to prepare: 6; codes reserved: 6\n" in said
        codes = week(applied)["reserved"]
        assert len(set(codes)) == 6
        assert all(is_valid(code) for code in codes)
        assert all(code in said for code in codes)

    def test_a_pull_binds_them_to_beds(self, applied: Program) -> None:
        applied.must("week", "--reserve", on=DAY12)
        first, second, *rest = week(applied)["reserved"]
        day14 = "2026-03-16T09:00+01:00"
        said = applied.must("pull", "B2,B6", "--code", f"{second},{first.lower()}", on=day14)
        assert said.samples == [second, first]
        assert week(applied, day14)["reserved"] == rest

    def test_a_machine_that_never_heard_of_them_binds_them_too(
        self, applied: Program, tmp_path_factory: pytest.TempPathFactory,
        monkeypatch: pytest.MonkeyPatch,
    ) -> None:  # fmt: skip
        """The bag carries its code to the greenhouse: its check symbol is all that is needed."""
        applied.must("week", "--reserve", on=DAY12)
        code = week(applied)["reserved"][0]
        other = tmp_path_factory.mktemp("other")
        monkeypatch.setenv("LOGBOOK_STORE", str(other / "logbook.db"))
        monkeypatch.setenv("LOGBOOK_STATE", str(other / "state"))
        applied.must("trial", "start", "trial.toml", on=DAY12)
        said = applied.must("pull", "B2", "--code", code, "--for", "day 14", on=DAY12)
        assert said.samples == [code]

    def test_new_codes_never_repeat_them(
        self, applied: Program, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """With a chooser that draws the reserved code again first."""
        from logbook.trial import codes

        applied.must("week", "--reserve", on=DAY12)
        reserved = week(applied)["reserved"]
        drawn = iter([*reserved, *("JK9ADXQC", "4WDCFEEK", "RT4MAXCR")])
        monkeypatch.setattr(codes, "new_code", lambda choose: next(drawn))
        said = applied.must("pull", "B2,B6", "--for", "day 14", on=DAY12)
        assert not {said.act, *said.samples} & set(reserved)

    def test_more_are_reserved_once_more_bags_are_needed(self, applied: Program) -> None:
        applied.must("skip", "B5,B6", "--for", "14", "--reason", "r", on=DAY12)
        applied.must("week", "--reserve", on=DAY12)
        assert len(week(applied)["reserved"]) == 4
        applied.must("apply", "C10", on=DAY12)
        said = applied.must("week", "--reserve", on=DAY12).out
        bags = week(applied)["bags"]
        assert f"Bags to prepare: {bags}; codes reserved: {bags}\n" in said

    def test_undo_gives_them_up(self, applied: Program) -> None:
        applied.must("week", "--reserve", on=DAY12)
        applied.must("undo", on=DAY12)
        assert week(applied)["reserved"] == []

    def test_undo_is_refused_once_a_bag_is_full(self, applied: Program) -> None:
        applied.must("week", "--reserve", on=DAY12)
        code = week(applied)["reserved"][0]
        applied.must("--by", "noor", "pull", "B2", "--code", code, "--for", "day 14", on=DAY12)
        assert applied("undo", on=DAY12).code == 2


WRONG = {
    "no day": (
        ["week", "--on", "soon"],
        "Error: 'soon' is not a time\n"
        "Try: write yesterday, 08:30, tue 17:00, 2026-03-14 or 2026-03-14T08:30\n",
    ),
    "a clock time": (
        ["week", "--on", "08:30"],
        "Error: a board is for a whole day\nTry: leave the clock time out\n",
    ),
    "no such trial": (
        ["--trial", "Other", "week"],
        "Error: there is no trial called 'Other'\n"
        "Try: logbook trial list, or: logbook trial start FILE\n",
    ),
    "codes enough": (
        ["week", "--reserve"],
        "Error: 6 codes are reserved for 6 bags: nothing was reserved\n"
        "Try: logbook week shows them\n",
    ),
    "nothing to pull": (
        ["week", "--on", "2026-09-01", "--reserve"],
        "Error: 6 codes are reserved for 2 bags: nothing was reserved\n"
        "Try: logbook week shows them\n",
    ),
    "codes mistyped": (
        ["pull", "B2", "--code", "XXXXXXXX"],
        "Error: 'XXXXXXXX' is not a sample code: its check symbol is wrong\n",
    ),
}


@pytest.mark.parametrize("name", WRONG)
def test_wrong_input_is_one_message_and_no_trace(name: str, applied: Program) -> None:
    applied.must("week", "--reserve", on=DAY12)
    before = applied.journal()
    words, expected = WRONG[name]

    said = applied(*words, on=DAY12)

    assert (said.code, said.out, said.err) == (2, "", expected)
    assert applied.journal() == before


def test_without_a_store_it_says_how_to_begin(program: Program) -> None:
    assert "logbook trial start" in program.must("week").out
    assert not Path(program.store).exists()
