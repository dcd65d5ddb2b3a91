"""What a table of tests says, free of format: ratios and ranges as text, which test, and why."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from logbook.report import marks
from logbook.study.tested import p_text

if TYPE_CHECKING:
    from logbook.analysis.several import Family
    from logbook.study.comparison import Line

_NONE = "-"


def tested(lines: Iterable[Line]) -> bool:
    """Whether any of these lines has a test."""
    return any(line.test is not None and line.test.p is not None for line in lines)


def key(lines: Sequence[Line]) -> list[str]:
    """What the columns of a test say, of what occurs only."""
    scales = {line.test.family.scale for line in lines if line.test and line.test.p is not None}
    ratio = "of T / C (marked x), the ratio of geometric means"
    what = {
        (True, False): ratio,
        (False, True): "of T - C",
        (True, True): f"{ratio}, or of T - C where there is no ratio",
    }.get(("ratio" in scales, "difference" in scales), "of T - C")
    p = "p: adjusted for all treatments of the date"
    if any(line.test is not None and line.test.p_exploratory is not None for line in lines):
        p += "; p, dates: of an exploratory line, by Holm over every date and treatment of the "
        p += "nutrient"
    if any(line.test is not None and line.test.perhaps for line in lines):
        p += '; "perhaps": not beyond chance among those'
    return [
        f"together: a range that holds for all treatments of the date at once, {what}; the finding "
        "goes by it",
        p,
    ]


def estimate(line: Line, decimals: int) -> str:
    """ "x 2.13" of a ratio, "+0.18" of a difference."""
    if line.test is None or line.test.line.estimate is None:
        return _NONE
    value = line.test.line.estimate
    if line.test.family.scale == "ratio":
        return f"x {marks.digits(value)}"
    return marks.signed(value, decimals)


def together(line: Line, decimals: int) -> str:
    """The range that holds for all treatments at once, "-" without a test."""
    if line.test is None or line.test.line.low is None or line.test.line.high is None:
        return _NONE
    ends = (line.test.line.low, line.test.line.high)
    if line.test.family.scale == "ratio":
        return " to ".join(marks.digits(end) for end in ends)
    return " to ".join(marks.signed(end, decimals) for end in ends)


def p_of_date(line: Line) -> str:
    """The p adjusted for the treatments of the date."""
    return _NONE if line.test is None or line.test.p is None else p_text(line.test.p)


def p_of_dates(line: Line) -> str:
    """The p among all dates of the nutrient, "-" for the difference declared beforehand."""
    if line.test is None or line.test.p_exploratory is None:
        return _NONE
    return p_text(line.test.p_exploratory)


def tests(lines: Iterable[Line]) -> list[str]:
    """Which test was made of which nutrients, and why; a sentence for each kind."""
    owners: dict[str, dict[str, list[str]]] = {}
    for line in lines:
        if line.test is not None and line.test.family.method != "none":
            df = line.test.family.df
            freedom = "" if df is None else f"{df:g} df"
            mine = owners.setdefault(_test(line.test.family), {})
            mine.setdefault(freedom, []).append(line.series.analyte)
    return [
        f"{what}: {'; '.join(_of_freedom(names, df) for df, names in groups.items())}"
        for what, groups in owners.items()
    ]


def _of_freedom(names: Iterable[str], df: str) -> str:
    """Nutrients and the degrees of freedom that their tests have."""
    return f"{', '.join(dict.fromkeys(names))}{f' ({df})' if df else ''}"


def families(lines: Iterable[Line]) -> list[str]:
    """Which treatments are compared with control beds of their own, where not all share them."""
    groups: dict[str, dict[tuple[str, ...], None]] = {}
    for line in lines:
        if line.test is not None:
            members = tuple(one.treatment for one in line.test.family.lines)
            groups.setdefault(line.series.analyte, {})[members] = None
    owners: dict[str, list[str]] = {}
    for analyte, apart in groups.items():
        if len(apart) > 1:
            said = "; ".join(", ".join(members) for members in sorted(apart))
            owners.setdefault(said, []).append(analyte)
    return [
        f"{', '.join(names)}: not all share their control beds, so each of these is tested apart: "
        f"{said}"
        for said, names in owners.items()
    ]


def _test(family: Family) -> str:
    """The test of a family in words, without its numbers."""
    blocks = "blocks taken out" if family.blocks else "no blocks"
    note = family.why.partition("blocks not used: ")[2]
    if note:
        blocks = f"blocks not used, {note}"
    if family.method == "dunnett":
        return f"tested on the spread that all beds share ({blocks}; Dunnett)"
    way = "within blocks" if family.blocks else "Welch"
    return f"one spread stands out (Cochran), so each treatment by itself ({way}; Holm)"


def untested(lines: Sequence[Line], said: Iterable[str]) -> list[str]:
    """Why lines have no test; reasons that were `said` already are left out."""
    known = set(said)
    owners: dict[str, list[str]] = {}
    for line in lines:
        if line.test is not None and line.test.line.reason:
            owners.setdefault(line.test.line.reason, []).append(line.series.analyte)
    return [
        reason if len(about) == len(lines) else f"{', '.join(dict.fromkeys(about))}: {reason}"
        for reason, about in owners.items()
        if not any(reason in one for one in known)
    ]
