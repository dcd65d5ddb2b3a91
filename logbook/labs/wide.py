"""A wide table (a row per sample, a column per nutrient) turned into a long one.

Rules:

1. The unit stands in the heading or in a row of units under the header, whose sample cell is empty
   or says "unit"; pH needs none. The method stands in a row of methods ("method"), in the heading,
   or is given as `--method 'P=Mehlich-3'`; two that disagree are refused.
2. A column without a method is refused, and the trial's own method is only proposed: taking it
   silently would compare what was measured in another way.
3. A column that is no nutrient (share of the base saturation, rating, comment) is refused until it
   is named by `--skip`: left out silently, a misspelt nutrient would be lost.
4. A value computed from another extractant's is refused, whoever calls it by which method.
5. An empty cell was not reported and makes no result.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction

from logbook.errors import Problem, UserMistake
from logbook.labs.cells import MOST_TEXT
from logbook.labs.columns import IN_A_PROFILE, ROLES, find_columns, holds_codes
from logbook.labs.headings import Heading, read_heading
from logbook.labs.reader import Table, shown
from logbook.trial import chemistry, contents, units
from logbook.trial.chemistry import Analyte

_ROW_ROLES = ("sample", "basis", "report", "lab", "run", "repeat", "laboratory_number")
_LONG_ROLES = ("nutrient", "value")
_HEADER = ("sample", "nutrient", "unit", "method", "value")
_ROW_LABELS = {
    "unit": "unit", "units": "unit", "uom": "unit",
    "method": "method", "methods": "method", "extractant": "method", "procedure": "method",
}  # fmt: skip
_MOST_NAMED = 20


@dataclass(frozen=True)
class Options:
    """What the person says beside the file; `followed` are the trial's methods by nutrient."""

    methods: tuple[str, ...]
    skipped: frozenset[int]
    followed: Mapping[str, str]


@dataclass(frozen=True)
class Long(Table):
    """A long table made from a wide one; `where` names the cells of the wide one.

    `places[i]` are the row and the column in `source` that row i was made from; `homes[c]` is the
    column of `source` that column c was taken from, None for the nutrient's own.
    """

    source: Table | None = None
    columns: dict[str, int] = field(default_factory=dict)
    places: list[tuple[int, int]] = field(default_factory=list)
    homes: tuple[int | None, ...] = ()
    notes: tuple[str, ...] = ()

    def where(self, row: int, column: int) -> str:
        """The place in the file itself."""
        if self.source is None:
            return super().where(row, column)
        at, nutrient = self.places[row]
        home = self.homes[column]
        return self.source.where(at, nutrient if home is None else home)

    def heading(self, column: int) -> str:
        """The heading in the file itself; that of a nutrient's own column is its name here."""
        home = self.homes[column]
        if self.source is None or home is None:
            return super().heading(column)
        return self.source.heading(home)

    def file_columns(self) -> Iterator[tuple[str, str, list[str]]]:
        """The columns of the file itself."""
        return super().file_columns() if self.source is None else self.source.file_columns()


@dataclass(frozen=True)
class _Column:
    """A nutrient's column: where it is, and what each of its cells has beside the value."""

    place: int
    nutrient: str
    unit: str
    method: str


def named_columns(table: Table, skip: Sequence[str]) -> tuple[frozenset[int], list[Problem]]:
    """The columns that `--skip` names, and a problem for each name that there is not."""
    places: set[int] = set()
    problems: list[Problem] = []
    for name in skip:
        place = table.column(" ".join(name.split()))
        if place is None:
            what = f"there is no column {shown(name)} to skip"
            problems.append(Problem(f"{table.file}, header", what, f"it has: {_names(table)}"))
        else:
            places.add(place)
    return frozenset(places), problems


def _names(table: Table) -> str:
    more = ", ..." if len(table.header) > _MOST_NAMED else ""
    return ", ".join(table.header[:_MOST_NAMED]) + more


def shape(table: Table, skipped: Collection[int]) -> tuple[str, list[Problem]]:
    """ "long", "wide" or, with the problem, "" for a header that may be either."""
    long, _ = find_columns(table, skipped, _LONG_ROLES, ())
    roles, _ = find_columns(table, skipped, ROLES, ())
    nutrients = [
        shown(title)
        for place, title in enumerate(table.header)
        if place not in skipped and place not in roles.values() and _is_nutrient(title)
    ]
    if len(long) < len(_LONG_ROLES):
        return ("wide" if nutrients else "long"), []
    if not nutrients:
        return "long", []
    named = " and ".join(shown(table.header[place]) for place in long.values())
    what = (
        f"columns {named} make it a row per result, but {', '.join(nutrients[:_MOST_NAMED])} "
        "a column per nutrient"
    )
    return "", [Problem(f"{table.file}, header", what, "--skip the columns that are not meant")]


