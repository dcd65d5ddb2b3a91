"""Labels on sheets: read back by a decoder, nothing over anything else, blind, true to size."""

from __future__ import annotations

import re
import warnings
import xml.etree.ElementTree as ET
from functools import cache
from importlib.util import find_spec
from itertools import combinations
from pathlib import Path
from typing import Any

import pypdfium2
import pytest
import segno
import zxingcpp
from hypothesis import example, given, settings
from hypothesis import strategies as st
from PIL import Image

from logbook.errors import BadData, UserMistake
from logbook.report import labels as printing
from logbook.report.labels import Label, arranging, blind, faces, squares, wording
from logbook.report.labels.grids import OWN, Sheet
from logbook.trial import records
from logbook.trial.codes import ALPHABET, LENGTH, check_symbol
from logbook.trial.ranges import BedRef

SHEETS = printing.load().sheets
SVG = "{http://www.w3.org/2000/svg}"
BODIES = st.text(ALPHABET, min_size=LENGTH - 1, max_size=LENGTH - 1)
CODES = BODIES.map(lambda body: body + check_symbol(body))
WORDS = st.text(
    st.sampled_from("abcdefgxyzÅéłжΩ  MW.-'&<>\"中\u202e\u05d0"), min_size=1, max_size=60
).filter(str.strip)
PULLED = Label(
    "RT4MAXCL", "Small house (invented)", "B3", "", "Mon 2 Mar 2026 09:00", "15", 8, "mira",
    "chilled", 1, 2, (), "KEEP COLD", "nitrate", pull="day 14",
)  # fmt: skip


@st.composite
def labels(draw: st.DrawFn) -> Label:
    """Any label: of a pull or of a reserved code, with names short and long."""
    keep, quick = draw(st.sampled_from([("", ""), ("KEEP COLD", "nitrate"),
                                        ("KEEP FROZEN", "ammonium")]))  # fmt: skip
    code, trial = draw(CODES), draw(st.one_of(st.just(""), WORDS))
    if draw(st.booleans()):
        kinds = draw(st.sampled_from([(), ("chilled", "dried"), records.PARTS]))
        return Label(code, trial, kinds=kinds, keep=keep, quick=quick)
    of = draw(st.integers(1, 5))
    return Label(
        code, trial, draw(st.one_of(WORDS, st.just("B1-B3, B7, B9, B12-B16, B21"))),
        draw(st.one_of(st.just(""), WORDS)), "Wed 25 Nov 2026 11:30", "12.5",
        draw(st.one_of(st.none(), st.integers(1, 40))), draw(WORDS),
        draw(st.sampled_from(["", "chilled", "retained"])), draw(st.integers(1, of)), of, (),
        keep, quick, pull=draw(st.sampled_from(["", "day 14", "day 14 and day 7"])),
    )  # fmt: skip


# The sheets -------------------------------------------------------------------------------------


def test_pages_are_the_standard_ones() -> None:
    """ISO 216: A4 is 210 x 297 mm. US Letter (ANSI/ASME Y14.1, A): 8.5 x 11 inches of 25.4 mm."""
    a4, letter = SHEETS["a4-63x38"].page, SHEETS["letter-66x25"].page
    assert a4 == (210, 297)
    assert letter == pytest.approx((8.5 * 25.4, 11 * 25.4))


@pytest.mark.parametrize("name", SHEETS)
def test_labels_of_a_sheet_lie_on_the_page_and_beside_each_other(name: str) -> None:
    sheet = SHEETS[name]
    corners = [sheet.corner(place) for place in range(sheet.count)]
    wide, high = sheet.width - 1e-9, sheet.height - 1e-9
    for x, y in corners:
        assert -0.05 <= x <= sheet.page[0] - sheet.width + 0.05
        assert -0.05 <= y <= sheet.page[1] - sheet.height + 0.05
    for (x, y), (u, v) in combinations(corners, 2):
        assert abs(x - u) >= wide or abs(y - v) >= high
    assert corners == sorted(corners, key=lambda at: (round(at[1], 3), at[0]))
    said = re.fullmatch(r"[a-z0-9]+-(\d+)x(\d+)", name)
    assert said is not None
    assert (int(said[1]), int(said[2])) == (int(sheet.width), int(sheet.height))


