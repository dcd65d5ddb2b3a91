"""What a proposed profile says about the measurements: each with its form, unit, method, basis."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from decimal import Decimal
from fractions import Fraction

from logbook.errors import UserMistake
from logbook.labs import dates
from logbook.labs.grid import Grid, letters, shown
from logbook.labs.marks import Marks
from logbook.labs.profiles.asking import (
    METHOD,
    NUTRIENT,
    UNIT,
    Asking,
    Check,
    Question,
    anything,
    is_no_name,
    one_of,
)
from logbook.labs.profiles.header import Block, is_limit, is_result, may_be_result
from logbook.labs.profiles.numbers import looks_like_one
from logbook.labs.profiles.reading import (
    full_method,
    read_density,
    read_depth,
    read_nutrient,
    refuse_share,
)
from logbook.labs.profiles.words import Said, understood
from logbook.labs.profiles.writing import Lines
from logbook.trial import chemistry, contents, methods, units
from logbook.trial.chemistry import Analyte
from logbook.trial.contents import Known

# Examples only, beside a question: what is common for a nutrient.
_USUAL = {
    "nitrate-N": "1 M KCl", "ammonium-N": "1 M KCl", "pH": "water", "EC": "water",
    "OM": "loss on ignition", "total-N": "dry combustion", "organic-C": "dry combustion",
    "CEC": "ammonium acetate", "Cl": "water", "sulfate-S": "0.01 M CaCl2",
    "CaCO3": "calcimeter",
}  # fmt: skip


LEAVE_OUT = "leave out"
# What a unit may need beside it, which is asked after it.
_ALL_KNOWN = Known(Fraction(5), Decimal(15), Decimal("1.3"))


class Measuring:
    """What is measured in a table.

    `named` is a (column, title, what it says) each; the column is None in a long layout, whose
    rows name it. `skipped` are headings and names that are no measurement, `notes` what was
    passed over in a heading. `unknown` are headings over numbers of which nobody has said yet
    whether they name a nutrient, `found` the nutrients that are named. `settled` are headings of
    which a question or a note says what their other words may be; `unclear` is True where it is
    open which nutrient one names. `followed` are the trial's methods by nutrient, only ever
    proposed.
    """

    def __init__(
        self, grid: Grid, block: Block, asking: Asking, followed: Mapping[str, str]
    ) -> None:
        self.grid, self.block, self.asking, self.followed = grid, block, asking, followed
        self.limits: dict[int, str] = {}
        self.skipped: list[str] = []
        self.notes: list[str] = []
        self.unknown: dict[str, Lines] = {}
        self.found: set[str] = set()
        self.settled: set[str] = set()
        self.unclear = False
        self.columns = self._results()
        self.named = self._named()

    def cells(self) -> list[str]:
        """The cells of all measurements."""
        roles = self.block.roles
        places = [roles["value"]] if self.block.long else [column for column, _, _ in self.columns]
        return [self.grid.rows[row][column] for row in self.block.rows for column in places]

    def lines(self) -> list[Lines]:
        """[usual] and a [[column]] for each."""
        return [self._usual(), *map(self._nutrient, self.named), *self.unknown.values()]

    def without_column(self) -> list[str]:
        """The note of what the trial follows and the report does not name; after `lines`.

        None while a question is open of which the answer may be such a nutrient.
        """
        if self.unknown or self.unclear:
            return []
        missing = [name for name in self.followed if name not in self.found]
        what = "which no row names" if self.block.long else "for which no column was found"
        return [f"the trial follows {', '.join(missing)}, {what}"] if missing else []

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
            if found and found[-1][0] not in self.limits and self._limits(found[-1], column):
                continue
            cells = [self.grid.rows[row][column] for row in self.block.rows]
            if self._is_unknown(title, said, cells) and not self._is_named(column, title, said):
                continue
            if is_result(title, said) and self._is_computed(title, said):
                continue
            share = "%" in said.units and bool(contents.EXCHANGED & set(said.nutrients))
            if is_result(title, said) and not share and not self._are_words(column):
                found.append((column, title, said))
            else:
                self.skipped.append(title)
        return found

    def _is_unknown(self, title: str, said: Said, cells: Sequence[str]) -> bool:
        """True for numbers under a heading that names no nutrient which is known."""
        filled, marks = [cell for cell in cells if cell.strip()], Marks()
        numbers = [one for one in filled if looks_like_one(one) and not dates.is_date(one)]
        marked = [one for one in filled if marks.words(one) is not None]
        most = 2 * (len(numbers) + len(marked)) > len(filled)
        return may_be_result(title, said) and bool(numbers) and most

    def _is_named(self, column: int | None, title: str, said: Said) -> bool:
        """Whether somebody says which nutrient numbers are of; else they are left out, or open."""
        key = self._key(column, title)
        text = (
            f"what is {title!r}{'' if key == title else f' {key}'}? (a nutrient, or: {LEAVE_OUT})"
        )
        answer = self.asking.ask(Question(f"nutrient of {key}", text, NUTRIENT, _check_named))
        if answer is None:
            lines = self._titled(column, title)
            for name, told in (("unit", said.units), ("method", said.methods),
                               ("ratio", said.ratios), ("basis", said.bases)):  # fmt: skip
                lines.put(name, told[0] if len(told) == 1 else None)
            text = f"what is {key!r}? (a nutrient; else name it in [skip], not in a [[column]])"
            lines.ask("nutrient", text, NUTRIENT)
            self.unknown[key] = lines
        elif answer.casefold() == LEAVE_OUT:
            self.skipped.append(title)
        else:
            said.nutrients.append(answer)
            self.settled.add(key)
            if len(said.others) == 1 and not chemistry.is_method(said.others[0]):
                said.others.clear()  # the word is the name, and no method
            return True
        return False

    def _is_computed(self, title: str, said: Said) -> bool:
        """True, and left out, for a sum, and for a conversion from another extractant's value."""
        if chemistry.name_of(said.one_nutrient) == "mineral-N":
            self.skipped.append(title)
            self.notes.append(
                f"{title!r} is a sum: it is left out; ask the laboratory for nitrate and ammonium "
                "apart"
            )
            return True
        try:
            contents.refuse_converted(title, chemistry.name_of(said.one_nutrient))
        except UserMistake as mistake:
            self.skipped.append(title)
            self.notes.append(f"{mistake.message}: it is left out")
            return True
        return False

    def _limits(self, before: tuple[int, str, Said], column: int) -> bool:
        """True for a column of the limits of the next one to its left, which is kept as that."""
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

    def _usual(self) -> Lines:
        """The basis, once for all columns that do not say their own."""
        lines = Lines("usual")
        contents = [said for _, _, said in self.named if not said.bases and _has_basis(said)]
        if "basis" in self.block.roles or not contents:
            lines.put("basis", "dry" if "basis" in self.block.roles else None)
            return lines
        text = "are contents given on the dry or on the moist soil?"
        self.asking.fill(lines, "basis", Question("basis", text, "dry", one_of("dry", "moist")))
        return lines

    def _named(self) -> list[tuple[int | None, str, Said]]:
        """What is measured, by columns, or by the names in the rows of a long layout."""
        if not self.block.long:
            return list(self.columns)
        column = self.block.roles["nutrient"]
        found: list[tuple[int | None, str, Said]] = []
        for name in dict.fromkeys(_tidy(self.grid.rows[row][column]) for row in self.block.rows):
            said = understood([name])
            said.bases += self._bases(name)
            if self._is_unknown(name, said, self._values(name)):
                if self._is_named(None, name, said):
                    found.append((None, name, said))
                continue
            if said.nutrients and self._is_computed(name, said):
                continue
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

    def _values(self, name: str) -> list[str]:
        """The values of the rows of a long layout that have this name."""
        roles, rows = self.block.roles, [self.grid.rows[row] for row in self.block.rows]
        return [row[roles["value"]] for row in rows if _tidy(row[roles["nutrient"]]) == name]

    def _key(self, column: int | None, title: str) -> str:
        """What a column is called in questions: its heading, or its place where two have that."""
        again = column is not None and self.block.titles.count(title) > 1
        return f"at {letters(column)}" if again and column is not None else title

    def _titled(self, column: int | None, title: str) -> Lines:
        lines = Lines("column", several=True)
        lines.put("title", title)
        if self._key(column, title) != title and column is not None:
            lines.put("at", letters(column))
        return lines

    def _nutrient(self, one: tuple[int | None, str, Said]) -> Lines:
        column, title, said = one
        lines, key = self._titled(column, title), self._key(column, title)
        analyte = self._form(lines, said, key)
        self.found |= {analyte.name} if analyte else set(map(chemistry.name_of, _forms(said)))
        self.unclear |= analyte is None and not _forms(said)
        self._unit(lines, said, key, analyte)
        self._method(lines, said, key, analyte)
        if len(set(said.bases)) == 1:
            lines.put("basis", said.bases[0])
        if column is not None:
            lines.put("limit", self.limits.get(column))
        if said.others and key not in self.settled:
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
        example = chemistry.readings(name)[-1] if choice else [*said.nutrients, "NO3-N"][0]
        check = _check_form(chemistry.readings(name)) if choice else read_nutrient
        answer = self._answered(lines, "nutrient", key, (text, example), check)
        with suppress(UserMistake):
            return chemistry.find_analyte(answer)[0] if answer else None
        return None

    def _answered(
        self, lines: Lines, what: str, key: str, asked: tuple[str, str], check: Check
    ) -> str | None:
        """The answer to a question of one column; `asked` are its sentence and an example."""
        return self.asking.fill(lines, what, Question(f"{what} of {key}", *asked, check))

    def _unit(self, lines: Lines, said: Said, key: str, analyte: Analyte | None) -> None:
        acid = analyte is not None and analyte.dimension == "acidity"
        in_rows = self.block.long and "unit" in self.block.roles
        if len(said.units) == 1:
            unit = said.units[0]
            lines.put("unit", unit)
            self._beside(lines, unit, said, key)
        elif not acid and not in_rows:
            check = _check_unit(analyte) if analyte else anything
            answer = self._answered(lines, "unit", key, _about_unit(said, key, analyte), check)
            if not said.units and any("/" in word for word in said.others):
                self.settled.add(key)
            if answer and analyte:
                self._beside(lines, answer, said, key)

    def _beside(self, lines: Lines, unit: str, said: Said, key: str) -> None:
        """What a unit needs to become a content: a ratio, or depth and density."""
        known = units.canonical_unit(unit)
        if contents.is_per_volume(unit):
            text = f"at which bulk density is {unit} of {key!r}?"
            self._answered(lines, "density", key, (text, "1.3 kg/L"), read_density)
        elif known is None and not said.ratios:
            text = f"{unit} is a concentration in an extract: at which ratio of soil to solution?"
            self._answered(lines, "ratio", key, (text, "1:5"), contents.read_ratio)
        elif known in units.UNITS["mass per area"]:
            text = f"to which depth is {unit} of {key!r}?"
            self._answered(lines, "depth", key, (text, "15 cm"), read_depth)
            text = f"at which bulk density is {unit} of {key!r}?"
            self._answered(lines, "density", key, (text, "1.3 kg/L"), read_density)

    def _method(self, lines: Lines, said: Said, key: str, analyte: Analyte | None) -> None:
        if len(said.ratios) == 1:
            lines.put("ratio", said.ratios[0])
        if len(said.detections) == 1:
            lines.put("detection", said.detections[0])
        form = said.one_nutrient
        if analyte is None and chemistry.is_ambiguous(form):
            analyte = chemistry.find_analyte(chemistry.readings(form)[-1])[0]
        name = analyte.name if analyte else ""
        own = self._followed(name, said)
        named = list(dict.fromkeys(map(chemistry.method_name, said.methods)))
        doubt = _doubt_method(said, own)
        if len(named) == 1 and not _says_less(named[0], own, said):
            lines.put("method", named[0])
            if why := _unlike(named[0], own, said):
                self.notes.append(f"{key!r}: {why}")
        elif not (self.block.long and "method" in self.block.roles):
            beside = [f"it says {named[0]!r}"] if len(named) == 1 else []
            beside += [f"the trial follows {own!r}"] if own else []
            example = own or _USUAL.get(name or key, "Mehlich-3")
            if said.others:  # one of these words may be the method: no other one is put beside it
                example = METHOD
                beside += [f"not understood: {' '.join(said.others)}"]
            text = f"by which method is {key!r} measured?"
            text += f" ({'; '.join(beside)})" if beside else ""
            check = _check_method(said, name)
            question = Question(f"method of {key}", text, example, check, own, doubt)
            answer = self.asking.fill(lines, "method", question)
            why = doubt(answer) if answer else ""
            self.notes += [f"{key!r}: {why}"] if why else []
            if not answer or all(word in why or word in answer for word in said.others):
                self.settled.add(key)

    def _followed(self, name: str, said: Said) -> str:
        """The trial's method of a nutrient, if the heading does not contradict it; else ""."""
        own = self.followed.get(name, "")
        ratio, detected = "".join(said.ratios[:1]), "".join(said.detections[:1])
        with suppress(UserMistake):
            return own if own and methods.full_name(own, ratio, detected) else ""
        return ""


