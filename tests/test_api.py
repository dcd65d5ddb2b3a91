"""The Python API: a notebook's session is what docs/python.md shows, on the season of the demo."""

from __future__ import annotations

import csv
import gzip
import inspect
import math
import shutil
import sqlite3
import subprocess
import sys
from dataclasses import replace
from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

import logbook
from logbook.api import frames
from logbook.api.frames import KINDS, TABLES, Column
from logbook.errors import UserMistake
from logbook.study.series import series_of
from tests.notebook import PAGE, python_page
from tests.program import PROTOCOL, Program

ROOT = Path(__file__).resolve().parents[1]
HOSTILE = "<script>alert(1)</script>\x1b[2J & co"
# NIST StRD nonlinear regression, certified: data, then A, k and the residual sum of squares.
# fmt: off
NIST = {
    "Misra1a": (
        [77.6, 114.9, 141.1, 190.8, 239.9, 289.0, 332.8, 378.4, 434.8, 477.3, 536.8, 593.1,
         689.1, 760.0],
        [10.07, 14.73, 17.94, 23.93, 29.61, 35.18, 40.02, 44.82, 50.76, 55.05, 61.01, 66.40,
         75.47, 81.78],
        2.3894212918e02, 5.5015643181e-04, 1.2455138894e-01,
    ),
    "BoxBOD": (
        [1, 2, 3, 5, 7, 10], [109, 149, 149, 191, 213, 224],
        2.1380940889e02, 5.4723748542e-01, 1.1680088766e03,
    ),
}
# fmt: on
CLASSES = ("Book", "Trial", "Curve", "Fits", "Comparison", "Findings")
DAYS = [0, 3, 7, 14, 21, 28, 35, 42, 56]
VALUES = [2.1, 9.8, 18.0, 26.9, 31.8, 35.1, 36.0, 37.4, 37.1]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory, demo_season: Path) -> Path:
    """A folder with the demo's store."""
    path = tmp_path_factory.mktemp("notebook")
    shutil.copy2(demo_season, path / "trial.db")
    return path


@pytest.fixture(scope="module")
def trial(folder: Path) -> logbook.Trial:
    """The trial of the demo."""
    return logbook.open(folder / "trial.db").trial()


@pytest.fixture(scope="module")
def meal(trial: logbook.Trial) -> logbook.Curve:
    """A curve with a first order, from the demo."""
    return trial.curves("mineral-N", "meal")[0]


def stored(folder: Path, query: str) -> list[tuple[Any, ...]]:
    """What the store itself says."""
    with sqlite3.connect(folder / "trial.db") as store:
        rows = store.execute(query).fetchall()
    store.close()
    return rows


def has(frame: pd.DataFrame, columns: tuple[Column, ...]) -> None:
    """The frame has these columns, of these kinds."""
    assert {name: str(kind) for name, kind in frame.dtypes.items()} == {
        one.name: str(pd.Series([], dtype=KINDS[one.kind]).dtype) for one in columns
    }
    assert list(frame) == [one.name for one in columns]


# --- what is offered, and when it is loaded -----------------------------------------------------


@pytest.mark.long
def test_the_page_is_what_a_session_shows(folder: Path) -> None:
    """Outputs and columns in docs/python.md are the program's: see tests/write_docs.py."""
    assert PAGE.read_text(encoding="utf-8") == python_page(folder)


LOOKED_THROUGH = "[getattr(logbook, name) for name in dir(logbook)]"  # as a frozen clock does


@pytest.mark.parametrize("names", ["", "logbook.UserMistake; logbook.__version__", LOOKED_THROUGH])
def test_to_import_it_loads_no_numbers(names: str) -> None:
    heavy = {"pandas", "numpy", "scipy", "matplotlib", "sqlalchemy", "sqlite3", "typer", "rich"}
    source = f"import sys, logbook; {names}\nprint(*sys.modules)"
    done = subprocess.run(
        [sys.executable, "-c", source], capture_output=True, text=True, check=True, cwd=ROOT
    )
    loaded = {name.partition(".")[0] for name in done.stdout.split()}
    assert "logbook" in loaded
    assert not loaded & heavy


