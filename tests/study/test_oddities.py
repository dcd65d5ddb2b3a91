"""Slips and exchanges among beds and pulls: found where they are, and nothing else."""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta
from statistics import median
from unittest.mock import patch

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logbook.study import oddities
from logbook.study.arranged import Arrangements
from logbook.study.samples import Reading, Sample

DAYS = (0, 7, 14, 28, 42, 56)
Change = Callable[[str, int, float], float]


def made(
    change: Change = lambda bed, day, value: value, beds: int = 3, seed: int = 1
) -> list[tuple[Sample, Reading]]:
    """An invented trial: controls rise slowly from 10, treated beds to 60 mg/kg; CV 5 %."""
    draw = random.Random(seed)
    pairs = []
    for day in DAYS:
        for place in range(2 * beds):
            control = place % 2 == 0
            label, block = f"B{place + 1}", f"{place // 2 + 1}"
            level = 10 + 0.1 * day if control else 12 + 48 * (1 - math.exp(-day / 15))
            value = change(label, day, level * math.exp(draw.gauss(0, 0.05)))
            when = date(2026, 3, 2) + timedelta(days=day)
            sample = Sample(
                f"{label}-{day}", label, label, block, "none" if control else "M", control,
                (f"day {day}",), when, day, False, (label,), (block,),
            )  # fmt: skip
            one = Reading(
                sample.code, "nitrate-N", "1 M KCl", "dry", "L", "mg/kg", value, None, None
            )
            pairs.append((sample, one))
    return pairs


def odd(pairs: list[tuple[Sample, Reading]], analyte: str = "nitrate-N") -> set[tuple[str, str]]:
    """Samples asked about, and the kind of question."""
    return {(one.sample, kind) for one, kind, _ in oddities.odd([(analyte, pairs)])}


@pytest.mark.parametrize("seed", range(20))
def test_release_and_beds_that_differ_raise_no_question(seed: int) -> None:
    assert odd(made(seed=seed)) == set()


@pytest.mark.parametrize("day", DAYS)
@pytest.mark.parametrize(("factor", "kind"), [(10, "decimal"), (0.01, "decimal"), (4.43, "form")])
def test_a_slip_is_found_on_any_pull(day: int, factor: float, kind: str) -> None:
    found = odd(made(lambda bed, on, value: value * factor if (bed, on) == ("B2", day) else value))
    assert found == {(f"B2-{day}", kind)}


# Nitrate for nitrate-N is 4.4266 times as much (IUPAC weights); mg/100 g are a tenth of mg/kg.
@pytest.mark.parametrize("day", DAYS[1:])
@pytest.mark.parametrize(
    ("factor", "kind"), [(4.4266, "form"), (1 / 4.4266, "form"), (10, "unit"), (0.1, "unit")]
)
def test_a_report_in_another_unit_is_found_as_a_whole(day: int, factor: float, kind: str) -> None:
    """On early days too, when treated beds rise of their own; the pulls after it are not asked."""
    whole = {(f"B{n}-{day}", kind) for n in range(1, 7)}
    seasons = [
        odd(made(lambda bed, on, value: value * factor if on == day else value, seed=seed))
        for seed in range(20)
    ]
    assert sum(found == whole for found in seasons) >= 19


def test_a_report_by_area_is_found_for_what_does_not_move_of_its_own() -> None:
    # 2 lb/acre of a furrow slice are 1 mg/kg; nitrate doubles honestly.
    doubled = made(lambda bed, on, value: value * 2 if on == 28 else value)
    assert odd(doubled, "K") == {(f"B{n}-28", "unit") for n in range(1, 7)}
    assert odd(doubled, "nitrate-N") == set()


def test_a_report_that_stays_in_its_unit_is_asked_about_at_the_shift() -> None:
    shifted = odd(made(lambda bed, on, value: value * 4.4266 if on >= 28 else value))
    assert shifted == {(f"B{n}-28", "form") for n in range(1, 7)}


