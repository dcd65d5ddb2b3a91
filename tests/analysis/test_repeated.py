"""Several dates on the same beds: a published split plot in time; the closed form against REML."""

from __future__ import annotations

import math
import warnings
from dataclasses import replace

import numpy as np
import pytest

from logbook.analysis import gaps
from logbook.analysis.anova import sequential
from logbook.analysis.repeated import (
    NOT_POOLED,
    TWO_DATES,
    WHOLE,
    Dated,
    OnDate,
    Season,
    season,
    spread_on_a_date,
)
from logbook.analysis.series import ONE_BED
from logbook.analysis.several import ONE_TREATED
from logbook.errors import BadData, UserMistake

# Gomez & Gomez 1984, Statistical Procedures for Agricultural Research, p. 259 (tables 6.16 to
# 6.18): soil nitrogen, %, of eight fertiliser treatments in four replications on three dates.
# The dates, the replications in order.
GOMEZ = {
    "T1": "3.26 2.98 2.78 2.77 / 1.88 1.74 1.76 2 / 1.4 1.24 1.44 1.25",
    "T2": "3.84 3.74 3.09 3.36 / 2.36 2.14 1.75 1.57 / 1.53 1.21 1.28 1.17",
    "T3": "3.5 3.49 3.03 3.36 / 2.2 2.28 2.48 2.47 / 1.33 1.54 1.46 1.41",
    "T4": "3.43 3.45 2.81 3.32 / 2.32 2.33 2.16 1.99 / 1.61 1.33 1.4 1.12",
    "T5": "3.43 3.24 3.45 3.09 / 1.98 1.7 1.78 1.74 / 1.11 1.25 1.39 1.2",
    "T6": "3.68 3.24 2.84 2.91 / 2.01 2.33 2.22 2 / 1.26 1.44 1.12 1.24",
    "T7": "2.97 2.9 2.92 2.42 / 2.66 2.74 2.67 2.98 / 1.87 1.81 1.31 1.56",
    "T8": "3.11 3.04 3.2 2.81 / 2.53 2.22 2.61 2.22 / 1.76 1.28 1.23 1.29",
}
DATES = ("P1", "P2", "P3")


def gomez() -> list[Dated]:
    return [
        Dated(f"{code} R{rep}", f"R{rep}", code, date, float(value))
        for code, text in GOMEZ.items()
        for date, row in zip(DATES, text.split(" / "), strict=True)
        for rep, value in enumerate(row.split(), 1)
    ]


def invented(seed: int, *, bed: float = 0.3, beds: int = 4) -> list[Dated]:
    """An invented season: three treatments, `beds` each, four dates, with a random bed."""
    rng = np.random.default_rng(seed)
    return [
        Dated(f"{code}{place}", None, code, f"day {day}", float(lift + level + rng.normal(0, 0.2)))
        for code, level in (("C", 5.0), ("A", 5.5), ("B", 6.5))
        for place in range(beds)
        for lift in [rng.normal(0, bed)]
        for day in (0, 7, 14, 28)
    ]


def on(found: Season, treatment: str, date: str) -> OnDate:
    (one,) = [one for one in found.on_dates if (one.treatment, one.date) == (treatment, date)]
    return one