def test_every_name_is_there_and_no_other() -> None:
    for name in logbook.__all__:
        assert getattr(logbook, name).__doc__, name
    with pytest.raises(AttributeError, match="no attribute 'plot'"):
        logbook.plot  # noqa: B018


def test_whatever_a_notebook_asks_for_is_explained() -> None:
    for one in map(logbook.__getattr__, CLASSES):
        for name, member in inspect.getmembers(one):
            if not name.startswith("_") and (callable(member) or isinstance(member, property)):
                assert inspect.getdoc(member), f"{one.__name__}.{name}"


@pytest.mark.parametrize("table", TABLES)
def test_every_column_is_explained(table: str) -> None:
    told = logbook.columns(table)
    assert list(told) == ["column", "kind", "unit", "meaning"]
    assert (told.meaning != "").all()
    assert told.column.is_unique


def test_a_table_that_does_not_exist() -> None:
    with pytest.raises(logbook.UserMistake, match="there is no table 'beds'"):
        logbook.columns("beds")


# --- pulls and results --------------------------------------------------------------------------


def test_pulls_are_the_stores(folder: Path, trial: logbook.Trial) -> None:
    pulls = trial.pulls()
    has(pulls, frames.PULLS)
    there = dict(stored(folder, 'SELECT code, substr("when", 1, 10) FROM pull'))
    assert dict(zip(pulls["sample"], pulls.date.dt.date.map(date.isoformat), strict=True)) == there
    assert pulls.results.sum() == len(trial.results())
    # The demo spills B14 once; what was pulled of it later is flagged.
    assert set(pulls[pulls.after_mishap != ""].bed) == {"B14"}
    assert pulls[pulls.bed == "B14"].after_mishap.ne("").sum() == 3


def test_results_are_the_stores_to_the_last_digit(folder: Path, trial: logbook.Trial) -> None:
    results = trial.results()
    has(results, frames.RESULTS)
    rows = stored(folder, 'SELECT sample, analyte, value, qualifier, "limit" FROM result')
    there = {(one, what): f"{side}{value or limit}" for one, what, value, side, limit in rows}
    keys = zip(results.part, results.nutrient, strict=True)
    assert dict(zip(keys, results.value_text, strict=True)) == there
    numbers = results[results.qualifier == ""]
    assert (numbers.value == numbers.value_text.map(lambda text: float(Decimal(text)))).all()
    assert numbers.limit.isna().all()
    beyond = results[results.qualifier != ""]
    assert len(beyond)
    assert beyond.value.isna().all()
    assert (beyond.value_text == "<" + beyond.limit.map("{:g}".format)).all()


def test_results_are_what_the_laboratory_printed(trial: logbook.Trial) -> None:
    """Against the demo's own file, every cell of it."""
    results = trial.results()
    mine = results[results.report == "T-101"]
    found = dict(zip(zip(mine.part, mine.nutrient, strict=True), mine.value_text, strict=True))
    with (ROOT / "sample_logs" / "report-01.csv").open(encoding="utf-8-sig", newline="") as file:
        _, *lines = csv.reader(file)
    printed = {(line[0], line[1].replace("NO3", "nitrate-N")): line[2] for line in lines}
    assert {key: Decimal(text) for key, text in found.items() if key in printed} == {
        key: Decimal(text) for key, text in printed.items()
    }


def test_a_difference_is_the_mean_of_the_paired_beds(trial: logbook.Trial) -> None:
    """By hand from the tidy results: block by block, treated less the block's controls."""
    results = trial.results()
    mine = results[(results.nutrient == "nitrate-N") & (results.pull == "day 28")]
    blocks = mine.groupby(["block", "treatment"]).value.mean().unstack()
    row = trial.net_release("nitrate-N", "meal").set_index("pull").loc["day 28"]
    gaps = (blocks.meal - blocks.none).dropna()
    assert row.interval_method == "within-block"
    assert row.difference == pytest.approx(gaps.mean(), rel=1e-12)
    # Student's t of 3 df at 0.975: 3.1824 (any table).
    half = 3.1824463 * gaps.std() / math.sqrt(len(gaps))
    assert row.high - row.difference == pytest.approx(half, rel=1e-6)