@pytest.mark.parametrize("name", [name for name, one in SHEETS.items() if one.count > 1])
def test_nothing_is_printed_where_office_printers_print_nothing(name: str) -> None:
    """Common practice, no source: about 4.2 mm of each edge."""
    sheet = SHEETS[name]
    for place in (0, sheet.count - 1):
        x, y = sheet.origin(place)
        for left, top, right, bottom in _boxes(arranging.arrange(PULLED, *sheet.room)):
            assert x + left >= 4.2
            assert y + top >= 4.2
            assert x + right <= sheet.page[0] - 4.2
            assert y + bottom <= sheet.page[1] - 4.2


def _boxes(drawn: arranging.Drawn) -> list[tuple[float, float, float, float]]:
    """Left, top, right, bottom of everything that is printed; of the QR code without its margin."""
    square = drawn.square
    side = squares.MODULES * square.module
    strokes = [
        (min(s.x1, s.x2), min(s.y1, s.y2), max(s.x1, s.x2), max(s.y1, s.y2)) for s in drawn.strokes
    ]
    symbol = (square.x, square.y, square.x + side, square.y + side)
    return [symbol, *(text.box for text in drawn.texts), *strokes]


# Where everything stands ------------------------------------------------------------------------


@cache
def _outlines(name: str) -> Any:
    """A font as another library reads it: its glyphs, what they are called, units of an em."""
    from fontTools.ttLib import TTFont

    found = find_spec("matplotlib")
    assert found is not None
    assert found.origin is not None
    path = Path(found.origin).parent / "mpl-data" / "fonts" / "ttf" / f"{name}.ttf"
    read = TTFont(path)
    return read.getGlyphSet(), read.getBestCmap(), read["head"].unitsPerEm


@given(labels(), st.sampled_from(list(SHEETS.values())))
@settings(max_examples=300)
@pytest.mark.long
def test_words_are_as_wide_and_as_high_as_is_thought(label: Label, sheet: Sheet) -> None:
    from fontTools.pens.boundsPen import BoundsPen

    for text in arranging.arrange(label, *sheet.room).texts:
        glyphs, called, em = _outlines(text.face.name)
        scale = text.size * faces.MM / em
        names = [called[ord(one)] for one in text.text]
        assert text.width == pytest.approx(
            sum(glyphs[one].width for one in names) * scale, rel=2e-3
        )
        _, top, _, bottom = text.box
        for one in names:
            pen = BoundsPen(glyphs)
            glyphs[one].draw(pen)
            if pen.bounds is not None:
                assert top - 1e-6 <= text.y - pen.bounds[3] * scale
                assert bottom + 1e-6 >= text.y - pen.bounds[1] * scale


#: A reserved bag whose five kinds leave the larger words of the cold mark no line of their own.
CROWDED = Label(
    code="33333333",
    trial="",
    bed=None,
    treatment="",
    when=None,
    depth="",
    cores=None,
    by=None,
    part="",
    number=1,
    of=1,
    kinds=("chilled", "frozen", "dried", "tin", "retained"),
    keep="KEEP COLD",
    quick="nitrate",
)


@given(labels(), st.sampled_from(list(SHEETS.values())))
@example(CROWDED, SHEETS["a4-70x37"])
@example(CROWDED, SHEETS["a4-63x38"])
@example(CROWDED, SHEETS["letter-66x25"])
@example(Label("33333333", "", "<", "", "Wed 25 Nov 2026", "15", 8, "a"), SHEETS["a4-38x21"])
@settings(max_examples=300)
def test_nothing_overlaps_and_nothing_leaves_its_label(label: Label, sheet: Sheet) -> None:
    wide, high = sheet.room
    drawn = arranging.arrange(label, wide, high)
    boxes = [drawn.square.box, *(text.box for text in drawn.texts)]
    for left, top, right, bottom in [*boxes, *_boxes(drawn)]:
        assert -1e-6 <= left <= right <= wide + 1e-6
        assert -1e-6 <= top <= bottom <= high + 1e-6
    for a, b in combinations(boxes, 2):
        apart = a[2] <= b[0] + 1e-6 or b[2] <= a[0] + 1e-6
        assert apart or a[3] <= b[1] + 1e-6 or b[3] <= a[1] + 1e-6
    quiet = drawn.square.box[2]
    assert all(min(s.x1, s.x2) >= quiet - 1e-6 for s in drawn.strokes)
    assert drawn.square.module >= 0.4
    assert all(text.size >= 5.5 for text in drawn.texts)
    code = drawn.texts[0]
    assert code.text.replace(" ", "") == label.code
    assert code.size >= 8
    assert code.size >= max((text.size for text in drawn.texts[1:]), default=0) or high < 15


