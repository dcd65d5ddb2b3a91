"""What a proposed profile says about the file: how it is written, and where its table stands."""

from __future__ import annotations

import re

from logbook.errors import UserMistake
from logbook.labs import dates
from logbook.labs.grid import Grid, letters
from logbook.labs.profiles.asking import Asking, Question
from logbook.labs.profiles.content import NUMBERED, ORDERS
from logbook.labs.profiles.header import Block
from logbook.labs.profiles.numbers import Written
from logbook.labs.profiles.writing import Lines

_CONTROL = re.compile(
    r"(?:(?:method |lab(?:oratory)? |reagent )?blank|qc|quality control|control|lcsd?|crm|srm|"
    r"ccv|icv|check|standard|reference|matrix spike|msd?|spike)"
    r"(?: (?:sample|soil|std|standard|dup(?:licate)?))?[ #_.-]*[0-9]*\Z",
    re.IGNORECASE,
)


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
                            "decimal mark . or , ?", ".")  # fmt: skip
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
        asking.fill(lines, "dates", Question("dates", text, orders[-2]))


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
        last = grid.rows[block.after[0]]
        lines.put("end", [next(" ".join(cell.split())[:40] for cell in last if cell.strip())])
    lines.put("skip_rows", controls(grid, block))
    return lines


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


def column_lines(block: Block, asking: Asking) -> Lines:
    """[columns]: the headings of what a row is about."""
    lines = Lines("columns")
    titles = [title.casefold() for title in block.titles]
    for role, column in block.roles.items():
        title = block.titles[column]
        own = title and titles.count(title.casefold()) == 1
        lines.put(role, title if own else f"at {letters(column)}")
    if "sample" not in block.roles:
        question = Question("sample", "which column has the sample codes?", "Sample ID")
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