def test_net_release_is_that_of_the_curves(trial: logbook.Trial, meal: logbook.Curve) -> None:
    whole = trial.net_release()
    has(whole, frames.NET_RELEASE)
    assert set(whole.nutrient) == {*trial.nutrients, "mineral-N"}
    assert set(whole.treatment) == set(trial.treatments) - {"none"}
    part = whole[(whole.nutrient == "mineral-N") & (whole.treatment == "meal")]
    pd.testing.assert_frame_equal(part.reset_index(drop=True), meal.net_release)


def test_names_are_read_as_on_the_screens(trial: logbook.Trial) -> None:
    one, other = trial.net_release("NO3-N", "MEAL"), trial.net_release("nitrate-N", "meal")
    assert len(one)
    pd.testing.assert_frame_equal(one, other)


def test_what_was_pulled_after_a_mishap_can_be_left_out(trial: logbook.Trial) -> None:
    kept = trial.net_release("pH", "shell").set_index("pull")
    left = trial.net_release("pH", "shell", without_flagged=True).set_index("pull")
    assert kept.loc["day 56"].treated_beds == left.loc["day 56"].treated_beds + 1
    assert kept.loc["day 28"].treated_beds == left.loc["day 28"].treated_beds


# --- a store with nothing in it -----------------------------------------------------------------


def test_a_trial_without_results_gives_empty_frames(started: Program) -> None:
    trial = logbook.open(started.store).trial("small")
    for found, columns in (
        (trial.pulls(), frames.PULLS),
        (trial.results(), frames.RESULTS),
        (trial.net_release(), frames.NET_RELEASE),
        (trial.net_release("P", "M"), frames.NET_RELEASE),
    ):
        assert len(found) == 0
        has(found, columns)
    with pytest.raises(UserMistake, match="no results of mineral-N to compare"):
        trial.curves()
    assert trial.nutrients == []
    assert repr(trial) == "<Trial Small house (invented): 6 beds, 3 treatments, 0 pulls, 0 results>"
    with pytest.raises(logbook.UserMistake, match="no pull has a result"):
        trial.compare()


def test_pulls_without_results(started: Program) -> None:
    started.must("apply", "all", on="2026-03-02T10:00+01:00")
    started.must("pull", "all", on="2026-03-02T11:00+01:00")
    trial = logbook.open(started.store).trial()
    pulls = trial.pulls()
    has(pulls, frames.PULLS)
    assert len(pulls) == 6
    assert (pulls.day == 0).all()
    assert (pulls.results == 0).all()
    has(trial.results(), frames.RESULTS)


def test_several_trials_are_never_guessed_between(started: Program) -> None:
    second = PROTOCOL.replace("Small house", "Smaller house")
    (started.folder / "second.toml").write_text(second, encoding="utf-8")
    started.must("trial", "start", "second.toml")
    book = logbook.open(started.store)
    assert [one.name for one in book.trials] == [
        "Small house (invented)",
        "Smaller house (invented)",
    ]
    with pytest.raises(logbook.UserMistake, match="several trials are meant: 'Small house"):
        book.trial()
    with pytest.raises(logbook.UserMistake, match="several trials are meant"):
        book.trial("small")
    assert book.trial("smaller").name == "Smaller house (invented)"
    assert book.trial("SMALL HOUSE (invented)").name == "Small house (invented)"
    with pytest.raises(logbook.UserMistake, match="there is no trial called 'Big'") as none:
        book.trial("Big")
    assert none.value.hint.startswith("there are: 'Small house (invented)', ")


# --- opening ------------------------------------------------------------------------------------