def flushed(seed: int) -> list[tuple[Sample, Reading]]:
    """A season as it may be: dry soil is wetted, and what it mineralises comes in all beds."""
    draw = random.Random(seed)
    start, flush = draw.uniform(5, 20), 15 * math.exp(draw.gauss(0, 0.6))
    rate = math.exp(draw.uniform(math.log(0.02), math.log(0.3)))
    own = {f"B{n}": math.exp(draw.gauss(0, 0.1)) for n in range(1, 7)}

    def level(bed: str, day: int, value: float) -> float:
        usual = 10 + 0.1 * day if int(bed[1:]) % 2 else 12 + 48 * (1 - math.exp(-day / 15))
        comes = flush * own[bed] * (1 - math.exp(-rate * day))
        released = 0 if int(bed[1:]) % 2 else 48 * (1 - math.exp(-day / 15))
        return (start + comes + released) * value / usual

    return made(level, seed=seed)


def test_an_honest_flush_is_seldom_asked_about() -> None:
    # Measured over 2,000 such seasons: 3.6 % (docs/quality.md).
    assert sum(bool(odd(flushed(seed))) for seed in range(200)) <= 12


def ph(change: Change = lambda bed, day, value: value) -> list[tuple[Sample, Reading]]:
    """Beds of pH about 6.5 on every pull."""

    def level(bed: str, day: int, value: float) -> float:
        return change(bed, day, 6.5 + (hash_of(bed, day) - 0.5) * 0.3)

    return [
        (sample, one._replace(analyte="pH", method="water 1:1", unit="pH"))
        for sample, one in made(level)
    ]


def hash_of(bed: str, day: int) -> float:
    return random.Random(f"{bed} {day}").random()


@pytest.mark.parametrize("to", [4.45, 8.6])
def test_a_ph_that_jumps_alone_is_asked_about(to: float) -> None:
    jumped = ph(lambda bed, day, value: to if (bed, day) == ("B3", 28) else value)
    assert odd(jumped, "pH") == {("B3-28", "jump")}
    what = next(what for _, _, what in oddities.odd([("pH", jumped)]))
    assert what.endswith("more than 1 at once: another bag, or a slip of the pen?")


def test_a_ph_that_a_treatment_moves_or_that_drifts_is_not_asked_about() -> None:
    def limed(bed: str, day: int, value: float) -> float:
        return value + (1.6 if int(bed[1:]) % 2 == 0 and day > 0 else 0)

    assert odd(ph(), "pH") == set()
    assert odd(ph(limed), "pH") == set()
    assert odd(ph(lambda bed, day, value: value - 0.02 * day * (bed == "B3")), "pH") == set()


def test_a_bed_that_is_far_off_does_not_say_what_is_usual() -> None:
    """Before application two beds must be alike to say that the third is not."""
    wild = {"B1": 10.0, "B3": 10.5, "B5": 150.0}
    first = [
        (replace(sample, treatment="none", age=-1), one._replace(value=wild[sample.label]))
        for sample, one in made()
        if sample.code in ("B1-0", "B3-0", "B5-0")
    ]
    assert odd(first) == {("B5-0", "decimal")}


def test_two_exchanged_bags_are_both_named() -> None:
    pairs = made(seed=4)
    here = [place for place, (s, _) in enumerate(pairs) if s.code in ("B1-28", "B2-28")]
    one, two = (pairs[place][1] for place in here)
    pairs[here[0]] = (pairs[here[0]][0], one._replace(value=two.value))
    pairs[here[1]] = (pairs[here[1]][0], two._replace(value=one.value))
    assert odd(pairs) == {("B1-28", "exchange"), ("B2-28", "exchange")}


def test_one_bed_a_side_says_nothing_of_the_newest_pull() -> None:
    tripled = made(lambda bed, on, value: value * 10 if on == 56 else value, beds=1)
    assert odd(tripled) == set()


@given(st.lists(st.floats(0.1, 1000), min_size=3, max_size=9), st.data())
def test_the_median_of_the_others(values: list[float], data: st.DataObject) -> None:
    place = data.draw(st.integers(0, len(values) - 1))
    others = values[:place] + values[place + 1 :]
    found = oddities._middle_without(sorted(values), values[place])
    assert sum(found) / 2 == pytest.approx(median(others))


