"""Figures: what stands in the file, that nothing is covered, that the same input is the same file.

No outside source: these are promises of our own. The PNG chunks are those of the PNG
specification (ISO/IEC 15948), the SVG elements those of SVG 1.1 (W3C), section 5.4.
"""

from __future__ import annotations

import os
import struct
import subprocess
import sys
import xml.etree.ElementTree as ET
from dataclasses import replace
from pathlib import Path

import pytest
from matplotlib.collections import PolyCollection
from matplotlib.figure import Figure

from logbook.analysis.series import ONE_BED
from logbook.errors import UserMistake
from logbook.report import marks
from logbook.report.figures import curve_figure, curves, page
from logbook.study.fitted import Declared
from logbook.study.series import Series

sys.path.insert(0, str(Path(__file__).parent))
import made_up

SVG = "{http://www.w3.org/2000/svg}"
KINDS = (
    made_up.release,
    made_up.below_control,
    made_up.one_bed,
    made_up.censored,
    made_up.empty,
    made_up.one_point,
    made_up.huge,
    made_up.all_censored,
)


def described(series_list: list[Series], folder: Path) -> str:
    """The words of the SVG's description."""
    curve_figure(series_list, folder / "figure.svg")
    found = ET.parse(folder / "figure.svg").getroot().find(f"{SVG}desc")
    assert found is not None
    return found.text or ""


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("suffix", [pytest.param("png", marks=pytest.mark.long), "svg"])
def test_every_kind_of_series_is_drawn_and_twice_the_same(
    kind: object, suffix: str, tmp_path: Path
) -> None:
    first, second = tmp_path / f"a.{suffix}", tmp_path / f"b.{suffix}"
    curve_figure([kind()], first)  # type: ignore[operator]
    curve_figure([kind()], second)  # type: ignore[operator]
    assert first.read_bytes() == second.read_bytes()
    assert sorted(tmp_path.iterdir()) == [first, second]


@pytest.mark.long
def test_another_process_writes_the_same_svg(tmp_path: Path) -> None:
    curve_figure([made_up.release()], tmp_path / "here.svg")
    code = (
        "import sys, pathlib; sys.path.insert(0, sys.argv[1]); import made_up;"
        "from logbook.report.figures import curve_figure;"
        "curve_figure([made_up.release()], pathlib.Path(sys.argv[2]))"
    )
    there = tmp_path / "there.svg"
    subprocess.run(
        [sys.executable, "-c", code, str(Path(__file__).parent), str(there)],
        check=True,
        env={**os.environ, "PYTHONHASHSEED": "7", "TZ": "Asia/Tokyo"},
    )
    assert there.read_bytes() == (tmp_path / "here.svg").read_bytes()


def test_svg_carries_title_description_and_no_date(tmp_path: Path) -> None:
    text = described([made_up.release()], tmp_path)
    root = ET.parse(tmp_path / "figure.svg").getroot()
    title = root.find(f"{SVG}title")
    assert title is not None
    what = "mineral-N (nitrate + ammonium nitrogen), net release against control"
    assert title.text == f"{what}: T1, made-up compost, made-up trial"
    assert "day 28 +38.0 (+31.9 to +44.1)" in text
    assert "2 M KCl" in text and "made-up laboratory" in text and "basis: dry" in text
    assert "within blocks" in text
    assert "band: 95 % range between beds of the fitted curve, day by day; within blocks" in text
    assert "dc:date" not in (tmp_path / "figure.svg").read_text()


def test_a_figure_calls_net_only_what_is_corrected(tmp_path: Path) -> None:
    bare, net = made_up.release(dilution=None), made_up.release()
    text = described([bare], tmp_path)
    assert text.startswith("Difference from control (T - C) in mg/kg")
    title = ET.parse(tmp_path / "figure.svg").getroot().find(f"{SVG}title")
    assert title is not None and title.text is not None
    assert "difference from control (T - C): T1" in title.text
    assert "net" not in title.text and "net " not in text
    assert marks.axis_name([bare]) == "difference from control (T - C; mg/kg, dry basis)"
    assert marks.axis_name([net]) == "net difference from control (mg/kg, dry basis)"
    both = "difference from control (net or T - C; mg/kg, dry basis)"
    assert marks.axis_name([net, bare]) == both
    assert marks.title_of([net, bare]).endswith("difference from control (net or T - C)")


def test_png_has_no_text_or_time_chunk(tmp_path: Path) -> None:
    path = tmp_path / "figure.PNG"
    curve_figure([made_up.release()], path)
    content, place, names = path.read_bytes(), 8, []
    while place < len(content):
        size, name = struct.unpack(">I4s", content[place : place + 8])
        names.append(name)
        place += 12 + size
    assert names[0] == b"IHDR" and names[-1] == b"IEND"
    assert not {b"tEXt", b"iTXt", b"zTXt", b"tIME"} & set(names)


