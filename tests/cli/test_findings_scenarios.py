"""What growers see again and again, as whole trials: the findings must say it as a soil scientist.

Common practice, no source: the courses and the values are invented. Differences, ratios and
amounts are worked beside the checks.
"""

from __future__ import annotations

import json

import pytest

from tests.program import Program
from tests.scenario import (
    AMMONIUM,
    NITRATE,
    NITROGEN,
    Plan,
    Values,
    Way,
    day_of,
    listed,
    of_kind,
    play,
    told,
)

# Control and treated, mg/kg of nitrate-N: on day 14 a third of the control's is left.
TIED: Values = {
    0: ((30.0, 31.0, 29.0, 30.5), (30.5, 30.0, 29.5, 31.0)),
    7: ((33.0, 34.5, 32.0, 33.5), (16.0, 17.5, 15.5, 16.5)),
    14: ((36.0, 37.5, 35.0, 36.5), (11.5, 13.0, 11.0, 12.0)),
    28: ((41.0, 42.5, 40.0, 41.5), (29.0, 31.5, 28.0, 30.0)),
    42: ((45.0, 46.5, 44.0, 45.5), (46.5, 49.0, 45.0, 47.0)),
    56: ((48.0, 49.5, 47.0, 48.5), (57.0, 59.5, 55.0, 57.5)),
}
LITTLE: Values = dict.fromkeys(TIED, ((1.2, 1.1, 1.3, 1.2), (1.3, 1.2, 1.1, 1.4)))
NEAR_20 = Plan(days=tuple(TIED), carbon=42.0, nitrogen=2.1)
DEFICIT = (
    "- Mineral N was below the control from day 7 to day 28, most on day 14: by 24.2 mg/kg (20.9 "
    "to 27.6, a bound for all pulls at once); the beds then held 35 % of the "
    "control's mineral N (33 to 37 %); "
)
FE: Way = ("Fe", "mg/kg", "DTPA")
P: Way = ("P", "mg/kg", "Mehlich-3")
K: Way = ("K", "mg/kg", "Mehlich-3")
MG: Way = ("Mg", "mg/kg", "Mehlich-3")
PH: Way = ("pH", "pH", "water 1:1")


def few(values: Values, beds: int) -> Values:
    """The first beds of each side only."""
    return {day: (control[:beds], treated[:beds]) for day, (control, treated) in values.items()}


def until(values: Values, day: int) -> Values:
    return {one: sides for one, sides in values.items() if one <= day}


def test_c_n_near_20_that_ties_up_and_gives_back(program: Program) -> None:
    play(program, NEAR_20, {NITRATE: TIED, AMMONIUM: LITTLE})

    said = told(program)

    assert (
        "- C:N of the lot 20 by analysis; the usual tables have net release below 20, tie-up above "
        "30 (Alberta guide), balance near 24 (NRCS); in this trial mineral N was nevertheless "
        "below the control: this ratio did not foretell it.\n"
    ) in said
    assert f"{DEFICIT}tied up, as far as this trial can tell: ammonium counted, no loss " in said
    assert (
        "- Level with the control again about day 40 (39 to 41); by the means below on day 28, not "
        "on day 42 [4+4 beds].\n"
    ) in said
    assert "- A pull between day 28 and day 42, where it came level again.\n" in said
    # It gives back: (57.25 + 1.25) - (1 - f) (48.25 + 1.2) above 0 on day 56.
    found = listed(program)
    last = [one for one in found if one["kind"] == "supply"][-1]
    assert last["pull"] == "day 56" and last["low"] > 0.0
    day14 = of_kind(found, "below control")
    # f: 500 g moist, 250 g dry a bed in 90 kg of soil. 12.875 - (1 - f) 37.45... by the beds.
    share = 0.25 / 90.25
    deficit = (1.0 - share) * (36.25 + 1.2) - (11.875 + 1.25)
    assert day14["value"] == pytest.approx(deficit, rel=1e-9)


