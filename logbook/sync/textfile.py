"""The whole journal as text: one file of JSON Lines, to be read in fifty years without a program.

    {"format":1,"founder":...,"what":"journal of an amendment trial logbook"}
    one accepted entry a line, exactly the bytes that its id is the SHA-256 of,
        ordered by writer, number, id
    {"head":{...}} for every signed head
    {"end":{"entries":...,"sha256":...}}, the SHA-256 of all bytes before this line

The same journal always makes the same bytes. docs/journal.md explains it.
"""

from __future__ import annotations

import base64
import hashlib
import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO

from logbook.book import membership
from logbook.errors import BadData, Problem, StoreError
from logbook.journal import entry as journal
from logbook.store import backups, held, views
from logbook.sync.place import MOST_ENTRIES, Head, Inventory, Known, Place, Run, Tip

if TYPE_CHECKING:
    import sqlite3

FORMAT = 1
WHAT = "journal of an amendment trial logbook"
_HEAD = re.compile(r"[0-9a-f]{32} [0-9a-f]{64} [0-9a-f]{128}\Z")
# An entry in base64, with what stands around it.
_MOST_LINE = journal.MOST_BYTES * 2


def write(store: Path, to: Path) -> int:
    """Write the journal of the store to the new file `to`; how many entries it holds.

    The file appears under its name only when it is whole and on the disk; an existing one is
    never overwritten. Raises UserMistake, NoStore or StoreError.
    """
    with (
        backups.whole_under_new_name(to) as part,
        views.reading(store) as connection,
        part.open("wb") as file,
    ):
        return _write_all(connection, file)


def _write_all(store: sqlite3.Connection, file: BinaryIO) -> int:
    digest = hashlib.sha256()
    count = 0

    def put(line: bytes) -> None:
        digest.update(line + b"\n")
        file.write(line + b"\n")

    put(journal.to_json({"format": FORMAT, "what": WHAT, "founder": membership.root(store)}))
    for filed in views.filed_entries(store):
        if journal.entry_id(filed.body) != filed.id:
            where = f"writer {filed.writer[:8]}, entry {filed.seq} ({filed.id[:12]})"
            raise StoreError(
                f"{where}: its bytes do not match its id: it was damaged; no journal was written",
                "run: logbook verify",
            )
        put(_as_line(filed.body))
        count += 1
    for writer in held.writers(store):
        for seq, name in sorted(held.tips(store, writer)):
            signature = held.signed_at(store, writer, name)
            if signature is not None:
                head = {"writer": writer, "seq": seq, "id": name, "signature": signature}
                put(journal.to_json({"head": head}))
    put(journal.to_json({"end": {"entries": count, "sha256": digest.hexdigest()}}))
    return count


def _as_line(body: bytes) -> bytes:
    """An entry as a line; one that another program wrote over several lines, in base64."""
    if b"\n" not in body and b"\r" not in body:
        return body
    return journal.to_json({"bytes": base64.b64encode(body).decode()})


