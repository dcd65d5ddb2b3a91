"""Reports that were cut, bent or made to harm: seeded, the same at every run."""

from __future__ import annotations

import io
import random
import zipfile
from collections.abc import Callable, Iterator
from pathlib import Path

import openpyxl

from tests.workbooks import MAIN, SHEET, cell, letters, parts, rows_xml, sheet_xml, zipped

Rows = list[list[str]]
ROWS: Rows = [
    ["Invented Soil Lab", "", "", "", ""],
    ["sample", "nutrient", "value", "unit", "method"],
    ["B1-7", "NO3-N", "12.5", "mg/kg", "1 M KCl"],
    ["B1-8", "NH4-N", "<0.5", "mg/kg", '1 M KCl, "cold"'],
    ["B2-7", "K2O", "0.125", "µg/g", "größe; Ca|Mg"],
    ["", "", "", "", ""],
    ["B3-7", "pH", "6.8", "", "water 1:1"],
]
ENCODINGS = ("utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252")
NASTY = (
    "\x00", "\x1b[2J", "\x1b]0;x\x07", "\x9b31m", "\u202e", "\ufeff", '"', '""', "'", "=1+1",
    "=cmd|' /C calc'!A0", "@SUM(1)", "\r", "\n", "\r\n", ",", ";", "\t", "|", "../../etc/passwd",
    "x" * 10_001, "9" * 400, "1E999", "NaN", "\u2028", "\ud7ff", "\U0001f4a9", "a\u0308" * 3000,
    "%s%n{0}", "\x7f", "sep=;", "<0,5", "1.250", "NULL", "\x1a",
)  # fmt: skip


def csv_text(rows: Rows, delimiter: str = ",", end: str = "\n") -> str:
    """The rows as a text file, cells quoted where they must be."""
    lines = []
    for row in rows:
        special = (delimiter, '"', "\n", "\r")
        quoted = [
            '"' + text.replace('"', '""') + '"' if any(c in text for c in special) else text
            for text in row
        ]
        lines.append(delimiter.join(quoted) + end)
    return "".join(lines)


def sheet_of(rows: Rows) -> bytes:
    """The rows as a spreadsheet, written by openpyxl; numbers as numbers."""
    made = openpyxl.Workbook()
    for at, row in enumerate(rows, start=1):
        for column, text in enumerate(row, start=1):
            if text:
                number = text.replace(".", "", 1).isdecimal()
                made.active.cell(at, column, float(text) if number else text)
    stream = io.BytesIO()
    made.save(stream)
    return stream.getvalue()


def base(rng: random.Random) -> bytes:
    """A sound text file in some encoding, delimiter and line end."""
    text = csv_text(ROWS, rng.choice(",;\t|"), rng.choice(["\n", "\r\n", "\r"]))
    return text.encode(rng.choice(ENCODINGS))


def cut(rng: random.Random, data: bytes) -> bytes:
    """The beginning of a file, or a file with a hole."""
    first, second = sorted(rng.randrange(len(data)) for _ in range(2))
    return data[:first] if rng.random() < 0.6 else data[:first] + data[second:]


def flipped(rng: random.Random, data: bytes) -> bytes:
    """Some bits turned over."""
    bent = bytearray(data)
    for _ in range(rng.choice([1, 1, 2, 5, 40])):
        bent[rng.randrange(len(bent))] ^= 1 << rng.randrange(8)
    return bytes(bent)


def stuffed(rng: random.Random, data: bytes) -> bytes:
    """Something nasty put in at some place, in some encoding."""
    nasty = rng.choice(NASTY).encode(rng.choice(["utf-8", "utf-16-le", "latin-1"]), "replace")
    place = rng.randrange(len(data) + 1)
    return data[:place] + nasty * rng.choice([1, 1, 3]) + data[place:]


def recoded(rng: random.Random, data: bytes) -> bytes:
    """Two encodings in one file, or bytes in the wrong order."""
    place = rng.randrange(len(data))
    other = csv_text(ROWS).encode(rng.choice([*ENCODINGS, "utf-32", "cp037", "utf-7"]))
    return rng.choice([data[:place] + other, data[1:], other + data, data[::-1], other])