def test_the_deepest_is_sought_among_all_that_is_known_of_the_pulls(program: Program) -> None:
    """Ammonium below its limit beside little nitrate: a sum that no bound for all pulls can hold.

    Day 14 is lower than day 3 and its beds lie so far apart that its own bound shows nothing.
    """
    nitrate: Values = {
        0: ((9.0, 9.3, 8.8, 9.1), (9.1, 9.0, 8.9, 9.2)),
        3: ((9.6, 9.4, 9.7, 9.5), (6.2, 6.1, 6.4, 6.3)),
        7: ((9.7, 9.9, 9.6, 9.8), (3.0, 3.2, 2.9, 3.1)),
        14: ((10.5, 10.7, 10.4, 10.6), (1.0, 9.0, 2.5, 3.5)),
        28: ((10.9, 11.1, 10.8, 11.0), (11.0, 11.2, 11.1, 10.9)),
        42: ((11.5, 11.3, 11.6, 11.4), (12.6, 12.4, 12.8, 12.5)),
    }
    some = (0.8, 0.9, 0.8, 0.9)
    ammonium: Values = {
        day: (some, ("<0.5",) * 4 if day == 7 else (0.7, 0.8, 0.9, 0.8)) for day in nitrate
    }
    play(program, Plan(days=tuple(nitrate)), {NITRATE: nitrate, AMMONIUM: ammonium})

    said = told(program)

    below = of_kind(listed(program), "below control")
    # By the means 4.8 - (1 - f) 11.4, f = 0.25 / 90.25.
    assert below["pull"] == "day 14"
    assert below["value"] == pytest.approx(11.4 * 90 / 90.25 - 4.8, rel=1e-9)
    # Day 7, each part at its lowest: 3.0 of the treated less 10.6 (1 - f), and the beds' spread.
    assert (
        "Mineral N was below the control on day 3, most of the pulls that can be used on day 14: "
        "by 6.57 mg/kg (-3.44 to 16.6, a bound for all pulls at once), not shown of that day "
        "alone; the beds then held 35 % of the control's mineral N (11 to 107 %); day 7 may be "
        "deeper, up to 7.61 mg/kg; tied up"
    ) in said
    assert (
        "- No amount of make-up N can be given: the lowest pull (day 14) is not shown to be below "
        "by itself: test nitrate before planting.\n"
    ) in said
    curve = program.must("curve", on=day_of(121)).out
    assert "  deepest of the pulls that can be used on day 14: 6.6 mg/kg below (-3.4 to" in curve
    assert "\n  day 7 may be deeper, up to 7.61 mg/kg\n" in curve
    document = json.loads(program.must("curve", "--json", on=day_of(121)).out)
    found = document["curves"][0]["below_control"]
    assert found["days_below"] == [3.0] and found["trough_day"] == 14.0
    (deeper,) = found["may_be_deeper"]
    assert deeper == {"day": 7.0, "deficit_up_to": pytest.approx(7.61, abs=0.005)}


def test_make_up_n_says_its_cautions_before_any_amount(program: Program) -> None:
    play(program, NEAR_20, {NITRATE: TIED, AMMONIUM: LITTLE})

    said = told(program)

    part = said[said.index("Make-up N\n") : said.index("What it supplied")].splitlines()
    assert part[1].startswith("- First of all the product's label and local rules: ")
    assert "seed" not in part[1]
    # 1.2 kg/L x 150 L/m2 + 0.5 kg of dry compost = 180.5 kg/m2; x 20.9 and 27.6 mg/kg.
    amounts = [content * 180.5 / 1000 for content in (20.9, 27.6)]
    assert amounts == pytest.approx([3.77, 4.98], abs=0.005)
    assert part[2] == (
        "- Missing when it was lowest (day 14): 3.77 to 4.98 g N per m2, 1.88 to 2.49 g per bed of "
        "0.5 m2: the deficit with dilution taken off, against what the soil in the bed would hold "
        "unamended, 20.9 to 27.6 mg/kg by a bound for all pulls at once, x the layer of 15 cm: "
        "180.5 kg of dry mix per m2 (180 kg of soil at 1.2 kg/L, the soil's, and 0.5 kg of "
        "amendment); for this soil, rate and temperature; test nitrate before planting none the "
        "less."
    )
    # Urea is 46.6 % N, all of it counted: 3.77 / 0.466 = 8.09.
    assert part[3].startswith("- That is, urea: 8.09 to 10.7 g per m2; ammonia: ")
    assert (
        part[4].startswith("- Or ammonium sulfate: ") and "it makes the soil more acid" in part[4]
    )