@given(labels(), st.sampled_from(list(SHEETS.values())))
def test_what_has_no_room_is_left_off_in_the_order_that_is_told(label: Label, sheet: Sheet) -> None:
    drawn = arranging.arrange(label, *sheet.room)
    there = {item.name for item in wording.items_of(label)}
    order = [name for name in arranging.LEFT_OFF if name in there]
    assert set(order) == there
    assert list(drawn.left_off) == order[: len(drawn.left_off)]
    if not drawn.left_off and label.bed == "B3":
        assert any("B3" in text.text for text in drawn.texts)


def test_the_order_is_the_one_in_the_docs() -> None:
    told = (Path(__file__).parents[2] / "docs" / "labels.md").read_text(encoding="utf-8")
    listed = " ".join(told.split()).split("in this order**: ")[1].split(". ")[0].split(", ")
    assert listed == [
        {"nitrate": "the sentence on nitrate", "keep cold": "the cold mark"}.get(name, name)
        for name in arranging.LEFT_OFF
    ]
    for name, one in SHEETS.items():
        assert f"| {name}" in told
        assert f"| {one.columns} x {one.rows} |" in told or one.count == 1


@pytest.mark.parametrize("name", SHEETS)
def test_an_ordinary_label_says_code_bed_and_cold_on_every_sheet(name: str) -> None:
    texts = [one.text for one in arranging.arrange(PULLED, *SHEETS[name].room).texts]
    assert texts[0] == "RT4M AXCL"
    assert {"bed B3", "chilled, 1 of 2", "KEEP COLD"} <= set(texts)


def test_a_roomy_label_says_everything() -> None:
    drawn = arranging.arrange(PULLED, *SHEETS["a4-99x67"].room)
    assert drawn.left_off == ()
    assert [one.text for one in drawn.texts] == [
        "RT4M AXCL", "bed B3", "chilled, 1 of 2", "KEEP COLD", "nitrate: keep cold, dry or",
        "freeze within hours", "day 14", "Mon 2 Mar 2026 09:00", "15 cm, 8 cores", "by mira",
        "Small house (invented)",
    ]  # fmt: skip


def test_a_long_name_is_cut_off_where_everybody_sees_it() -> None:
    name = "Two composts and a meal beside each other in the long north house, the second year on"
    label = Label("RT4MAXCL", name, "B3", "", "Mon 2 Mar 2026", "15", None, "mira")
    texts = [one.text for one in arranging.arrange(label, *SHEETS["a4-63x38"].room).texts]
    assert texts[-1].endswith("\N{HORIZONTAL ELLIPSIS}")
    assert name.startswith(" ".join(texts[-2:])[:-1])
    assert "15 cm" in texts


def test_letters_that_the_face_lacks_are_question_marks() -> None:
    assert faces.shown("łąka Ωж\n№ 7") == "łąka Ωж № 7"
    assert faces.shown("e\u0301") == "\u00e9"
    assert faces.shown("中\u05d0\u202e\U0001f331x") == "????x"


# The QR code ------------------------------------------------------------------------------------


def _picture(data: bytes | Path, page: int = 0, dpi: float = 203) -> Any:
    """A page as a label printer would put it down: 203 dpi unless told, black and white."""
    drawn = pypdfium2.PdfDocument(data)[page].render(scale=dpi / 72)
    return drawn.to_pil().convert("L").point(lambda value: 255 * (value > 127))


@pytest.mark.parametrize("name", SHEETS)
def test_a_decoder_reads_every_code_of_a_page(name: str, tmp_path: Path) -> None:
    sheet = SHEETS[name]
    codes = [_code(number) for number in range(sheet.count)]
    some = [Label(code, "Small house", f"B{place}", "", "Mon 2 Mar 2026", "15", 8, "mira")
            for place, code in enumerate(codes)]  # fmt: skip
    printing.write_labels(tmp_path / "x.pdf", some, sheet)
    found = zxingcpp.read_barcodes(_picture(tmp_path / "x.pdf"), zxingcpp.BarcodeFormat.QRCode)
    assert sorted(one.text for one in found) == sorted(codes)


def _code(number: int) -> str:
    digits = []
    for _ in range(LENGTH - 1):
        number, rest = divmod(number * 7 + 5, len(ALPHABET))
        digits.append(ALPHABET[rest])
    body = "".join(digits)
    return body + check_symbol(body)