@given(st.integers(0, 10_000), st.sampled_from([1.0, 10.0, 4.43]))
def test_no_reading_is_changed(seed: int, factor: float) -> None:
    pairs = made(lambda bed, on, value: value * factor if bed == "B3" else value, seed=seed)
    before = list(pairs)
    list(oddities.odd([("nitrate-N", pairs)]))
    assert pairs == before


@settings(max_examples=200)
@given(
    st.integers(0, 10_000),
    st.sampled_from(["nitrate-N", "P", "pH"]),
    st.dictionaries(
        st.tuples(st.sampled_from(["B1", "B2", "B3", "B4", "B2A"]), st.sampled_from(DAYS)),
        st.sampled_from([0.0, 0.1, 0.225, 2.0, 4.43, 6.4, 10.0]),
        max_size=4,
    ),
    st.dictionaries(st.sampled_from(DAYS), st.sampled_from([0.1, 0.5, 2.0, 4.43, 10.0])),
    st.booleans(),
)
def test_a_series_called_calm_has_no_slip(
    seed: int,
    analyte: str,
    beds: dict[tuple[str, int], float],
    pulls: dict[int, float],
    lone: bool,
) -> None:
    """What is looked at in bulk decides only what need not be looked at one by one."""

    def changed(bed: str, day: int, value: float) -> float:
        return value * beds.get((bed, day), 1.0) * pulls.get(day, 1.0)

    pairs = of_two_amendments(1, changed, seed) if lone else made(changed, seed=seed)
    stand = Arrangements().spots([sample for sample, _ in pairs])
    quick = list(oddities._slipped(analyte, pairs, stand))
    with patch.object(oddities, "_calm", return_value=False):
        assert quick == list(oddities._slipped(analyte, pairs, stand))


def test_nutrients_of_one_trial_are_asked_about_as_each_by_itself() -> None:
    wild = made(lambda bed, on, value: value * 10 if (bed, on) == ("B2", 14) else value)
    calm, other = made(seed=2), made(lambda _, on, value: value * (0.1 if on == 28 else 1), seed=3)
    series = [("nitrate-N", wild), ("P", calm), ("K", other), ("nitrate-N", wild[:-5])]
    alone = [found for one in series for found in oddities.odd([one])]
    assert list(oddities.odd(series)) == alone
    assert alone


def of_two_amendments(
    beds: int, change: Change = lambda bed, day, value: value, seed: int = 1
) -> list[tuple[Sample, Reading]]:
    """A trial with a second amendment A, whose beds stay at 20 mg/kg; labels and codes end in A."""
    draw = random.Random(seed + 4)
    other = [
        (
            replace(sample, code=f"{sample.code}A", label=f"{sample.label}A", treatment="A",
                    bed=f"{sample.bed}A", beds=(f"{sample.bed}A",)),
            one._replace(sample=f"{one.sample}A",
                         value=change(f"{sample.label}A", sample.age or 0,
                                      20 * math.exp(draw.gauss(0, 0.05)))),
        )
        for sample, one in made(beds=beds)
        if not sample.control
    ]  # fmt: skip
    return [*made(change, beds=beds, seed=seed), *other]


def until(day: int, pairs: list[tuple[Sample, Reading]]) -> list[tuple[Sample, Reading]]:
    """What is known once the report of a day is here."""
    return [(sample, one) for sample, one in pairs if (sample.age or 0) <= day]


@pytest.mark.parametrize("day", DAYS[1:])
@pytest.mark.parametrize("factor", [0.1, 0.01])
def test_a_lone_control_that_lost_its_point_is_asked_about_and_no_treated_bed(
    day: int, factor: float
) -> None:
    for seed in range(10):
        pairs = of_two_amendments(
            1, lambda bed, on, v: v * factor if (bed, on) == ("B1", day) else v, seed
        )
        assert odd(until(day, pairs)) == {(f"B1-{day}", "decimal")}
        assert odd(pairs) == {(f"B1-{day}", "decimal")}
    what = next(what for _, _, what in oddities.odd([("nitrate-N", until(day, pairs))]))
    assert f"and no other bed of day {day} fell with it: a misplaced decimal point" in what