def in_a_cell(rng: random.Random, data: bytes) -> bytes:
    """Something nasty as the content of a cell of a sound file."""
    rows = [list(row) for row in ROWS]
    rng.choice(rows)[rng.randrange(5)] = rng.choice(NASTY)
    if rng.random() < 0.3:
        rng.choice(rows)[:] = [rng.choice(NASTY) for _ in range(rng.randrange(1, 9))]
    return csv_text(rows, rng.choice(",;\t|")).encode(rng.choice(["utf-8", "utf-16"]))


def noise(rng: random.Random, data: bytes) -> bytes:
    """Bytes of no kind, some with the first bytes of a known one."""
    heads = [b"", b"PK\x03\x04", b"\xff\xfe", b"%PDF", b"\xd0\xcf\x11\xe0", b"\xef\xbb\xbf"]
    return rng.choice(heads) + rng.randbytes(rng.randrange(1, 400))


CSV_WAYS: tuple[Callable[[random.Random, bytes], bytes], ...] = (
    cut, flipped, stuffed, recoded, in_a_cell, noise,
)  # fmt: skip


def hostile_texts(count: int, seed: int = 1) -> Iterator[bytes]:
    """Text files, each bent in one way."""
    rng = random.Random(seed)
    for at in range(count):
        yield CSV_WAYS[at % len(CSV_WAYS)](rng, base(rng))


# --- spreadsheets -------------------------------------------------------------------------------


def bent_member(rng: random.Random, data: bytes) -> bytes:
    """A book whose archive is sound, and one part of it is not."""
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        members = {name: archive.read(name) for name in archive.namelist()}
    name = rng.choice(list(members))
    bend = rng.choice([cut, flipped, stuffed, lambda rng, data: b"", lambda rng, data: data * 2])
    members[name] = bend(rng, members[name])
    return zipped(members)


def renamed(rng: random.Random, data: bytes) -> bytes:
    """A book with a part missing, doubled, or under a name that leads elsewhere."""
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        members = [(name, archive.read(name)) for name in archive.namelist()]
    at = rng.randrange(len(members))
    name, content = members[at]
    other = rng.choice(["../../etc/passwd", "/xl/x", name.upper(), "\x1b[2J", "a" * 5000, "C:\\x"])
    members[at] = (other, content)
    if rng.random() < 0.5:
        members.append((name, content))
    return zipped(dict(members))


def odd_cells(rng: random.Random, data: bytes) -> bytes:
    """A sheet with tags, places, types and values that no program writes."""
    place = rng.choice(["A1", "XFD1", "ZZZ1", "A0", "A-1", "", "1", "A1:B2", "a1"])
    kind = rng.choice(["s", "b", "e", "str", "d", "q", "n"])
    value = rng.choice(["9", "-1", "x", "", "1e9", "NaN", "\u202e"])
    text = rng.choice(["x" * 20_000, "_x0000_", "_x001B_", "&#27;", "&lt;"])
    wrong = [
        f'<c r="{place}"><v>1</v></c>', f'<c t="{kind}"><v>{value}</v></c>',
        f"<c><f>{rng.choice(['1+1', 'HYPERLINK(1)', 'cmd|x', '[1]S!A1'])}</f></c>",
        f"<c><is><t>{text}</t></is></c>",
        f'<c s="{rng.choice(["9", "-1", "x", "99999999999"])}"><v>1</v></c>',
        "<row><c><v>1</v></c></row>", "<c><c><v>2</v></c></c>", "</row><row r='1'>", "<v>3</v>",
        f'<c r="{letters(rng.randrange(1001, 16_384))}1"><v>1</v></c>',
    ]  # fmt: skip
    first = "".join(cell(0, n, text) for n, text in enumerate(ROWS[1]))
    row = f'<row r="1">{rng.choice(["", first])}{"".join(rng.sample(wrong, rng.randrange(1, 4)))}'
    reference = rng.choice(["A1:XFD1048576", "B2:A1", "x", "A1:", "A0:B2", "AAAA1:B2"])
    after = rng.choice(["", f'<mergeCells><mergeCell ref="{reference}"/></mergeCells>'])
    return zipped(parts(sheet_xml(f"{row}</row>", after=after)))


XLSX_WAYS: tuple[Callable[[random.Random, bytes], bytes], ...] = (
    cut, flipped, stuffed, bent_member, bent_member, renamed, odd_cells,
)  # fmt: skip