@given(CODES)
def test_the_svg_draws_the_symbol_cell_by_cell(code: str) -> None:
    """Version 1, level Q, as ISO/IEC 18004 has it for 8 of at most 16 alphanumeric characters."""
    from logbook.report.labels.svg import svg

    sheet = SHEETS["a4-63x38"]
    label = Label(code, "x")
    page = ET.fromstring(svg([(0, arranging.arrange(label, *sheet.room))], sheet, "t", "d"))
    (path,) = page.iter(f"{SVG}path")
    dark = set()
    for x, y, long, back in re.findall(r"M(\d+) (\d+)h(\d+)v1h-(\d+)z", path.attrib["d"]):
        assert long == back
        dark |= {(int(x) + n, int(y)) for n in range(int(long))}
    symbol = segno.make(code, error="q", mode="alphanumeric", micro=False, boost_error=False)
    assert symbol.designator == "1-Q"
    assert dark == {
        (x, y) for y, row in enumerate(symbol.matrix) for x, cell in enumerate(row) if cell
    }
    image = Image.new("L", (116, 116), 255)
    for x, y in dark:
        image.paste(0, (16 + 4 * x, 16 + 4 * y, 20 + 4 * x, 20 + 4 * y))
    (read,) = zxingcpp.read_barcodes(image)
    assert (read.text, read.format) == (code, zxingcpp.BarcodeFormat.QRCode)
    finder = {(x, y) for x, y in dark if x < 7 and y < 7}
    ring = {(x, y) for x in range(7) for y in range(7) if {x, y} & {0, 6}}
    assert finder == ring | {(x, y) for x in (2, 3, 4) for y in (2, 3, 4)}


# Files ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["a4-63x38", "letter-66x25", "roll-57x32"])
def test_an_svg_page_has_its_true_size_a_title_and_words_that_keep_their_room(
    name: str, tmp_path: Path
) -> None:
    sheet = SHEETS[name]
    printing.write_labels(tmp_path / "x.svg", [PULLED], sheet)
    page = ET.fromstring((tmp_path / "x.svg").read_text(encoding="utf-8"))
    wide, high = (f"{side:g}" for side in sheet.page)
    assert page.attrib["width"] == f"{wide}mm"
    assert page.attrib["height"] == f"{high}mm"
    assert page.attrib["viewBox"] == f"0 0 {wide} {high}"
    assert page.findtext(f"{SVG}title") == f"Sample labels, sheet {name}"
    assert page.findtext(f"{SVG}desc", "").startswith("1 label of ")
    drawn = arranging.arrange(PULLED, *sheet.room)
    texts = list(page.iter(f"{SVG}text"))
    assert [one.text for one in texts] == [one.text for one in drawn.texts]
    for one, meant in zip(texts, drawn.texts, strict=True):
        assert float(one.attrib["textLength"]) == pytest.approx(meant.width, abs=1e-3)


@pytest.mark.parametrize("name", ["a4-63x38", "letter-66x25", "roll-57x32"])
def test_a_pdf_page_has_its_true_size_and_its_own_fonts(name: str, tmp_path: Path) -> None:
    printing.write_labels(tmp_path / "x.pdf", [PULLED], SHEETS[name])
    document = pypdfium2.PdfDocument(tmp_path / "x.pdf")
    sizes = [side * 25.4 / 72 for side in document[0].get_size()]
    assert sizes == pytest.approx(SHEETS[name].page, abs=0.01)
    assert document.get_metadata_dict()["Title"] == f"Sample labels, sheet {name}"
    data = (tmp_path / "x.pdf").read_bytes()
    assert data.count(b"/FontFile2") == 3
    assert set(re.findall(rb"/BaseFont /\w+\+(\S+)", data)) >= {b"DejaVuSans", b"DejaVuSans-Bold"}