def _is_nutrient(title: str) -> bool:
    """A heading that names a nutrient: in full, or with a unit ("n" alone may be a number)."""
    heading = read_heading(title)
    if heading is None or heading.unit:
        return heading is not None
    return not heading.extra and not chemistry.is_ambiguous(heading.nutrient)


def as_long(table: Table, options: Options) -> tuple[Long | None, list[Problem]]:
    """The long table of a wide one, and every problem of its header; None if it has any."""
    roles, problems = find_columns(table, options.skipped, _ROW_ROLES, ("sample",))
    if "sample" not in roles:
        return None, problems
    labelled, start = _label_rows(table, roles, options.skipped)
    headed = _Headed(table, options, labelled, problems, roles["sample"])
    columns = list(_columns(headed, {*roles.values(), *options.skipped}))
    problems += _without_methods(headed)
    problems += _unused(headed)
    problems += _twice(table, columns)
    if start == len(table.rows):
        what = "there is no row with a sample"
        problems.append(Problem(table.file, what, "export the file again"))
    if problems:
        return None, problems
    return _melted(table, roles, columns, start, options), []


@dataclass
class _Headed:
    """What columns are understood from: header, rows of units and methods, what was said.

    `sample` is the column of the samples; `unsaid` are headings whose method nobody says, with
    their nutrients.
    """

    table: Table
    options: Options
    labelled: dict[str, int]
    problems: list[Problem]
    sample: int
    used: set[str] = field(default_factory=set)
    unsaid: list[tuple[str, str]] = field(default_factory=list)

    def refuse(self, title: str, what: str, remedy: str) -> None:
        """Keep a problem of a column's heading."""
        where = f"{self.table.file}, header, column {shown(title)}"
        self.problems.append(Problem(where, what, remedy))

    def labelled_cell(self, role: str, place: int) -> str:
        """The cell of the row of units or methods, if there is such a row."""
        at = self.labelled.get(role)
        cell = "" if at is None else " ".join(self.table.rows[at][place].split())
        return "" if cell in ("-", "--") else cell


def _label_rows(
    table: Table, roles: dict[str, int], skipped: Collection[int]
) -> tuple[dict[str, int], int]:
    """Which of the first rows name units and methods, and where the samples start."""
    labelled: dict[str, int] = {}
    others = [p for p in range(len(table.header)) if p not in roles.values() and p not in skipped]
    for at, row in enumerate(table.rows):
        label = row[roles["sample"]].strip().lower().rstrip(":")
        role = _ROW_LABELS.get(label)
        if not label and not any(row[place][:1].isdigit() for place in others):
            role = "unit"
        if role is None or role in labelled:
            return labelled, at
        labelled[role] = at
    return labelled, len(table.rows)


def _columns(headed: _Headed, others: Collection[int]) -> Iterator[_Column]:
    """The columns of nutrients; whatever is wrong with a heading is refused on the way."""
    for place, title in enumerate(headed.table.header):
        if place in others:
            continue
        heading = read_heading(title)
        if heading is None:
            what = "this is no nutrient that is known here"
            remedy = f"--skip {shown(title)} leaves it out"
            if holds_codes(headed.table, place) and not holds_codes(headed.table, headed.sample):
                other = shown(headed.table.header[headed.sample])
                what, remedy = f"the codes stand in this column, and not in {other}", IN_A_PROFILE
            headed.refuse(title, what, remedy)
            continue
        if _is_converted(headed, heading, title) or _is_strange(headed, heading):
            continue
        analyte = _analyte(headed, heading)
        if analyte is not None:
            unit = _unit(headed, heading, place, analyte)
            try:
                remedy = f"--skip {shown(title)}, or give the content in mg/kg"
                contents.refuse_share(unit, analyte, remedy)
            except UserMistake as error:
                headed.refuse(title, error.message, error.hint)
                continue
            yield _Column(place, heading.nutrient, unit, _method(headed, heading, place, analyte))


def _is_converted(headed: _Headed, heading: Heading, text: str) -> bool:
    """True, and refused, for a heading or a method of values made from another extractant's."""
    try:
        contents.refuse_converted(text, chemistry.name_of(heading.nutrient))
    except UserMistake as error:
        title = shown(heading.title)
        remedy = f"--skip {title}, and import the column of the method that was used"
        headed.refuse(heading.title, error.message, remedy)
        return True
    return False