def test_a_lone_control_that_is_back_where_it_was_is_not_asked_about() -> None:
    pairs = of_two_amendments(1, lambda bed, on, v: v * 10 if (bed, on) == ("B1", 14) else v)
    assert odd(until(28, pairs)) == {("B1-14", "decimal")}


def test_a_lone_control_that_halves_says_nothing_of_the_report() -> None:
    # 2 lb/acre are 1 mg/kg: of three beds one is half of what it was.
    pairs = of_two_amendments(1, lambda bed, on, v: v / 2 if (bed, on) == ("B1", 28) else v)
    assert odd(until(28, pairs), "P") == set()


@pytest.mark.parametrize("day", DAYS[1:])
@pytest.mark.parametrize(("factor", "kind"), [(1 / 4.4266, "form"), (0.1, "unit"), (10, "unit")])
def test_with_a_lone_control_a_report_in_another_unit_is_still_found_as_a_whole(
    day: int, factor: float, kind: str
) -> None:
    whole = {(f"{bed}", kind) for bed in (f"B1-{day}", f"B2-{day}", f"B2-{day}A")}
    seasons = [
        odd(until(day, of_two_amendments(1, lambda _, on, v: v * factor if on == day else v, seed)))
        for seed in range(20)
    ]
    assert sum(found == whole for found in seasons) >= 19


def steady(
    change: Change = lambda bed, day, value: value, seed: int = 1, analyte: str = "P"
) -> list[tuple[Sample, Reading]]:
    """One bed each of a control (40 mg/kg P) and two amendments that came with some, CV 7 %."""
    draw = random.Random(f"{seed} {analyte}")
    levels = {"B1": 40.0, "B2": 48.0, "B2A": 62.0}

    def level(bed: str, day: int, value: float) -> float:
        return change(bed, day, levels[bed] * math.exp(draw.gauss(0, 0.07)))

    return [
        (sample, one._replace(analyte=analyte)) for sample, one in of_two_amendments(1, level, seed)
    ]


@pytest.mark.parametrize("bed", ["B1", "B2", "B2A"])
@pytest.mark.parametrize("factor", [10, 0.1, 100, 0.01])
def test_a_slip_in_the_newest_pull_of_the_only_bed_of_its_kind_is_asked_about(
    bed: str, factor: float
) -> None:
    for seed in range(5):
        for day in DAYS[2:]:
            pairs = steady(lambda b, on, v: v * factor if (b, on) == (bed, day) else v, seed)  # noqa: B023
            code = f"{bed[:2]}-{day}{bed[2:]}"
            assert odd(until(day, pairs), "P") == {(code, "decimal")}
    what = next(what for _, _, what in oddities.odd([("P", until(day, pairs))]))
    moved = "rose" if factor > 1 else "fell"
    assert f"and no other bed of day {day} {moved} with it: a " in what


@pytest.mark.parametrize(("bed", "to"), [("B1", 4.6), ("B1", 8.1), ("B2", 4.9), ("B2A", 8.0)])
def test_a_ph_of_the_newest_pull_that_jumps_by_itself_is_asked_about(bed: str, to: float) -> None:
    jumped = lone_ph(lambda b, on, value: to if (b, on) == (bed, 56) else value)
    assert odd(jumped, "pH") == {(f"{bed[:2]}-56{bed[2:]}", "jump")}


def test_a_ph_that_the_only_limed_bed_reaches_step_by_step_is_not_asked_about() -> None:
    limed = lone_ph(lambda b, on, v: v + (1.8 * (1 - math.exp(-on / 14)) if b == "B2" else 0))
    for day in DAYS:
        assert odd(until(day, limed), "pH") == set()


