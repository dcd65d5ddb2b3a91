"""A curve on a terminal: the table of its pulls, what limits it, its curve, then a picture.

Words and tables are ASCII, so is the picture unless the output is a UTF-8 terminal. Nothing is
coloured. The table comes first: the picture only repeats it.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterable, Sequence
from typing import TYPE_CHECKING

from logbook.report import constants, marks
from logbook.report.terminal import below, fits
from logbook.report.terminal.chart import chart
from logbook.report.terminal.tables import console, encodable, say, table, wrapped

if TYPE_CHECKING:
    from logbook.analysis.series import Contrast, Difference
    from logbook.study.series import Row, Series

NARROWEST_PICTURE = 60
_WIDEST = 100
_NONE = "-"


def show_curve(
    series: Series,
    width: int | None,
    *,
    plain: bool = False,
    every: bool = False,
    asked: constants.Asked = constants.NOTHING_ASKED,
) -> None:
    """Print one series on standard output.

    width: columns to use; None: those of the window, 80 where there is none. plain: ASCII only,
    whatever the terminal can show. every: all shapes with why each was or was not chosen.
    """
    wide = console(width).width
    say(_opening(series, wide))
    _table(series, wide)
    say(_limits(series, wide))
    say(_told(series, wide, asked))
    if every and series.fitted is not None:
        fits.table_of_all(series, wide)
        print()
    if wide < NARROWEST_PICTURE:
        say(wrapped(f"(the picture needs {NARROWEST_PICTURE} columns)", wide))
    else:
        say(chart(series, min(wide, _WIDEST), ascii_only=plain or not _draws_boxes()))


def _draws_boxes() -> bool:
    """Whether standard output is a terminal that shows box drawing."""
    encoding = (sys.stdout.encoding or "").lower().replace("-", "").replace("_", "")
    return (
        sys.stdout.isatty()
        and encoding == "utf8"
        and os.environ.get("TERM") != "dumb"
        and not _plain_locale()
    )


def _plain_locale() -> bool:
    """Whether the locale of characters is C or POSIX; Python may write UTF-8 there all the same.

    POSIX.1-2017, 8.2: LC_ALL goes before LC_CTYPE, that before LANG, empty ones not counting. An
    LC_CTYPE that Python itself put in the place of C (PEP 538) does not count either.
    """
    said = [os.environ.get(name, "") for name in ("LC_ALL", "LC_CTYPE", "LANG")]
    if said[1] in ("C.UTF-8", "C.utf8", "UTF-8"):
        said[1] = ""
    return next((name for name in said if name), "") in ("C", "POSIX")


def _opening(series: Series, width: int) -> list[str]:
    """Title, treatment, and what the numbers are."""
    who = series.treatment
    if series.treatment_name and series.treatment_name != who:
        who = f"{who} ({series.treatment_name})"
    what = ", ".join(part for part in (series.method, series.lab, marks.basis_of(series)) if part)
    return [
        *wrapped(f"{series.title}: {who}", width),
        *(wrapped(what, width) if series.analyte else []),
        "",
    ]


Column = tuple[str, bool, Callable[["Row"], str]]


def _table(series: Series, width: int) -> None:
    """The pulls; in two tables, each with the pull's name, where one would be too wide."""
    if not series.rows:
        print("no pull of this series has a result yet")
        return
    columns = _columns(series)
    if _natural(columns, series.rows) <= width:
        _print(columns, series.rows, width)
        return
    sides = [column for column in columns if column[0] in ("day", "treated", "control", "beds")]
    _print([columns[0], *sides], series.rows, width)
    print()
    _print([column for column in columns if column not in sides], series.rows, width)


def _natural(columns: Sequence[Column], rows: Sequence[Row]) -> int:
    """Width of a table of those columns with one blank between them."""
    cells = (max(len(head), *(len(text(row)) for row in rows)) for head, _, text in columns)
    return sum(cells) + len(columns) - 1


def _print(columns: Sequence[Column], rows: Sequence[Row], width: int) -> None:
    gap = 2 if _natural(columns, rows) + len(columns) - 1 <= width else 1
    right = "".join(str(place) for place, column in enumerate(columns) if column[1])
    cells = [[encodable(text(row)) for _, _, text in columns] for row in rows]
    table([head for head, _, _ in columns], cells, right, width, gap)


