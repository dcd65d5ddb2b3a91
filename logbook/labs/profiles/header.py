"""Where the table of an unknown report stands: its header rows, its columns, its last row."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from logbook.labs.columns import ROLES
from logbook.labs.grid import Grid
from logbook.labs.marks import Marks
from logbook.labs.profiles.finding import titles_of
from logbook.labs.profiles.numbers import looks_like_one
from logbook.labs.profiles.recognising import with_shown
from logbook.labs.profiles.words import Said, understood
from logbook.trial import codes

_LOOKED_AT = 80
_MOST_HEADER = 5
_NAMES = {role: "|".join(ROLES[role]).split("|") for role in ROLES}
_NAMES["report"] += ["work order", "order no", "job no", "job", "certificate no"]
_NAMES["report"] += ["auftragsnummer", "auftragsnr", "auftrags nr", "auftrag nr"]
_NAMES["qualifier"] += ["q", "qual", "qualifiers", "remark code", "code of remark"]
_NAMES["sample"] += ["probenbezeichnung", "probe", "probe nr", "proben nr"]
_NAMES |= {
    "laboratory_number": [*_NAMES["laboratory_number"], "lab id no", "labor nr", "labornr",
                          "labornummer"],
    "received": ["received", "date received", "received date", "date in", "received on",
                 "date of receipt"],
}  # fmt: skip
_WIDE_ROLES = ("laboratory_number", "sample", "received", "report", "basis", "repeat")
_LONG_ROLES = ("nutrient", "value", "unit", "method", "limit", "qualifier")
# How rows begin that are computed from the others.
_SUMMARY = re.compile(
    r"\s*(?:average|mean|median|min|minimum|max|maximum|total|sum|range|st\S* ?dev\S*|standard "
    r"deviation|sd|rsd|cv|mittelwert|durchschnitt|standardabweichung|moyenne|promedio)\b",
    re.IGNORECASE,
)
# A label ends with a colon, but for the one in a ratio such as 1:5.
_AFTER_LABEL = re.compile(r":(?!\s*[0-9])|(?<![0-9.]):")
# Names of columns that hold no measurement: ratings, crops, advice, shares of the exchange complex.
_NO_RESULT = re.compile(
    r"\b(rating|level|class|status|interpretation|sufficiency|crop|recommend\w*|advice|comment\w*|"
    r"remarks?|notes?|field|farm|client|grower|depth|target|yield|saturation|sat|index|ratio|"
    r"date|sampled|reported)\b",
    re.IGNORECASE,
)
# What else may stand over numbers that are no nutrient's, of the words that are not understood.
_NO_NUTRIENT = re.compile(
    r"#|\b(no|nr|number|nummer|id|code|plot|bed|block|bag|row|tin|year|moisture|sand|silt|clay|"
    r"unc|uncertainty|dilution|pos|position)\b",
    re.IGNORECASE,
)


@dataclass(frozen=True)
class Block:
    """A table: places of its header rows and of its rows of data, headings and what they say."""

    header: tuple[int, ...]
    spread: bool
    titles: tuple[str, ...]
    said: tuple[Said, ...]
    roles: dict[str, int]
    long: bool
    rows: tuple[int, ...]
    after: tuple[int, ...]


def find_block(grid: Grid) -> Block | None:
    """The table that has most headings which are understood; None without any."""
    last = min(len(grid.rows), _LOOKED_AT)
    first = next((place for place in range(last) if _has_code(grid.rows[place])), None)
    # Above the first sample code one heading will do; what is below it is no header.
    sure = first is not None
    places = range(last if first is None else first)
    # Of rows that say as much the one nearest to the samples, else the first.
    side = 1 if sure else -1
    found = [(score + sure, side * at) for at in places if (score := _score(grid.rows[at]))]
    best, sided = max(found, default=(0, 0))
    if best < 2:
        return None
    base = side * sided
    header = _extended(grid, base)
    spread = _is_spread(grid, header)
    titles = titles_of(grid, header, spread)
    parts = _parts(grid, header, spread)
    said = tuple(understood(cells) for cells in parts)
    roles = _roles(titles, parts)
    if not _result_columns(titles, said, roles) and not is_long(roles):
        roles = with_shown(grid, range(header[-1] + 1, len(grid.rows)), roles)
    block = Block(tuple(header), spread, tuple(titles), said, roles, is_long(roles), (), ())
    return with_rows(grid, block, roles)


def with_rows(grid: Grid, block: Block, roles: dict[str, int]) -> Block:
    """The table with these columns: its rows of data, and those below them."""
    value = [roles["value"]] if "value" in roles else []
    results = value or _result_columns(block.titles, block.said, roles)
    rows, after = _rows(grid, block.header[-1] + 1, results)
    roles = _with_codes(grid, roles, rows)
    return replace(block, roles=roles, long=is_long(roles), rows=tuple(rows), after=tuple(after))


def is_long(roles: Collection[str]) -> bool:
    """True where columns name the nutrient and its value: a row per result."""
    return "nutrient" in roles and "value" in roles


def _has_code(row: Sequence[str]) -> bool:
    return any(cell.strip() and codes.is_valid(codes.tidy(cell)) for cell in row)


def is_result(title: str, said: Said) -> bool:
    """True for a heading of a column with measurements."""
    return bool(said.nutrients) and not _NO_RESULT.search(title)


def may_be_result(title: str, said: Said) -> bool:
    """True for a heading of which nobody knows whether it names a nutrient."""
    words = " ".join(said.others)
    known = _NO_RESULT.search(title) or _NO_NUTRIENT.search(words) or _is_role(title)
    says = words or said.methods or set(said.units) - {"%"}
    return bool(says and not said.nutrients and not known and not is_limit(said))


def is_limit(said: Said) -> bool:
    """True for a heading of a column of limits: it says no more beside nutrient and unit."""
    return _plain(" ".join(said.others)) in _NAMES["limit"]


def _result_columns(
    titles: Sequence[str], said: Sequence[Said], roles: dict[str, int]
) -> list[int]:
    return [
        column
        for column, title in enumerate(titles)
        if column not in roles.values()
        and is_result(title, said[column])
        and not is_limit(said[column])
    ]


def _plain(text: str) -> str:
    return " ".join(re.sub(r"[_\-.#:]", " ", text.lower()).split())


def _is_role(text: str) -> bool:
    plain = _plain(text)
    return any(plain in names for names in _NAMES.values())


def _score(row: Sequence[str]) -> int:
    """How many cells of a row are headings: of a nutrient, or of a role, each role once.

    "Result, RL, Result, RL" stands below the names of nutrients and says less than they do.
    """
    roles: set[str] = set()
    nutrients = 0
    for cell in filter(str.strip, row):
        plain = _plain(cell)
        found = next((role for role, names in _NAMES.items() if plain in names), "")
        if found:
            roles.add(found)
        else:
            nutrients += bool(understood([cell]).nutrients)
    return len(roles) + nutrients


def _extended(grid: Grid, base: int) -> list[int]:
    """The header's rows around the one with most headings: groups above, units below."""
    header = [base]
    titles = [" ".join(cell.split()) for cell in grid.rows[base]]
    said = [understood([title]) for title in titles]
    roles = _roles(titles, [[title] for title in titles])
    results = _result_columns(titles, said, roles) or [
        column for role, column in roles.items() if role == "value"
    ]
    end = _data_begin(grid, base, results, roles.get("sample"))
    for place in range(base + 1, len(grid.rows) if end is None else end):
        labels = [cell for cell in grid.rows[place] if cell.strip()]
        # With data in sight all that stands above them is header, else only what says units.
        sure = all(_is_label(cell) for cell in labels) if end is None else True
        if len(header) >= _MOST_HEADER or (end is None and not labels) or not sure:
            break
        header += [place] if labels else []
    while len(header) < _MOST_HEADER and header[0] > 0:
        if not _is_group(grid, grid.rows[header[0] - 1], base, results):
            break
        header.insert(0, header[0] - 1)
    return header