def test_nothing_that_reads_changes_the_file(folder: Path, trial: logbook.Trial) -> None:
    path = folder / "trial.db"
    before = path.read_bytes()
    trial.pulls(), trial.results(), trial.net_release("P"), trial.compare(), repr(trial.book)
    with pytest.raises(logbook.StoreError, match="cannot be written"):
        trial.book.ask(lambda store: store.execute("DELETE FROM result"))
    assert path.read_bytes() == before


def test_others_may_write_while_a_book_is_open(started: Program) -> None:
    with logbook.open(started.store) as book:
        trial = book.trial()
        assert len(trial.pulls()) == 0
        started.must("pull", "B1", on="2026-03-02T11:00+01:00")
        assert list(trial.pulls().bed) == ["B1"]
    with pytest.raises(logbook.UserMistake, match="this book was closed"):
        trial.pulls()
    assert "closed" in repr(book)
    assert "closed" in book._repr_html_()


def test_without_a_file_your_own_logbook_is_opened(started: Program) -> None:
    assert logbook.open().path == started.store


def test_no_store(tmp_path: Path) -> None:
    with pytest.raises(logbook.StoreError, match="there is no logbook here yet") as none:
        logbook.open(tmp_path / "none.db")
    assert none.value.__notes__ == ["logbook demo --keep FILE makes one to look at"]
    assert list(tmp_path.iterdir()) == []


def test_what_is_no_store(tmp_path: Path) -> None:
    (tmp_path / "text.db").write_text("day,value\n" * 200)
    with pytest.raises(logbook.StoreError, match="this file is not a logbook store"):
        logbook.open(tmp_path / "text.db")
    with pytest.raises(logbook.StoreError, match="this is a folder, not a store"):
        logbook.open(tmp_path)


def test_an_older_store_is_left_as_it_is(tmp_path: Path) -> None:
    old = tmp_path / "an old.db"
    old.write_bytes(gzip.decompress((ROOT / "tests/golden/store-0.1.0.db.gz").read_bytes()))
    before = old.read_bytes()
    with pytest.raises(logbook.StoreError, match="schema 0001, this program reads") as older:
        logbook.open(old)
    assert older.value.hint.startswith(f"logbook --store '{old}' today upgrades it")
    assert old.read_bytes() == before


# --- fits ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", NIST)
def test_certified_fits(name: str) -> None:
    days, values, ceiling, rate, rss = NIST[name]
    found = logbook.fit(days, values, free_start=False, shapes=("first order",))
    has(found.table, frames.FITS)
    table = found.table.set_index("parameter")
    assert table.value["A"] == pytest.approx(ceiling, rel=1e-9)
    assert table.value["k"] == pytest.approx(rate, rel=1e-9)
    assert table.value["t1/2"] == pytest.approx(math.log(2) / rate, rel=1e-9)
    assert table.rss["A"] == pytest.approx(rss, rel=1e-9)


def test_all_shapes_named_are_all_shapes() -> None:
    every = [one.shape for one in logbook.fit(DAYS, VALUES)]
    named = logbook.fit(DAYS, VALUES, shapes=every)
    columns = ["shape", "parameter", "value", "se", "quotable", "rss", "aicc", "chosen", "why"]
    pd.testing.assert_frame_equal(
        logbook.fit(DAYS, VALUES).table[columns], named.table[columns], rtol=1e-12
    )
    assert len(named) == len(every) == 5


def test_a_frame_is_fitted_as_its_columns_are() -> None:
    frame = pd.DataFrame({"day": DAYS, "value": VALUES, "net": VALUES[::-1]})
    assert repr(logbook.fit(frame)) == repr(logbook.fit(DAYS, VALUES))
    assert logbook.fit(frame, "net").values == tuple(VALUES[::-1])


