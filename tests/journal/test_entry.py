"""The entry's format: frozen by its bytes, strict in both directions."""

from __future__ import annotations

import hashlib
import json
from dataclasses import replace
from functools import partial
from typing import Any
from unicodedata import normalize

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logbook.journal.entry import (
    MOST_BYTES,
    BadEntry,
    Entry,
    Write,
    decode,
    encode,
    entry_id,
    key,
    parts,
    to_json,
)

WRITER = "0123456789abcdef0123456789abcdef"
PREV = "ab" * 32
OLD = "cd" * 32
GOLDEN = Entry(
    writer=WRITER,
    seq=2,
    prev=PREV,
    kind="correct",
    kv=1,
    written="2026-03-14T08:30:00+01:00",
    by="mira",
    act="K7M3QX4R",
    reason="the can was half full",
    saw={"f" * 32: [7, "12" * 32]},
    writes=(
        Write(
            "water/K7M3QX4R/b1",
            {
                "bed": "b1",
                "when": "2026-03-13",
                "volume_ml": "250",
                "known": "by eye",
                "typed": "¼ L à peu près\n",
                "shares": [1, 2, None, True],
            },
            (OLD,),
        ),
        Write("note/K7M3QX4R/b1", None, ()),
    ),
)
# The format of every journal ever written: these bytes never change.
GOLDEN_BYTES = (
    b'{"act":"K7M3QX4R","by":"mira","kind":"correct","kv":1,'
    b'"prev":"abababababababababababababababababababababababababababababababab",'
    b'"reason":"the can was half full",'
    b'"saw":{"ffffffffffffffffffffffffffffffff":[7,'
    b'"1212121212121212121212121212121212121212121212121212121212121212"]},'
    b'"seq":2,"v":1,"writer":"0123456789abcdef0123456789abcdef",'
    b'"writes":[["water/K7M3QX4R/b1",{"bed":"b1","known":"by eye",'
    b'"shares":[1,2,null,true],"typed":"\xc2\xbc L \xc3\xa0 peu pr\xc3\xa8s\\n",'
    b'"volume_ml":"250","when":"2026-03-13"},'
    b'["cdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcdcd"]],'
    b'["note/K7M3QX4R/b1",null,[]]],"written":"2026-03-14T08:30:00+01:00"}'
)
GOLDEN_ID = "6bb19a7df54a9e2b1b9e831892c16ab4b89d3e5fbfa955b47ea106a53fc768b6"


def test_the_golden_entry_has_these_bytes_and_this_id() -> None:
    assert encode(GOLDEN) == GOLDEN_BYTES
    assert entry_id(GOLDEN_BYTES) == GOLDEN_ID == hashlib.sha256(GOLDEN_BYTES).hexdigest()
    assert decode(GOLDEN_BYTES) == GOLDEN


_TEXT = st.text(st.characters(exclude_categories=["Cs"])).map(partial(normalize, "NFC"))
_JSON = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**53) + 1, 2**53 - 1) | _TEXT,
    lambda parts: st.lists(parts) | st.dictionaries(_TEXT, parts),
    max_leaves=20,
)


@given(_JSON)
def test_the_bytes_are_those_of_the_standard_library(value: Any) -> None:
    """Whatever writes them: an entry has one writing, or its id would be another."""
    same = json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    assert to_json(value) == same.encode()


def test_a_first_entry_leaves_out_what_it_has_not() -> None:
    first = Entry(WRITER, 1, None, "note", "2026-03-14T08:30:00Z", "mira", ())
    assert encode(first) == (
        b'{"by":"mira","kind":"note","kv":1,"prev":null,"seq":1,"v":1,'
        b'"writer":"0123456789abcdef0123456789abcdef","writes":[],"written":"2026-03-14T08:30:00Z"}'
    )


def _document(**changes: Any) -> bytes:
    return json.dumps({**json.loads(GOLDEN_BYTES), **changes}).encode()


def _value(text: str) -> bytes:
    """The golden entry with one write whose value is this JSON text."""
    return _document(writes=[["note/K7/b1", "@", []]]).replace(b'"@"', text.encode())


