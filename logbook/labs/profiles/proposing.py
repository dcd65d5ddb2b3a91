"""A profile proposed from a sample report: what its headings say, and what somebody must say.

Nothing that the file leaves open is guessed: the method, the basis, NO3 or NO3-N under "Nitrate",
the order of day and month, the decimal mark, the meaning of a mark. Each is a question of `asking`;
without an answer it is a commented line of the file.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from logbook.errors import BadData, Problem
from logbook.labs.cells import MOST_TEXT
from logbook.labs.columns import LYING, in_header
from logbook.labs.grid import Grid
from logbook.labs.marks import Marks, read_meaning
from logbook.labs.profiles import placing, writing
from logbook.labs.profiles.asking import NAME, NUTRIENT, Answer, Asking, Question, name_of
from logbook.labs.profiles.header import Block, find_block
from logbook.labs.profiles.measuring import Measuring
from logbook.labs.profiles.numbers import Written, written_as
from logbook.labs.profiles.writing import Lines


@dataclass
class Proposal:
    """The text of a profile, the questions that are still open, and what was noticed.

    `asked` are the keys of all questions, answered or not.
    """

    text: str
    open: list[Question]
    skipped: list[str]
    notes: list[str] = field(default_factory=list)
    asked: list[str] = field(default_factory=list)


def propose(
    grid: Grid, answer: Answer, lab: str | None, followed: Mapping[str, str] | None = None
) -> Proposal:
    """A profile for files like this one; `answer` gives an answer to a question, or None.

    `followed` are the trial's methods by nutrient, which are only ever proposed. Raises BadData
    for a file without any nutrient that is understood.
    """
    block = find_block(grid)
    if block is None:
        what = "no row of it names a nutrient, or the columns of a table of results"
        remedy = "is it the right file, and the right sheet?"
        if any(in_header(row) for row in grid.rows):
            what, remedy = LYING
        found = [Problem(grid.place(), what, remedy)]
        raise BadData(f"{grid.file}: no table of results was found", found)
    if (row := placing.other_table(grid, block)) is not None:
        what = "another table begins here, with the same heading for its samples"
        problem = Problem(grid.place(row), what, "save each table as a file or sheet of its own")
        raise BadData(f"{grid.file}: there are several tables", [problem])
    asking = Asking(answer)
    block = placing.asked_roles(grid, block, asking)
    which = Question("lab", "which laboratory is it?", NAME, name_of("laboratory", MOST_TEXT))
    name = lab or asking.ask(which)
    measuring = Measuring(grid, block, asking, followed or {})
    if not measuring.named:
        raise _without_nutrient(grid, measuring)
    numbers = written_as(measuring.cells(), grid)
    sections = [
        placing.file_lines(grid, block, numbers, asking),
        placing.layout_lines(grid, block),
        placing.column_lines(grid, block, asking),
        placing.report_lines(grid, block),
        *measuring.lines(),
    ]
    skip = Lines("skip")
    skip.put("columns", measuring.skipped)
    sections += [skip, _marks(grid, block, measuring.cells(), numbers, asking)]
    about = f"Profile proposed from {grid.file}. Check it before it is used."
    text = writing.text(name, sections, about)
    notes = [*measuring.notes, *measuring.without_column()]
    if left := placing.controls(grid, block):
        notes.append(f"rows that are left out: {', '.join(left)}")
    asked = list(dict.fromkeys(asking.asked))
    return Proposal(text, asking.open, measuring.skipped, notes, asked)


def _without_nutrient(grid: Grid, measuring: Measuring) -> BadData:
    """Why there is no profile: nothing that is named in the file is a nutrient that is known."""
    names = ", ".join([*measuring.skipped, *measuring.unknown][:20])
    what = f"none of these is a nutrient that is known here: {names}" if names else "it names none"
    remedy = "if some are, write the profile by hand: logbook lab profile show example-fen"
    if measuring.unknown:
        asked = [key for key in measuring.asking.asked if key.startswith("nutrient of ")]
        remedy = f"say which: --say '{asked[0]}={NUTRIENT}'"
    problems = [Problem(grid.place(), note) for note in measuring.notes]
    return BadData(f"{grid.file}: no nutrient", [*problems, Problem(grid.place(), what, remedy)])


def _marks(
    grid: Grid, block: Block, cells: Sequence[str], numbers: Written, asking: Asking
) -> Lines:
    """[qualifiers]: the marks in the cells but those that mean one thing at each laboratory."""
    lines = Lines("qualifiers")
    column = block.roles.get("qualifier")
    signs = [] if column is None else [grid.rows[row][column] for row in block.rows]
    for mark in strange_marks([*cells, *signs], numbers):
        text = f"what does the mark {mark} mean?"
        question = Question(f"mark {mark}", text, "estimated", read_meaning)
        said = asking.ask(question)
        if said is None:
            lines.ask(writing.written(mark), question.text, question.example)
        else:
            lines.put(mark, said)
    return lines


def strange_marks(cells: Sequence[str], numbers: Written) -> list[str]:
    """Marks that only the laboratory can explain, in the order in which they come."""
    marks = Marks({}, numbers.decimal or ".", numbers.mark)
    found: dict[str, None] = {}
    for cell in dict.fromkeys(cells):
        for mark in marks.strange(cell):
            found[mark] = None
    return list(found)[:50]
