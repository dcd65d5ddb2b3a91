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

import hashlib
import json
import re
import unicodedata
from dataclasses import dataclass, field
from typing import Any, NoReturn
from urllib.parse import quote, unquote

from logbook.errors import LogbookError

VERSION = 1
MOST_BYTES = 1024 * 1024
_WRITER = re.compile(r"[0-9a-f]{32}\Z")
_ID = re.compile(r"[0-9a-f]{64}\Z")
_REQUIRED = {"v", "writer", "seq", "prev", "kind", "kv", "written", "by", "writes"}
_OPTIONAL = {"act", "reason", "saw"}

Value = dict[str, Any]


class BadEntry(LogbookError):
    """Bytes that are not an entry of this format."""


@dataclass(frozen=True)
class Write:
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
    """The key made of these parts; a slash inside a part is escaped ("Mehlich-3%2FICP")."""
    return "/".join(quote(part, safe=" ()+,.:;=@&'*!?#[]<>|~") for part in parts)


def parts(of_key: str) -> list[str]:
    """The parts that `key` joined."""
    return [unquote(part) for part in of_key.split("/")]


def space(of_key: str) -> str:
    """The first part of a key: which table its record belongs to."""
    return of_key.partition("/")[0]


def ident(of_key: str) -> str:
    """The key without its space: the id of the record."""
    return of_key.partition("/")[2]


def encode(entry: Entry) -> bytes:
    """The bytes of an entry; raises BadEntry if they would break the format."""
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
    for name in ("act", "reason", "saw"):
        value = getattr(entry, name)
        if value is not None:
            document[name] = value
    text = to_json(document)
    try:
        body = text.encode()
    except UnicodeEncodeError:
        raise BadEntry("the text has half a character in it (a lone surrogate)") from None
    if len(body) > MOST_BYTES:
        raise BadEntry(f"an entry of {len(body)} bytes is larger than {MOST_BYTES}")
    return body


def to_json(value: object) -> str:
    """Compact JSON with sorted keys, NFC, no floats."""
    text = json.dumps(
        value, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False
    )
    # Structural characters never combine, so the text as a whole may be normalised.
    return text if text.isascii() else unicodedata.normalize("NFC", text)


def entry_id(body: bytes) -> str:
    """SHA-256 of the stored bytes, in hex."""
    return hashlib.sha256(body).hexdigest()


def decode(body: bytes) -> Entry:
    """The entry of these bytes; raises BadEntry for anything this format does not allow."""
    if len(body) > MOST_BYTES:
        raise BadEntry(f"an entry of {len(body)} bytes is larger than {MOST_BYTES}")
    try:
        document = _DECODER.decode(body.decode())
    except BadEntry:
        raise
    except (ValueError, RecursionError) as problem:
        raise BadEntry(f"not an entry: {problem}") from None
    return _checked(document)


def _checked(document: object) -> Entry:
    if not isinstance(document, dict):
        raise BadEntry("not an entry: not an object")
    names = document.keys()
    if not names >= _REQUIRED or not names <= _REQUIRED | _OPTIONAL:
        wrong = sorted((_REQUIRED - names) | (names - _REQUIRED - _OPTIONAL))
        raise BadEntry(f"not an entry: fields missing or unknown: {', '.join(wrong)}")
    if document["v"] != VERSION:
        raise BadEntry(f"an entry of format {document['v']!r}; this program reads {VERSION}")
    for name, wanted in _TYPES.items():
        if not isinstance(document.get(name), wanted) or isinstance(document.get(name), bool):
            raise BadEntry(f"not an entry: {name} has the wrong type")
    if not _WRITER.match(document["writer"]) or not 1 <= document["seq"] < 2**53:
        raise BadEntry("not an entry: writer or seq is out of range")
    if document["prev"] is not None and not _ID.match(document["prev"]):
        raise BadEntry("not an entry: prev is not an id")
    return Entry(
        writer=document["writer"],
        seq=document["seq"],
        prev=document["prev"],
        kind=document["kind"],
        written=document["written"],
        by=document["by"],
        writes=tuple(map(_write, document["writes"])),
        kv=document["kv"],
        act=document.get("act"),
        reason=document.get("reason"),
        saw=document.get("saw"),
    )


_NONE = type(None)
_TYPES: dict[str, Any] = {
    "writer": str,
    "seq": int,
    "prev": (str, _NONE),
    "kind": str,
    "kv": int,
    "written": str,
    "by": str,
    "act": (str, _NONE),
    "reason": (str, _NONE),
    "saw": (dict, _NONE),
    "writes": list,
}


def _write(item: object) -> Write:
    match item:
        case [str() as name, dict() | None as value, list() as replaces] if name:
            if all(isinstance(other, str) and _ID.match(other) for other in replaces):
                return Write(name, value, tuple(replaces))
    raise BadEntry("not an entry: a write is [key, value or null, [replaced ids]]")


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
