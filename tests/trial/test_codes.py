"""Sample codes: every single wrong symbol and every swap of neighbours is found."""

from __future__ import annotations

import random

from hypothesis import given
from hypothesis import strategies as st

from logbook.trial import codes

BODIES = st.text(codes.ALPHABET, min_size=codes.LENGTH - 1, max_size=codes.LENGTH - 1)
CODES = BODIES.map(lambda body: body + codes.check_symbol(body))


@given(CODES)
def test_every_single_substitution_is_found(code: str) -> None:
    for place, right in enumerate(code):
        for wrong in codes.ALPHABET:
            changed = code[:place] + wrong + code[place + 1 :]
            assert codes.is_valid(changed) == (wrong == right)


@given(CODES)
def test_every_swap_of_neighbours_is_found(code: str) -> None:
    for place in range(codes.LENGTH - 1):
        one, other = code[place], code[place + 1]
        swapped = code[:place] + other + one + code[place + 2 :]
        assert codes.is_valid(swapped) == (one == other)


def test_the_check_symbol_worked_by_hand() -> None:
    # 3479ACD has the values 0..6: 0*2 + 1*3 + 2*4 + 3*5 + 4*6 + 5*7 + 6*8 = 133 = 5*23 + 18,
    # so the check value is 23 - 18 = 5, the symbol C.
    assert codes.check_symbol("3479ACD") == "C"
    assert codes.is_valid("3479ACDC")


def test_the_alphabet_has_no_look_alikes() -> None:
    assert len(set(codes.ALPHABET)) == 23
    for pair in ("0O", "1I", "2Z", "5S", "8B", "UV"):
        assert not set(pair) & set(codes.ALPHABET)


@given(CODES)
def test_people_may_add_blanks_hyphens_and_lower_case(code: str) -> None:
    assert codes.tidy(f" {code[:4].lower()}-{code[4:6]} {code[6:]}. ") == code
    assert codes.flaw(code) == ""


def test_why_a_code_is_wrong() -> None:
    assert codes.flaw("3479ACD") == "a code has 8 symbols, this one 7"
    assert codes.flaw("3479ACDO") == "no code has the symbol 'O'"
    assert codes.flaw("3479ACDD") == ("its check symbol does not fit: a symbol is wrong or swapped")


def test_new_codes_are_valid_and_differ() -> None:
    choose = random.Random(3).choice
    made = [codes.new_code(choose) for _ in range(2000)]
    assert all(codes.is_valid(code) for code in made)
    assert len(set(made)) == 2000


def test_codes_that_spreadsheets_change_are_not_drawn() -> None:
    assert codes.is_valid("333E3349")  # 333 times ten to the 3349
    assert codes.is_valid("3MAR4433")  # the third of March 4433
    scripted = iter("333E334" + "3MAR443" + "3479ACD")
    assert codes.new_code(lambda _: next(scripted)) == "3479ACDC"


def test_candidates_are_the_nearest_known_codes() -> None:
    known = ["3479ACDC", "3479ACEQ", "XXWWTTRR"]
    assert codes.candidates("3479ADCC", known)[0] == "3479ACDC"  # a swap is one mistake
    assert codes.candidates("3479ACD", known)[0] == "3479ACDC"  # a symbol left out
    assert codes.candidates("HHHHHHHH", known) == []
    assert codes.candidates("347", known) == []
