"""One entry of the journal: its fields, its bytes, its id. Frozen by a golden example in the tests.

An entry is UTF-8 JSON with sorted keys, text in NFC, decimals as strings, no floats, at most
1 MiB. Its id is the SHA-256 of exactly those bytes, which are stored as hashed and never written
anew to verify them. `written` is the writer's own clock, kept as data and never an arbiter.

    >>> entry = Entry("ab" * 16, 2, "cd" * 32, "note", "2026-03-14T08:30:00+01:00", "mira",
    ...               (Write("note/K7/1", {"text": "moved the fan"}, ()),))
    >>> decode(encode(entry)) == entry
    True
"""

from __future__ import annotations

import json
import re
import unicodedata
from dataclasses import dataclass, field
from datetime import datetime
from functools import lru_cache
from typing import Any, NamedTuple, NoReturn

from logbook.errors import LogbookError

VERSION = 1
MOST_BYTES = 1024 * 1024
_WRITER = re.compile(r"[0-9a-f]{32}\Z")
_ID = re.compile(r"[0-9a-f]{64}\Z")
_REQUIRED = {"v", "writer", "seq", "prev", "kind", "kv", "written", "by", "writes"}
_OPTIONAL = {"act", "reason", "saw"}
# Keys are printable ASCII: `key` escapes everything else.
_KEY = re.compile(r"[!-~][ -~]*\Z")
_INSTANT = re.compile(
    r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?([+-]\d\d:\d\d(:\d\d)?|Z)\Z", re.ASCII
)
_TEXT = frozenset({str})
_SIMPLE = frozenset({str, bool, type(None)})
# Whole numbers that every JSON reader keeps exact.
_MOST_INT = 2**53
_MOST_DEPTH = 8
_HALF = "the text has half a character in it (a lone surrogate)"

Value = dict[str, Any]


class BadEntry(LogbookError):
    """Bytes that are not an entry of this format."""


class TooLarge(BadEntry):
    """What is more than one entry can hold."""


class Write(NamedTuple):
    """One key written: its value, or None when it is struck, and the entries it replaces."""

    key: str
    value: Value | None
    replaces: tuple[str, ...] = ()


@dataclass(frozen=True)
class Entry:
    """One act of one person, as one writer wrote it down.

    `prev` is the id of the writer's entry before this one (None for the first); `act` groups the
    entries of an act too large for one; `saw` maps other writers to their newest (seq, id) seen.
    """

    writer: str
    seq: int
    prev: str | None
    kind: str
    written: str
    by: str
    writes: tuple[Write, ...]
    kv: int = 1
    act: str | None = None
    reason: str | None = None
    saw: dict[str, Any] | None = field(default=None, hash=False)


def key(*parts: str) -> str:
    """The key made of these parts, in NFC; a slash inside a part is escaped ("Mehlich-3%2FICP")."""
    return "/".join(map(_escaped, parts))


@lru_cache(maxsize=1 << 16)
def _escaped(part: str) -> str:
    # The keys of a report's results share most of their parts.
    from urllib.parse import quote

    return quote(unicodedata.normalize("NFC", part), safe=" ()+,.:;=@&'*!?#[]<>|~")


def parts(of_key: str) -> list[str]:
    """The parts that `key` joined."""
    if "%" not in of_key:
        return of_key.split("/")
    from urllib.parse import unquote

    return [unquote(part) for part in of_key.split("/")]


def space(of_key: str) -> str:
    """The first part of a key: which table its record belongs to."""
    return of_key.partition("/")[0]


def ident(of_key: str) -> str:
    """The key without its space: the id of the record."""
    return of_key.partition("/")[2]


def below(of_key: str) -> tuple[str, str]:
    """The first key that could stand below this one, and what comes after the last; so of ids.

    "0" follows "/" in ASCII, and keys are ASCII.
    """
    return f"{of_key}/", f"{of_key}0"


