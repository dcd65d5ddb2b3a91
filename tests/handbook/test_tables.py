"""The shipped tables against their sources, and edited ones: every problem at once."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from pathlib import Path

import pytest

from logbook import handbook
from logbook.errors import BadData, UserMistake
from logbook.handbook.sufficiency import read_sufficiency

# Rutgers NJAES, relative levels, Mehlich-3, lb/acre: upper ends of very low, low, medium, high.
RUTGERS = {
    "P": (24, 45, 71, 137),
    "K": (40, 81, 145, 277),
    "Mg": (45, 83, 143, 295),
    "Ca": (615, 1007, 1400, 1790),
}
# The same source: critical and high level, mg/kg; of manganese by its index.
MICROS = {"Zn": ("1.0", "50"), "Cu": ("0.5", "20"), "B": ("0.5", "20"), "Fe": ("50", "100"),
          "Mn": ("25", "100")}  # fmt: skip
# Havlin et al. 1999 as quoted in doi 10.1186/s41610-019-0104-9, table 12: DTPA, mg/kg.
HAVLIN = {"Fe": ("2.5", "4.5"), "Zn": ("0.5", "1.0"), "Mn": ("1.0",), "Cu": ("0.4", "0.6")}
# Maas & Hoffman by UC IPM: threshold in dS/m of the saturated paste, % yield lost per dS/m.
MAAS_HOFFMAN = {
    "bean": ("1.0", "19"), "carrot": ("1.0", "14"), "strawberry": ("1.0", "33"),
    "onion": ("1.2", "16"), "radish": ("1.2", "13"), "lettuce": ("1.3", "13"),
    "pepper": ("1.5", "14"), "tomato": ("2.5", "9.8"), "broccoli": ("2.8", "9.2"),
}  # fmt: skip

GOOD = """\
format = 1
[[table]]
nutrient = "Fe"
methods = ["DTPA"]
unit = "mg/kg"
classes = [ { name = "low", to = 4.5 }, { name = "enough" } ]
sufficient = ["enough"]
source = "invented"
"""


@pytest.fixture(scope="module")
def book() -> handbook.Handbook:
    return handbook.load()


def bounds(book: handbook.Handbook, nutrient: str, method: str) -> list[Decimal]:
    table = book.table(nutrient, method)
    assert table is not None
    return [step.upper for step in table.steps if step.upper is not None]


@pytest.mark.parametrize("nutrient", RUTGERS)
def test_relative_levels_are_the_sources(book: handbook.Handbook, nutrient: str) -> None:
    table = book.table(nutrient, "Mehlich-3")
    assert table is not None
    assert (table.unit, table.factor) == ("lb/acre", 2)
    assert tuple(bounds(book, nutrient, "Mehlich-3")) == RUTGERS[nutrient]
    assert [step.name for step in table.steps] == ["very low", "low", "medium", "high", "very high"]
    assert table.sufficient == ("high",)


@pytest.mark.parametrize(
    ("tables", "method"), [(MICROS, "Mehlich-3"), (HAVLIN, "DTPA")], ids=["Mehlich-3", "DTPA"]
)
def test_micronutrients_are_the_sources(
    book: handbook.Handbook, tables: dict[str, tuple[str, ...]], method: str
) -> None:
    for nutrient, ends in tables.items():
        assert bounds(book, nutrient, method) == [Decimal(end) for end in ends]


def test_salt_tolerance_is_the_sources(book: handbook.Handbook) -> None:
    found = {one.name: (one.threshold, one.slope) for one in book.crops}
    assert found == {name: (Decimal(a), Decimal(b)) for name, (a, b) in MAAS_HOFFMAN.items()}


def test_yield_under_salt(book: handbook.Handbook) -> None:
    tomato = next(one for one in book.crops if one.name == "tomato")
    # Maas & Hoffman: 100 - 9.8 (4 - 2.5) = 85.3 %.
    assert tomato.yield_at(Decimal(4)) == Decimal("85.3")
    assert tomato.yield_at(Decimal("2.5")) == 100
    assert tomato.yield_at(Decimal(40)) == 0


def test_every_row_names_its_source(book: handbook.Handbook) -> None:
    assert all(one.source for one in (*book.tables, *book.crops, *book.products))
    assert book.files == ("", "")


def test_a_table_is_for_the_methods_it_names(book: handbook.Handbook) -> None:
    assert book.table("P", "mehlich-3") is not None
    assert book.table("P", "Mehlich-3 ICP") is None
    assert book.table("P", "Bray P1") is None
    assert book.methods("P") == ["Mehlich-3", "Olsen"]
    assert book.methods("nitrate-N") == []


def test_a_copy_is_read_in_place_of_the_programs_own(tmp_path: Path) -> None:
    (tmp_path / "sufficiency.toml").write_text(GOOD)
    found = handbook.load(tmp_path)
    assert [(one.nutrient, one.source) for one in found.tables] == [
        ("Fe", "invented; by your own copy of the tables (sufficiency.toml)")
    ]
    assert found.products == handbook.load().products
    assert found.files == (str(tmp_path / "sufficiency.toml"), "")


def test_copies_are_the_programs_own_and_never_overwritten(tmp_path: Path) -> None:
    folder = tmp_path / "own" / "tables"
    assert [path.name for path in handbook.copy(folder)] == list(handbook.FILES)
    copied, own = handbook.load(folder), handbook.load()
    for of_copy, of_program in ((copied.tables, own.tables), (copied.products, own.products)):
        assert [replace(one, source="") for one in of_copy] == [
            replace(one, source="") for one in of_program
        ]
        assert all("by your own copy of the tables" in one.source for one in of_copy)
    (folder / "products.toml").write_text("mine")
    (folder / "sufficiency.toml").unlink()
    with pytest.raises(UserMistake, match="already there"):
        handbook.copy(folder)
    assert (folder / "products.toml").read_text() == "mine"
    assert not (folder / "sufficiency.toml").exists()


def problems(text: str) -> list[str]:
    with pytest.raises(BadData) as caught:
        read_sufficiency(text.encode(), "own.toml")
    return [str(one) for one in caught.value.problems]


# What to change in GOOD, and what is said; the line is that of the key, else of the row.
WRONG = [
    ('"Fe"', '"iron ore"', "own.toml, line 3, table 1, nutrient: 'iron ore' is not a nutrient"),
    ('"Fe"', '"P2O5"', "own.toml, line 3, table 1, nutrient: 'P2O5' is a chemical form; write P"),
    ('["DTPA"]', '"DTPA"', "own.toml, line 4, table 1, methods: 'DTPA' is not a list of texts"),
    ('["DTPA"]', "[]", "own.toml, line 4, table 1, methods: [] is not a list of texts"),
    ('"mg/kg"', '"lb/acre"', "own.toml, line 5, table 1, unit: 'lb/acre' is not a unit of Fe"),
    ('"mg/kg"', '"mg/kg"\nfactor = 0', "line 6, table 1, factor: a factor of 0 says nothing"),
    ('"mg/kg"', '"mg/kg"\nfactor = "2"', "line 6, table 1, factor: '2' is not a number"),
    ('"mg/kg"', '"mg/kg"\nfactor = inf', "line 6, table 1, factor: Infinity is not a number"),
    ("to = 4.5", 'to = "4.5"', "line 6, table 1, classes: class 1 (low): '4.5' is not a number"),
    ("to = 4.5", "upto = 4.5", "line 6, table 1, classes: class 1 (low): 'upto' is not known"),
    ("to = 4.5", "to = 4.5, below = 5", "line 6, table 1, classes: class 1 (low) has 2 bounds"),
    ('"enough" }', '"enough", to = 9 }', "classes: class 2 (enough) has 1 bounds; the last class"),
    ('name = "low", ', "", "line 6, table 1, classes: class 1 has no name"),
    ('"enough" }', '"low" }', "line 6, table 1, classes: two classes are called 'low'"),
    ('{ name = "enough" }', '{ name = "b", to = 4.5 }, { name = "enough" }',
     "classes: b ends at 4.5, not above low (4.5); write the classes from the lowest up"),
    ('["enough"]', '["plenty"]', "line 7, table 1, sufficient: 'plenty' is no class; use low, en"),
    ('["enough"]', '["low", "enough"]', "line 7, table 1, sufficient: every class is named"),
    ('source = "invented"', "", 'line 2, table 1: "source" is missing'),
    ('"invented"', '"invented"\nsorce = "x"', 'line 9, table 1, sorce: "sorce" is not a key'),
    ('"invented"', '"invented"\nindex = { slope = 2 }', "line 9, table 1, index: "),
    ('"invented"', '"invented"\n[[crop]]\nname = "pea"\nthreshold = -1\nslope = 9\nsource = "x"',
     "line 11, crop 1, threshold: -1 cannot be; give 0 or more"),
    ("format = 1", "format = 2", "own.toml, line 1, format: 2 is not known; this program reads 1"),
    ('"invented"', f'"invented"\n{GOOD[11:]}',
     "line 11, table 2, methods: Fe by DTPA stands in table 1 already; keep one of the two"),
    ("[[table]]", "[table]", 'own.toml, line 1, table: "table" is no list of rows'),
    ("= 1", "= ", "own.toml, line 1: Invalid value"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "said"), WRONG)
def test_a_wrong_row_is_named(old: str, new: str, said: str) -> None:
    assert GOOD.count(old) >= 1
    found = problems(GOOD.replace(old, new, 1))
    assert len(found) == 1
    assert said in found[0]


def test_all_problems_at_once_in_the_order_of_the_file() -> None:
    wrong = GOOD.replace('"Fe"', '"iron ore"').replace("4.5", '"x"').replace('"invented"', '""')
    assert [one.split(":")[0] for one in problems(wrong)] == [
        "own.toml, line 3, table 1, nutrient",
        "own.toml, line 6, table 1, classes",
        "own.toml, line 8, table 1, source",
    ]


def test_no_text_at_all(tmp_path: Path) -> None:
    (tmp_path / "sufficiency.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(BadData, match="cannot be used: 1 problem"):
        handbook.load(tmp_path)
    (tmp_path / "sufficiency.toml").unlink()
    (tmp_path / "sufficiency.toml").mkdir()
    with pytest.raises(UserMistake, match="cannot be read"):
        handbook.load(tmp_path)