def _check_form(forms: tuple[str, str]) -> Check:
    """The check that a nutrient is in one of two forms."""

    def check(said: str) -> None:
        with suppress(UserMistake):
            if read_nutrient(said) in [chemistry.find_analyte(form) for form in forms]:
                return
        raise UserMistake(f"{shown(said)} is neither", f"answer {' or '.join(forms)}")

    return check


def _check_unit(analyte: Analyte) -> Check:
    """The check that a unit measures a nutrient, with whatever it needs beside it."""

    def check(said: str) -> None:
        refuse_share(said, analyte)
        contents.read_unit(said, analyte, _ALL_KNOWN)

    return check


def _check_named(said: str) -> None:
    """The check that numbers are those of a nutrient, or are left out."""
    if said.casefold() != LEAVE_OUT:
        try:
            read_nutrient(said)
        except UserMistake as mistake:
            raise UserMistake(mistake.message, f"{mistake.hint}; or: {LEAVE_OUT}") from None


def _check_method(said: Said, analyte: str) -> Check:
    """The check that a method can be put together with what the heading says beside it."""
    ratio, detected = "".join(said.ratios[:1]), "".join(said.detections[:1])

    def check(method: str) -> None:
        letters_ = sum(map(str.isalpha, method))
        if letters_ < 2 or is_no_name(method):
            raise UserMistake(f"{shown(method)} is no method", "write its name, such as Olsen")
        full_method(method, ratio, detected, analyte)

    return check