def lone_ph(change: Change) -> list[tuple[Sample, Reading]]:
    """One bed each, of pH about 6.4."""

    def level(bed: str, day: int, value: float) -> float:
        return change(bed, day, 6.4 + (hash_of(bed, day) - 0.5) * 0.3)

    return [(s, one._replace(analyte="pH", unit="pH")) for s, one in of_two_amendments(1, level)]


def nitrate(**beds: tuple[float, ...]) -> list[tuple[Sample, Reading]]:
    """What the control B1 and the amendments' B2 and B2A have, pull by pull."""
    pairs = of_two_amendments(1, lambda bed, day, _: beds[bed][DAYS.index(day)])
    return until(DAYS[len(beds["B1"]) - 1], pairs)


def test_nitrate_of_the_newest_pull_that_slipped_is_asked_about() -> None:
    wrong = {"B1": (12, 13, 13.5, 18, 20, 240), "B2": (20, 28, 41, 58, 65, 71)}
    other = (13.0, 35.0, 52.0, 70.0, 82.0, 88.0)
    assert odd(nitrate(**wrong, B2A=other)) == {("B1-56", "decimal")}
    right = {**wrong, "B1": (12, 13, 13.5, 18, 20, 24)}
    assert odd(nitrate(**right, B2A=other)) == set()
    assert odd(nitrate(**right, B2A=(*other[:5], 8.8))) == {("B2-56A", "decimal")}


LEVEL = (12.0, 13.0, 12.0, 13.0, 12.0, 13.0)
CROP = (14.0, 14.0, 14.0, 14.0, 14.0, 1.4)
WET = (2.0, 2.2, 2.0, 2.2, 2.0, 20.0)


@pytest.mark.parametrize(
    ("why", "beds"),
    [
        ("drained, then released", {"B1": LEVEL, "B2": (2, 14, 24, 40, 50, 55), "B2A": LEVEL}),
        ("drawn down, then back", {"B1": LEVEL, "B2": (20, 9, 2, 1.9, 18, 20), "B2A": LEVEL}),
        ("a crop takes it", {"B1": CROP, "B2": (*LEVEL[:2], 60, 62, 60, 50), "B2A": LEVEL}),
        ("all are wetted", {"B1": WET, "B2": (60, 62, 60, 62, 60, 79), "B2A": LEVEL}),
        ("as nitrate, or released", {"B1": LEVEL, "B2": (9, 10, 44, 60, 65, 70), "B2A": LEVEL}),
    ],
)
def test_what_nitrate_does_of_its_own_is_not_asked_about(
    why: str, beds: dict[str, tuple[float, ...]]
) -> None:
    pairs = nitrate(**beds)
    for day in DAYS:
        assert odd(until(day, pairs)) == set(), (why, day)


def test_of_two_beds_nitrate_says_nothing_and_phosphorus_does() -> None:
    pairs = made(lambda bed, on, v: v * 10 if (bed, on) == ("B1", 56) else v, beds=1)
    assert odd(pairs) == set()
    assert odd(pairs, "P") == {("B1-56", "decimal")}


@pytest.mark.parametrize("seed", range(20))
def test_one_bed_of_each_treatment_that_releases_raises_no_question(seed: int) -> None:
    for day in DAYS:
        assert odd(until(day, of_two_amendments(1, seed=seed))) == set()
        assert odd(until(day, steady(seed=seed)), "P") == set()


def several(seed: int, *two: str) -> list[oddities.Series]:
    """Nutrients of one bed each in which the beds differ by a half at most; two bags exchanged."""
    found: list[oddities.Series] = [("nitrate-N", of_two_amendments(1, seed=seed))]
    found += [(name, steady(seed=seed, analyte=name)) for name in ("P", "K")]
    found.append(("pH", lone_ph(lambda bed, _, v: v - (0.5 if bed == "B2A" else 0))))
    return [(name, exchanged(list(pairs), *two) if two else pairs) for name, pairs in found]


