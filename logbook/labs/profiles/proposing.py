"""A profile proposed from a sample report: what its headings say, and what somebody must say.

Nothing that the file leaves open is guessed: the method, the basis, NO3 or NO3-N under "Nitrate",
the order of day and month, the decimal mark, the meaning of a mark. Each is a `Question` with a key
under which it can be answered; without an answer it is a commented line of the file.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field

from logbook.errors import BadData, Problem, UserMistake
from logbook.labs import dates
from logbook.labs.grid import Grid, letters
from logbook.labs.marks import NOTHING, Marks
from logbook.labs.profiles import writing
from logbook.labs.profiles.content import NUMBERED
from logbook.labs.profiles.header import Block, find_block, is_limit, is_result
from logbook.labs.profiles.numbers import Written, written_as
from logbook.labs.profiles.words import Said, understood
from logbook.labs.profiles.writing import Lines
from logbook.trial import chemistry, qualifiers, units
from logbook.trial.chemistry import Analyte

_EXCHANGED = {"Ca", "Mg", "K", "Na", "Al"}
_MOST_QUESTIONS = 200
Answer = Callable[["Question"], str | None]


@dataclass(frozen=True)
class Question:
    """What the file does not say: a `key` to answer it by, the sentence, an example."""

    key: str
    text: str
    example: str


# What a mark may mean, told once beside all questions about marks.
MEANINGS = (*qualifiers.WORDS, NOTHING)


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


def propose(grid: Grid, answer: Answer, lab: str | None) -> Proposal:
    """A profile for files like this one; `answer` gives an answer to a question, or None.

    Raises BadData for a file without any heading that is understood.
    """
    block = find_block(grid)
    if block is None:
        what = "no row of it names a nutrient, or the columns of a table of results"
        raise BadData(
            f"{grid.file}: no table of results was found",
            [Problem(grid.place(), what, "is it the right file, and the right sheet?")],
        )
    return _Proposing(grid, block, answer, lab).proposal()


class _Proposing:
    """One proposal in the making."""

    def __init__(self, grid: Grid, block: Block, answer: Answer, lab: str | None) -> None:
        self.grid, self.block, self.answer = grid, block, answer
        self.open: list[Question] = []
        self.asked: list[str] = []
        self.limits: dict[int, str] = {}
        self.skipped: list[str] = []
        self.notes: list[str] = []
        self.lab = lab or self.ask(Question("lab", "which laboratory is it?", "NAME"))
        self.columns = self._results()
        self.named = self._named()
        places = [block.roles["value"]] if block.long else [column for column, _, _ in self.columns]
        self.cells = [grid.rows[row][column] for row in block.rows for column in places]
        self.numbers = written_as(self.cells, grid)

    def ask(self, question: Question) -> str | None:
        """The answer, or None and the question stays open."""
        self.asked.append(question.key)
        if question in self.open or len(self.open) >= _MOST_QUESTIONS:
            return None
        said = self.answer(question)
        if not said:
            self.open.append(question)
        return said or None

    def proposal(self) -> Proposal:
        sections = [self._file(), self._layout(), self._roles(), self._report(), *self._usual()]
        sections += [self._nutrient(one) for one in self.named]
        sections += [self._skip(), self._marks()]
        about = f"Profile proposed from {self.grid.file}. Check it before it is used."
        text = writing.text(self.lab, sections, about)
        return Proposal(text, self.open, self.skipped, self.notes, list(dict.fromkeys(self.asked)))

    def _results(self) -> list[tuple[int, str, Said]]:
        """Columns with measurements; the others that no role has are skipped."""
        found: list[tuple[int, str, Said]] = []
        for column, title in enumerate(self.block.titles):
            said = self.block.said[column]
            if column in self.block.roles.values() or not title:
                continue
            if self.block.long:
                self.skipped.append(title)
                continue
            if found and found[-1][0] == column - 1 and self._limits(found[-1], column):
                continue
            share = "%" in said.units and bool(_EXCHANGED & set(said.nutrients))
            if is_result(title, said) and not share and not self._are_words(column):
                found.append((column, title, said))
            else:
                self.skipped.append(title)
        return found

    def _limits(self, before: tuple[int, str, Said], column: int) -> bool:
        """True for a column of the limits of the one to its left, which is kept as that."""
        title, said = self.block.titles[column], self.block.said[column]
        same = not said.nutrients or said.one_nutrient == before[2].one_nutrient
        if not (is_limit(said) and same):
            return False
        own = self.block.titles.count(title) == 1
        self.limits[before[0]] = title if own else f"at {letters(column)}"
        return True

    def _are_words(self, column: int) -> bool:
        """True for a column of ratings and other words: cells, and none with a digit."""
        cells = [cell for row in self.block.rows if (cell := self.grid.rows[row][column].strip())]
        marks = Marks()
        words = [cell for cell in cells if not any(map(str.isdigit, cell))]
        rated = [one for one in words if not (marks.words(one))]
        return bool(cells) and len(words) == len(cells) and bool(rated)

    def _file(self) -> Lines:
        lines = Lines("file")
        lines.put("sheet", self.grid.sheet if len(self.grid.sheets) > 1 else None)
        if self.grid.kind == "csv" and self.grid.encoding not in ("utf-8", "utf-8-sig", "utf-16"):
            lines.put("encoding", self.grid.encoding)
        self._decimal(lines)
        self._dates(lines)
        return lines

    def _decimal(self, lines: Lines) -> None:
        found: Written = self.numbers
        decimal = found.decimal
        if not decimal:
            example = found.doubtful or "1.250"
            question = Question("decimal", f"is {example} a number with decimals, and is the "
                                "decimal mark . or , ?", ".")  # fmt: skip
            decimal = self.ask(question) or ""
            if decimal not in (".", ","):
                lines.ask("decimal", question.text, ".")
                return
        lines.put("decimal", decimal)
        lines.put("thousands", found.thousands)

    def _dates(self, lines: Lines) -> None:
        column = self.block.roles.get("received")
        if column is None:
            return
        cells = [self.grid.rows[row][column] for row in self.block.rows]
        left = dates.orders_left(cells)
        needs = any("/" in cell or "." in cell or "-" in cell for cell in cells)
        needs = needs and any(_may_be_two(cell) for cell in cells)
        if len(left) == 1:
            lines.put("dates", next(iter(left)))
        elif needs:
            example = next(cell for cell in cells if _may_be_two(cell))
            text = f"is the day or the month first in {example.strip()}?"
            question = Question("dates", text, "day first")
            said = self.ask(question)
            lines.put("dates", said)
            if said is None:
                lines.ask("dates", text, "day first")

    def _layout(self) -> Lines:
        block, lines = self.block, Lines("layout")
        lines.put("shape", "long" if block.long else "wide")
        lines.put("header", [self.grid.lines[place] for place in block.header])
        lines.put("spread", block.spread)
        if block.after:
            last = self.grid.rows[block.after[0]]
            lines.put("end", [next(" ".join(cell.split())[:40] for cell in last if cell.strip())])
        return lines

    def _roles(self) -> Lines:
        lines = Lines("columns")
        titles = [title.casefold() for title in self.block.titles]
        for role, column in self.block.roles.items():
            title = self.block.titles[column]
            own = title and titles.count(title.casefold()) == 1
            lines.put(role, title if own else f"at {letters(column)}")
        if "sample" not in self.block.roles:
            question = Question("sample", "which column has the sample codes?", "Sample ID")
            lines.put("sample", self.ask(question))
            if "sample" not in lines.keys:
                lines.ask("sample", question.text, question.example)
        return lines

    def _report(self) -> Lines:
        """A cell above the header that names the report's number, or that has it to its right."""
        lines = Lines("report")
        if "report" in self.block.roles:
            return lines
        for place in range(self.block.header[0]):
            row = self.grid.rows[place]
            for column, cell in enumerate(row):
                found = NUMBERED.match(cell)
                if not found:
                    continue
                rest = cell[found.end() :].strip()
                at = column if rest else column + 1
                if (any(map(str.isdigit, rest)) and " " not in rest) or (
                    not rest and at < len(row) and any(map(str.isdigit, row[at]))
                ):
                    lines.put("number", f"{letters(at)}{self.grid.lines[place]}")
                    return lines
        lines.put("number", "asked")
        return lines

    def _usual(self) -> list[Lines]:
        """The basis, once for all columns that do not say their own."""
        lines = Lines("usual")
        contents = [said for _, _, said in self.named if not said.bases and _has_basis(said)]
        if "basis" in self.block.roles or not contents:
            lines.put("basis", "dry" if "basis" in self.block.roles else None)
            return [lines]
        text = "are contents given on the dry or on the moist soil?"
        said = self.ask(Question("basis", text, "dry"))
        if said in ("dry", "moist"):
            lines.put("basis", said)
        else:
            lines.ask("basis", text, "dry")
        return [lines]

    def _named(self) -> list[tuple[int | None, str, Said]]:
        """What is measured, by columns, or by the names in the rows of a long layout."""
        if not self.block.long:
            return list(self.columns)
        column = self.block.roles["nutrient"]
        found: list[tuple[int | None, str, Said]] = []
        for name in dict.fromkeys(_tidy(self.grid.rows[row][column]) for row in self.block.rows):
            said = understood([name])
            said.bases += self._bases(name)
            if said.nutrients:
                found.append((None, name, said))
            elif name:
                self.skipped.append(name)
        return found

    def _bases(self, name: str) -> list[str]:
        """The basis that the units of a nutrient's rows name, if every one of them does."""
        column, unit = self.block.roles["nutrient"], self.block.roles.get("unit")
        rows = [self.grid.rows[row] for row in self.block.rows]
        cells = [row[unit] for row in rows if unit is not None and _tidy(row[column]) == name]
        found = {units.of_basis(cell)[1] for cell in cells}
        return sorted(found) if "" not in found else []

    def _nutrient(self, one: tuple[int | None, str, Said]) -> Lines:
        column, title, said = one
        lines = Lines("column", several=True)
        again = self.block.titles.count(title) > 1 if column is not None else False
        key = title if not again or column is None else f"at {letters(column)}"
        lines.put("title", title)
        if again and column is not None:
            lines.put("at", letters(column))
        analyte = self._form(lines, said, key)
        self._unit(lines, said, key, analyte)
        self._method(lines, said, key, analyte)
        if len(set(said.bases)) == 1:
            lines.put("basis", said.bases[0])
        if column is not None:
            lines.put("limit", self.limits.get(column))
        if said.others:
            self.notes.append(f"{key!r}: not understood and passed over: {' '.join(said.others)}")
        return lines

    def _form(self, lines: Lines, said: Said, key: str) -> Analyte | None:
        name = said.one_nutrient
        if name and not chemistry.is_ambiguous(name):
            lines.put("nutrient", name)
            return chemistry.find_analyte(name)[0]
        choice = ""
        if name:
            with suppress(UserMistake):
                chemistry.find_analyte(name)
            choice = " or ".join(chemistry.readings(name))
        text = f"is {key!r} {choice}?" if choice else f"what is measured under {key!r}?"
        example = chemistry.readings(name)[-1] if choice else "NO3-N"
        return self._answered(lines, "nutrient", key, text, example)

    def _answered(
        self, lines: Lines, what: str, key: str, text: str, example: str
    ) -> Analyte | None:
        said = self.ask(Question(f"{what} of {key}", text, example))
        if said is None:
            lines.ask(what, text, example)
            return None
        lines.put(what, said)
        with suppress(UserMistake):
            return chemistry.find_analyte(said)[0]
        return None

    def _unit(self, lines: Lines, said: Said, key: str, analyte: Analyte | None) -> None:
        acid = analyte is not None and analyte.dimension == "acidity"
        in_rows = self.block.long and "unit" in self.block.roles
        if len(said.units) == 1:
            unit = said.units[0]
            lines.put("unit", unit)
            self._beside(lines, unit, said, key)
        elif not acid and not in_rows:
            self._answered(lines, "unit", key, f"in which unit is {key!r}?", "mg/kg")

    def _beside(self, lines: Lines, unit: str, said: Said, key: str) -> None:
        """What a unit needs to become a content: a ratio, or depth and density."""
        known = units.canonical_unit(unit)
        if known is None and not said.ratios:
            text = f"{unit} is a concentration in an extract: at which ratio of soil to solution?"
            self._answered(lines, "ratio", key, text, "1:5")
        elif known in units.UNITS["mass per area"]:
            self._answered(lines, "depth", key, f"to which depth is {unit} of {key!r}?", "15 cm")
            text = f"at which bulk density is {unit} of {key!r}?"
            self._answered(lines, "density", key, text, "1.3 kg/L")

    def _method(self, lines: Lines, said: Said, key: str, analyte: Analyte | None) -> None:
        if len(said.ratios) == 1:
            lines.put("ratio", said.ratios[0])
        if len(said.detections) == 1:
            lines.put("detection", said.detections[0])
        if len(dict.fromkeys(map(chemistry.method_name, said.methods))) == 1:
            lines.put("method", chemistry.method_name(said.methods[0]))
        elif not (self.block.long and "method" in self.block.roles):
            form = said.one_nutrient
            if analyte is None and chemistry.is_ambiguous(form):
                analyte = chemistry.find_analyte(chemistry.readings(form)[-1])[0]
            name = analyte.name if analyte else key
            text = f"by which method is {key!r} measured?"
            self._answered(lines, "method", key, text, _USUAL.get(name, "Mehlich-3"))

    def _skip(self) -> Lines:
        lines = Lines("skip")
        lines.put("columns", self.skipped)
        return lines

    def _marks(self) -> Lines:
        """The marks in the cells, and what those mean that mean one thing at each laboratory."""
        lines = Lines("qualifiers")
        column = self.block.roles.get("qualifier")
        signs = [] if column is None else [self.grid.rows[row][column] for row in self.block.rows]
        for mark in strange_marks([*self.cells, *signs], self.numbers):
            question = Question(f"mark {mark}", f"what does the mark {mark} mean?", "estimated")
            said = self.ask(question)
            if said is None:
                lines.ask(writing.written(mark), question.text, "estimated")
            else:
                lines.put(mark, said)
        return lines