def _is_group(grid: Grid, row: Sequence[str], base: int, results: Sequence[int]) -> bool:
    """True for a header row over the base: not for a title, nor for a label with its value."""
    for label, value in pairwise(row):
        valued = any(map(str.isdigit, value)) and not _is_label(value)
        if label.strip() and _is_role(label) and valued:
            return False
    cells = [column for column, cell in enumerate(row) if cell.strip()]
    # Over the name of a role there is no second heading, but a line such as "Report no. 26".
    cells = [column for column in cells if not _is_role(grid.rows[base][column])]
    over = [column for column in cells if grid.rows[base][column].strip()]
    heads = sum(_is_role(row[column]) for column in cells)
    plain = not any(_AFTER_LABEL.search(row[column]) for column in cells)
    # A row of names over another of units: then the base has no result of its own.
    many = [column for column in over if column in results or not results]
    return heads >= 2 or (len(many) >= 2 and plain)


def _data_begin(grid: Grid, base: int, results: Sequence[int], sample: int | None) -> int | None:
    """The first row below a heading that is one of data; None where none is found in sight."""
    for place in range(base + 1, min(len(grid.rows), base + _LOOKED_AT)):
        row = grid.rows[place]
        if _has_code(row):
            return place
        named = sample is not None and any(map(str.isdigit, row[sample]))
        filled = [row[column] for column in results if row[column].strip()]
        numbers = [
            cell for cell in filled if looks_like_one(cell) or Marks().words(cell) is not None
        ]
        if (
            filled
            and (named or 2 * len(numbers) > len(filled))
            and any(cell.strip() != "-" for cell in numbers or filled)
        ):
            return place
    return None