class TextFile(Place):
    """A journal that `write` wrote, as a place that is only read."""

    takes = False

    def __init__(self, path: Path) -> None:
        super().__init__(str(path))
        self._path = path

    def founder(self) -> str | None:
        """The founder that the first line names."""
        with self._opened() as file:
            found = self._first(file.readline(_MOST_LINE)).get("founder")
            return found if isinstance(found, str) else None

    def inventory(self) -> Inventory:
        """The entries that none in the file follows, and the heads in it."""
        ends: dict[str, Tip] = {}
        writers: dict[str, str] = {}
        heads = set()
        for item in self._items():
            if isinstance(item, Head):
                heads.add(item)
                continue
            entry, name = item[0], journal.entry_id(item[1])
            ends[name] = (entry.seq, name)
            writers[name] = entry.writer
            ends.pop(entry.prev or "", None)
        tips: dict[str, set[Tip]] = {}
        for name, tip in ends.items():
            tips.setdefault(writers[name], set()).add(tip)
        return Inventory({w: frozenset(some) for w, some in tips.items()}, frozenset(heads))

    def fetch(self, known: Known) -> Iterator[Run]:
        """Every entry of the file that is not known, then its heads."""
        writer = ""
        bodies: list[bytes] = []
        for item in self._items():
            if isinstance(item, Head):
                if not known.has_head(item):
                    yield Run(item.writer, (), (item,))
                continue
            entry, body = item
            if bodies and (entry.writer != writer or len(bodies) == MOST_ENTRIES):
                yield Run(writer, tuple(bodies))
                bodies = []
            writer = entry.writer
            if not known.has(journal.entry_id(body)):
                bodies.append(body)
        if bodies:
            yield Run(writer, tuple(bodies))

    def send(self, runs: Any) -> None:
        """Not to be asked: the file is as it was written."""
        raise StoreError(f"{self._path}: a journal in text is only read")

    def check(self) -> None:
        """Read the whole file; raises BadData with the line, if anything in it is not right."""
        for _ in self._items():
            pass

    def _opened(self) -> BinaryIO:
        try:
            return self._path.open("rb")
        except OSError as problem:
            raise BadData(
                f"{self._path}: cannot be read ({problem.strerror})",
                hint="name a file that logbook export journal wrote",
            ) from problem

    def _items(self) -> Iterator[tuple[journal.Entry, bytes] | Head]:
        """Every entry with its bytes, then every head; the file is checked up to its end."""
        digest = hashlib.sha256()
        count = number = 0
        with self._opened() as file:
            while line := file.readline(_MOST_LINE + 1):
                number += 1
                if not line.endswith(b"\n"):
                    raise self._bad(number, "it is cut off or too long")
                if number == 1:
                    self._first(line)
                elif line.startswith(b'{"end":'):
                    self._last(line, number, count, digest.hexdigest())
                    if file.read(1):
                        raise self._bad(number + 1, "there is more after the end")
                    return
                elif line.startswith(b'{"head":'):
                    yield self._head(line, number)
                else:
                    yield self._entry(line[:-1], number)
                    count += 1
                digest.update(line)
        raise self._bad(number + 1, "the file ends before its last line: it was cut off")

    def _first(self, line: bytes) -> dict[str, Any]:
        document = self._object(line, 1)
        if document.get("what") != WHAT:
            raise BadData(
                f"{self._path}: this file is not the journal of a logbook",
                hint="name a file that logbook export journal wrote",
            )
        if document.get("format") != FORMAT:
            raise BadData(
                f"{self._path}: a journal of format {document.get('format')!r}; "
                f"this program reads {FORMAT}",
                hint="install a newer version of the program",
            )
        return document

    def _object(self, line: bytes, number: int) -> dict[str, Any]:
        try:
            document = json.loads(line)
        except (ValueError, RecursionError) as problem:
            raise self._bad(number, f"it is no JSON ({problem})") from None
        if not isinstance(document, dict):
            raise self._bad(number, "it is no object")
        return document

    def _last(self, line: bytes, number: int, count: int, digest: str) -> None:
        end = self._object(line, number).get("end")
        if end != {"entries": count, "sha256": digest}:
            raise self._bad(number, "the file is not as it was written: its checksum differs")

    def _head(self, line: bytes, number: int) -> Head:
        match self._object(line, number):
            case {
                "head": {
                    "writer": str() as writer,
                    "seq": int() as seq,
                    "id": str() as name,
                    "signature": str() as signature,
                }
            } if _HEAD.match(f"{writer} {name} {signature}") and 1 <= seq < 2**53:
                return Head(writer, seq, name, signature)
        raise self._bad(number, "it is no head")

    def _entry(self, line: bytes, number: int) -> tuple[journal.Entry, bytes]:
        body = line
        if line.startswith(b'{"bytes":'):
            try:
                body = base64.b64decode(self._object(line, number)["bytes"], validate=True)
            except (ValueError, TypeError) as problem:
                raise self._bad(number, f"it is no base64 ({problem})") from None
        try:
            return journal.decode(body), body
        except journal.BadEntry as problem:
            raise self._bad(number, str(problem)) from None

    def _bad(self, number: int, what: str) -> BadData:
        where = f"{self._path}, line {number}"
        return BadData(
            f"{where}: {what}; nothing was imported",
            [Problem(where, what)],
            "use another copy of the file",
        )
