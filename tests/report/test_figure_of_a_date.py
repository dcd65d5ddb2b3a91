"""The figure of one date: nothing off the page, nothing squashed, the same bytes, all in words.

No outside source: these are promises of our own.
"""

from __future__ import annotations

import os
import subprocess
import sys
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logbook import handbook
from logbook.analysis.series import ONE_BED
from logbook.errors import UserMistake
from logbook.report import scales
from logbook.report.figures import comparison_figure
from logbook.report.figures.comparison import _AXES, _figure
from logbook.report.strips import Strip, strips
from logbook.report.terminal.compared import show_comparison
from logbook.study.comparison import Comparison
from logbook.study.levels import NO_CLASS
from logbook.study.standing import Ground

sys.path.insert(0, str(Path(__file__).parent))
import made_up_date
from matplotlib.figure import Figure

BOOK, GROUND = handbook.load(), Ground(1.1)
KINDS = (
    made_up_date.with_outliers,
    made_up_date.extremes,
    made_up_date.one_bed,
    made_up_date.huge,
    made_up_date.open_ended,
    made_up_date.alone,
)


def figure_of(comparison: Comparison) -> Figure:
    """The page of a comparison beside the program's own tables."""
    return _figure(comparison, strips(comparison, BOOK, GROUND))


def strip_of(comparison: Comparison, label: str) -> Strip:
    return next(one for one in strips(comparison, BOOK, GROUND) if one.label == label)


def described(comparison: Comparison, folder: Path) -> str:
    """The words of the SVG's description."""
    comparison_figure(comparison, folder / "figure.svg", BOOK, GROUND)
    found = ET.parse(folder / "figure.svg").getroot().find("{http://www.w3.org/2000/svg}desc")
    assert found is not None
    return found.text or ""


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("suffix", [pytest.param("png", marks=pytest.mark.long), "svg"])
def test_every_kind_is_drawn_and_twice_the_same(kind: object, suffix: str, tmp_path: Path) -> None:
    first, second = tmp_path / f"a.{suffix}", tmp_path / f"b.{suffix}"
    comparison_figure(kind(), first, BOOK, GROUND)  # type: ignore[operator]
    comparison_figure(kind(), second, BOOK, GROUND)  # type: ignore[operator]
    assert first.read_bytes() == second.read_bytes()
    assert sorted(tmp_path.iterdir()) == [first, second]


@pytest.mark.long
def test_another_process_writes_the_same_svg(tmp_path: Path) -> None:
    comparison_figure(made_up_date.with_outliers(), tmp_path / "here.svg")
    code = (
        "import sys, pathlib; sys.path.insert(0, sys.argv[1]); import made_up_date;"
        "from logbook.report.figures import comparison_figure;"
        "comparison_figure(made_up_date.with_outliers(), pathlib.Path(sys.argv[2]))"
    )
    there = tmp_path / "there.svg"
    subprocess.run(
        [sys.executable, "-c", code, str(Path(__file__).parent), str(there)],
        check=True,
        env={**os.environ, "PYTHONHASHSEED": "7", "TZ": "Asia/Tokyo"},
    )
    assert there.read_bytes() == (tmp_path / "here.svg").read_bytes()


@pytest.mark.parametrize("kind", KINDS)
def test_every_mark_lies_on_its_axes_and_every_word_on_the_page(kind: object) -> None:
    figure = figure_of(kind())  # type: ignore[operator]
    figure.canvas.draw()
    page = figure.bbox
    (axes,) = figure.axes
    low, high = axes.get_xlim()
    drawn = [line for line in axes.lines if line.get_marker() not in ("None", "")]
    assert drawn and all(low < x < high for line in drawn for x in line.get_xdata())
    words = [text.get_window_extent() for text in axes.texts if text.get_text()]
    assert all(page.x0 <= box.x0 and box.x1 <= page.x1 for box in words)
    small = figure.texts[-1].get_window_extent()
    legend = figure.legends[0].get_window_extent()
    lowest = min(box.y0 for box in words)
    assert page.y0 <= small.y0 and small.y1 <= legend.y0 and legend.y1 <= lowest
    assert max(small.x1, legend.x1) <= page.x1


@pytest.mark.parametrize("kind", KINDS)
def test_no_word_covers_another(kind: object) -> None:
    figure = figure_of(kind())  # type: ignore[operator]
    figure.canvas.draw()
    (axes,) = figure.axes
    # A pixel at each side: letters have a little air in their boxes.
    boxes = [
        (text.get_text(), text.get_window_extent().padded(-1.0))
        for text in axes.texts
        if text.get_text()
    ]
    for place, (one, box) in enumerate(boxes):
        for other, beside in boxes[place + 1 :]:
            assert not box.overlaps(beside), (one, other)


