"""What findings do not claim: beds that were sown, beds without any spread, rates past their pulls.

Common practice, no source: the trials are invented.
"""

from __future__ import annotations

from tests.program import Program
from tests.scenario import AMMONIUM, NITRATE, NITROGEN, Plan, Values, Way, listed, play, told

EC: Way = ("EC", "dS/m", "saturated paste")
DAYS = (0, 7, 14, 28, 42)
RISING: Values = {
    day: (
        tuple(20.0 + 0.1 * day + off for off in (0.0, 0.6, -0.5, 0.2)),
        tuple(20.3 + 0.9 * day + off * (1 + day / 40) for off in (0.2, 0.5, -0.4, -0.1)),
    )
    for day in DAYS
}
EVEN: Values = dict.fromkeys(DAYS, ((1.0, 1.0, 1.1, 1.0), (1.0, 1.1, 1.0, 1.0)))


def test_what_a_crop_took_up_is_not_counted(program: Program) -> None:
    salt: Values = {28: ((0.8, 0.82, 0.79, 0.81), (1.4, 1.5, 1.35, 1.45))}
    play(
        program,
        Plan(days=DAYS, nutrients=(*NITROGEN, 'EC = "saturated paste"')),
        {NITRATE: RISING, AMMONIUM: EVEN, EC: salt},
        (20, ("event", "all", "sown")),
    )

    said = told(program)

    assert "Unplanted until Sun 22 Mar 2026" in said
    assert (
        "- mineral-N: more than the control by 22.7 mg/kg (22.1 to 23.3); sown before it: what the "
        "crop took up is not in this [day 28; declared beforehand].\n"
    ) in said
    assert "No crop was grown" not in said and "- A crop was sown: " in said
    assert "- B1-B8 sown on Sun 22 Mar 2026: 2 pulls of each since then are planted, " in said
    assert "Plant-available N by the last pull (day 14)" in said
    # Bean, carrot and strawberry yield less from 1.0 dS/m of the saturated paste on, onion and
    # radish from 1.2: Maas and Hoffman, by UC IPM. The treated beds have 1.43.
    assert (
        "the treated soil is above the thresholds of bean (1), carrot (1), strawberry (1), " in said
    )
    assert "no class on this scale" not in said


def test_beds_that_agree_to_the_last_digit_show_nothing(program: Program) -> None:
    flat: Values = {28: ((10, 10, 10, 10), (12, 12, 12, 12))}
    play(
        program,
        Plan(days=(0, 28)),
        {NITRATE: flat, AMMONIUM: {28: ((1, 1, 1, 1), (1, 1, 1, 1))}},
    )

    said = told(program)

    assert (
        "- Whether mineral N was below the control: cannot say: on day 28 the beds agree to the "
        "last digit reported, so that their spread is not known [4+4 beds].\n"
    ) in said
    assert all(one["low"] is None for one in listed(program))


def test_a_rate_with_gaps_says_that_each_pull_counts_by_the_beds_it_has(program: Program) -> None:
    play(
        program,
        Plan(days=DAYS),
        {NITRATE: RISING, AMMONIUM: EVEN},
        (30, ("event", "B1,B2,B3,B4", "out of the trial")),
    )

    said = told(program)

    # Half the beds lack day 42: it counts by the beds that it has, and this is said.
    assert "- Still rising at the last pull (day 42): by 0.792 mg/kg a day" in said
    assert "[2 to 4 + 2 to 4 beds, within blocks; gaps: each pull by the beds that it has]" in said


def test_beds_that_hold_what_the_control_holds_were_supplied_nothing(
    program: Program,
) -> None:
    """T = C on every pull: with dilution taken off f x C remains, which no plant finds."""
    level: Values = dict.fromkeys(
        (0, 7, 14, 28), ((20.0, 22.0, 19.0, 21.0), (20.0, 22.0, 19.0, 21.0))
    )
    play(program, Plan(), {NITRATE: level, AMMONIUM: EVEN_SIDES})

    said = told(program)

    assert "by the last pull (day 28): none shown: no more than in the control" in said
    assert "EUR" not in said and "lb per 100 sq ft" not in said
    assert "day 0:" not in said.partition("What it supplied")[2]


EVEN_SIDES: Values = dict.fromkeys((0, 7, 14, 28), ((1.0, 1.0, 1.1, 1.0), (1.0, 1.0, 1.1, 1.0)))
DEEP = ((30.0, 31.0, 29.0, 30.5), (16.0, 17.5, 15.5, 16.5))


def test_beds_below_already_on_day_0_name_no_cause(program: Program) -> None:
    play(
        program,
        Plan(),
        {NITRATE: dict.fromkeys((0, 7, 14, 28), DEEP), AMMONIUM: EVEN_SIDES},
    )

    said = told(program)

    assert "below the control already on day 0: beds differed from the start, or it" in said
    assert "no pull before application was compared" in said
    assert "tied up" not in said


def test_a_ceiling_is_said_as_a_rise_above_its_start(program: Program) -> None:
    """40 (1 - e^(-0.15 t)) above a start of 5 mg/kg: a plateau at 45, a rise of 40."""
    days = (0, 5, 10, 15, 21, 28, 42, 56)
    off = (0.0, 0.6, -0.5, 0.2)
    course: Values = {
        day: (
            tuple(20.0 + one for one in off),
            tuple(25.0 + 40.0 * (1.0 - 2.718281828 ** (-0.15 * day)) + 1.3 * one for one in off),
        )
        for day in days
    }
    ammonium: Values = dict.fromkeys(days, EVEN_SIDES[0])
    play(program, Plan(days=days), {NITRATE: course, AMMONIUM: ammonium})

    said = told(program)

    assert "- Rises by 40 (" in said and "mg/kg above its start (+5" in said
    assert "half of the rise within 4.6" in said
    assert "levels off at" not in said
