"""One date on a terminal: a table for each treatment, then what limits it. ASCII, no colour."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import TYPE_CHECKING

from logbook.report import compared, marks, tested
from logbook.report.terminal.tables import console, encodable, say, table, wrapped
from logbook.study.tested import BEYOND

if TYPE_CHECKING:
    from logbook.study.comparison import Comparison, Line

_NONE = "-"
Column = tuple[str, bool, Callable[["Line"], str]]


_FINDING: Column = ("finding", False, lambda line: line.said)


def show_comparison(comparison: Comparison, width: int | None) -> None:
    """Print a comparison on standard output.

    width: columns to use; None: those of the window, 80 where there is none.
    """
    wide = console(width).width
    _sentences([f"{comparison.trial}, {compared.title(comparison)}"], wide)
    _sentences(compared.head(comparison), wide)
    for code in comparison.treatments:
        lines = comparison.of(code)
        print()
        _sentences([_who(lines)], wide)
        _tables(lines, wide)
        # Where there is a test, its own table says what is a ratio and what is not.
        why = compared.reasons(lines, ratios=not tested.tested(lines))
        _sentences(why, wide)
        # What stands as "limit" in the table is explained at its foot, once.
        _sentences(tested.untested(lines, [*why, BEYOND]), wide)
    print()
    _sentences(_closing(comparison), wide)


def _sentences(texts: Iterable[str], width: int) -> None:
    say(piece for text in texts for piece in wrapped(text, width))


def _who(lines: Sequence[Line]) -> str:
    """The treatment, its beds, and its days."""
    one = lines[0].series
    name = f" ({one.treatment_name})" if one.treatment_name not in ("", one.treatment) else ""
    treated = marks.beds_text(line.row.difference.treated_beds for line in lines)
    control = marks.beds_text(line.row.difference.control_beds for line in lines)
    return f"{one.treatment}{name}: {treated}, control {control}; {compared.dates(lines)}"


def _tables(lines: Sequence[Line], width: int) -> None:
    """One table, or what is tested in a second one where it does not fit beside the means."""
    means = _columns()
    if tested.tested(lines):
        more = _test_columns()
        whole = [*means, *more]
        parts = [(means, lines), ([means[0], *more], lines)]
    else:
        more = _ratio_columns()
        with_ratio = [line for line in lines if line.ratio.value is not None]
        whole = [*means, *(more if with_ratio else ()), _FINDING]
        parts = [([*means, _FINDING], lines), ([means[0], *more], with_ratio)]
    if _natural(whole, lines) <= width:
        parts = [(whole, lines)]
    for columns, mine in parts:
        if mine:
            _print(columns, mine, width)


def _natural(columns: Sequence[Column], lines: Sequence[Line]) -> int:
    """Width of a table of those columns with one blank between them."""
    cells = (max(len(head), *(len(text(line)) for line in lines)) for head, _, text in columns)
    return sum(cells) + len(columns) - 1


def _print(columns: Sequence[Column], lines: Sequence[Line], width: int) -> None:
    gap = 2 if _natural(columns, lines) + len(columns) - 1 <= width else 1
    right = "".join(str(place) for place, column in enumerate(columns) if column[1])
    cells = [[encodable(text(line)) for _, _, text in columns] for line in lines]
    table([head for head, _, _ in columns], cells, right, width, gap)


def _columns() -> list[Column]:
    """Heading, whether set to the right, and the text of a line."""
    return [
        ("nutrient", False, compared.label),
        ("treated", True, lambda line: _mean(line, treated=True)),
        ("control", True, lambda line: _mean(line, treated=False)),
        ("T - C", True, _difference),
        ("95 % range", True, _range),
    ]


def _test_columns() -> list[Column]:
    return [
        ("T to C", True, lambda line: tested.estimate(line, compared.decimals(line))),
        ("together", True, lambda line: tested.together(line, compared.decimals(line))),
        ("p", True, tested.p_of_date),
        ("p, dates", True, tested.p_of_dates),
        _FINDING,
    ]


def _ratio_columns() -> list[Column]:
    return [("T / C (95 % range)", False, lambda line: compared.ratio_text(line) or _NONE)]


def _mean(line: Line, *, treated: bool) -> str:
    found = line.row.difference
    number = found.treated_mean if treated else found.control_mean
    beds = found.treated_beds if treated else found.control_beds
    if number is None:
        return "limit" if beds else _NONE
    text = marks.plain(number, compared.decimals(line))
    return marks.digits(number) if number and float(text) == 0.0 else text


def _difference(line: Line) -> str:
    one = line.row.difference.against_control
    return _NONE if one.value is None else marks.signed(one.value, compared.decimals(line))


def _range(line: Line) -> str:
    """An interval; in square brackets where it is one of possible values, an end of it open."""
    one = line.row.difference.against_control
    low, high = (
        None if end is None else marks.signed(end, compared.decimals(line))
        for end in (one.low, one.high)
    )
    if low is None and high is None:
        return _NONE
    if one.value is not None:
        return f"{low} to {high}"
    if low is None:
        return f"[{high} or less]"
    return f"[{low} or more]" if high is None else f"[{low} to {high}]"


def _closing(comparison: Comparison) -> Iterable[str]:
    """The key of the tables, pH beside EC, what is missing, methods, notes."""
    lines = comparison.lines
    methods = {line.row.difference.method for line in lines}
    yield (
        "means of beds, in mg/kg unless a unit stands beside the nutrient; T - C is not corrected "
        "for the soil that the amendment displaced (a curve is)"
    )
    made = marks.made(methods)
    if made:
        yield f"95 % range: of T - C on its own, {made}"
    if tested.tested(lines):
        yield from tested.key(lines)
        yield from tested.tests(lines)
        yield from tested.families(lines)
    if any(line.said == "no difference shown" for line in lines):
        yield compared.SAID_OF_NONE
    limits = []
    if any(method.startswith("bounds") for method in methods):
        limits.append("limit: a result below or above what the method reports, not tested")
    if "bounds" in methods:
        limits.append("[ ]: possible values, from the reporting limits; not a 95 % range")
    if limits:
        yield "; ".join(limits)
    if not tested.tested(lines) and any(line.ratio.value is not None for line in lines):
        yield "T / C: ratio of geometric means, for concentrations well above their limit only"
    yield from comparison.salt
    yield from comparison.missing
    yield from compared.sources(lines)
    yield from (f"note: {note}" for note in comparison.notes)