def test_known_errors_give_chi2_and_allow_fewer_pulls() -> None:
    unknown, known = logbook.fit(DAYS[:6], VALUES[:6]), logbook.fit(DAYS[:6], VALUES[:6], sd=0.8)
    assert isinstance(unknown["first order"], logbook.Refusal)
    first = known["first order"]
    assert isinstance(first, logbook.Fit)
    squares = sum(
        (value - at) ** 2 / 0.8**2 for value, at in zip(VALUES, first.at(DAYS[:6]), strict=False)
    )
    table = known.table[known.table["shape"] == "first order"]
    assert table.chi2.to_numpy() == pytest.approx(squares, rel=1e-9)
    assert known.table.aicc.isna().all()
    assert unknown.table.chi2.isna().all()


def test_equal_weights_change_nothing() -> None:
    plain, heavy = logbook.fit(DAYS, VALUES), logbook.fit(DAYS, VALUES, weights=[2.0] * 9)
    pd.testing.assert_series_equal(plain.table.value, heavy.table.value, rtol=1e-9)
    assert heavy.table.rss.dropna().to_numpy() == pytest.approx(
        2.0 * plain.table.rss.dropna().to_numpy(), rel=1e-9
    )


def test_only_what_the_pulls_tell_may_be_quoted() -> None:
    found = logbook.fit(DAYS, VALUES)
    quoted = found.table[found.table.quotable]
    assert set(quoted["shape"]) == {"first order"}
    assert list(quoted.parameter) == ["D0", "A", "k", "t1/2"]
    k = quoted.set_index("parameter").loc["k"]
    assert k.low < k.value < k.high
    assert "these values only" in k.interval_method
    # Over before the first pull: the plateau is told, the rate is not.
    jump = logbook.fit(DAYS, [0.1, *[20.2, 19.8, 20.1, 19.9] * 2], shapes=["first order"])
    assert list(jump.table[jump.table.quotable].parameter) == ["D0", "A"]
    assert "To be quoted: the plateau, and a lower limit of the rate" in repr(jump)
    assert "rate k" not in repr(jump)


def test_the_curve_ends_at_the_last_pull() -> None:
    found = logbook.fit(DAYS, VALUES)
    first = found["first order"]
    assert isinstance(first, logbook.Fit)
    assert found.at([0, 56]) == pytest.approx(first.at([0, 56]))
    assert found.at(14) == pytest.approx([26.97], abs=0.3)
    for outside in (56.5, -1, [0, 70]):
        with pytest.raises(logbook.UserMistake, match="outside the pulls"):
            found.at(outside)


def test_equal_values_have_no_curve() -> None:
    found = logbook.fit(DAYS, [3.0] * 9)
    assert found.chosen is None
    assert not found.table.quotable.any()
    assert not found.table.chosen.any()
    assert "all values are equal (3): no change to fit" in repr(found)
    with pytest.raises(logbook.UserMistake, match="there is no curve"):
        found.at(7)


MIXED = pd.DataFrame({"day": DAYS, "value": VALUES, "unit": ["mg/kg"] * 8 + ["%"]})
SOWN = pd.DataFrame({"day": DAYS, "value": VALUES, "planted": [""] * 8 + ["B1"]})
DISPUTED = pd.DataFrame({"day": DAYS, "value": VALUES, "conflict": [False] * 8 + [True]})
WRONG: list[tuple[tuple[Any, ...], dict[str, Any], str]] = [
    ((DAYS, [*VALUES[:8], math.nan]), {}, "value 9 is nan, not a number"),
    ((DAYS, [*VALUES[:8], math.inf]), {}, "value 9 is inf, not a number"),
    ((DAYS, [*VALUES[:8], None]), {}, "value 9 is nan, not a number"),
    ((DAYS, [*VALUES[:8], pd.NA]), {}, "values are not all numbers"),
    ((DAYS, [*VALUES[:8], "much"]), {}, "values are not all numbers"),
    ((DAYS, VALUES[:8]), {}, "9 days do not match 8 values"),
    ((DAYS, [VALUES, VALUES]), {}, "one series at a time"),
    ((DAYS,), {}, "values are missing"),
    (([-1, *DAYS[1:]], VALUES), {}, "day -1 is before application"),
    ((pd.date_range("2026-03-01", periods=9), VALUES), {}, "days are dates"),
    (([], []), {}, "0 days do not match"),
    ((DAYS, VALUES), {"sd": 0}, "a standard deviation must be above zero"),
    ((DAYS, VALUES), {"sd": [1, 2]}, "2 standard deviations do not match 9 values"),
    ((DAYS, VALUES), {"sd": math.nan}, "standard deviation 1 is nan"),
    ((DAYS, VALUES), {"weights": [1] * 8}, "8 weights do not match 9 values"),
    ((DAYS, VALUES), {"weights": [0] * 9}, "weights must be above zero"),
    ((DAYS, VALUES), {"sd": 1, "weights": [1] * 9}, "one of them is enough"),
    ((DAYS, VALUES), {"shapes": ["cubic"]}, "there is no shape 'cubic'"),
    ((DAYS, VALUES), {"shapes": []}, "no shape was asked for"),
    ((pd.DataFrame({"day": DAYS}),), {}, "the frame has no column 'value'"),
    ((pd.DataFrame({"value": DAYS}),), {}, "the frame has no column 'day'"),
    ((pd.DataFrame({"day": DAYS}), VALUES), {}, "name the column of the frame"),
    ((MIXED,), {}, r"the frame mixes several of unit \(mg/kg, %\)"),
    ((SOWN,), {}, "rows that were pulled after sowing"),
    ((DISPUTED,), {}, "rows that machines disagree about"),
]