def _doubt_method(said: Said, own: str) -> Callable[[str], str]:
    """Why a method is unlikely: the trial follows `own`, another one, or the heading may name one.

    What has a slash is no method but a unit, which is asked about.
    """
    words = " ".join(word for word in said.others if "/" not in word)

    def doubt(method: str) -> str:
        may = f"{words!r} is not understood and may be another method" if own and words else ""
        return _unlike(method, own, said) or may

    return doubt


def _unlike(method: str, own: str, said: Said) -> str:
    """That the trial follows `own`, another method than this one; "" if it does not."""
    ratio, detected = "".join(said.ratios[:1]), "".join(said.detections[:1])
    with suppress(UserMistake):
        full = methods.full_name(method, ratio, detected)
        if own and own not in (full, chemistry.method_name(method)):
            return f"{full!r} is not the trial's method ({own!r}): a series of its own"
    return ""


def _says_less(named: str, own: str, said: Said) -> bool:
    """True for a method that a heading names without what the trial's has beside it: water 1:1."""
    ratio, detected = "".join(said.ratios[:1]), "".join(said.detections[:1])
    with suppress(UserMistake):
        less = own.startswith(f"{named} ") or own.endswith(f" {named}")  # CaCl2: 0.01 M CaCl2
        return less and methods.full_name(named, ratio, detected) == named
    return False


def _forms(said: Said) -> list[str]:
    """The forms of the nutrient that a heading names, where it leaves open which."""
    name = said.one_nutrient
    return list(chemistry.readings(name)) if name and chemistry.is_ambiguous(name) else []


def _about_unit(said: Said, key: str, analyte: Analyte | None) -> tuple[str, str]:
    """The question for a unit, and an example, which is never another than one that is there."""
    if said.units:
        both = " and ".join(dict.fromkeys(said.units))
        return f"{key!r} names {both}: in which unit is it?", said.units[0]
    if any("/" in word for word in said.others):
        words = " ".join(said.others)
        return f"is {words!r} in {key!r} a unit, and which one?", UNIT
    return f"in which unit is {key!r}?", analyte.unit if analyte else "mg/kg"


def _tidy(cell: str) -> str:
    return " ".join(cell.split())


def _has_basis(said: Said) -> bool:
    """False for what is the same on the dry and on the moist soil, such as a pH."""
    with suppress(UserMistake):
        return chemistry.find_analyte(said.one_nutrient)[0].dimension == "content"
    return True