def _is_strange(headed: _Headed, heading: Heading) -> bool:
    """True, and refused, for words that are not understood and that nobody accounts for."""
    if not heading.extra or _by_title(headed, heading):
        return False
    what = f"{shown(heading.extra)} beside {heading.nutrient} is neither a unit nor a method"
    title = heading.title.replace("'", "")
    remedy = f"--method '{title}=METHOD' if that is how it was measured, or --skip '{title}'"
    headed.refuse(heading.title, f"{what} known here", remedy)
    return True


def _analyte(headed: _Headed, heading: Heading) -> Analyte | None:
    try:
        analyte, _ = chemistry.find_analyte(heading.nutrient)
        if analyte.name == "mineral-N":
            what = "mineral-N is not imported: it is the sum of nitrate-N and ammonium-N"
            raise UserMistake(what, "import those two")
    except UserMistake as error:
        remedy = f"{error.hint}, or --skip {shown(heading.title)}"
        headed.refuse(heading.title, error.message, remedy)
        return None
    return analyte


def _unit(headed: _Headed, heading: Heading, place: int, analyte: Analyte) -> str:
    """The unit as written in the heading or in the row of units; empty for pH, or if refused."""
    below = headed.labelled_cell("unit", place)
    text = heading.unit or below
    if units.of_basis(below)[1] and not units.of_basis(text)[1]:
        text = below
    if not text and analyte.dimension == "acidity":
        return ""
    try:
        if not text:
            raise UserMistake(
                "there is no unit",
                f"write the laboratory's, such as '{heading.title} ({analyte.unit})', or in a row "
                "of units below the header",
            )
        if _factor(text, analyte) != _factor(below or text, analyte):
            what = f"the heading says {heading.unit}, the row of units {below}"
            raise UserMistake(what, "ask the laboratory which is right")
    except UserMistake as error:
        headed.refuse(heading.title, error.message, error.hint)
    return text


def _factor(unit: str, analyte: Analyte) -> Fraction:
    """What makes a value in this unit one in the analyte's own: ppm and mg/kg are the same."""
    known = chemistry.read_unit(units.of_basis(unit)[0], analyte)
    return chemistry.canonical_factor(known, analyte, Fraction(1))


def _method(headed: _Headed, heading: Heading, place: int, analyte: Analyte) -> str:
    """The one method that heading, row and option name; refused if there is none, or several."""
    option = _said(headed, heading, analyte)
    said = {
        "the heading": heading.method,
        "the row of methods": headed.labelled_cell("method", place),
        "--method": option,
    }
    texts = {source: text for source, text in said.items() if text}
    methods = {chemistry.method_name(text) for text in texts.values()}
    if not methods:
        headed.unsaid.append((heading.title, analyte.name))
    elif len(methods) > 1:
        what = " but ".join(f"{source} says {text}" for source, text in texts.items())
        headed.refuse(heading.title, what, "ask the laboratory which is right")
    method = next(iter(methods), "")
    if len(method) > MOST_TEXT:
        what = f"the method has {len(method)} characters, more than {MOST_TEXT}"
        headed.refuse(heading.title, what, "shorten it")
    elif len(methods) == 1:
        _is_converted(headed, heading, method)
    return method


def _without_methods(headed: _Headed) -> Iterator[Problem]:
    """That columns have no method: all that the trial follows at once, with what is to be typed.

    What it does not follow is named by itself, as nobody knows its method.
    """
    followed = headed.options.followed
    known = [one for one in headed.unsaid if one[1] in followed]
    for columns in (known, *([one] for one in headed.unsaid if one not in known)):
        if not columns:
            continue
        many = len(columns) > 1
        titles = ", ".join(shown(title) for title, _ in columns)
        where = f"{headed.table.file}, header, column{'s' * many} {titles}"
        names = dict.fromkeys(name for _, name in columns)
        remedy = " ".join(f"--method '{name}={followed.get(name, 'METHOD')}'" for name in names)
        if columns is known:
            remedy += (
                f" (the trial's method{'s' * many}), if that is how "
                f"{'they were' if many else 'it was'} measured, or a row {shown('method')}"
            )
        if many:
            remedy += f"; so that no report needs it again, {IN_A_PROFILE}"
        what = "there is no method, and without one nothing can be compared"
        yield Problem(where, what, f"add {remedy}")