def encode(entry: Entry) -> bytes:
    """The bytes of an entry; raises BadEntry for whatever `decode` would refuse."""
    document: dict[str, Any] = {
        "v": VERSION,
        "writer": entry.writer,
        "seq": entry.seq,
        "prev": entry.prev,
        "kind": entry.kind,
        "kv": entry.kv,
        "written": entry.written,
        "by": entry.by,
        "writes": [[write.key, write.value, list(write.replaces)] for write in entry.writes],
    }
    for name in _OPTIONAL:
        value = getattr(entry, name)
        if value is not None:
            document[name] = value
    _checked(document)
    try:
        body = to_json(document)
    except TypeError:
        # The rest of what JSON has no words for was refused above.
        raise BadEntry(_HALF) from None
    if len(body) > MOST_BYTES:
        raise TooLarge(f"an entry of {len(body)} bytes is larger than {MOST_BYTES}")
    return body


def to_json(value: object) -> bytes:
    """Compact JSON with sorted keys, its text in NFC; raises TypeError for half a character."""
    # A seventh of the time that the standard library takes for the same bytes.
    import orjson

    body = orjson.dumps(value, option=orjson.OPT_SORT_KEYS)
    # Each text by itself: a combining mark after an escape (\\n) would merge with its letter.
    return body if body.isascii() else orjson.dumps(_normal(value), option=orjson.OPT_SORT_KEYS)


def _normal(value: Any) -> Any:
    if isinstance(value, str):
        return unicodedata.normalize("NFC", value)
    if isinstance(value, list):
        return [_normal(part) for part in value]
    if isinstance(value, dict):
        return _no_doubles([(_normal(name), _normal(part)) for name, part in value.items()])
    return value


def entry_id(body: bytes) -> str:
    """SHA-256 of the stored bytes, in hex; of what is no bytes, "", which is the id of nothing."""
    # Loaded on use: most reads decode entries but name none, and OpenSSL takes 3 ms to load.
    from hashlib import sha256

    # One bit of a row's header makes text of bytes, whatever a column was declared as.
    return sha256(body).hexdigest() if is_bytes(body) else ""


def is_bytes(body: object) -> bool:
    """True of bytes; a damaged store may hand over text, a number or nothing instead."""
    return isinstance(body, bytes)


def decode(body: bytes) -> Entry:
    """The entry of these bytes; raises BadEntry for anything this format does not allow."""
    if not is_bytes(body):
        raise BadEntry("an entry of the store is no bytes: it was damaged", "run: logbook verify")
    if len(body) > MOST_BYTES:
        raise BadEntry(f"an entry of {len(body)} bytes is larger than {MOST_BYTES}")
    try:
        text = body.decode()
        document = _DECODER.decode(text)
    except (ValueError, RecursionError) as problem:
        raise BadEntry(f"not an entry: {problem}") from None
    entry = _checked(document)
    if not text.isascii() or "\\u" in text:
        _check_text(document)
    return entry


def _checked(document: object) -> Entry:
    if not isinstance(document, dict):
        raise BadEntry("not an entry: not an object")
    names = document.keys()
    if not names >= _REQUIRED or not names <= _REQUIRED | _OPTIONAL:
        wrong = sorted((_REQUIRED - names) | (names - _REQUIRED - _OPTIONAL))
        raise BadEntry(f"not an entry: fields missing or unknown: {', '.join(wrong)}")
    if document["v"].__class__ is not int or document["v"] != VERSION:
        raise BadEntry(f"an entry of format {document['v']!r}; this program reads {VERSION}")
    for name, wanted in _TYPES.items():
        if name in document and document[name].__class__ not in wanted:
            raise BadEntry(f"not an entry: {name} has the wrong type")
    _check_frame(document)
    writes = tuple(map(_write, document["writes"]))
    if len({write.key for write in writes}) != len(writes):
        raise BadEntry("not an entry: it writes one key twice")
    return Entry(
        writer=document["writer"],
        seq=document["seq"],
        prev=document["prev"],
        kind=document["kind"],
        written=document["written"],
        by=document["by"],
        writes=writes,
        kv=document["kv"],
        act=document.get("act"),
        reason=document.get("reason"),
        saw=document.get("saw"),
    )


_TYPES: dict[str, tuple[type[Any], ...]] = {
    "writer": (str,),
    "seq": (int,),
    "prev": (str, type(None)),
    "kind": (str,),
    "kv": (int,),
    "written": (str,),
    "by": (str,),
    "act": (str,),
    "reason": (str,),
    "saw": (dict,),
    "writes": (list,),
}