@pytest.mark.parametrize("name", ["figure.pdf", "figure", "figure.svg.gz"])
def test_another_suffix_is_refused_naming_the_two(name: str, tmp_path: Path) -> None:
    with pytest.raises(UserMistake, match=r"a \.png or an \.svg file"):
        curve_figure([made_up.release()], tmp_path / name)
    assert not list(tmp_path.iterdir())


def test_series_that_must_not_be_compared_are_refused(tmp_path: Path) -> None:
    other = replace(made_up.release(), method="1 M KCl")
    with pytest.raises(UserMistake, match="different methods cannot be compared: 2 M KCl, 1 M KCl"):
        curve_figure([made_up.release(), other], tmp_path / "figure.svg")
    with pytest.raises(UserMistake, match="nothing to draw"):
        curve_figure([], tmp_path / "figure.svg")


def test_a_folder_that_is_not_there_is_said(tmp_path: Path) -> None:
    with pytest.raises(UserMistake, match="cannot be written"):
        curve_figure([made_up.release()], tmp_path / "no" / "figure.svg")


def test_one_bed_has_the_wording_and_no_interval(tmp_path: Path) -> None:
    text = described([made_up.one_bed()], tmp_path)
    assert ONE_BED in text
    assert "intervals:" not in text


def test_the_difference_drawn_is_named_by_treatment_where_they_differ(tmp_path: Path) -> None:
    assert "drawn: T - (1 - f) C, corrected" in described([made_up.release()], tmp_path)
    raw = made_up.release(dilution=None, treatment="T2")
    assert "drawn: T - C, not corrected" in described([raw], tmp_path)
    both = described([made_up.release(), raw], tmp_path)
    assert "dry mass (T1); T - C, not corrected" in both and "displaced (T2)" in both


def test_censored_ends_are_said_and_drawn_hollow_with_arrows(tmp_path: Path) -> None:
    text = described([made_up.censored()], tmp_path)
    assert "day 10 -12.4 or less" in text and "day 14 +24.5 or more" in text
    assert "day 7 between +5.7 and +7.5" in text
    assert "not drawn, since no value can be given: T1 day 3" in text
    axes = curves._figure([made_up.censored()]).axes[0]
    hollow = [line for line in axes.lines if line.get_markerfacecolor() == "white"]
    arrows = [text for text in axes.texts if getattr(text, "arrow_patch", None) is not None]
    assert len(hollow) == 3 and len(arrows) == 2


def test_the_figure_of_several_treatments_names_its_trial_too() -> None:
    given = [made_up.renamed(made_up.release(), code, "made-up") for code in ("T1", "T2")]
    title = curves._figure(given).texts[0].get_text()
    assert " ".join(title.split()).endswith("net release against control, made-up trial")


def test_eight_series_differ_by_marker_dash_and_colour() -> None:
    styles = [page.style(place) for place in range(8)]
    assert len({style["color"] for style in styles}) == 8
    assert len({str(style["linestyle"]) for style in styles}) == 8
    assert len({page.marker(place)["marker"] for place in range(8)}) == 8
    looks = [(page.style(p)["color"], page.marker(p)["marker"]) for p in range(16)]
    assert len(set(looks)) == 16


def test_legend_and_small_print_lie_below_the_axes_and_on_the_page() -> None:
    long = "a made-up name that goes on and on, " * 5
    given = [made_up.renamed(made_up.release(), f"T{n}", long) for n in range(8)]
    figure = curves._figure(given)
    figure.canvas.draw()
    page, axes = figure.bbox, figure.axes[0].get_tightbbox()
    legend = figure.legends[0].get_window_extent()
    title, small = (text.get_window_extent() for text in figure.texts)
    assert small.y0 >= 0 and small.y1 <= legend.y0 and legend.y1 <= axes.y0
    assert title.y0 >= axes.y1 and title.y1 <= page.y1
    assert max(box.x1 for box in (title, small, legend, axes)) <= page.x1


def test_codes_of_samples_which_are_all_capitals_stay_on_the_page() -> None:
    codes = ", ".join(f"WMQ{n:02d}WXM of B{n}" for n in range(40))
    note = f"struck and left out: {codes} ({'W' * 200})"
    given = replace(made_up.release(), notes=(note,), treatment_name="WHOLE MEAL, MOST OF IT " * 4)
    figure = curves._figure([given])
    figure.canvas.draw()
    boxes = [text.get_window_extent() for text in (*figure.texts, *figure.legends)]
    assert max(box.x1 for box in boxes) <= figure.bbox.x1
    assert min(box.y0 for box in boxes) >= 0.0