@given(st.integers(1, 500), st.sampled_from(["a4-70x37", "letter-44x12"]), st.data())
@settings(max_examples=12)
@pytest.mark.long
def test_any_number_of_labels_from_any_place_on(
    tmp_path_factory: pytest.TempPathFactory, count: int, name: str, data: st.DataObject
) -> None:
    folder, sheet = tmp_path_factory.mktemp("labels"), SHEETS[name]
    start = data.draw(st.integers(1, sheet.count))
    some = [Label(_code(number), "x", f"B{number}") for number in range(count)]
    done = printing.write_labels(folder / "x.svg", some, sheet, start)
    assert done.pages == len(done.files) == -(-(start - 1 + count) // sheet.count)
    assert sorted(folder.iterdir()) == sorted(done.files)
    assert [path.name for path in done.files[:2]] == ["x.svg", "x-2.svg"][: done.pages]
    written, corners = [], []
    for path in done.files:
        for label in ET.fromstring(path.read_text(encoding="utf-8")).iter(f"{SVG}g"):
            written.append((label.findtext(f"{SVG}text") or "").replace(" ", ""))
            corners.append(tuple(map(float, re.findall(r"[\d.]+", label.attrib["transform"]))))
    assert written == [one.code for one in some]
    wanted = [sheet.origin((start - 1 + n) % sheet.count) for n in range(count)]
    assert [x for at in corners for x in at] == pytest.approx(
        [x for at in wanted for x in at], abs=1e-3
    )
    pdf = printing.write_labels(folder / "x.pdf", some, sheet, start)
    assert pdf.pages == len(pypdfium2.PdfDocument(folder / "x.pdf")) == done.pages


@pytest.mark.parametrize("ending", ["pdf", "svg", "PDF"])
def test_the_same_labels_are_the_same_bytes(ending: str, tmp_path: Path) -> None:
    one, other = tmp_path / f"one.{ending}", tmp_path / f"other.{ending}"
    for path in (one, other, one):
        printing.write_labels(path, [PULLED, Label("QW3HRALK", "x")], SHEETS["a4-63x38"])
    assert one.read_bytes() == other.read_bytes()


@pytest.mark.parametrize("ending", ["pdf", "svg"])
def test_a_file_is_written_whole_or_not_at_all(ending: str, tmp_path: Path) -> None:
    path = tmp_path / f"x.{ending}"
    path.write_text("earlier")
    (tmp_path / f".x.{ending}.part").mkdir()
    with pytest.raises(UserMistake, match="cannot be written"):
        printing.write_labels(path, [PULLED], SHEETS["a4-63x38"])
    assert path.read_text() == "earlier"
    (tmp_path / f".x.{ending}.part").rmdir()
    printing.write_labels(path, [PULLED], SHEETS["a4-63x38"])
    assert path.read_bytes()[:5] in (b"%PDF-", b"<?xml")
    assert [one.name for one in tmp_path.iterdir()] == [path.name]


def test_of_several_pages_none_is_written_if_one_cannot_be(tmp_path: Path) -> None:
    (tmp_path / ".x-2.svg.part").mkdir()
    some = [Label(_code(number), "x") for number in range(22)]
    with pytest.raises(UserMistake, match="cannot be written"):
        printing.write_labels(tmp_path / "x.svg", some, SHEETS["a4-63x38"])
    assert [one.name for one in tmp_path.iterdir()] == [".x-2.svg.part"]


# Blind ------------------------------------------------------------------------------------------

NAMES = st.sampled_from(["straw", "wood chips", "C10", "A", "none", "meal", "compost", "ash"])
LABELS = st.sampled_from(["B{}", "A{}", "straw{}", "C10_{}", "{}", "north.{}", "ASH{}", "Box{}"])
TRIALS = st.sampled_from(
    ["North house", "Straw or ash?", "Meal at C10", "House A", "Against control", "Spring"]
)


@given(st.lists(NAMES, min_size=2, max_size=4, unique=True), LABELS, TRIALS)
def test_no_name_tells_a_treatment(codes: list[str], pattern: str, trial: str) -> None:
    beds = [
        BedRef(f"id{n}", pattern.format(n), "1", codes[n % len(codes)], n == 0, n) for n in range(8)
    ]
    told = blind.told_by(trial, beds, codes, blind=True)
    said = [told.trial, *(told.bed(bed) for bed in beds)]
    for code in (*codes, "control"):
        bare = re.compile(rf"(?<![a-z]){re.escape(code.casefold())}(?![a-z])")
        for place, text in enumerate(said):
            own = code in ("control", codes[(place - 1) % len(codes)]) or len(code) > 1
            assert not (own and bare.search(text.casefold())), (code, text)
    assert len(set(said[1:])) == len(beds)
    called = {told.bed(bed).startswith("place ") for bed in beds}
    assert len(called) == 1  # all of them or none: a single one would tell too
    assert len(told.remarks()) == (said[0] != trial) + (True in called)
    openly = blind.told_by(trial, beds, codes, blind=False)
    assert (openly.trial, openly.bed(beds[0]), openly.remarks()) == (trial, beds[0].label, [])


def test_harmless_names_stay() -> None:
    beds = [BedRef("1", "B1", "1", "C", False, 0), BedRef("2", "Cold2", "1", "none", True, 1)]
    told = blind.told_by("Spring cabbage", beds, ["C", "compost", "none"], blind=True)
    assert (told.trial, told.places, told.remarks()) == ("Spring cabbage", {}, [])


def test_a_label_is_black_on_white(tmp_path: Path) -> None:
    """No colour could stand for a treatment either."""
    openly = Label("RT4MAXCL", "x", "B1", "treatment C10", "Mon 2 Mar 2026", "15", 8, "mira")
    printing.write_labels(tmp_path / "x.svg", [PULLED, openly], SHEETS["a4-63x38"])
    drawn = (tmp_path / "x.svg").read_text(encoding="utf-8")
    assert set(re.findall(r'(?:fill|stroke)="([^"]*)"', drawn)) <= {"black"}
    assert "style=" not in drawn
    printing.write_labels(tmp_path / "x.pdf", [PULLED, openly], SHEETS["a4-63x38"])
    page = pypdfium2.PdfDocument(tmp_path / "x.pdf")[0].render(scale=1).to_pil().convert("RGB")
    colours = page.getcolors(1 << 20)
    assert colours is not None
    assert all(red == green == blue for _, (red, green, blue) in colours)


# The list of sheets -----------------------------------------------------------------------------

OWN_SHEET = """\
format = 1
default = "mine"
[[sheet]]
name = "mine"
page = "60 x 30"
columns = 1
rows = 1
width = 60
height = 30
left = 0
top = 0
"""


def test_an_own_list_wins(tmp_path: Path) -> None:
    (tmp_path / OWN).write_text(OWN_SHEET, encoding="utf-8")
    grids = printing.load(tmp_path)
    assert list(grids.sheets) == ["mine"]
    assert grids.named(None).room == (60, 30)
    assert grids.named(" MINE ") is grids.sheets["mine"]
    assert grids.named(None).paper == "60 x 30 mm"


def test_a_copy_is_read_as_the_program_s_own(tmp_path: Path) -> None:
    folder = tmp_path / "config"
    path = printing.copy(folder)
    assert printing.load(folder) == printing.load() == printing.load(tmp_path)
    with pytest.raises(UserMistake, match="already there"):
        printing.copy(folder)
    path.write_text(OWN_SHEET, encoding="utf-8")
    assert list(printing.load(folder).sheets) == ["mine"]


@pytest.mark.parametrize(
    ("old", "new", "line", "said"),
    [
        ("format = 1\n", "", 1, '"format" is missing'),
        ("format = 1\n", "format = 2\n", 1, "this program reads format 1"),
        ("columns = 1", "columns = 2", 8, "the last label ends at 120 mm, the page at 60 mm"),
        ("columns = 1", "columns = 0", 6, "0 cannot be; give 1 to 1000"),
        ("columns = 1", "columns = 1.5", 6, "1.5 is not a whole number"),
        ("rows = 1", "rows = 1001", 7, "1001 cannot be"),
        ("rows = 1", "", 3, '"rows" is missing'),
        ("width = 60", "width = 28", 8, "28 x 30 mm has no room for the QR code and the code"),
        ("height = 30", "height = 11", 9, "60 x 11 mm has no room"),
        ("height = 30", 'height = "30"', 9, "'30' is not a number"),
        ('"60 x 30"', '"A5"', 5, "'A5' is not a page"),
        ('"60 x 30"', '"0 x 30"', 5, "'0 x 30' is not a page"),
        ("top = 0", "topp = 0", 11, '"topp" is not a key of this row; did you mean "top"?'),
        ('"mine"\n[[', '"yours"\n[[', 2, "there is no sheet 'yours'"),
    ],
)
def test_a_wrong_list_is_refused_line_by_line(
    old: str, new: str, line: int, said: str, tmp_path: Path
) -> None:
    assert old in OWN_SHEET
    (tmp_path / OWN).write_text(OWN_SHEET.replace(old, new), encoding="utf-8")
    with pytest.raises(BadData) as refused:
        printing.load(tmp_path)
    shown = [str(one) for one in refused.value.problems]
    assert any(f"{OWN}, line {line}" in one and said in one for one in shown), shown


def test_reading_a_label_warns_of_nothing() -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        arranging.arrange(PULLED, 60, 30)