def test_every_range_stands_in_the_same_place() -> None:
    """Rutgers NJAES, Mehlich-3, in mg/kg: P 35.5 to 68.5, K 72.5 to 138.5."""
    for label, low, high in (("P", 35.5, 68.5), ("K", 72.5, 138.5)):
        strip = strip_of(made_up_date.extremes(), label)
        assert strip.band == (low, high)
        assert (strip.scale.place(low), strip.scale.place(high)) == (0.30, 0.66)
        assert {low, high, strip.scale.top} <= set(strip.scale.ticks())


def test_fifty_times_the_range_leaves_the_range_its_room() -> None:
    strip = strip_of(made_up_date.extremes(), "P")
    treated = strip.entries[0].treated.value
    assert treated is not None and treated > 49 * 68.5
    assert 0.9 < strip.scale.place(treated) < 1.0
    # The range itself takes more than a third of the width, 0.8 inches.
    assert _AXES == 2.45 and _AXES * (0.66 - 0.30) / 1.15 > 0.75


def test_an_outlier_without_a_table_leaves_the_others_their_room() -> None:
    """A gain of 2,000 %: the control and the other treatment still stand well apart from zero."""
    strip = strip_of(made_up_date.with_outliers(), "mineral-N *")
    assert strip.band is None and strip.table == "no table: plain scale"
    assert strip.scale.place(10.0) > 0.3 and strip.scale.turn is not None
    assert strip.scale.place(11.5) - strip.scale.place(10.0) > 0.045
    assert 0.9 < strip.scale.place(210.0) < 1.0


@given(
    st.floats(0.01, 1e4),
    st.floats(1.05, 50.0),
    st.lists(st.floats(-1e3, 1e7), min_size=2, max_size=8),
)
def test_a_scale_keeps_the_order_and_the_page(low: float, wide: float, values: list[float]) -> None:
    for scale in (
        scales.ranged((low, low * wide), values),
        scales.ranged((None, low), values),
        scales.ranged((low, None), values),
        scales.plain(values, low),
    ):
        places = [scale.place(value) for value in sorted(values)]
        assert places == sorted(places)
        assert all(-0.06 <= place <= 1.0 for place in places)
        ticks = scale.ticks()
        assert len(ticks) >= 2 and all(0.0 <= scale.place(tick) <= 1.0 for tick in ticks)


def test_the_scale_is_even_to_the_range_and_then_logarithmic() -> None:
    scale = scales.ranged((40.0, 100.0), [10_000.0])
    assert scale.place(20.0) == pytest.approx(0.15)
    assert scale.place(70.0) == pytest.approx(0.48)
    assert scale.top == 10_000.0
    assert scale.place(1000.0) == pytest.approx((0.66 + 1.0) / 2)  # halfway in powers of ten
    assert scale.place(0.0) == 0.0 and -0.06 < scale.place(-50.0) < 0.0


@pytest.mark.parametrize(
    ("value", "up"), [(1.0, 1.0), (1.01, 1.5), (7.0, 8.0), (81.0, 100.0), (0.03, 0.03)]
)
def test_round_numbers_at_or_above(value: float, up: float) -> None:
    assert scales.round_up(value) == pytest.approx(up)


def test_nutrients_in_order_and_what_has_no_table_says_so() -> None:
    found = strips(made_up_date.extremes(), BOOK, GROUND)
    assert [one.label for one in found] == [
        "mineral-N *", "P", "K", "Ca", "Mg", "sulfate-S", "Fe", "Mn", "Zn", "Cu", "B", "pH",
        "EC dS/m",
    ]  # fmt: skip
    told = {one.label: one.table for one in found}
    assert told["pH"] == told["sulfate-S"] == "no table: plain scale"
    assert told["Fe"] == "enough: above 4.5" and told["EC dS/m"] == "enough: up to 2"
    # MnAI of Rutgers NJAES at the control's pH, 6.475: (25 - 101.7 + 15.2 pH) / 3.75.
    assert told["Mn"] == "enough: 5.792 to 25.79"
    assert [entry.code for entry in found[1].entries] == ["T1", "VERYLONGCODE1234", "T3"]
    assert all(one.band is None for one in strips(made_up_date.extremes()))


def test_another_method_has_no_range() -> None:
    ec = strip_of(made_up_date.with_outliers(), "EC dS/m")
    assert (ec.method, ec.band, ec.table) == ("water 1:5", None, "no table: plain scale")


def test_a_soil_without_class_has_no_range(tmp_path: Path) -> None:
    soil = Ground(0.4, NO_CLASS["soil"])
    found = {one.label: one for one in strips(made_up_date.extremes(), BOOK, soil)}
    assert all(one.band is None for one in found.values())
    assert (found["P"].table, found["P"].reason) == ("no range: plain scale", NO_CLASS["soil"])
    assert (found["pH"].table, found["pH"].reason) == ("no table: plain scale", "")
    comparison_figure(made_up_date.extremes(), tmp_path / "soil.svg", BOOK, soil)
    text = (tmp_path / "soil.svg").read_text(encoding="utf-8")
    assert f"no range of P, K, Ca, Mg, Fe, Mn, Zn, Cu, B, EC dS/m: {NO_CLASS['soil']}" in text
    assert NO_CLASS["amended"] not in text