def test_the_curve_ends_with_the_last_pull_and_only_the_chosen_one_is_drawn() -> None:
    points = marks.curve_points(made_up.release(), 50)
    fit = marks.drawn_fit(made_up.release())
    assert fit is not None and fit.shape == "first order"
    assert (points[0][0], points[-1][0]) == (0.0, 70.0)
    other = marks.drawn_fit(made_up.below_control())
    assert other is not None and other.shape == "two phases"
    assert marks.drawn_fit(made_up.one_point()) is None
    assert marks.drawn_fit(made_up.huge()) is None, "it misses its pulls"


def _filled(figure: Figure) -> list[PolyCollection]:
    return [one for one in figure.axes[0].collections if isinstance(one, PolyCollection)]


def test_a_band_lies_about_the_curve_and_is_absent_where_there_is_none(tmp_path: Path) -> None:
    given = made_up.release()
    (band,) = _filled(curves._figure([given]))
    corners = band.get_paths()[0].vertices
    fit = marks.drawn_fit(given)
    assert fit is not None
    for day, curve in zip((0.0, 14.0, 70.0), fit.at([0.0, 14.0, 70.0]), strict=True):
        there = corners[abs(corners[:, 0] - day) < 1e-9][:, 1]
        assert there.min() < curve < there.max()
    assert corners[:, 0].max() == 70.0, "not beyond the last pull"
    assert not _filled(curves._figure([made_up.one_bed()]))
    assert "no band: one bed on a side" in described([made_up.one_bed()], tmp_path)
    assert not _filled(curves._figure([made_up.huge()]))
    alone = described([made_up.one_bed(declared=Declared(0.08))], tmp_path)
    assert "band: 95 % range of the fitted curve, day by day; from the laboratory's" in alone
    assert "these two beds only" in alone and "between beds" not in alone


def test_more_than_three_curves_have_no_bands_and_say_so(tmp_path: Path) -> None:
    many = [made_up.renamed(made_up.release(), f"T{n}", "made-up") for n in range(4)]
    assert len(_filled(curves._figure(many[:3]))) == 3
    assert not _filled(curves._figure(many))
    assert "no bands about more than 3 curves" in described(many, tmp_path)


def test_below_control_is_ringed_and_the_day_level_again_has_a_bar(tmp_path: Path) -> None:
    given = made_up.below_control()
    lines = curves._figure([given]).axes[0].lines
    (ring,) = [line for line in lines if line.get_markersize() == 13]
    assert ring.get_xdata()[0] == 14.0
    assert ring.get_ydata()[0] == pytest.approx(-13.2, abs=0.05)
    (diamond,) = [line for line in lines if line.get_marker() == "d"]
    assert diamond.get_xdata()[0] == pytest.approx(31, abs=0.5)
    text = described([given], tmp_path)
    assert "deepest, day 14, 13.2 mg/kg below control (11.2 to 15.2)" in text
    assert "level with control again: day 31 (27 to 33)" in text
    assert "draw-down" not in text
    assert "ring" not in described([made_up.release()], tmp_path)


def test_a_level_not_shown_again_puts_nothing_on_the_line(tmp_path: Path) -> None:
    """A bar on the line of the control reads as level with it, whatever the small print says."""
    given = made_up.below_control(still=True)
    lines = curves._figure([given]).axes[0].lines
    assert not [line for line in lines if line.get_marker() in ("d", ">", "|")]
    assert not [line for line in lines if line.get_linewidth() == 3.0]
    text = described([given], tmp_path)
    assert "no bar on the line: level with control again: not shown by day 28" in text


def test_a_level_whose_end_is_open_has_a_thin_line_to_an_arrow(tmp_path: Path) -> None:
    given = made_up.below_control()
    assert given.fitted is not None and given.fitted.below is not None
    assert given.fitted.below.level is not None
    level = replace(given.fitted.below.level, high=None, reason_high="recovery not shown by day 70")
    below = replace(given.fitted.below, level=level)
    given = replace(given, fitted=replace(given.fitted, below=below))
    lines = curves._figure([given]).axes[0].lines
    assert [line for line in lines if line.get_marker() == ">"]
    assert not [line for line in lines if line.get_linewidth() == 3.0]
    assert "diamond on the line, its range open (thin): level" in described([given], tmp_path)


def test_names_are_data_and_never_markup(tmp_path: Path) -> None:
    odd = made_up.renamed(
        made_up.release(), "T<1>", "50 $ & more_$x^2 \x1b[31m\n\N{CJK UNIFIED IDEOGRAPH-571F}"
    )
    text = described([odd], tmp_path)
    assert "T<1>, 50 $ & more_$x^2 ?[31m" in text
    curve_figure([odd], tmp_path / "odd.png")


def test_drawing_loads_no_pyplot() -> None:
    code = "import sys, logbook.report.figures; sys.exit('matplotlib.pyplot' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