def test_a_flooded_bed_leaves_the_cause_open(program: Program) -> None:
    play(program, NEAR_20, {NITRATE: TIED, AMMONIUM: LITTLE}, (5, ("event", "B4", "flooded")))

    said = told(program)

    assert (
        f"{DEFICIT}tied up, lost or not yet nitrified: this trial cannot tell (B4 flooded on Sat 7 "
        "Mar 2026 (day 5): nitrate goes with the water) [4+4 beds].\n"
    ) in said
    assert "tied up, as far as" not in said
    assert "Plant-available N by the last pull (day 56): at least 1.66 g per kg" in said
    assert "B4 flooded on Sat 7 Mar 2026: 5 pulls of it since then are flagged, and kept" in said


def test_one_bed_each_cannot_say(program: Program) -> None:
    play(
        program,
        Plan(blocks=1, days=tuple(TIED), carbon=42.0, nitrogen=2.1),
        {NITRATE: few(TIED, 1), AMMONIUM: few(LITTLE, 1)},
    )

    said = told(program)

    assert (
        "- mineral-N: cannot say: -11.9 mg/kg between single beds is no finding: one bed on a side "
        "[day 28; declared beforehand].\n"
    ) in said
    assert (
        "- Whether mineral N was below the control: cannot say: one bed on a side; the lowest, "
        "-24.4 mg/kg on day 14, is between single beds [1+1 beds].\n"
    ) in said
    assert "this trial cannot say which it was here" in said
    assert "Make-up N" not in said
    assert "tied up" not in said
    assert "Three beds or more a treatment" in said
    assert "EUR" not in said


def test_nitrate_alone_is_not_mineral_n(program: Program) -> None:
    play(program, Plan(), {NITRATE: {day: TIED[day] for day in (0, 7, 14, 28)}})

    said = told(program)

    assert (
        "- mineral-N: cannot say: only nitrate-N was measured on day 28: mineral N is nitrate and "
        "ammonium of one sample [day 28; declared beforehand].\n"
    ) in said
    assert "tied up, lost or not yet nitrified: this trial cannot tell, ammonium was not" in said


MANY: dict[Way, Values] = {
    FE: {28: ((4.2, 4.4, 4.3, 4.1), (4.8, 5.1, 4.9, 4.8))},
    P: {28: ((180, 184, 178, 182), (187, 190, 184, 189))},
    K: {28: ((420, 431, 415, 425), (432, 440, 427, 436))},
    MG: {28: ((100, 104, 98, 101), (101, 103, 100, 101))},
}


@pytest.fixture
def many(program: Program) -> Program:
    """Nutrients of one date, by methods that have a table."""
    lines = (
        *NITROGEN,
        'Fe = "DTPA"',
        'P = "Mehlich-3"',
        'K = "Mehlich-3"',
        'Mg = { method = "Mehlich-3", margin = "20 mg/kg" }',
    )
    return play(program, Plan(days=(0, 28), nutrients=lines), MANY)


def test_iron_from_just_below_its_range_to_just_above_its_end(many: Program) -> None:
    said = told(many)
    # Means 4.25 and 4.9; differences within blocks 0.6, 0.7, 0.6, 0.7: 0.65 +- 3.182 x 0.0289.
    line = (
        "- Fe (DTPA): more than the control by 0.65 mg/kg (0.558 to 0.742); the untreated soil, at "
        "4.25 mg/kg, is just below its range (from 4.5 mg/kg); "
    )
    assert f"{line}no class of the amended soil: extractable today, not a recommendation.\n" in said
    assert "4.9" not in said

    bare = told(many, "--with-amended")

    assert (
        f"{line}the treated, at 4.9, just within its range: extractable today, not a "
        "recommendation.\n"
    ) in bare
    # At 4.5 mg/kg DTPA sufficiency of iron begins: Havlin et al. 1999, as the handbook quotes it.
    (iron,) = (one for one in listed(many) if one["about"] == "Fe")
    assert iron["kind"] == "more" and iron["untreated_soil"] == "just below its range"
    assert iron["source"].startswith("Havlin et al. 1999")


def test_p_and_k_far_above_their_ranges_mean_nothing_to_a_plant(many: Program) -> None:
    said = told(many)

    # P by Mehlich-3: "high" is 72 to 137 lb/acre, half of that in mg/kg (Rutgers NJAES).
    assert (
        "- P (Mehlich-3): more than the control by 6.5 mg/kg (5.58 to 7.42); the untreated soil, "
        "at 181 mg/kg, is far above its range (35.5 to 68.5 mg/kg): more of it means nothing to a "
        "plant.\n"
    ) in said
    assert (
        "- K (Mehlich-3): more than the control by 11 mg/kg (8.75 to 13.3); the untreated soil, at "
        "423 mg/kg, is far above its range (72.5 to 138.5 mg/kg): more of it means nothing to a "
        "plant.\n"
    ) in said


