"""Where a profile's table stands in a grid: header rows, columns by heading, rows of data."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, fields

from logbook.errors import Problem
from logbook.labs.grid import Grid, letters, shown
from logbook.labs.profiles.content import Layout, Measure, Profile, Roles
from logbook.labs.profiles.numbers import is_number
from logbook.trial import codes

_AT = "at "
_MOST_NAMED = 20


@dataclass
class Found:
    """Places in a grid: `titles` by column, columns by role and by measure, rows of data.

    `limits`: the column that has the limits of another, by that one's number.
    """

    titles: list[str]
    roles: dict[str, int] = field(default_factory=dict)
    measures: list[tuple[Measure, int]] = field(default_factory=list)
    limits: dict[int, int] = field(default_factory=dict)
    skipped: list[int] = field(default_factory=list)
    rows: list[int] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


def find(profile: Profile, grid: Grid) -> Found:
    """All that a profile names; what is missing, or is not accounted for, is a problem."""
    header, problem = header_rows(profile.layout, grid)
    if problem is not None:
        return Found([], problems=[problem])
    found = Found(titles_of(grid, header, profile.layout.spread))
    _roles(found, profile, grid)
    _measures(found, profile, grid)
    _others(found, profile, grid)
    found.rows = list(_data(profile.layout, grid, header[-1] + 1, found))
    if not found.rows and not found.problems:
        remedy = "check [layout] header, first and end of the profile"
        found.problems.append(Problem(grid.place(), "there is no row of data", remedy))
    used = _used(found)
    last = found.rows[-1] if found.rows else -1
    inside = {grid.where(flaw.row, flaw.column) for flaw in grid.flaws if flaw.row <= last}
    refusals = grid.refusals(used, found.rows[0] if found.rows else 0)
    found.problems += [one for one in refusals if one.where in inside]
    return found


def header_rows(layout: Layout, grid: Grid) -> tuple[list[int], Problem | None]:
    """The places of the header's rows in `grid.rows`, or why they are not there."""
    if layout.header:
        places = {line: place for place, line in enumerate(grid.lines)}
        header = [places[line] for line in layout.header if line in places]
        if len(header) == len(layout.header):
            return header, None
        lines = ", ".join(map(str, layout.header))
        what = f"the header should be in row {lines}, but the file has {len(grid.rows):,} rows"
        return [], Problem(grid.place(), what, "is it a report of this laboratory?")
    wanted = _same(layout.below)
    for place, row in enumerate(grid.rows):
        if any(_same(cell) == wanted for cell in row):
            last = min(place + layout.header_rows, len(grid.rows))
            return list(range(place, last)), None
    what = f"there is no cell {shown(layout.below)}, by which the profile finds the header"
    return [], Problem(grid.place(), what, "is it a report of this laboratory?")


def titles_of(grid: Grid, header: Sequence[int], spread: bool) -> list[str]:
    """A heading for each column: its cells of all header rows, one after the other."""
    rows = [[" ".join(cell.split()) for cell in grid.rows[place]] for place in header]
    if spread:
        _fill(rows)
    titles = []
    for cells in zip(*rows, strict=True):
        parts = [cell for place, cell in enumerate(cells) if cell and cell not in cells[:place]]
        titles.append(" ".join(parts))
    return titles


def _fill(rows: list[list[str]]) -> None:
    """Go on with the cell to the left in a blank of an upper row that has text below it.

    A cell never goes on past the end of the one above it: a unit is not that of the next nutrient.
    """
    own = [[bool(cell) for cell in row] for row in rows]
    for place, upper in enumerate(rows[:-1]):
        for column in range(1, len(upper)):
            below = any(row[column] for row in rows[place + 1 :])
            begins = any(row[column] for row in own[:place])
            if not upper[column] and below and not begins:
                upper[column] = upper[column - 1]


def _same(text: str) -> str:
    return " ".join(text.split()).casefold()


def _column(found: Found, grid: Grid, name: str, at: str = "") -> int | Problem | None:
    """The column of a heading, or at letters or a number; None if there is no such one."""
    place = at or (name[len(_AT) :] if name.startswith(_AT) else "")
    if place:
        places = [
            column
            for column in range(grid.width)
            if place.upper() in (letters(column), str(column + 1))
        ]
    else:
        wanted = _same(name)
        places = [column for column, title in enumerate(found.titles) if _same(title) == wanted]
    if len(places) > 1:
        named = " and ".join(grid.column(column) for column in places)
        remedy = f'name one by its place: at = "{letters(places[0])}"'
        return Problem(_head(grid), f"columns {named} are both {shown(name)}", remedy)
    return places[0] if places else None