def _is_label(cell: str) -> bool:
    """True for a cell that says units, methods, ratios: what stands below a name in a header."""
    said = understood([cell])
    labels = (said.units, said.methods, said.ratios, said.detections, said.bases)
    named = _plain(cell) in ("unit", "units", "uom", "method", "methods", "extractant", "procedure")
    return named or (any(labels) and not said.others and not said.nutrients) or cell.strip() == "-"


def _is_spread(grid: Grid, header: Sequence[int]) -> bool:
    """True if an upper row has blank cells that go on with the one to their left."""
    if len(header) < 2 or grid.merged:
        return False
    upper, lower = grid.rows[header[0]], [grid.rows[place] for place in header[1:]]
    left, found = "", False
    for column, cell in enumerate(upper):
        left = cell.strip() or left
        if left and not cell.strip() and any(row[column].strip() for row in lower):
            if _is_role(left):
                return False
            found = True
    return found


def _parts(grid: Grid, header: Sequence[int], spread: bool) -> list[list[str]]:
    """For each column its header cells from the top."""
    if spread:
        return [[title] for title in titles_of(grid, header, spread)]
    return [
        [text for place in header if (text := " ".join(grid.rows[place][column].split()))]
        for column in range(grid.width)
    ]


def _roles(titles: Sequence[str], parts: Sequence[Sequence[str]]) -> dict[str, int]:
    """Columns by role: the first whose whole heading, or a cell of it, has one of its names.

    Those of a long layout only where no heading is that of a nutrient's own column.
    """
    found: dict[str, int] = {}
    for role in (*_WIDE_ROLES, *_LONG_ROLES):
        for column, title in enumerate(titles):
            names = {_plain(title), *map(_plain, parts[column])}
            if column not in found.values() and names & set(_NAMES[role]):
                found[role] = column
                break
    wide = {role: column for role, column in found.items() if role not in _LONG_ROLES}
    said = [understood(list(cells)) for cells in parts]
    return wide if not is_long(found) and _result_columns(titles, said, wide) else found


def _with_codes(grid: Grid, roles: dict[str, int], rows: Iterable[int]) -> dict[str, int]:
    """The column of sample codes is the one that has them, whatever its heading says."""
    counts = [0] * grid.width
    for place in rows:
        for column, cell in enumerate(grid.rows[place]):
            counts[column] += codes.is_valid(codes.tidy(cell)) if cell.strip() else 0
    best = max(range(grid.width), key=counts.__getitem__)
    if counts[best] and roles.get("sample") != best:
        others = {role: column for role, column in roles.items() if column != best}
        return others | {"sample": best}
    return roles


def _rows(grid: Grid, first: int, results: Sequence[int]) -> tuple[list[int], list[int]]:
    """Rows of data, to the last that has a number as a result, or a code; and those below.

    A mean of the rows above it, or the like, is none.
    """
    rest = [
        place for place in range(first, len(grid.rows)) if any(map(str.strip, grid.rows[place]))
    ]
    with_numbers = [
        place
        for place in rest
        if _has_code(grid.rows[place])
        or (
            any(looks_like_one(grid.rows[place][column]) for column in results)
            and not _SUMMARY.match(next(filter(str.strip, grid.rows[place])))
        )
    ]
    last = with_numbers[-1] if with_numbers else first - 1
    return [one for one in rest if one <= last], [one for one in rest if one > last]