def hostile_books(count: int, seed: int = 2) -> Iterator[bytes]:
    """Spreadsheets, each bent in one way."""
    rng = random.Random(seed)
    sound = sheet_of(ROWS)
    for at in range(count):
        yield XLSX_WAYS[at % len(XLSX_WAYS)](rng, sound)


# --- files that would fill the memory -----------------------------------------------------------


def bombs(folder: Path) -> Iterator[str]:
    """Write files that are small on disk, or at the limit, and huge when taken whole; names."""
    sound = parts(sheet_xml(rows_xml([["a", "b"], [1, 2]])))
    for name, sheet in _sheets():
        (folder / name).write_bytes(stream_zipped(sound, SHEET, sheet))
        yield name
    shared = f'<sst xmlns="{MAIN}">' + "<si><t/></si>" * 300_000 + "</sst>"
    inner = zipped({**sound, "xl/media/inner.xlsx": zipped(sound)})
    archives = {
        "strings": zipped(parts(sound[SHEET], strings=shared)),
        "parts": zipped({**sound, **{f"x/{n}": "" for n in range(30_000)}}),
        "nested": zipped({**sound, SHEET: inner}),
        "false size": false_size(stream_zipped(sound, SHEET, [b" " * MILLION] * 20)),
    }
    for name, content in archives.items():
        (folder / name).write_bytes(content)
        yield name
    for name, first, more, times in TEXTS:
        with (folder / name).open("wb") as stream:
            stream.write(first)
            for _ in range(times):
                stream.write(more * (MILLION // len(more)))
        yield name


def _sheets() -> Iterator[tuple[str, list[bytes]]]:
    """Sheets in pieces, each with too much of one thing."""
    head = f'<worksheet xmlns="{MAIN}"><sheetData>'.encode()
    row = b'<row><c t="inlineStr"><is><t>a</t></is></c></row>'
    yield "spaces", [head, *[b" " * MILLION] * 300]
    yield "rows", [head, *[row * (MILLION // len(row))] * 200]
    yield "attribute", [b'<worksheet x="', *[b"y" * MILLION] * 15]
    yield "deep", [b"<a>" * MILLION]
    end = b"</v></c></row></sheetData></worksheet>"
    yield "text", [head, b"<row><c><v>", *[b"1" * MILLION] * 15, end]
    wide = "".join(f'<c r="{letters(n)}1"><v>1</v></c>' for n in range(16_384))
    yield "columns", [head, f'<row r="1">{wide}</row></sheetData></worksheet>'.encode()]
    sparse = "".join(f'<row r="{n}"><c r="ALL{n}"><v>1</v></c></row>' for n in range(1, 9_000))
    yield "sparse", [head, f"{sparse}</sheetData></worksheet>".encode()]
    merged = "<mergeCells>" + '<mergeCell ref="A1:ALL5000"/>' * 3 + "</mergeCells>"
    tall: list[list[str | float]] = [["a"], *([["", "b"]] * 4999)]
    yield "merged", [sheet_xml(rows_xml(tall), after=merged).encode()]


MILLION = 1 << 20
TEXTS = (
    ("commas", b"a,b\n", b",", 24),
    ("blank lines", b"a,b\n", b"\n", 24),
    ("quotes", b'a,b\n"', b'""', 24),
    ("quoted ends", b"a,b\n", b'"\n",', 24),
    ("cells", b"a,b\n", b"1,2\n", 24),
    ("wide letters", "a,b\n\U0001f331,".encode(), b"x", 63),
    ("too large", b"a,b\n", b"1,2\n", 65),
)


def stream_zipped(members: dict[str, str], name: str, pieces: list[bytes]) -> bytes:
    """An archive of these members, one of them given in pieces."""
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        for other, content in members.items():
            if other != name:
                archive.writestr(other, content)
        with archive.open(name, "w") as part:
            for piece in pieces:
                part.write(piece)
    return stream.getvalue()


def false_size(data: bytes) -> bytes:
    """An archive that says of its largest part that it is 100 bytes long."""
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        largest = max(archive.infolist(), key=lambda entry: entry.file_size)
        size = largest.file_size.to_bytes(4, "little")
    return data.replace(size, (100).to_bytes(4, "little"))