@pytest.mark.parametrize("two", [("B1-28", "B2-28A"), ("B1-42", "B2-42A"), ("B2-56", "B2-56A")])
def test_bags_of_the_only_beds_of_their_kinds_that_were_exchanged_are_both_named(
    two: tuple[str, str],
) -> None:
    day = int(two[0][3:5])
    for seed in range(5):
        series = several(seed, *two)
        newest: list[oddities.Series] = [(name, until(day, [*pairs])) for name, pairs in series]
        for known in (newest, series):
            asked = {(one.sample, kind) for one, kind, _ in oddities.odd(known)}
            assert asked == {(one, "exchange") for one in two}
    what = next(what for one, _, what in oddities.odd(series) if one.sample == two[0])
    assert f"looks exchanged with bed B2A: on day {day} each has what is expected of the" in what


def test_beds_that_keep_to_their_own_pulls_do_not_look_exchanged() -> None:
    assert [one for seed in range(20) for one in oddities.odd(several(seed))] == []


def test_one_nutrient_that_crosses_over_is_no_exchange() -> None:
    series, crossed = several(1), several(1, "B1-42", "B2-42A")
    assert list(oddities.odd([series[0], crossed[1], *series[2:]])) == []
    assert list(oddities.odd([crossed[1]])) == []


def test_trials_judged_together_do_not_mix_their_bags() -> None:
    """Two nutrients of one trial and one of another, of beds of the same labels."""
    renamed: list[oddities.Series] = [
        (
            name,
            [
                (
                    replace(s, code=f"{s.code}'", beds=(f"{s.bed}'",)),
                    r._replace(sample=f"{s.code}'"),
                )
                for s, r in pairs
            ],
        )
        for name, pairs in several(2, "B1-42", "B2-42A")[1:2]
    ]
    assert list(oddities.odd([*several(1), *renamed])) == []


def exchanged(
    pairs: list[tuple[Sample, Reading]], one: str, two: str
) -> list[tuple[Sample, Reading]]:
    values = {sample.code: reading.value for sample, reading in pairs}
    swapped = {one: values[two], two: values[one]}
    return [(s, r._replace(value=swapped.get(s.code, r.value))) for s, r in pairs]


@pytest.mark.parametrize("day", [14, 28, 42])
def test_bags_of_two_amendments_that_were_exchanged_are_both_named(day: int) -> None:
    pairs = exchanged(of_two_amendments(4), f"B2-{day}", f"B4-{day}A")
    assert odd(of_two_amendments(4)) == set()
    assert odd(pairs) == {(f"B2-{day}", "exchange"), (f"B4-{day}A", "exchange")}


@pytest.mark.parametrize("day", [14, 28, 42, 56])
def test_with_two_beds_of_each_an_exchange_is_no_pair_of_opposite_slips(day: int) -> None:
    pairs = exchanged(made(beds=2), f"B2-{day}", f"B3-{day}")
    assert odd(pairs) == {(f"B2-{day}", "exchange"), (f"B3-{day}", "exchange")}
    what = next(
        what for one, _, what in oddities.odd([("nitrate-N", pairs)]) if one.sample[1] == "2"
    )
    assert f"looks exchanged with bed B3: on day {day} each has what is usual" in what


def test_two_beds_of_one_label_leave_both_unjudged() -> None:
    """Two machines may have added the same label: nobody can say which bed a flag is about."""
    pairs = [
        (replace(sample, label="B1") if sample.label == "B2" else sample, one)
        for sample, one in made(lambda bed, on, v: v * 10 if (bed, on) == ("B1", 14) else v)
    ]
    assert {one for one, _ in odd(pairs)} <= {"B1-14"}


# 1 kg of P is 2.2914 kg of P2O5 (IUPAC weights).
def test_phosphate_where_phosphorus_is_written_is_said() -> None:
    series = made(lambda bed, on, value: 38 + value / 100)
    whole = [
        (s, r._replace(value=r.value * 2.2914) if s.names == ("day 28",) else r) for s, r in series
    ]  # type: ignore[operator]
    found = {what.split(": ")[-1] for _, _, what in oddities.odd([("P", whole)])}
    assert found == {"P2O5 where P is written?"}