@pytest.mark.parametrize(("given", "more", "said"), WRONG)
def test_wrong_fits(given: tuple[Any, ...], more: dict[str, Any], said: str) -> None:
    with pytest.raises(logbook.UserMistake, match=said):
        logbook.fit(*given, **more)


def test_a_shape_that_was_not_fitted() -> None:
    with pytest.raises(logbook.UserMistake, match="'Gompertz' was not fitted"):
        logbook.fit(DAYS, VALUES, shapes="zero order")["Gompertz"]


# --- curves and comparisons ---------------------------------------------------------------------


def test_a_curve_says_what_the_study_found(trial: logbook.Trial, meal: logbook.Curve) -> None:
    (same,) = trial.book.ask(lambda store: series_of(store, trial.id, "mineral-N", "meal"))
    assert same.fitted is not None
    table = meal.fits.table.set_index(["shape", "parameter"]).loc["first order"]
    assert set(same.fitted.constants) == {"A", "k", "t1/2"}
    for symbol, interval in same.fitted.constants.items():
        assert (table.low[symbol], table.high[symbol]) == (interval.low, interval.high)
        assert table.unit[symbol] == {"A": "mg/kg", "k": "per day", "t1/2": "days"}[symbol]
    assert meal.area == same.fitted.area
    has(meal.on([7, 10]), frames.ON_DAYS)
    interval = same.fitted.at_day(10)
    assert interval is not None
    row = meal.on([7, 10]).loc[1]
    assert (row.day, row.value, row.low, row.high) == (
        10,
        interval.value,
        interval.low,
        interval.high,
    )
    # The truth behind the demo: half-life 6.86 d (Ebid et al. 2007), within the range or near it.
    assert table.low["t1/2"] - 0.5 < 6.86 < table.high["t1/2"] + 0.5


def test_what_is_not_told_is_not_quoted(trial: logbook.Trial) -> None:
    (straw,) = trial.curves("mineral-N", "straw")
    assert not straw.fits.table.quotable.any()
    assert "To be quoted: the curve only" in str(straw)
    assert straw.below is not None
    assert straw.below.trough_day == 14
    assert "Below control on days 3, 7, 14 and 21; deepest on day 14" in str(straw)
    assert "Level with control again on day 35" in str(straw)


def test_one_bed_a_side_claims_nothing(trial: logbook.Trial) -> None:
    (rock,) = trial.curves("mineral-N", "rock")
    assert rock.net_release.low.isna().all()
    assert "cannot be told from a difference between beds" in str(rock)
    assert rock.fits.chosen is None
    assert "Below control: one bed on a side" in str(rock)
    assert "too few pulls: zero order needs 5" in str(rock)