def _columns(series: Series) -> list[Column]:
    """Heading, whether set to the right, and the text of a row."""
    decimals = marks.places(series)

    def mean(number: float | None, beds: int) -> str:
        return marks.plain(number, decimals) if number is not None else "limit" if beds else _NONE

    def value(one: Contrast | None) -> str:
        return _NONE if one is None or one.value is None else marks.signed(one.value, decimals)

    if series.plain:
        return [
            ("day", True, lambda row: marks.day_text(row.difference.day)),
            ("value", True, lambda row: value(row.difference.against_control)),
        ]
    found: list[Column] = [
        ("pull", False, lambda row: row.name),
        ("day", True, lambda row: marks.day_text(row.difference.day)),
        (
            "treated",
            True,
            lambda row: mean(row.difference.treated_mean, row.difference.treated_beds),
        ),
        (
            "control",
            True,
            lambda row: mean(row.difference.control_mean, row.difference.control_beds),
        ),
        ("T - C", True, lambda row: value(row.difference.against_control)),
        ("95 % range", True, lambda row: _range(row.difference.against_control, decimals)),
    ]
    if series.corrected:
        found += [
            ("net", True, lambda row: value(row.difference.from_amendment)),
            ("95 % range", True, lambda row: _range(row.difference.from_amendment, decimals)),
        ]
    return [*found, ("beds", True, lambda row: _beds(row.difference))]


def _beds(one: Difference) -> str:
    return f"{one.treated_beds}+{one.control_beds}"


def _range(one: Contrast | None, decimals: int) -> str:
    """An interval; in square brackets where it is one of possible values, an end of it open."""
    if one is None or (one.low is None and one.high is None):
        return _NONE
    low, high = (
        None if end is None else marks.signed(end, decimals) for end in (one.low, one.high)
    )
    if one.value is not None:
        return f"{low} to {high}"
    if low is None:
        return f"[{high} or less]"
    return f"[{low} or more]" if high is None else f"[{low} to {high}]"


def _limits(series: Series, width: int) -> list[str]:
    """The key of the table, why numbers are missing, the notes."""
    lines = [text for part in (_key(series), _missing(series)) for text in part]
    lines += [f"note: {note}" for note in marks.merged(series.notes) if note not in lines]
    return [*(piece for line in lines for piece in wrapped(line, width)), ""]


def _told(series: Series, width: int, asked: constants.Asked) -> list[str]:
    """The curve, then mineral N below the control, then what the curve leaves out."""
    told = [*fits.lines(series, asked), *below.lines(series, asked), *_left_out(series)]
    found = [piece for line in told for piece in wrapped(line, width, "    ")]
    return [*found, ""] if found else []


def _key(series: Series) -> Iterable[str]:
    """What the columns mean, as far as they occur."""
    if not series.rows or series.plain:
        return
    unit = "" if series.unit in (series.analyte, "value") else f" in {series.unit}"
    differences = [row.difference for row in series.rows]
    nets = [(one, marks.net(one)) for one in differences]
    made = marks.made(one.method for one, net in nets if net.low is not None)
    between = f"; 95 % range: {made}" if made else ""
    yield f"means of beds{unit}; beds: treated + control{between}"
    if series.corrected:
        share = "" if series.dilution is None else f", f = {series.dilution:.3g}"
        yield (f"net: T - (1 - f) C, what the amendment gave; f: its share of the dry mass{share}")
    if any(one.method.startswith("bounds") for one in differences):
        yield "limit: a result below or above what the method reports"
    if any(marks.possible_only(one) and _range(net, 1).startswith("[") for one, net in nets):
        yield "[ ]: possible values, from the reporting limits; not a 95 % range"


def _missing(series: Series) -> Iterable[str]:
    """Reasons for what the table does not give, the pulls named unless all are meant."""
    from logbook.analysis.series import POSSIBLE

    for pulls, reason in marks.reasons(series):
        if reason != POSSIBLE:
            yield f"{pulls}: {reason}" if pulls else reason


def _left_out(series: Series) -> Iterable[str]:
    """The pulls that the curve leaves out, unless a note of the series says so."""
    told = " ".join(series.notes)
    reasons: dict[str, list[str]] = {}
    if series.fitted is not None:
        for sentence in series.points.left_out:
            if sentence not in told:
                pull, _, reason = sentence.partition(": ")
                reasons.setdefault(reason, []).append(pull)
    for reason, pulls in reasons.items():
        yield f"left out of the curve: {', '.join(pulls)}: {reason}"