REFUSED = {
    "a float": (_value('{"a":1.5}'), "1.5 is a float; decimals are text"),
    "an exponent": (_value('{"a":1e3}'), "1e3 is a float; decimals are text"),
    "NaN": (_value('{"a":NaN}'), "NaN is a float; decimals are text"),
    "infinity": (_value('{"a":-Infinity}'), "-Infinity is a float; decimals are text"),
    "a name twice": (_value('{"a":1,"a":2}'), "a name occurs twice in one object"),
    "a name twice, escaped": (_value('{"a":1,"\\u0061":2}'), "a name occurs twice in one object"),
    "half a character": (_value('{"a":"\\ud83d"}'), "half a character"),
    "half a character as a name": (_value('{"\\uDC00":1}'), "half a character"),
    "not NFC": (_value('{"a":"e\u0301"}'), "its text is not in NFC"),
    "not NFC, escaped": (_value('{"a":"e\\u0301"}'), "its text is not in NFC"),
    "not UTF-8": (GOLDEN_BYTES.replace(b"\xc2\xbc", b"\xbc"), "not an entry: 'utf-8' codec"),
    "a byte order mark": (b"\xef\xbb\xbf" + GOLDEN_BYTES, "not an entry"),
    "too large": (_value('{"a":"' + "x" * MOST_BYTES + '"}'), "is larger than 1048576"),
    "too many digits": (_value('{"a":' + "9" * 400 + "}"), "has too many digits"),
    "just too many digits": (_value('{"a":9007199254740992}'), "has too many digits"),
    "deep": (_value('{"a":' + "[" * 9 + "]" * 9 + "}"), "nested more than 8 deep"),
    "deep objects": (_value('{"a":' * 9 + "1" + "}" * 9), "nested more than 8 deep"),
    "very deep": (_value('{"a":' + "[" * 100_000 + "]" * 100_000 + "}"), "not an entry"),
    "a list at the top": (b"[]", "not an object"),
    "nothing": (b"", "not an entry"),
    "two entries": (GOLDEN_BYTES + GOLDEN_BYTES, "not an entry: Extra data"),
    "an unknown field": (_document(mood="good"), "fields missing or unknown: mood"),
    "a field less": (
        json.dumps({"v": 1, "writer": WRITER}).encode(),
        "fields missing or unknown: by, kind, kv, prev, seq, writes, written",
    ),
    "another format": (_document(v=2), "an entry of format 2; this program reads 1"),
    "true for 1": (_document(v=True), "an entry of format True; this program reads 1"),
    "a number true": (_document(seq=True), "seq has the wrong type"),
    "number 0": (_document(seq=0), "writer or seq is out of range"),
    "a huge number": (_document(seq=2**53), "writer or seq is out of range"),
    "a writer in capitals": (_document(writer=WRITER.upper()), "writer or seq is out of range"),
    "a writer with a newline": (_document(writer=WRITER + "\n"), "writer or seq is out of range"),
    "version 0": (_document(kv=0), "kind or kv is out of range"),
    "no kind": (_document(kind=""), "kind or kv is out of range"),
    "prev too short": (_document(prev="ab"), "prev is not an id"),
    "a null act": (_document(act=None), "act has the wrong type"),
    "written without offset": (_document(written="2026-03-14T08:30:00"), "not an instant"),
    "written on no day": (_document(written="2026-02-30T08:30:00Z"), "not an instant"),
    "written in other digits": (_document(written="２０２６-03-14T08:30:00Z"), "not an instant"),
    "saw a name": (_document(saw={"me": [1, PREV]}), "saw maps writers to [number, id]"),
    "saw no id": (_document(saw={WRITER: [1, "x"]}), "saw maps writers to [number, id]"),
    "saw number true": (_document(saw={WRITER: [True, PREV]}), "saw maps writers to"),
    "a write of two": (_document(writes=[["a/b", {}]]), "a write is [key, value or null"),
    "a value of text": (_document(writes=[["a/b", "x", []]]), "a write is [key, value or null"),
    "no key": (_document(writes=[["", {}, []]]), "a write is [key, value or null"),
    "a foreign key": (_document(writes=[["note/ü", {}, []]]), "a write is [key, value or null"),
    "replaces no id": (_document(writes=[["a/b", {}, ["x"]]]), "a write is [key, value or null"),
    "a key twice": (_document(writes=[["a/b", {}, []], ["a/b", None, []]]), "writes one key twice"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_bytes_that_are_no_entry_are_refused(name: str) -> None:
    body, said = REFUSED[name]
    with pytest.raises(BadEntry) as refused:
        decode(body)
    assert said in str(refused.value)


UNWRITABLE = {
    "a float": ({"a": 1.5}, "1.5 is a float; decimals are text"),
    "NaN": ({"a": float("nan")}, "nan is a float; decimals are text"),
    "a float in a list": ({"a": [{"b": 0.5}]}, "0.5 is a float"),
    "half a character": ({"a": "\ud83d"}, "half a character"),
    "too large": ({"a": "x" * MOST_BYTES}, "is larger than 1048576"),
    "a huge number": ({"a": -(2**53)}, "has too many digits"),
    "bytes": ({"a": b"x"}, "a bytes is no value of an entry"),
    "a tuple": ({"a": (1,)}, "a tuple is no value of an entry"),
    "a name that is no text": ({1: "a"}, "a name in a value is not text"),
    "deep": ({"a": [[[[[[[[[]]]]]]]]]}, "nested more than 8 deep"),
    "names that are one in NFC": ({"e\u0301": 1, "\u00e9": 2}, "a name occurs twice"),
}


@pytest.mark.parametrize("name", UNWRITABLE)
def test_values_that_could_not_be_read_again_are_never_written(name: str) -> None:
    value, said = UNWRITABLE[name]
    entry = replace(GOLDEN, writes=(Write("note/K7/b1", value, ()),))  # type: ignore[arg-type]
    with pytest.raises(BadEntry) as refused:
        encode(entry)
    assert said in str(refused.value)


def test_a_value_may_be_nested_as_deep_as_the_limit() -> None:
    body = _value('{"a":' + "[" * 7 + "]" * 7 + "}")
    assert decode(body).writes[0].value == {"a": [[[[[[[]]]]]]]}


def test_text_is_written_in_nfc() -> None:
    """U+0065 U+0301 is U+00E9 in NFC (Unicode Standard Annex 15, figure 3)."""
    entry = replace(GOLDEN, by="Ine\u0301s", writes=(Write("note/K7/b1", {"e\u0301": "e\u0301"}),))
    read = decode(encode(entry))
    assert read.by == "In\u00e9s"
    assert read.writes[0].value == {"\u00e9": "\u00e9"}


@pytest.mark.parametrize("escaped", ["\n", "\t", "\r", "\b", "\x1f", '"', "\\"])
@pytest.mark.parametrize("mark", ["\u0301", "\u0303", "\u0307", "\u030c", "\u0338"])
def test_a_mark_after_an_escaped_character_stays_a_mark(escaped: str, mark: str) -> None:
    """The n of the escape \\n must not become an n with the mark on it."""
    entry = replace(GOLDEN, writes=(Write("note/K7/b1", {"text": f"a{escaped}{mark}b"}),))
    assert decode(encode(entry)).writes[0].value == {"text": f"a{escaped}{mark}b"}


_texts = st.text(max_size=12)
_values = st.recursive(
    st.none() | st.booleans() | st.integers(1 - 2**53, 2**53 - 1) | _texts,
    lambda inner: st.lists(inner, max_size=3),
    max_leaves=5,
)


@given(st.dictionaries(_texts, _values, max_size=4), _texts)
def test_what_is_written_is_read_the_same_and_writes_the_same_bytes(
    value: dict[str, Any], reason: str
) -> None:
    entry = replace(GOLDEN, reason=reason, writes=(Write("note/K7/b1", value, ()),))
    try:
        body = encode(entry)
    except BadEntry as refused:
        assert "deep" in str(refused) or "twice" in str(refused)
        return
    assert encode(decode(body)) == body


@given(st.lists(st.text(min_size=1, max_size=10), min_size=1, max_size=5))
def test_the_parts_of_a_key_come_back_in_nfc(names: list[str]) -> None:
    import unicodedata

    made = key(*names)
    assert made.isascii() and made.count("/") == len(names) - 1
    assert parts(made) == [unicodedata.normalize("NFC", name) for name in names]


def test_a_key_is_the_same_however_its_letters_were_composed() -> None:
    assert key("result", "Labor Mu\u0308hle", "Mehlich-3/ICP") == (
        key("result", "Labor M\u00fchle", "Mehlich-3/ICP")
    )
    assert key("result", "Mehlich-3/ICP") == "result/Mehlich-3%2FICP"
