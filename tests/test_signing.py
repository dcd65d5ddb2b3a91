"""Signatures of writers: the published vectors, and what must not pass for one."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from logbook import signing

# RFC 8032, section 7.1, TEST 2: secret key, public key, message, signature.
SECRET = "4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb"
PUBLIC = "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c"
SIGNATURE = (
    "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da"
    "085ac1e43e15996e458f3613d0f11d8c387b2eaeb4302aeeb00d291612bb0c00"
)


def test_the_signature_of_the_standards_example() -> None:
    assert signing.sign(SECRET, b"\x72") == SIGNATURE
    assert signing.holds(PUBLIC, b"\x72", SIGNATURE)


@given(st.integers(0, 511))
def test_a_flipped_bit_is_no_signature(bit: int) -> None:
    broken = bytearray.fromhex(SIGNATURE)
    broken[bit // 8] ^= 1 << bit % 8
    assert not signing.holds(PUBLIC, b"\x72", broken.hex())


def test_what_is_no_signature_at_all_is_none() -> None:
    for text in ("", "zz", "00" * 64, SIGNATURE[:-2], SIGNATURE + "00"):
        assert not signing.holds(PUBLIC, b"\x72", text)
    assert not signing.holds("11" * 31, b"\x72", SIGNATURE)


def test_a_signed_head_is_not_a_signed_successor() -> None:
    signed = signing.sign(SECRET, signing.head_message("ab" * 16, 3, "cd" * 32))
    assert not signing.holds(
        PUBLIC, signing.successor_message("ab" * 16 + " 3 " + "cd" * 32), signed
    )


def test_the_words_of_a_key_are_the_same_on_every_machine() -> None:
    words = signing.words(PUBLIC)
    assert len(words) == 4
    assert words == signing.words(PUBLIC)
    assert words != signing.words(SECRET)
    assert signing.same_words("  ".join(words).upper(), PUBLIC)
    assert signing.same_words("-".join(words), PUBLIC)
    assert not signing.same_words(" ".join(words[:3]), PUBLIC)
    assert not signing.same_words(" ".join(reversed(words)), PUBLIC)