class TestSoilNitrogen:
    def test_the_published_analysis_of_variance(self) -> None:
        given = gomez()
        codes, dates = [one.treatment for one in given], [one.date for one in given]
        table = sequential(
            [one.value for one in given],
            [
                ("rep", [one.block for one in given]),
                ("treatment", codes),
                ("error a", [one.bed for one in given]),
                ("date", dates),
                ("both", list(zip(codes, dates, strict=True))),
            ],
        )
        ss = [0.84574, 1.26583, 0.76949, 52.0429, 3.56644, 1.74477]
        assert [one.ss for one in table] == pytest.approx(ss, rel=2e-6, abs=6e-6)
        assert [one.df for one in table] == [3, 7, 21, 2, 14, 48]
        assert (table[1].ms or 0) / (table[2].ms or 1) == pytest.approx(4.9351, abs=1e-4)
        assert table[3].f == pytest.approx(715.87, abs=0.01)

    def test_the_interaction(self) -> None:
        found = season(gomez(), "T8", logs=False)
        assert (found.method, found.why, found.dates) == ("closed form", WHOLE, DATES)
        assert found.interaction is not None
        assert found.interaction.f == pytest.approx(7.0083, abs=1e-4)
        assert (found.interaction.df, found.interaction.error_df) == (14, 48)
        assert found.interaction.p == pytest.approx(1.5e-7, rel=0.05)
        assert (found.df_bed, found.df_error) == (21, 48)
        assert found.ms_bed == pytest.approx(0.76949 / 21, rel=1e-4)
        assert found.ms_error == pytest.approx(1.74477 / 48, rel=1e-5)

    def test_the_mean_over_dates_is_held_against_the_spread_between_beds(self) -> None:
        found = season(gomez(), "T8", logs=False)
        assert (found.means.method, found.means.df) == ("dunnett", 21)
        assert found.means.ms == pytest.approx(0.76949 / 21 / 3, rel=1e-5)

    def test_a_sign_that_flips_with_the_date_is_hidden_by_the_mean(self) -> None:
        # T7 means of the book by date: 2.8025, 2.7625, 1.6375; lowest at first, highest later.
        found = season(gomez(), "T8", logs=False)
        first, second, third = (on(found, "T7", date) for date in DATES)
        assert first.estimate == pytest.approx(-0.2375) and second.estimate > 0.3
        assert second.low is not None and second.low > 0.0
        assert third.estimate == pytest.approx(1.6375 - (1.76 + 1.28 + 1.23 + 1.29) / 4)

    def test_the_spread_of_one_date_by_the_formula(self) -> None:
        found = season(gomez(), "T8", logs=False)
        v = (0.76949 / 21 + 2 * 1.74477 / 48) / 3
        df = v**2 / ((0.76949 / 63) ** 2 / 21 + (2 * 1.74477 / 144) ** 2 / 48)
        assert spread_on_a_date(found) == pytest.approx((v, df), rel=1e-5)
        one = on(found, "T2", "P1")
        assert one.df == pytest.approx(df, rel=1e-5)
        assert one.high is not None
        assert one.high - one.estimate == pytest.approx(1.9955 * math.sqrt(v / 2), rel=1e-3)


class TestReml:
    @pytest.mark.parametrize("seed", [2, 3, 5])
    def test_balanced_beds_give_the_variances_of_the_closed_form(self, seed: int) -> None:
        # Where positive, REML's variances are those of the analysis of variance
        # (Searle, Casella & McCulloch 1992, Variance Components, section 3.8).
        given = invented(seed)
        closed = season(given, "C", logs=False)
        assert closed.ms_bed and closed.ms_error and closed.ms_bed > closed.ms_error
        assert closed.means.method == "dunnett"
        reml = gaps.with_gaps(given, closed.dates, "C", closed.means)
        assert reml.ms_error == pytest.approx(closed.ms_error, rel=1e-3)
        assert reml.ms_bed == pytest.approx(closed.ms_bed, rel=1e-3)
        assert (reml.df_bed, reml.df_error) == (closed.df_bed, closed.df_error)
        for one, other in zip(reml.means.lines, closed.means.lines, strict=True):
            assert one.estimate == pytest.approx(other.estimate, rel=1e-9)
            assert (one.low, one.high) == pytest.approx((other.low, other.high), rel=2e-3)
        assert reml.interaction is not None and closed.interaction is not None
        assert reml.interaction.f == pytest.approx(closed.interaction.f, rel=2e-3)

    def test_blocks_and_gaps_against_the_library_itself(self) -> None:
        import pandas as pd
        from statsmodels.formula.api import mixedlm

        given = [
            one for one in gomez() if (one.bed, one.date) not in {("T2 R1", "P2"), ("T8 R3", "P3")}
        ]
        found = season(given, "T8", logs=False)
        assert found.method == "reml"
        assert found.why == "2 of 96 bed-dates are missing: variances by REML, with a random bed"
        frame = pd.DataFrame([vars_of(one) for one in given])
        formula = "value ~ C(block) + C(treatment, Treatment('T8')) * C(date)"
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # it stops short of its own limit
            peer = mixedlm(formula, frame, groups=frame.bed).fit(reml=True, method="powell")
        name = "C(treatment, Treatment('T8'))[T.T2]"
        assert on(found, "T2", "P1").estimate == pytest.approx(peer.params[name], abs=1e-4)
        half = (on(found, "T2", "P1").high or 0.0) - on(found, "T2", "P1").estimate
        assert half / peer.bse[name] == pytest.approx(2.0796, rel=1e-2)  # t(0.975, 21)

    def test_beds_alike_leave_a_bed_variance_of_zero_and_an_answer(self) -> None:
        given = invented(1, bed=0.0)[:-1]
        found = season(given, "C", logs=False)
        assert found.method == "reml" and found.ms_bed is not None and found.ms_error is not None
        assert found.ms_bed == found.ms_error > 0.0
        assert all(line.low is not None for line in found.means.lines)