def _check_frame(document: dict[str, Any]) -> None:
    """Refuse values of the fields around the writes that their types alone let through."""
    if not _WRITER.match(document["writer"]) or not 1 <= document["seq"] < _MOST_INT:
        raise BadEntry("not an entry: writer or seq is out of range")
    if not document["kind"] or not 1 <= document["kv"] < _MOST_INT:
        raise BadEntry("not an entry: kind or kv is out of range")
    if document["prev"] is not None and not _ID.match(document["prev"]):
        raise BadEntry("not an entry: prev is not an id")
    if not _is_instant(document["written"]):
        raise BadEntry("not an entry: written is not an instant with its offset")
    for other, head in document.get("saw", {}).items():
        match head:
            case [int() as seq, str() as name] if 1 <= seq < _MOST_INT and seq is not True:
                if _WRITER.match(other) and _ID.match(name):
                    continue
        raise BadEntry("not an entry: saw maps writers to [number, id]")


def _is_instant(text: str) -> bool:
    try:
        return _INSTANT.match(text) is not None and bool(datetime.fromisoformat(text))
    except ValueError:
        return False


def _write(item: Any) -> Write:
    # Of exact classes, as JSON has no others: there are many writes.
    if item.__class__ is list and len(item) == len(Write._fields):
        name, value, replaces = item
        if name.__class__ is str and _KEY.match(name) and replaces.__class__ is list:
            named = not replaces or all(map(_is_id, replaces))
            if named and (value is None or value.__class__ is dict):
                if value is not None:
                    _check_value(value, _MOST_DEPTH)
                return Write(name, value, tuple(replaces))
    raise BadEntry("not an entry: a write is [key, value or null, [replaced ids]]")


def _is_id(other: Any) -> bool:
    return other.__class__ is str and _ID.match(other) is not None


def _check_value(value: Value, depth: int) -> None:
    # By sets of types, as there are many values and nearly all of them are plain.
    if not _TEXT.issuperset(map(type, value)):
        raise BadEntry("not an entry: a name in a value is not text")
    if not _SIMPLE.issuperset(map(type, value.values())):
        for part in value.values():
            if part.__class__ not in _SIMPLE:
                _check_part(part, depth - 1)


def _check_part(part: Any, depth: int) -> None:
    if part.__class__ is int:
        if abs(part) >= _MOST_INT:
            raise BadEntry("not an entry: a whole number has too many digits")
    elif depth == 0:
        raise BadEntry(f"not an entry: a value is nested more than {_MOST_DEPTH} deep")
    elif part.__class__ is list:
        for one in part:
            if one.__class__ not in _SIMPLE:
                _check_part(one, depth - 1)
    elif part.__class__ is dict:
        _check_value(part, depth)
    elif part.__class__ is float:
        _no_float(repr(part))
    else:
        raise BadEntry(f"not an entry: a {type(part).__name__} is no value of an entry")


def _check_text(part: Any) -> None:
    """Refuse half characters, and text that is not in NFC."""
    if isinstance(part, str):
        if any("\ud800" <= symbol <= "\udfff" for symbol in part):
            raise BadEntry(_HALF)
        # By the table of Unicode 3.2, which never changes: the verdict on an entry must not
        # depend on the Python that reads it.
        if not unicodedata.ucd_3_2_0.is_normalized("NFC", part):
            raise BadEntry("not an entry: its text is not in NFC")
    elif isinstance(part, list):
        for one in part:
            _check_text(one)
    elif isinstance(part, dict):
        for name, one in part.items():
            _check_text(name)
            _check_text(one)


def _no_float(text: str) -> NoReturn:
    raise BadEntry(f"not an entry: {text} is a float; decimals are text")


def _small_int(text: str) -> int:
    if len(text) > 17:
        raise BadEntry("not an entry: a whole number has too many digits")
    return int(text)


def _no_doubles(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    document = dict(pairs)
    if len(document) != len(pairs):
        raise BadEntry("not an entry: a name occurs twice in one object")
    return document


_DECODER = json.JSONDecoder(
    object_pairs_hook=_no_doubles,
    parse_float=_no_float,
    parse_int=_small_int,
    parse_constant=_no_float,
)
