"""Nitrogen materials: % N against their formulas, shares against their sources, by day."""

from __future__ import annotations

from fractions import Fraction

import pytest

from logbook import handbook
from logbook.errors import BadData
from logbook.handbook import Product, available_n
from logbook.handbook.products import read_products
from logbook.trial.chemistry import WEIGHTS

# Formulas of the pure salts, atoms of each element.
SALTS = {
    "urea": {"C": 1, "O": 1, "N": 2, "H": 4},
    "ammonium sulfate": {"N": 2, "H": 8, "S": 1, "O": 4},
    "calcium nitrate tetrahydrate": {"Ca": 1, "N": 2, "O": 10, "H": 8},
    "potassium nitrate": {"K": 1, "N": 1, "O": 3},
}
# Hartz & Johnstone 2006, HortTechnology 16:39-42: at least 47 % of the organic N mineralised
# within 2 weeks, and by 8 weeks, mean of 10 to 25 C:
EIGHT_WEEKS = {"feather meal": 60, "seabird guano": 61, "fish powder": 62, "blood meal": 66}


@pytest.fixture(scope="module")
def products() -> dict[str, Product]:
    return {one.name: one for one in handbook.load().products}


@pytest.mark.parametrize("name", SALTS)
def test_a_salts_nitrogen_is_that_of_its_formula(products: dict[str, Product], name: str) -> None:
    mass = sum((WEIGHTS[atom] * count for atom, count in SALTS[name].items()), Fraction(0))
    exact = float(100 * WEIGHTS["N"] * SALTS[name]["N"] / mass)
    stated = products[name].n_percent
    assert stated is not None
    # Rounded down: a make-up is never said to hold more than it does.
    assert 0.0 <= exact - float(stated) < 0.1


def test_mineral_salts_count_from_the_first_day(products: dict[str, Product]) -> None:
    for name in ("ammonium sulfate", "calcium nitrate tetrahydrate", "potassium nitrate"):
        assert available_n(products[name], 0) == 1.0
        assert available_n(products[name], 30) == 1.0


@pytest.mark.parametrize("name", EIGHT_WEEKS)
def test_meals_by_the_incubation(products: dict[str, Product], name: str) -> None:
    meal = products[name]
    assert meal.of == "organic N"
    assert available_n(meal, 0) == 0.0
    assert available_n(meal, 14) == pytest.approx(0.47)
    assert available_n(meal, 7) == pytest.approx(0.235)  # halfway on the line
    assert available_n(meal, 56) == pytest.approx(EIGHT_WEEKS[name] / 100)
    # Beyond the last point nothing is added.
    assert available_n(meal, 365) == available_n(meal, 56)


def test_nothing_counts_before_it_is_worked_in(products: dict[str, Product]) -> None:
    assert available_n(products["ammonium sulfate"], -1) == 0.0


def test_a_season_is_no_day(products: dict[str, Product]) -> None:
    """Cornell css412, module 2: poultry manure, 55 % of organic N this year."""
    manure = products["poultry manure"]
    assert (manure.dated, available_n(manure, 300)) == (False, None)
    assert manure.season.startswith("55 %")
    assert manure.n_percent is None


def test_what_may_burn_or_harm_says_so(products: dict[str, Product]) -> None:
    told = {name: " ".join(one.cautions) for name, one in products.items()}
    assert all("salt" in one for one in told.values())
    assert "ammonia" in told["urea"] and "ammonia" in told["blood meal"]
    # 7 CFR 205.203(c)(1).
    assert "120 days" in told["poultry manure"] and "90 days" in told["poultry manure"]


def test_none_is_sold_under_regulated_nitrate(products: dict[str, Product]) -> None:
    assert "ammonium nitrate" not in products


GOOD = """\
format = 1
[[product]]
name = "bean meal (invented)"
n_percent = 6
available = [[0, 10], [20, 50]]
cautions = ["dust"]
source = "invented"
"""
WRONG = [
    ("n_percent = 6", "n_percent = 101", "line 4, product 1, n_percent: 101 cannot be; give 0 to"),
    ("n_percent = 6", "n_percent = 0", "line 4, product 1, n_percent: a material without N"),
    ("[[0, 10], [20, 50]]", "[[5, 10]]", "line 5, product 1, available: it begins on day 5"),
    ("[20, 50]", "[20, 5]", "day 20 with 5 % follows day 0 with 10 %; days rise"),
    ("[20, 50]", "[0, 50]", "day 0 with 50 % follows day 0 with 10 %; days rise"),
    ("[20, 50]", "[20, 150]", "line 5, product 1, available: [[0,"),
    ("[20, 50]", "[20.5, 50]", "is no list of days and per cent"),
    ("[[0, 10], [20, 50]]", '"soon"', "line 5, product 1, available: 'soon' is no list of days"),
    ("available = [[0, 10], [20, 50]]", "", "line 2, product 1: neither available nor season"),
    ('["dust"]', '"dust"', "line 6, product 1, cautions: 'dust' is not a list of texts"),
    ("n_percent", 'of = "all"\nn_percent', "line 4, product 1, of: 'all' is not known; write one"),
    ('"invented"', f'"invented"\n{GOOD[11:]}', "line 9, product 2, name: bean meal (invented) st"),
    ('source = "invented"', "", 'line 2, product 1: "source" is missing'),
]


@pytest.mark.parametrize(("old", "new", "said"), WRONG)
def test_a_wrong_row_is_named(old: str, new: str, said: str) -> None:
    assert GOOD.count(old) >= 1
    with pytest.raises(BadData) as caught:
        read_products(GOOD.replace(old, new, 1).encode(), "own.toml")
    assert len(caught.value.problems) == 1
    assert said in str(caught.value.problems[0])


def test_an_edited_row_counts() -> None:
    meal = read_products(GOOD.encode(), "own.toml")[0]
    assert available_n(meal, 10) == pytest.approx(0.30)