def vars_of(one: Dated) -> dict[str, object]:
    return {name: getattr(one, name) for name in ("bed", "block", "treatment", "date", "value")}


def test_logs_give_ratios_on_every_line() -> None:
    given = invented(4)
    found = season(given, "C", logs=True)
    plain = season([replace(one, value=math.log(one.value)) for one in given], "C", logs=False)
    assert found.means.scale == "ratio"
    for one, other in zip(found.on_dates, plain.on_dates, strict=True):
        assert one.estimate == pytest.approx(math.exp(other.estimate))
        assert one.high == pytest.approx(math.exp(other.high or 0.0))
    assert found.means.lines[0].low == pytest.approx(math.exp(plain.means.lines[0].low or 0.0))


def test_dates_are_no_replicates() -> None:
    # Four dates of three beds that differ among themselves: 12 bed-dates, 2 df a treatment.
    found = season(invented(8, bed=1.0, beds=3), "C", logs=False)
    assert found.means.df == 6 and found.df_bed == 6


def test_a_spread_that_stands_out_leaves_the_dates_without_a_shared_range() -> None:
    wide = [
        replace(one, value=one.value + 6.0 * (int(one.bed[1]) - 1.5))
        if one.treatment == "A"
        else one
        for one in invented(9)
    ]
    found = season(wide, "C", logs=False)
    assert found.means.method == "welch + holm"
    assert {one.reason for one in found.on_dates} == {NOT_POOLED}
    assert all(one.low is None for one in found.on_dates)
    short = season(wide[:-1], "C", logs=False)
    assert (short.method, short.interaction, short.on_dates) == ("bed means", None, ())
    assert short.why.startswith("1 of 48 bed-dates are missing, and one spread between beds")
    assert short.means.lines[0] == found.means.lines[0]  # the gap is in a bed of B


def test_one_bed_of_each_has_no_test() -> None:
    found = season(invented(1, beds=1), "C", logs=False)
    assert (found.method, found.why, found.on_dates, found.interaction) == (
        "none",
        ONE_BED,
        (),
        None,
    )


def test_one_bed_among_others_stands_outside() -> None:
    alone = [one for one in invented(6) if one.treatment != "B" or one.bed == "B0"]
    found = season(alone, "C", logs=False)
    last = found.means.lines[-1]
    assert (last.treatment, last.p, last.reason) == ("B", None, ONE_TREATED)
    assert {one.treatment for one in found.on_dates} == {"A"}


@pytest.mark.parametrize(
    ("change", "error", "said"),
    [
        (lambda g: [*g, g[0]], BadData, "bed C0, day 0: is given twice"),
        (lambda g: [replace(g[0], value=math.nan), *g[1:]], BadData, "value is nan, not a number"),
        (lambda g: [replace(g[0], value=-1.0), *g[1:]], BadData, "it has no logarithm"),
        (lambda g: [one for one in g if one.date == "day 7"], UserMistake, TWO_DATES),
        (
            lambda g: [one for one in g if (one.treatment, one.date) != ("A", "day 7")],
            UserMistake,
            "A has no result on day 7",
        ),
        (
            lambda g: [one for one in g if one.treatment != "C"],
            UserMistake,
            "C has no result on day 0",
        ),
    ],
)
def test_wrong_use(change, error, said) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(error, match=said):
        season(change(invented(1)), "C", logs=True)
