"""From bytes to text: which encoding a file is in, or why that cannot be known.

UTF-8 with or without a byte-order mark; UTF-16 with one, or without where the blank half of its
bytes shows it; else Windows-1252 (which holds Latin-1) if every byte is a printable character of
it. Bytes that are partly UTF-8 are refused: a file cut short or patched together would else be
read as Windows-1252, each letter beyond ASCII as two wrong ones.
"""

from __future__ import annotations

import codecs
import re

from logbook.errors import UserMistake
from logbook.labs.grid import FORBIDDEN, composed, refused, shown

NAMED = (
    "utf-8", "utf-16", "utf-16-le", "utf-16-be", "cp1252", "latin-1", "iso8859-2", "iso8859-15",
    "cp1250", "cp1251", "cp437", "cp850", "mac-roman",
)  # fmt: skip
_KNOWN = {codecs.lookup(name).name: name for name in NAMED}
_UTF8 = re.compile(
    rb"[\xc2-\xdf][\x80-\xbf]|[\xe0-\xef][\x80-\xbf]{2}|[\xf0-\xf4][\x80-\xbf]{3}", re.DOTALL
)
_HIGH = re.compile(rb"[\x80-\xff]")
_AS_TEXT = "save it as CSV in UTF-8"


def named(encoding: str) -> str:
    """An encoding as Python calls it; raises UserMistake for one that is not read here."""
    try:
        found = _KNOWN.get(codecs.lookup(encoding).name)
    except (LookupError, ValueError):
        found = None
    if found is None:
        if encoding.lower().replace("_", "-") in ("utf-8-sig", "utf8-sig"):
            return "utf-8"
        known = ", ".join(NAMED)
        raise UserMistake(f"there is no encoding {shown(encoding)}", f"one of {known}")
    return found


def decode(data: bytes, name: str, encoding: str | None = None) -> tuple[str, str]:
    """The text in Unicode's composed form (NFC), and its encoding: the one asked for, or found.

    `name` is the file's in messages. Raises BadData, or UserMistake for an unknown encoding.
    """
    if encoding is not None:
        found = named(encoding)
        try:
            text = data.decode("utf-8-sig" if found == "utf-8" else found)
        except UnicodeDecodeError:
            raise refused(name, f"this is not {found} text", "name its encoding") from None
        return composed(text.removeprefix("\ufeff")), found
    text, found = _found(data, name)
    return composed(text), found


def _found(data: bytes, name: str) -> tuple[str, str]:
    wide = _wide(data, name)
    for encoding in (wide,) if wide else ("utf-8-sig", "cp1252"):
        try:
            text = data.decode(encoding)
        except UnicodeDecodeError:
            continue
        if encoding == "cp1252":
            _refuse_partly_utf8(data, name)
            if FORBIDDEN.search(text):
                break
        return text, encoding
    raise refused(name, "this is neither UTF-8, UTF-16 nor Windows-1252 text", _AS_TEXT)


def _wide(data: bytes, name: str) -> str | None:
    """UTF-16, if a mark or blank half of the bytes shows it; other NUL bytes are refused."""
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        return "utf-16"
    if b"\0" not in data:
        return None
    if len(data) % 2 == 0:
        first, second = data[::2].count(0), data[1::2].count(0)
        if first == 0 and second * 4 > len(data):
            return "utf-16-le"
        if second == 0 and first * 4 > len(data):
            return "utf-16-be"
    raise refused(name, "this is a binary file, not a text table", _AS_TEXT)


def _refuse_partly_utf8(data: bytes, name: str) -> None:
    sound = _UTF8.findall(data)
    odd = len(_HIGH.findall(data)) - sum(map(len, sound))
    if len(sound) < odd or not sound:
        return
    place = _first_odd(data)
    line = data.count(b"\n", 0, place) + 1
    what = "some of its letters are UTF-8 and some are not: is the file whole?"
    raise refused(f"{name}, row {line}", what, f"get it anew, or {_AS_TEXT}")


def _first_odd(data: bytes) -> int:
    try:
        data.decode("utf-8")
    except UnicodeDecodeError as error:
        return error.start
    return 0