def _tidy(cell: str) -> str:
    return " ".join(cell.split())


def _has_basis(said: Said) -> bool:
    """False for what is the same on the dry and on the moist soil, such as a pH."""
    with suppress(UserMistake):
        return chemistry.find_analyte(said.one_nutrient)[0].dimension == "content"
    return True


# Examples only, beside a question: what is common for a nutrient.
_USUAL = {
    "nitrate-N": "1 M KCl", "ammonium-N": "1 M KCl", "pH": "water", "EC": "water",
    "OM": "loss on ignition", "total-N": "dry combustion", "organic-C": "dry combustion",
    "CEC": "ammonium acetate", "Cl": "water", "sulfate-S": "0.01 M CaCl2",
}  # fmt: skip


def _may_be_two(cell: str) -> bool:
    try:
        dates.read_date(cell, "")
    except UserMistake:
        return dates.is_date(cell)
    return False


def strange_marks(cells: Sequence[str], numbers: Written) -> list[str]:
    """Marks that only the laboratory can explain, in the order in which they come."""
    marks = Marks({}, numbers.decimal or ".", numbers.mark)
    found: dict[str, None] = {}
    for cell in dict.fromkeys(cells):
        for mark in marks.strange(cell):
            found[mark] = None
    return list(found)[:50]


def answers(said: Mapping[str, str]) -> Answer:
    """Answers by key, whatever the capitals of the key."""
    folded = {" ".join(key.split()).casefold(): text for key, text in said.items()}
    return lambda question: folded.get(question.key.casefold())
