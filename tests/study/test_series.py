"""Series: what is paired with what, what is never compared, and what is said about it."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

import pytest

from tests.program import PROTOCOL, Program

DAY0 = "2026-03-02T09:00+01:00"
DAY7 = "2026-03-09T09:00+01:00"
LATER = "2026-03-20T09:00+01:00"


def pulled(program: Program, beds: str, on: str) -> dict[str, str]:
    """Pull beds; sample codes by bed label."""
    said = program.must("pull", beds, on=on)
    lines = [line.split() for line in said.out.splitlines() if line.startswith("  ")]
    return {label: code for code, label, *_ in lines}


def report(
    program: Program, rows: Sequence[tuple[str, str, str, str, str]], number: str = "1"
) -> None:
    """Import results `(sample, nutrient, value, unit, method)` as one report."""
    text = "sample,nutrient,value,unit,method\n" + "".join(",".join(row) + "\n" for row in rows)
    (program.folder / f"report-{number}.csv").write_text(text, encoding="utf-8")
    program.must("lab", "import", f"report-{number}.csv", "--report", number, on=LATER)


def curves(program: Program, *words: str) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = json.loads(program.must("curve", *words, "--json").out)["curves"]
    return found


def rows_of(values: dict[str, str], codes: dict[str, str]) -> list[tuple[str, str, str, str, str]]:
    return [(codes[bed], "K", value, "mg/kg", "Mehlich-3") for bed, value in values.items()]


def test_a_treated_bed_meets_the_controls_of_its_own_block(started: Program) -> None:
    started.must("apply", "control,M", on=DAY0)
    codes = pulled(started, "B1,B2,B5,B6", DAY0)
    # Block 1: 130 - 100 = 30; block 2: 240 - 200 = 40: mean 35, whatever the blocks differ by.
    report(started, rows_of({"B1": "100", "B2": "130", "B5": "200", "B6": "240"}, codes))

    (curve,) = curves(started, "K", "M")
    (pull,) = curve["pulls"]
    assert pull["interval_method"] == "within-block"
    assert pull["difference"]["value"] == pytest.approx(35)
    # Half-width t(.975, 1) x sd / sqrt 2 = 12.706 x 7.0711 / 1.4142 = 63.53 (t table, any).
    assert pull["difference"]["high"] - 35 == pytest.approx(63.53, abs=0.01)
    assert pull["treated_beds"] == pull["control_beds"] == 2


def test_blocks_applied_on_different_days_are_paired_by_days_since_application(
    started: Program,
) -> None:
    started.must("apply", "B1,B2", on=DAY0)
    started.must("apply", "B5,B6", on="2026-03-05T09:00+01:00")
    first = pulled(started, "B1,B2", DAY7)
    second = pulled(started, "B5,B6", "2026-03-12T09:00+01:00")
    report(started, rows_of({"B1": "100", "B2": "130", "B5": "200", "B6": "240"}, first | second))

    (curve,) = curves(started, "K", "M")
    (pull,) = curve["pulls"]
    assert (pull["pull"], pull["day"]) == ("day 7", 7.0)
    assert (pull["first_date"], pull["last_date"]) == ("2026-03-09", "2026-03-12")
    assert pull["difference"]["value"] == pytest.approx(35)


def test_another_method_stands_in_a_series_of_its_own(started: Program) -> None:
    started.must("apply", "control,M", on=DAY0)
    codes = pulled(started, "B1,B2,B5,B6", DAY0)
    report(started, rows_of({"B1": "100", "B2": "130", "B5": "200", "B6": "240"}, codes))
    olsen = [(codes[bed], "K", "50", "mg/kg", "ammonium acetate") for bed in ("B1", "B2")]
    report(started, olsen, number="2")

    found = curves(started, "K", "M")
    assert [one["method"] for one in found] == ["Mehlich-3", "ammonium acetate"]
    assert found[0]["pulls"][0]["difference"]["value"] == pytest.approx(35)
    assert all(any("series of their own" in note for note in one["notes"]) for one in found)


def test_mineral_nitrogen_is_the_sum_of_one_samples_nitrate_and_ammonium(
    started: Program,
) -> None:
    started.must("apply", "control,M", on=DAY0)
    codes = pulled(started, "B1,B2", DAY0)
    report(
        started,
        [
            (codes["B1"], "nitrate-N", "10", "mg/kg", "1 M KCl"),
            (codes["B1"], "ammonium-N", "2", "mg/kg", "1 M KCl"),
            # 44.26644 mg NO3 is 10 mg N (14.007 / 62.004, IUPAC weights).
            (codes["B2"], "NO3", "44.26644", "mg/kg", "1 M KCl"),
            (codes["B2"], "ammonium-N", "5", "mg/kg", "1 M KCl"),
        ],
    )
    (curve,) = curves(started, "mineral-N", "M")
    (pull,) = curve["pulls"]
    assert pull["treated"] == pytest.approx(15, abs=1e-6)
    assert pull["control"] == pytest.approx(12)
    assert pull["interval_method"] == "one bed"
    assert pull["difference"]["low"] is None
    assert "cannot separate the amendment" in pull["difference"]["reason"]


def test_nitrate_alone_is_no_mineral_nitrogen(started: Program) -> None:
    started.must("apply", "control,M", on=DAY0)
    codes = pulled(started, "B1,B2", DAY0)
    report(started, [(codes[bed], "nitrate-N", "9", "mg/kg", "1 M KCl") for bed in ("B1", "B2")])

    said = started("curve", "mineral-N")
    assert said.code == 2
    assert "no results of mineral-N" in said.err


@pytest.mark.parametrize(
    ("ammonium", "treated"),
    [("<0.5", 20.25), ("<5", None)],  # 20 to 20.5: known to 2 %; 20 to 25: not known
)
def test_a_small_non_detect_leaves_a_sum_usable_and_a_large_one_does_not(
    started: Program, ammonium: str, treated: float | None
) -> None:
    started.must("apply", "control,M", on=DAY0)
    codes = pulled(started, "B1,B2", DAY0)
    report(
        started,
        [
            (codes["B1"], "nitrate-N", "10", "mg/kg", "1 M KCl"),
            (codes["B1"], "ammonium-N", "2", "mg/kg", "1 M KCl"),
            (codes["B2"], "nitrate-N", "20", "mg/kg", "1 M KCl"),
            (codes["B2"], "ammonium-N", ammonium, "mg/kg", "1 M KCl"),
        ],
    )
    (curve,) = curves(started, "mineral-N", "M")
    (pull,) = curve["pulls"]
    assert pull["treated"] == treated
    if treated is None:
        # 20 to 25 against 12: between +8 and +13, and no single number.
        assert (pull["difference"]["low"], pull["difference"]["high"]) == (8.0, 13.0)
    else:
        (note,) = [one for one in curve["notes"] if "taken at the middle" in one]
        assert note.startswith("a part of 1 sum is below its limit: it is known to within ")


def test_the_dilution_waits_for_what_is_not_known_and_then_counts(started: Program) -> None:
    started.must("apply", "control,C10", on=DAY0)
    codes = pulled(started, "B1,B3,B5,B4", DAY0)
    report(started, rows_of({"B1": "100", "B3": "90", "B5": "100", "B4": "90"}, codes))

    (curve,) = curves(started, "K", "C10")
    assert curve["dilution"] is None
    assert curve["notes"] == [
        "the dilution-corrected difference cannot be given: the density of compost and the "
        "moisture of compost are not known yet (logbook amendment set compost --density ... "
        "--moisture ...)"
    ]
    started.must(
        "amendment", "set", "compost", "--density", "0.55 kg/L", "--moisture", "40 % wet basis"
    )
    (curve,) = curves(started, "K", "C10")
    # .1 x .55 x .6 / (.1 x .55 x .6 + .9 x 1.2) = .033 / 1.113 = .029650 (mass balance of a mix)
    assert curve["dilution"] == pytest.approx(0.0296496, abs=1e-6)
    # 90 - (1 - f) x 100 = -7.035: a tenth less, of which the soil displaced explains a third.
    corrected = curve["pulls"][0]["dilution_corrected_difference"]["value"]
    assert corrected == pytest.approx(-7.03504, abs=1e-4)
    assert curve["pulls"][0]["difference"]["value"] == pytest.approx(-10)


def test_a_mishap_flags_later_pulls_and_leaves_earlier_ones(started: Program) -> None:
    started.must("apply", "control,M", on=DAY0)
    before = pulled(started, "B1,B2", DAY0)
    started.must("event", "B2", "spilled", "--when", "2026-03-05", on="2026-03-05T18:00+01:00")
    after = pulled(started, "B1,B2", DAY7)
    report(started, rows_of({"B1": "100", "B2": "130"}, before), "1")
    report(started, rows_of({"B1": "100", "B2": "120"}, after), "2")

    (curve,) = curves(started, "K", "M")
    assert curve["notes"] == [
        "B2 spilled on Thu 5 Mar 2026: 1 pull of it since then is flagged, and kept here",
    ]


def test_beds_assigned_by_hand_are_said_to_be(program: Program) -> None:
    by_hand = PROTOCOL.replace('assigned = "drawn"\nseed = 7', 'assigned = "by hand"')
    (program.folder / "trial.toml").write_text(by_hand, encoding="utf-8")
    program.must("trial", "start", "trial.toml", on="2026-03-01T09:00+01:00")
    program.must("apply", "control,M", on=DAY0)
    codes = pulled(program, "B1,B2", DAY0)
    report(program, rows_of({"B1": "100", "B2": "130"}, codes))

    (curve,) = curves(program, "K", "M")
    assert "beds were assigned by hand: not randomised" in curve["notes"]


def test_a_struck_result_leaves_the_curve(started: Program) -> None:
    started.must("apply", "control,M", on=DAY0)
    codes = pulled(started, "B1,B2,B5,B6", DAY0)
    report(started, rows_of({"B1": "100", "B2": "130", "B5": "200", "B6": "999"}, codes))
    started.must("strike", f"{codes['B6']}:K", "--reason", "jar broke in the post")

    (curve,) = curves(started, "K", "M")
    (pull,) = curve["pulls"]
    assert pull["treated_beds"] == 1
    assert pull["treated"] == pytest.approx(130)


# --- what happened to beds ----------------------------------------------------------------------

ALL_RESULTS = "2026-04-20T09:00+02:00"


def _season(program: Program, *acts: tuple[str, ...]) -> None:
    """Four beds pulled on days 0, 7, 14 and 28, with these acts; potassium grows under M."""
    program.must("apply", "control,M", on=DAY0)
    for words in acts:
        program.must(*words, on="2026-03-31T09:00+02:00")
    grown = {0: 0, 7: 20, 14: 40, 28: 60}
    text = "sample,nutrient,value,unit,method\n"
    for place, (day, more) in enumerate(grown.items()):
        on = f"2026-03-{2 + day:02d}T12:00+0{1 + (day == 28)}:00"
        codes = pulled(program, "B1,B2,B5,B6", on)
        values = {"B1": 100, "B2": 100 + more + place, "B5": 200, "B6": 200 + more - place}
        text += "".join(f"{codes[bed]},K,{value},mg/kg,Olsen\n" for bed, value in values.items())
    (program.folder / "season.csv").write_text(text, encoding="utf-8")
    program.must("lab", "import", "season.csv", "--report", "s", on=ALL_RESULTS)


def _curve(program: Program, *words: str) -> dict[str, Any]:
    said = program.must("curve", "K", "M", "--json", *words, on=ALL_RESULTS).out
    (found,) = json.loads(said)["curves"]
    return dict(found)


def _beds(curve: dict[str, Any]) -> list[tuple[str, int, int]]:
    return [(p["pull"], p["treated_beds"], p["control_beds"]) for p in curve["pulls"]]


class TestMishaps:
    SPILT = ("event", "B2", "spilled", "--when", "2026-03-16 11:00")

    def test_by_default_flagged_pulls_are_kept_and_said(self, started: Program) -> None:
        _season(started, self.SPILT)
        curve = _curve(started)
        assert curve["flagged_left_out"] is False
        assert _beds(curve) == [(f"day {n}", 2, 2) for n in (0, 7, 14, 28)]
        note = "B2 spilled on Mon 16 Mar 2026: 2 pulls of it since then are flagged, and kept here"
        assert note in curve["notes"]
        text = " ".join(started.must("curve", "K", "M", on=ALL_RESULTS).out.split())
        assert f"note: {note}" in text

    def test_they_are_left_out_when_asked_and_it_is_said(self, started: Program) -> None:
        _season(started, self.SPILT)
        curve = _curve(started, "--without-flagged")
        assert curve["flagged_left_out"] is True
        assert _beds(curve) == [
            ("day 0", 2, 2),
            ("day 7", 2, 2),
            ("day 14", 1, 1),
            ("day 28", 1, 1),
        ]
        note = "B2 spilled on Mon 16 Mar 2026: 2 pulls of it since then are left out, as asked"
        assert note in curve["notes"]
        text = started.must("curve", "K", "M", "--without-flagged", on=ALL_RESULTS).out
        assert f"note: {note}" in " ".join(text.split())

    @pytest.mark.parametrize(
        ("when", "flagged"),
        [("2026-03-16 13:00", 1), ("2026-03-16 11:00", 2), ("2026-03-16", 2), ("2026-03-17", 1)],
    )
    def test_a_pull_of_the_same_day_counts_by_the_clock_where_both_are_known(
        self, started: Program, when: str, flagged: int
    ) -> None:
        """The pull of day 14 was made on 16 March at noon."""
        _season(started, ("event", "B2", "flooded", "--when", when))
        (note,) = _curve(started, "--without-flagged")["notes"]
        assert f"{flagged} pull" in note

    @pytest.mark.parametrize("what", ["spilled", "refilled", "flooded", "drained", "heat off"])
    def test_every_mishap_flags(self, started: Program, what: str) -> None:
        _season(started, ("event", "B2", what, "--when", "2026-03-20"))
        assert _beds(_curve(started, "--without-flagged"))[-1] == ("day 28", 1, 1)

    def test_ammonia_that_was_smelt_is_said_and_flags_nothing(self, started: Program) -> None:
        _season(started, ("event", "B2", "ammonia smelt", "--when", "2026-03-05"))
        kept, left_out = _curve(started), _curve(started, "--without-flagged")
        assert kept["pulls"] == left_out["pulls"]
        assert kept["notes"] == [
            "B2: ammonia was smelt on Thu 5 Mar 2026: nitrogen went into the air"
        ]

    def test_without_a_flag_both_versions_are_the_same_and_it_is_said(
        self, started: Program
    ) -> None:
        _season(started)
        kept, left_out = _curve(started), _curve(started, "--without-flagged")
        assert kept["pulls"] == left_out["pulls"]
        assert left_out["notes"] == ["no pull of this series is flagged: nothing was left out"]

    def test_a_date_is_compared_without_them_too(self, started: Program) -> None:
        _season(started, self.SPILT)
        words = ("compare", "day 28", "--json")
        kept, left_out = (
            json.loads(started.must(*words, *more, on=ALL_RESULTS).out)["comparison"]
            for more in ((), ("--without-flagged",))
        )
        assert (kept["flagged_left_out"], left_out["flagged_left_out"]) == (False, True)
        assert kept["differences"][0]["treated_beds"] == 2
        assert left_out["differences"][0]["treated_beds"] == 1
        assert any("left out, as asked" in note for note in left_out["notes"])


class TestSown:
    def test_from_sowing_on_pulls_are_outside_release_fits(self, started: Program) -> None:
        """Crops take up what was released: such a difference is no release any more."""
        _season(started, ("event", "M", "sown", "--when", "2026-03-20"))
        curve = _curve(started)
        assert curve["fitted_to"]["days"] == [0, 7, 14]
        assert [p["planted"] for p in curve["pulls"]] == [[], [], [], ["B2", "B6"]]
        # It is shown all the same: (163 - 100 + 257 - 200) / 2 = 60.
        assert curve["pulls"][-1]["difference"]["value"] == pytest.approx(60)
        assert "day 28: planted (B2, B6 sown before it)" in curve["notes"]
        assert (
            "B2 was sown on Fri 20 Mar 2026: 1 pull of it since then is planted, outside release "
            "fits" in curve["notes"]
        )

    def test_a_sown_control_plants_the_comparison(self, started: Program) -> None:
        _season(started, ("event", "B5", "sown", "--when", "2026-03-12"))
        curve = _curve(started)
        assert curve["fitted_to"]["days"] == [0, 7]
        assert [p["planted"] for p in curve["pulls"]] == [[], [], ["B5"], ["B5"]]


class TestOutOfTheTrial:
    def test_later_pulls_are_left_out_in_both_versions(self, started: Program) -> None:
        """Written down afterwards: the pull of day 28 had been made."""
        _season(started)
        out = ("event", "B2", "out of the trial", "--when", "2026-03-20")
        started.must(*out, on=ALL_RESULTS)
        for words in ((), ("--without-flagged",)):
            curve = _curve(started, *words)
            assert _beds(curve)[-1] == ("day 28", 1, 1)
            assert _beds(curve)[:-1] == [(f"day {n}", 2, 2) for n in (0, 7, 14)]
            assert (
                "B2 is out of the trial since Fri 20 Mar 2026: 1 pull of it since then is left out"
                in curve["notes"]
            )


WRONG = {
    "a plain file": (
        ["curve", "--from", "old.csv", "--without-flagged"],
        "Error: --from reads a plain series, which has no flags\n",
    ),
    "no results": (
        ["curve", "P", "--without-flagged"],
        "Error: there are no results of P to compare with the control yet\n"
        "Try: logbook lab import FILE brings them in\n",
    ),
    "the control": (
        ["curve", "K", "none", "--without-flagged"],
        "Error: there is no treatment 'none' to compare with the control\n"
        "Try: use one of: C10, M\n",
    ),
    "no nutrient": (
        ["curve", "gold", "--without-flagged"],
        "Error: 'gold' is not a nutrient this program knows\n",
    ),
}


@pytest.mark.parametrize("name", WRONG)
def test_wrong_input_with_flags_left_out(name: str, started: Program) -> None:
    _season(started)
    before = started.journal()
    words, expected = WRONG[name]
    said = started(*words, on=ALL_RESULTS)
    assert (said.code, said.out) == (2, "")
    assert said.err.startswith(expected) if name == "no nutrient" else said.err == expected
    assert started.journal() == before