@pytest.mark.parametrize(
    ("soil", "why"),
    [
        (Ground(1.1), "its table names no range that is enough"),
        (Ground(None), NO_CLASS["bulk density"]),
    ],
)
def test_an_index_without_a_range(soil: Ground, why: str) -> None:
    """Northern Ireland SR 2019/81 names no index of Olsen P that is enough."""
    line = made_up_date.line("P", (14.0, 15.0), (10.0, 10.5), method="Olsen")
    (strip,) = strips(made_up_date.comparison(line), BOOK, soil)
    assert (strip.band, strip.table, strip.reason) == (None, "no range: plain scale", why)


def test_bars_are_set_off_from_the_control(tmp_path: Path) -> None:
    """The bar holds the treated mean, and reaches below the control where T - C may be negative."""
    line = made_up_date.line("P", (14.0, 11.0, 16.0), (12.0, 11.5, 10.5))
    (entry,) = strips(made_up_date.comparison(line), BOOK, GROUND)[0].entries
    one = line.row.difference.against_control
    assert entry.bar is not None and entry.control.value is not None
    assert one.low is not None and one.high is not None
    assert entry.bar == pytest.approx(
        (entry.control.value + one.low, entry.control.value + one.high)
    )
    assert one.low < 0.0 and entry.bar[0] < entry.control.value < entry.bar[1]


def test_treated_and_control_differ_by_shape() -> None:
    (axes,) = figure_of(made_up_date.extremes()).axes
    marks = {line.get_marker() for line in axes.lines if line.get_markersize() >= 5}
    assert {"|", "o", "s", "^"} <= marks


def test_every_number_stands_in_the_description(tmp_path: Path) -> None:
    told = described(made_up_date.with_outliers(), tmp_path)
    for text in (
        "mineral-N * (no table: plain scale): T1 210 beside control 10.0, +200 (+179 to +221), "
        "T2 11.5 beside control 10.0, +1.50 (+0.05 to +2.95).",
        "P (enough: 35.5 to 68.5): T1 1.00 beside control 10.0, -9.0 (-10.2 to -7.8).",
        "Zn (enough: 1 to 50): T1 <0.500 beside control 10.0, [-10.0 to -9.5].",
        "Cu (enough: 0.5 to 20): T1 2.88 beside control 0.45 to 0.57, [+2.30 to +2.42].",
        "pH (no table: plain scale): T1 6.10 beside control 6.47, -0.38 (-0.53 to -0.22).",
        "declared beforehand: mineral-N on day 28",
        'it is not "the same"',
        f"treated beds beside a range: {NO_CLASS['amended']}",
        "range of P, K: Rutgers NJAES",
    ):
        assert text in told


def test_one_bed_has_the_wording_and_no_range(tmp_path: Path) -> None:
    told = described(made_up_date.one_bed(), tmp_path)
    assert "T1 14.0 beside control 10.0, +4 (one bed)" in told and ONE_BED in told
    assert "bars:" not in told and "95 %" not in told


def test_beds_assigned_by_hand_and_salt_are_said(tmp_path: Path) -> None:
    line = made_up_date.line("P", (14.0, 15.0), (10.0, 10.5))
    told = described(
        made_up_date.comparison(line, randomised=False, salt=("T1: possibly salt",)), tmp_path
    )
    assert "not randomised" in told and "T1: possibly salt" in told


def test_open_ends_are_arrows(tmp_path: Path) -> None:
    axes = figure_of(made_up_date.beyond()).axes[0]
    assert sum(getattr(text, "arrow_patch", None) is not None for text in axes.texts) == 1
    assert "T1 >75.0 beside control 20.5, [+54.5 or more]" in described(
        made_up_date.beyond(), tmp_path
    )
    assert "T1 <0.200 beside control <0.200, cannot say: limits" in described(
        made_up_date.open_ended(), tmp_path
    )


def test_names_are_data_and_never_markup(tmp_path: Path) -> None:
    odd = "a <b> & $x^2$ \x1b[31m\n" + "long " * 40
    line = made_up_date.line("P", (14.0, 15.0), (10.0, 10.5), treatment=odd, name=odd)
    assert "a <b> & $x^2$ ?[31m long" in described(made_up_date.comparison(line), tmp_path)


def test_what_cannot_be_drawn_is_refused(tmp_path: Path) -> None:
    with pytest.raises(UserMistake, match=r"a \.png or an \.svg file"):
        comparison_figure(made_up_date.one_bed(), tmp_path / "figure.pdf")
    with pytest.raises(UserMistake, match="nothing to draw"):
        comparison_figure(made_up_date.comparison(), tmp_path / "figure.svg")
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("width", [80, 120])
def test_every_kind_fits_the_screen(
    kind: object, width: int, capsys: pytest.CaptureFixture[str]
) -> None:
    show_comparison(kind(), width)  # type: ignore[operator]
    lines = capsys.readouterr().out.splitlines()
    assert lines and max(map(len, lines)) <= width