def test_a_difference_that_does_not_matter(many: Program) -> None:
    # Differences 1, -1, 2, 0: 0.5 +- 3.182 x 0.645; inside 20 mg/kg on both sides.
    assert (
        "- Mg (Mehlich-3): no difference that matters: -1.55 to 2.55 mg/kg, within the margin of "
        "20 declared beforehand; the untreated soil, at 101 mg/kg, is within its range (71.5 to "
        "147.5 mg/kg).\n"
    ) in told(many)
    (found,) = (one for one in listed(many) if one["about"] == "Mg")
    assert found["kind"] == "equivalent"


def test_ph_of_single_samples_half_a_tenth_apart(program: Program) -> None:
    play(
        program,
        Plan(blocks=1, days=(0, 28), nutrients=(*NITROGEN, 'pH = "water 1:1"')),
        {PH: {28: ((6.5,), (6.55,))}},
    )

    # 1.96 x sqrt(2) x 0.1 = 0.277.
    assert (
        "- pH (water 1:1): +0.05 pH between single beds is no finding: one bed on a side, and "
        "laboratory chance alone goes as far as 0.277 (SD 0.1 pH for sampling and analysis, "
        "Ferrari & Vermeulen); treated 6.55, control 6.5.\n"
    ) in told(program)
    (found,) = (one for one in listed(program) if one["about"] == "pH")
    assert found["kind"] == "cannot say" and found["low"] is None
    assert found["laboratory_chance"] == pytest.approx(1.96 * 2**0.5 * 0.1)


def test_nothing_shown_with_what_was_planned_to_be_seen(program: Program) -> None:
    lines = [
        f'{name} = {{ method = "1 M KCl", cv = "10 %" }}' for name in ("nitrate-N", "ammonium-N")
    ]
    play(
        program,
        Plan(days=(0, 28), nutrients=tuple(lines)),
        {
            NITRATE: {28: ((30, 33, 28, 31), (31, 32, 30, 29.5))},
            AMMONIUM: {28: ((1, 1.1, 1.2, 1), (1.1, 1, 1.2, 1.1))},
        },
    )

    # CV 10 % of a control mean of 31.6 mg/kg, 4 + 4 beds in blocks.
    found = listed(program)[0]
    assert found["detectable_planned"] is True
    number = f"{found['detectable_difference']:.3g}"
    assert "fits (planned detectable difference: " + number + " mg/kg) [day 28; " in told(program)
    # A pair of beds in each of 4 blocks: the power of a t test of 4 differences, by statsmodels.
    sd = 0.1 * (30.5 + 1.075)
    from statsmodels.stats.power import TTestPower

    effect = TTestPower().solve_power(nobs=4, alpha=0.05, power=0.8)
    assert found["detectable_difference"] == pytest.approx(effect * sd * 2**0.5, rel=1e-4)


RISING: Values = {
    day: (
        tuple(20.0 + 0.1 * day + off for off in (0.0, 0.6, -0.5, 0.2)),
        tuple(20.3 + 0.9 * day + off * (1 + day / 40) for off in (0.2, 0.5, -0.4, -0.1)),
    )
    for day in (0, 7, 14, 28, 42)
}
EVEN: Values = dict.fromkeys(RISING, ((1.0, 1.0, 1.1, 1.0), (1.0, 1.1, 1.0, 1.0)))


def test_still_rising_at_the_last_pull(program: Program) -> None:
    play(program, Plan(days=tuple(RISING)), {NITRATE: RISING, AMMONIUM: EVEN})

    said = told(program)

    assert (
        "- Still rising at the last pull (day 42): by 0.802 mg/kg a day (0.786 to 0.817); where it "
        "levels off was not reached.\n"
    ) in said
    assert "- Pulls after day 42: where it levels off was not reached.\n" in said
    assert "levels off at" not in said