def test_no_release_is_claimed_of_ph(trial: logbook.Trial) -> None:
    (acid,) = trial.curves("pH", "shell")
    assert len(acid.fits) == 0
    has(acid.fits.table, frames.FITS)
    assert "No curve: no release is claimed of it" in str(acid)
    assert (acid.below, acid.area) == (None, None)
    for found in (acid.on(7), acid.released_by(7)):
        assert found.value.isna().all()
        assert (found.low_reason != "").all()


def test_what_came_by_a_day_is_counted_from_day_0(meal: logbook.Curve) -> None:
    """Against the differences pull by pull: D(day) - D(0), dilution-corrected as the curve is."""
    net = meal.net_release.set_index("pull").corrected
    found = meal.released_by([14, 28, 90]).set_index("day")
    assert found.value[14] == pytest.approx(net["day 14"] - net["day 0"])
    assert found.value[28] == pytest.approx(net["day 28"] - net["day 0"])
    assert found.low[28] < found.value[28] < found.high[28]
    assert math.isnan(found.value[90])
    assert found.low_reason[90] == "day 90 is outside the pulls (day 0 to day 56)"
    with pytest.raises(logbook.UserMistake, match="day 2 is nan"):
        meal.on([1, math.nan])


def test_one_date_is_that_of_the_curves(trial: logbook.Trial) -> None:
    compared = trial.compare(28, "straw")
    has(compared.table, frames.COMPARED)
    row = compared.table.set_index("nutrient").loc["mineral-N"]
    net = trial.net_release("mineral-N", "straw").set_index("pull").loc["day 28"]
    shared = ["treated", "control", "difference", "low", "high", "df", "treated_beds"]
    assert list(row[shared]) == list(net[shared])
    assert row.declared
    assert math.isnan(row.p_exploratory)
    assert compared.pull == "day 28"
    assert compared.treatments == ["straw"]


def test_a_test_among_all_treatments_stands_beside_each_line(trial: logbook.Trial) -> None:
    compared, alone = trial.compare("day 28"), trial.compare("day 28", "meal")
    table = compared.table.set_index(["treatment", "nutrient"])
    assert table.loc[("meal", "mineral-N")].p < 0.001
    tested = table[table.p.notna()]
    assert len(tested) > 20
    # Adjusted for more than the date, so never smaller; and a range that holds for all at once.
    wider = tested[tested.p_exploratory.notna()]
    assert len(wider) == len(tested) - tested.declared.sum()
    assert (tested.test_low < tested.test_high).all()
    none = tested.test_scale.map({"ratio": 1.0, "difference": 0.0})
    shown = (tested.test_low > none) | (tested.test_high < none)
    together = tested.test == "dunnett"
    assert together.any()
    assert (shown == (tested.p <= 0.05))[together].all()
    # What is shown changes no p.
    one = alone.table.set_index("nutrient").p
    pd.testing.assert_series_equal(one, table.loc["meal"].p)
    assert all(f": {sentence}\n" in repr(compared) for sentence in tested.tested)
    assert "what was not declared beforehand is exploratory" in repr(compared)


def test_the_shape_of_an_extractants_answer_is_called_descriptive(trial: logbook.Trial) -> None:
    (yard,) = trial.curves("P", "yard")
    assert yard.fits.chosen is not None
    assert "The shape is descriptive" in str(yard)
    assert yard.title == "change in extractable P (Mehlich-3) against control"


def test_findings_say_their_reach_first(trial: logbook.Trial) -> None:
    found = {one.treatment: one for one in trial.findings()}
    assert set(found) == set(trial.treatments) - {"none"}
    straw = found["straw"]
    has(straw.table, frames.FINDINGS)
    assert len(straw.table) == len(straw.found.findings)
    lines = str(straw).splitlines()
    assert lines[1].startswith("Reach: straw-rich compost")
    assert all(f"  {sentence}" in lines for sentence in straw.table.sentence)
    assert all(f"Caution: {one}." in lines for one in straw.cautions)
    html = straw._repr_html_()
    assert html.index("Reach: ") < html.index("<table") < html.index("Caution: ")
    declared = straw.table[straw.table.declared]
    assert list(declared.nutrient) == ["mineral-N"]
    net = trial.net_release("mineral-N", "straw").set_index("pull").loc["day 28"]
    assert list(declared[["value", "low", "high"]].iloc[0]) == pytest.approx(
        [net.difference, net.low, net.high]
    )
    assert repr(straw) == f"<Findings on straw: {len(straw.table)} sentences>"


