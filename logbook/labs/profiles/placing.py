"""What a proposed profile says about the file: how it is written, and where its table stands."""

from __future__ import annotations

import re

from logbook.errors import BadData, Problem, UserMistake
from logbook.labs import dates
from logbook.labs.grid import Grid, letters, shown
from logbook.labs.profiles.asking import Asking, Check, Question, one_of
from logbook.labs.profiles.content import NUMBERED, ORDERS
from logbook.labs.profiles.header import Block, with_rows
from logbook.labs.profiles.numbers import Written
from logbook.labs.profiles.writing import Lines

_CONTROL = re.compile(
    r"(?:(?:method |lab(?:oratory)? |reagent )?blank|qc|quality control|control|lcsd?|crm|srm|"
    r"ccv|icv|check|standard|reference|matrix spike|msd?|spike)"
    r"(?: (?:sample|soil|std|standard|dup(?:licate)?))?[ #_.-]*[0-9]*\Z",
    re.IGNORECASE,
)
# How a note begins: a mark, or a label with its colon, or a few words without a digit.
_MARK = re.compile(r"[^\w\s\"'(\[<>+-]{1,3}|[\u00b9\u00b2\u00b3\u2070-\u2079]+")
_LABEL = re.compile(r"[^\d:]{1,30}:")
_WORDS = re.compile(r"[^\W\d]+(?:[ -][^\W\d]+){0,2}(?![\w])")


def file_lines(grid: Grid, block: Block, numbers: Written, asking: Asking) -> Lines:
    """[file]: its sheet, encoding, marks of numbers, order of dates."""
    lines = Lines("file")
    lines.put("sheet", grid.sheet if len(grid.sheets) > 1 else None)
    if grid.kind == "csv" and grid.encoding not in ("utf-8", "utf-8-sig", "utf-16"):
        lines.put("encoding", grid.encoding)
    _decimal(lines, numbers, asking)
    _dates(lines, grid, block, asking)
    return lines


def _decimal(lines: Lines, found: Written, asking: Asking) -> None:
    decimal = found.decimal
    if not decimal:
        example = found.doubtful or "1.250"
        question = Question("decimal", f"is {example} a number with decimals, and is the "
                            "decimal mark . or , ?", ".", one_of(".", ","))  # fmt: skip
        decimal = asking.ask(question) or ""
        if decimal not in (".", ","):
            lines.ask("decimal", question.text, question.example)
            return
    lines.put("decimal", decimal)
    lines.put("thousands", found.thousands)


def _dates(lines: Lines, grid: Grid, block: Block, asking: Asking) -> None:
    column = block.roles.get("received")
    cells = [] if column is None else [grid.rows[row][column] for row in block.rows]
    doubtful = next((cell.strip() for cell in cells if _may_be_two(cell)), "")
    left = dates.orders_left(cells) if cells else ()
    if len(left) == 1:
        lines.put("dates", next(iter(left)))
    elif doubtful:
        orders = [order for order in ORDERS if order in left] or [*ORDERS[1:]]
        which = " or ".join(f"the {order.removesuffix(' first')}" for order in orders)
        text = f"is {which} first in {doubtful}?"
        asking.fill(lines, "dates", Question("dates", text, orders[-2], one_of(*orders)))


def _may_be_two(cell: str) -> bool:
    try:
        dates.read_date(cell, "")
    except UserMistake:
        return dates.is_date(cell)
    return False


def layout_lines(grid: Grid, block: Block) -> Lines:
    """[layout]: the shape, the rows of the header, how the row below the data begins."""
    lines = Lines("layout")
    lines.put("shape", "long" if block.long else "wide")
    lines.put("header", [grid.lines[place] for place in block.header])
    lines.put("spread", block.spread)
    if block.after:
        lines.put("end", [_end(grid, block)])
    lines.put("skip_rows", controls(grid, block))
    return lines


def _end(grid: Grid, block: Block) -> str:
    """How the row below the data begins: what the next report will have alike.

    A mark or a label before a colon; else words, without any number or date. It must begin no row
    of the data, which would end there.
    """
    text = next(" ".join(cell.split()) for cell in grid.rows[block.after[0]] if cell.strip())
    sample = block.roles.get("sample", 0)
    rows = [grid.rows[row] for row in block.rows]
    cells = [*(row[sample] for row in rows), *(next(filter(str.strip, row)) for row in rows)]
    begun = {cell.strip().casefold() for cell in cells}
    for found in (_MARK.match(text), _LABEL.match(text), _WORDS.match(text)):
        start = found[0].strip() if found else ""
        if start and not any(one.startswith(start.casefold()) for one in begun):
            return start
    return text[:40]