# A dip that closes by day 42: a line through it slopes upwards, and nothing rises any more.
DIP = {0: -2.1, 3: -2.8, 7: -2.9, 14: -2.4, 28: -1.3, 42: -0.02, 56: -0.38, 84: -0.11}
DIPPED: Values = {
    day: (
        (30.0, 31.0, 29.0, 30.5),
        tuple(
            30.0 + net + off + part * (day % 5 - 2)
            for net, off, part in (
                (net, 2.5, 0.1), (net + 1.0, -2.0, -0.15), (net - 1.0, 1.5, 0.2), (net, -2.2, 0.1)
            )
        ),
    )
    for day, net in DIP.items()
}  # fmt: skip


def test_a_line_through_a_dip_is_not_still_rising(program: Program) -> None:
    even = dict.fromkeys(DIP, ((1.0, 1.0, 1.1, 1.0), (1.0, 1.1, 1.0, 1.0)))
    play(program, Plan(days=tuple(DIP)), {NITRATE: DIPPED, AMMONIUM: even})

    said = told(program)

    assert "till rising at the last pull" not in said
    curve = of_kind(listed(program), "curve")
    assert curve["low"] > 0.0
    assert curve["sentence"].startswith("rises by 0.0")
    assert "; by the last 3 pulls alone it is not shown to be rising still: -0.0" in said
    assert "- Pulls after day 84: whether it still rises.\n" in said


# Low until the end: 30 mg/kg in the control.
LOW: Values = {
    day: (
        tuple(30.0 + off for off in (0.0, 0.6, -0.5, 0.2)),
        tuple(level + off for off in (0.2, 0.5, -0.4, -0.1)),
    )
    for day, level in ((0, 30.0), (7, 22.0), (14, 16.0), (28, 17.0))
}
LOW_AMMONIUM: Values = dict.fromkeys(LOW, EVEN[14])


def test_not_level_by_the_last_pull(program: Program) -> None:
    play(program, Plan(), {NITRATE: LOW, AMMONIUM: LOW_AMMONIUM})

    said = told(program)

    assert "- It was not shown to be level with the control again by day 28 [4+4 beds].\n" in said
    assert (
        "Make-up N\n- No amount of make-up N can be given: level with the control again not shown "
        "by day 28: test nitrate before planting.\n"
    ) in said
    assert "g N per m2" not in said
    assert "- Pulls after day 28: level with the control again was not shown by then.\n" in said


def test_two_beds_make_no_make_up_n(program: Program) -> None:
    play(
        program,
        Plan(blocks=2, days=tuple(TIED)),
        {NITRATE: few(TIED, 2), AMMONIUM: few(LITTLE, 2)},
    )

    said = told(program)

    assert (
        "Make-up N\n- No amount of make-up N can be given: 2 beds on a side, 3 needed: test "
        "nitrate before planting.\n"
    ) in said
    assert "g N per m2" not in said


def test_nothing_below_makes_no_make_up_n(program: Program) -> None:
    play(program, Plan(days=tuple(RISING)), {NITRATE: RISING, AMMONIUM: EVEN})

    assert "Make-up N" not in told(program)


def test_methods_changed_on_the_way(program: Program) -> None:
    later = [(nutrient, unit, "2 M KCl") for nutrient, unit, _ in (NITRATE, AMMONIUM)]
    after = {day: sides for day, sides in LOW.items() if day > 7}
    play(
        program,
        Plan(),
        {
            NITRATE: until(LOW, 7),
            AMMONIUM: until(LOW_AMMONIUM, 7),
            later[0]: after,
            later[1]: {day: LOW_AMMONIUM[day] for day in after},
        },
    )

    said = told(program)

    assert (
        "- mineral-N: cannot say how it went on: methods changed (1 M KCl on 2 pulls, day 0 to day "
        "7; 2 M KCl on 2 pulls, day 14 to day 28); each is read by itself; the one with the most "
        "pulls is read here.\n"
    ) in said


def test_the_declared_day_has_no_result_yet(program: Program) -> None:
    play(program, Plan(), {NITRATE: until(LOW, 14), AMMONIUM: until(LOW_AMMONIUM, 14)})

    said = told(program)

    assert (
        "- mineral-N: cannot say: there is no result of day 28 to compare yet [day 28; declared "
        "beforehand].\n"
    ) in said
    assert (
        "- mineral-N: less than the control by 14 mg/kg (13.7 to 14.4), by this "
        "date alone, dilution included [day 14].\n" in said
    )