@pytest.mark.parametrize(
    ("method", "given", "said"),
    [
        ("findings", ("nope",), "there is no treatment 'nope'"),
        ("findings", ("meal", "day 29"), "the calendar has no pull 'day 29'"),
        ("net_release", ("unobtainium",), "is not a nutrient this program knows"),
        ("net_release", ("nitrogen",), "may mean total-N or NO3-N"),
        ("net_release", ("P", "nope"), "there is no treatment 'nope'"),
        ("curves", ("P", "none"), "there is no treatment 'none' to compare with the control"),
        ("curves", ("unobtainium",), "is not a nutrient this program knows"),
        ("compare", ("day 29",), "the calendar has no pull 'day 29'"),
        ("compare", (28, "nope"), "there is no treatment 'nope'"),
        ("compare", ("day 84",), "has no result of a treated bed yet"),
    ],
)
def test_wrong_names(trial: logbook.Trial, method: str, given: tuple[Any, ...], said: str) -> None:
    with pytest.raises(logbook.UserMistake, match=said) as wrong:
        getattr(trial, method)(*given)
    assert wrong.value.__notes__ == [wrong.value.hint]


# --- how they look ------------------------------------------------------------------------------


def safe(html: str) -> None:
    """The hostile words stand in the page as text, and nothing steers anything."""
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in html
    assert "<script" not in html
    assert "\x1b" not in html
    assert "&amp; co" in html


def test_what_data_hold_is_text_in_a_page(
    tmp_path: Path, trial: logbook.Trial, meal: logbook.Curve
) -> None:
    book = logbook.Book(trial.book.path)
    named = logbook.Trial(book, trial.id, replace(trial.record, name=HOSTILE, question=HOSTILE))
    safe(named._repr_html_())
    series = replace(meal.series, treatment_name=HOSTILE, method=HOSTILE, notes=(HOSTILE,))
    curve = logbook.Curve(series)
    safe(curve._repr_html_())
    found = trial.compare(28, "meal").found
    line = replace(found.lines[0], finding=HOSTILE, sentence=HOSTILE)
    compared = logbook.Comparison(replace(found, trial=HOSTILE, lines=(line,), notes=(HOSTILE,)))
    safe(compared._repr_html_())
    (told,) = trial.findings("meal")
    one = replace(told.found.findings[0], sentence=HOSTILE, design=HOSTILE)
    said = replace(told.found, name=HOSTILE, reach=(HOSTILE,), findings=(one,), cautions=(HOSTILE,))
    safe(logbook.Findings(said)._repr_html_())
    safe(replace(logbook.fit(DAYS, VALUES), unit=HOSTILE)._repr_html_())
    for shown in (repr(named), str(curve), repr(compared), str(logbook.Findings(said))):
        assert "\x1b" not in shown


def test_a_page_shows_whole_sentences_and_gaps(trial: logbook.Trial) -> None:
    (shell,) = trial.curves("ammonium-N", "shell")
    html = shell._repr_html_()
    assert "NaN" not in html
    assert all(one.replace("'", "&#x27;") in html for one in shell.notes)
    for candidate in shell.fits.choice.candidates:
        assert candidate.why.replace("<", "&lt;").replace(">", "&gt;") in html


def test_a_trial_and_a_book_in_a_page(trial: logbook.Trial) -> None:
    assert "straw: straw-rich compost, a fifth of the mix" in trial._repr_html_()
    assert "Propagation house (invented): 26 beds" in trial.book._repr_html_()