def _said(headed: _Headed, heading: Heading, analyte: Analyte) -> str:
    """The method that `--method` gives for a column, by its heading before its nutrient."""
    by_title = _by_title(headed, heading)
    if by_title:
        return by_title
    for option in headed.options.methods:
        name, _, method = option.partition("=")
        try:
            named = chemistry.find_analyte(name)[0]
        except UserMistake:
            continue
        if named.name == analyte.name:
            headed.used.add(option)
            return method.strip()
    return ""


def _by_title(headed: _Headed, heading: Heading) -> str:
    for option in headed.options.methods:
        name, _, method = option.partition("=")
        if " ".join(name.split()).lower() == heading.title.lower():
            headed.used.add(option)
            return method.strip()
    return ""


def _unused(headed: _Headed) -> Iterator[Problem]:
    """Options that name no column: a slip of the hand must not go unnoticed."""
    for option in headed.options.methods:
        name, _, method = option.partition("=")
        if not name.strip() or not method.strip():
            what = f"--method {shown(option)} is not NUTRIENT=METHOD"
            yield Problem(headed.table.file, what, "write it as --method 'P=Mehlich-3'")
        elif option not in headed.used and not _is_followed(headed, name, method):
            what = f"no column takes --method {shown(option)}"
            remedy = "name a nutrient of the file once, or the column's whole heading"
            yield Problem(headed.table.file, what, remedy)


def _is_followed(headed: _Headed, name: str, method: str) -> bool:
    """Whether that is how the trial has it: said for each report, it holds for part of one, too."""
    own = headed.options.followed.get(chemistry.name_of(name))
    return own == chemistry.method_name(method.strip())


def _twice(table: Table, columns: Sequence[_Column]) -> Iterator[Problem]:
    """Two columns of one analysis: the same measurement printed in two forms or units."""
    before: dict[tuple[str, str], _Column] = {}
    for column in columns:
        analyte, _ = chemistry.find_analyte(column.nutrient)
        first = before.setdefault((analyte.name, column.method), column)
        if first is not column and column.method:
            title = table.header[column.place]
            where = f"{table.file}, header, column {shown(title)}"
            what = f"column {shown(table.header[first.place])} gives the same analysis"
            yield Problem(where, what, f"--skip {shown(title)}, or the other one")


def _melted(
    table: Table,
    roles: dict[str, int],
    columns: Sequence[_Column],
    start: int,
    options: Options,
) -> Long:
    """A row for each cell that is not empty."""
    also = [role for role in _ROW_ROLES[1:] if role in roles]
    extras = [roles[role] for role in also]
    cells = [(c.place, [c.nutrient, c.unit, c.method]) for c in columns]
    sample = roles["sample"]
    rows: list[list[str]] = []
    places: list[tuple[int, int]] = []
    silent: list[int] = []
    for at in range(start, len(table.rows)):
        row = table.rows[at]
        tail = [row[place] for place in extras]
        before = len(rows)
        for place, kind in cells:
            cell = row[place]
            if cell and not cell.isspace():
                rows.append([row[sample], *kind, cell, *tail])
                places.append((at, place))
        if len(rows) == before:
            silent.append(table.lines[at])
    header = (*_HEADER, *also)
    return Long(
        header=header,
        rows=rows,
        lines=[table.lines[at] for at, _ in places],
        file=table.file,
        sha256=table.sha256,
        decimal_comma=table.decimal_comma,
        encoding=table.encoding,
        point_doubtful=table.point_doubtful,
        source=table,
        columns={role: place for place, role in enumerate(header)},
        places=places,
        homes=(sample, None, None, None, None, *extras),
        notes=tuple(_notes(table, silent, options)),
    )


def _notes(table: Table, silent: Sequence[int], options: Options) -> Iterator[str]:
    if options.skipped:
        titles = [table.header[place] for place in sorted(options.skipped)]
        yield f"columns left out: {', '.join(titles[:_MOST_NAMED])}"
    if silent:
        lines = ", ".join(map(str, silent[:_MOST_NAMED]))
        yield f"rows that report nothing: {lines}{', ...' if len(silent) > _MOST_NAMED else ''}"


def reworded(problems: Sequence[Problem]) -> list[Problem]:
    """Problems of a long table's cells as a wide one's: there it is a cell that may stay empty."""
    return [
        replace(problem, remedy="leave the cell empty if nothing was measured")
        if problem.what == "there is no value"
        else problem
        for problem in problems
    ]