def _head(grid: Grid) -> str:
    return f"{grid.place()}, header"


def _roles(found: Found, profile: Profile, grid: Grid) -> None:
    for one in fields(Roles):
        name = getattr(profile.roles, one.name)
        if not name:
            continue
        column = _column(found, grid, name)
        if isinstance(column, int):
            found.roles[one.name] = column
        else:
            found.problems.append(column or _missing(found, grid, name, f"[columns] {one.name}"))


def _missing(found: Found, grid: Grid, name: str, key: str) -> Problem:
    titles = [title for title in found.titles if title]
    more = ", ..." if len(titles) > _MOST_NAMED else ""
    what = f"there is no column {shown(name)} ({key} of the profile)"
    return Problem(_head(grid), what, f"it has: {', '.join(titles[:_MOST_NAMED])}{more}")


def _measures(found: Found, profile: Profile, grid: Grid) -> None:
    if profile.layout.long:
        return
    for measure in profile.measures:
        column = _column(found, grid, measure.title, measure.at)
        if isinstance(column, int):
            found.measures.append((measure, column))
            _limit(found, profile, grid, measure, column)
        elif column is not None:
            found.problems.append(column)
        elif not measure.optional:
            name = measure.title or measure.at
            found.problems.append(_missing(found, grid, name, "[[column]]"))


def _limit(found: Found, profile: Profile, grid: Grid, measure: Measure, column: int) -> None:
    """The column of a measure's limits, where `limit` of the profile is its heading."""
    if not measure.limit or is_number(measure.limit, profile.decimal):
        return
    place = _column(found, grid, measure.limit)
    if isinstance(place, int) and place != column:
        found.limits[column] = place
    elif isinstance(place, Problem):
        found.problems.append(place)
    else:
        found.problems.append(_missing(found, grid, measure.limit, "[[column]] limit"))


def _used(found: Found) -> set[int]:
    measured = {column for _, column in found.measures}
    return {*found.roles.values(), *measured, *found.limits.values()}


def _others(found: Found, profile: Profile, grid: Grid) -> None:
    """Columns to skip; any other that is not named is refused: it may be a nutrient."""
    used = _used(found)
    for name in profile.skip:
        wanted = _same(name)
        for column, title in enumerate(found.titles):
            if column not in used and (_same(title) == wanted or name == f"at {letters(column)}"):
                found.skipped.append(column)
    rest = [
        column
        for column, title in enumerate(found.titles)
        if title and column not in used and column not in found.skipped
    ]
    if profile.skip_rest:
        found.skipped += rest
        rest = []
    for column in rest:
        title = shown(found.titles[column])
        where = f"{_head(grid)}, column {grid.column(column)} {title}"
        remedy = "describe it in a [[column]], or name it in [skip] columns"
        found.problems.append(Problem(where, "the profile does not say what this is", remedy))
    if found.skipped:
        titles = [found.titles[column] for column in sorted(found.skipped)][:_MOST_NAMED]
        found.notes.append(f"columns left out: {', '.join(titles)}")


def _sample(grid: Grid, place: int, found: Found) -> str:
    """The cell of a row that names its sample."""
    column = found.roles.get("sample")
    return "" if column is None else grid.rows[place][column]


def _data(layout: Layout, grid: Grid, after: int, found: Found) -> Iterator[int]:
    """Places of the rows of data, in order."""
    ends = [_same(mark) for mark in layout.end]
    skips = [_same(mark) for mark in layout.skip_rows]
    left_out = []
    begun = False
    for place in range(after, len(grid.rows)):
        if layout.first is not None and grid.lines[place] < layout.first:
            continue
        first = next((cell for cell in grid.rows[place] if cell.strip()), "")
        start = _same(first)
        if not start and not (begun and layout.blank_ends):
            continue
        sample = _sample(grid, place, found)
        # "QC" begins a quality control's name, and one code in 500: a code is named in full.
        known = codes.is_valid(codes.tidy(sample))
        begins = {_same(sample)} if known else {start, _same(sample)}
        if not start or (not known and start.startswith(tuple(ends))):
            break
        if any(one in skips if known else one.startswith(tuple(skips)) for one in begins):
            left_out.append(grid.lines[place])
            continue
        begun = True
        yield place
    if left_out:
        lines = ", ".join(map(str, left_out[:_MOST_NAMED]))
        found.notes.append(
            f"rows left out: {lines}{', ...' if len(left_out) > _MOST_NAMED else ''}"
        )