def controls(grid: Grid, block: Block) -> list[str]:
    """How rows among the samples begin that are none: blanks, controls, the header once more."""
    column = block.roles.get("sample")
    found: dict[str, None] = {}
    if column is None:
        return []
    for row in block.rows:
        name = " ".join(grid.rows[row][column].split())
        if _CONTROL.match(name) or (name and grid.rows[row] == _last(grid, block)):
            found[name] = None
    return list(found)


def _last(grid: Grid, block: Block) -> list[str]:
    """The last row of the header, which a page break may print again."""
    return grid.rows[block.header[-1]]


def other_table(grid: Grid, block: Block) -> int | None:
    """The row of the data in which another table begins: its samples have the same heading."""
    column = block.roles.get("sample")
    if column is None:
        return None
    heads = {cell for row in block.header if (cell := grid.rows[row][column].strip().casefold())}
    for row in block.rows:
        said = grid.rows[row][column].strip().casefold()
        if said in heads and grid.rows[row] != _last(grid, block):
            return row
    return None


def asked_roles(grid: Grid, block: Block, asking: Asking) -> Block:
    """The table, with the columns of nutrients and results that only somebody can name.

    Raises BadData with the questions that are open: without a nutrient there is no profile.
    """
    if block.long or not {"value", "unit", "method"} & set(block.roles):
        return block
    roles, problems = dict(block.roles), []
    for role, text in _COLUMNS.items():
        if role in roles:
            continue
        free = [title for at, title in enumerate(block.titles) if at not in roles.values()]
        titles = [title for title in free if title]
        example, check = titles[0] if titles else "at B", _check_column(grid, block)
        said = asking.ask(Question(role, text, example, check))
        column = None if said is None else _named(grid, block, said)
        if column is None:
            what = text if said is None else f"there is no column {said!r}"
            remedy = f"--say '{role}={titles[0]}'" if titles else "look at the header"
            named = f"{remedy}; without a role are: {', '.join(titles[:20])}" if titles else remedy
            problems.append(Problem(grid.place(), what, named))
        else:
            roles[role] = column
    if problems:
        raise BadData(f"{grid.file}: it is not known which column is which", problems)
    return with_rows(grid, block, roles)


_COLUMNS = {
    "nutrient": "which column names the nutrient?",
    "value": "which column has the results?",
}


def _named(grid: Grid, block: Block, said: str) -> int | None:
    """The column of a heading, or at letters ("at D")."""
    for column, title in enumerate(block.titles):
        if said.casefold() in (title.casefold(), f"at {letters(column)}".casefold()):
            return column
    return None


def _check_column(grid: Grid, block: Block) -> Check:
    def check(said: str) -> None:
        if _named(grid, block, said) is None:
            titles = [title for title in block.titles if title][:20]
            raise UserMistake(f"there is no column {shown(said)}", f"it has: {', '.join(titles)}")

    return check


def column_lines(grid: Grid, block: Block, asking: Asking) -> Lines:
    """[columns]: the headings of what a row is about."""
    lines = Lines("columns")
    titles = [title.casefold() for title in block.titles]
    for role, column in block.roles.items():
        title = block.titles[column]
        own = title and titles.count(title.casefold()) == 1
        lines.put(role, title if own else f"at {letters(column)}")
    if "sample" not in block.roles:
        text, check = "which column has the sample codes?", _check_column(grid, block)
        question = Question("sample", text, "Sample ID", check)
        asking.fill(lines, "sample", question)
    return lines


def report_lines(grid: Grid, block: Block) -> Lines:
    """[report]: a cell above the header that names its number, or that has it to its right."""
    lines = Lines("report")
    if "report" in block.roles:
        return lines
    for place in range(block.header[0]):
        row = grid.rows[place]
        for column, cell in enumerate(row):
            found = NUMBERED.match(cell)
            if not found:
                continue
            rest = cell[found.end() :].strip()
            at = column if rest else column + 1
            if (any(map(str.isdigit, rest)) and " " not in rest) or (
                not rest and at < len(row) and any(map(str.isdigit, row[at]))
            ):
                lines.put("number", f"{letters(at)}{grid.lines[place]}")
                return lines
    lines.put("number", "asked")
    return lines
