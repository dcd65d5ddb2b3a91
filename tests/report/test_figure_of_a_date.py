"""The figure of one date: nothing off the page, nothing squashed, the same bytes, all in words.

No outside source: these are promises of our own.
"""

from __future__ import annotations

import os
import subprocess
import sys
import xml.etree.ElementTree as ET
from itertools import pairwise
from pathlib import Path

import pytest

from logbook.analysis.series import ONE_BED
from logbook.errors import UserMistake
from logbook.report import compared
from logbook.report.figures import comparison_figure
from logbook.report.figures.comparison import _figure
from logbook.report.terminal.compared import show_comparison
from logbook.study.comparison import Comparison

sys.path.insert(0, str(Path(__file__).parent))
import made_up_date

KINDS = (
    made_up_date.with_outliers,
    made_up_date.one_bed,
    made_up_date.huge,
    made_up_date.open_ended,
    made_up_date.alone,
)


def described(comparison: Comparison, folder: Path) -> str:
    """The words of the SVG's description."""
    comparison_figure(comparison, folder / "figure.svg")
    found = ET.parse(folder / "figure.svg").getroot().find("{http://www.w3.org/2000/svg}desc")
    assert found is not None
    return found.text or ""


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("suffix", ["png", "svg"])
def test_every_kind_is_drawn_and_twice_the_same(kind: object, suffix: str, tmp_path: Path) -> None:
    first, second = tmp_path / f"a.{suffix}", tmp_path / f"b.{suffix}"
    comparison_figure(kind(), first)  # type: ignore[operator]
    comparison_figure(kind(), second)  # type: ignore[operator]
    assert first.read_bytes() == second.read_bytes()
    assert sorted(tmp_path.iterdir()) == [first, second]


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
    figure = _figure(kind())  # type: ignore[operator]
    figure.canvas.draw()
    page = figure.bbox
    for axes in figure.axes:
        low, high = axes.get_xlim()
        drawn = [line for line in axes.lines if line.get_marker() not in ("None", "")]
        assert all(low < x < high for line in drawn for x in line.get_xdata())
        labels = [text.get_window_extent() for text in axes.texts if text.get_text()]
        ticks = [label.get_window_extent() for label in axes.get_xticklabels()]
        assert all(page.x0 <= box.x0 and box.x1 <= page.x1 for box in (*labels, *ticks))
        assert all(one.x1 < other.x0 for one, other in pairwise(ticks))
    small = figure.texts[-1].get_window_extent()
    legend = figure.legends[0].get_window_extent()
    lowest = min(axes.get_tightbbox().y0 for axes in figure.axes)
    assert page.y0 <= small.y0 and small.y1 <= legend.y0 and legend.y1 <= lowest
    assert max(small.x1, legend.x1) <= page.x1


def test_an_outlier_leaves_the_others_their_room() -> None:
    """A gain of 2,000 % takes no more than a third as much again as the width to +-100 %."""
    even = compared.squeezed(100.0) - compared.squeezed(-100.0)
    assert (compared.squeezed(2000.0) - compared.squeezed(100.0)) / even < 0.66
    axes = _figure(made_up_date.with_outliers()).axes[0]
    low, high = axes.get_xlim()
    # 90 % less and 3.5 % more, of an axis 2.95 inches wide.
    assert 2.95 * (compared.squeezed(3.5) - compared.squeezed(-90.0)) / (high - low) > 0.6


@pytest.mark.parametrize(
    ("share", "place"),
    [(0.0, 0.0), (50.0, 0.5), (-100.0, -1.0), (100.0, 1.0), (1000.0, 2.0), (-1e4, -3.0)],
)
def test_the_scale_is_even_to_a_hundred_and_then_logarithmic(share: float, place: float) -> None:
    assert compared.squeezed(share) == pytest.approx(place)


def test_concentrations_share_a_panel_and_ph_and_ec_have_their_own() -> None:
    found = compared.panels(made_up_date.with_outliers())
    names = [[group.label for group in panel.groups] for panel in found]
    assert names == [["mineral-N *", "P", "K", "Zn", "Cu"], ["pH"], ["EC dS/m"]]
    assert [panel.squeezed for panel in found] == [True, False, False]
    assert [entry.code for entry in found[0].groups[0].entries] == ["T1", "T2"]


def test_every_number_stands_in_the_description(tmp_path: Path) -> None:
    told = described(made_up_date.with_outliers(), tmp_path)
    for text in (
        "mineral-N *: T1 +2,000 % (+1,786 to +2,214), T2 +15 % (+0.5 to +30).",
        "P: T1 -90 % (-102 to -78).",
        "Zn: T1 [-100 to -95 %].",
        "Cu: T1 [+2.30 to +2.42] mg/kg; no %.",
        "pH: T1 -0.38 (-0.53 to -0.22).",
        "declared beforehand: mineral-N on day 28",
        'it is not "the same"',
    ):
        assert text in told


def test_one_bed_has_the_wording_and_no_range(tmp_path: Path) -> None:
    told = described(made_up_date.one_bed(), tmp_path)
    assert "P: T1 +40 % (one bed)" in told and ONE_BED in told
    assert "bars:" not in told and "95 %" not in told


def test_beds_assigned_by_hand_and_salt_are_said(tmp_path: Path) -> None:
    line = made_up_date.line("P", (14.0, 15.0), (10.0, 10.5))
    told = described(
        made_up_date.comparison(line, randomised=False, salt=("T1: possibly salt",)), tmp_path
    )
    assert "not randomised" in told and "T1: possibly salt" in told


def test_open_ends_are_arrows(tmp_path: Path) -> None:
    axes = _figure(made_up_date.open_ended()).axes[0]
    assert sum(getattr(text, "arrow_patch", None) is not None for text in axes.texts) == 1
    assert "K: T1 [-62 % or more]. B: T1 cannot say: limits" in described(
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
