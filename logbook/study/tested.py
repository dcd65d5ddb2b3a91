"""All treatments of one nutrient and date against the one control: the family that is tested.

A family holds one nutrient by one method, basis, laboratory and unit on one planned pull. It is
tested on logarithms where every bed is well above the limit, which gives ratios; pH, and whatever
lies near a limit, on its own scale. Every treatment with results of the trial belongs to it,
whichever of them is asked for: what is shown changes no p.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from logbook.trial.chemistry import ANALYTES

if TYPE_CHECKING:
    from logbook.analysis.beds import Bed
    from logbook.analysis.several import Family, Line, Measured
    from logbook.study.series import Row, Series

Kind = tuple[str, str, str, str, str]

CONTROL = ""  # no treatment has an empty code
ALPHA = 0.05
SEVERAL_DAYS = "control beds pulled for this date on several days: their mean stands for it"
BEYOND = "a result is below or above what the method reports"
CONTROL_BEYOND = "a control's result is below or above what the method reports"
# Zero means none of it, so that a ratio has a meaning; a pH of zero does not mean none.
_LOGGED = frozenset({"content", "charge", "conductivity"})


@dataclass(frozen=True)
class Tested:
    """One treatment's place in its family.

    p_exploratory: by Holm over every date and treatment of the nutrient that was tested, `tests`
    of them; None for the difference declared beforehand and where there is no test. finding: a few
    plain words; sentence: the same with its numbers; both "" where there is no test.
    """

    family: Family
    line: Line
    p_exploratory: float | None
    tests: int
    finding: str
    sentence: str
    note: str = ""

    @property
    def p(self) -> float | None:
        """Adjusted for all treatments on the date, None where there is no test."""
        return self.line.p

    @property
    def side(self) -> int:
        """1 or -1 where the date by itself shows a difference, above or below the control."""
        if self.line.p is None or self.line.p > ALPHA or self.line.estimate is None:
            return 0
        none = 1.0 if self.family.scale == "ratio" else 0.0
        return 1 if self.line.estimate > none else -1

    @property
    def perhaps(self) -> bool:
        """Whether a difference shown on its date is not beyond chance among all the dates."""
        return bool(self.side) and self.p_exploratory is not None and self.p_exploratory > ALPHA


def kind_of(series: Series) -> Kind:
    """What must agree for results to be compared."""
    return (series.analyte, series.method, series.basis, series.lab, series.unit)


def logged(analyte: str) -> bool:
    """Whether an analyte may be compared as a ratio, on logarithms."""
    return ANALYTES[analyte].dimension in _LOGGED


def fit_for_logs(values: Iterable[float], limit: float | None) -> bool:
    """Whether all values are well above zero and the reporting limit."""
    from logbook.analysis.ratios import TIMES_LIMIT

    least = TIMES_LIMIT * limit if limit is not None else 0.0
    return all(value > 0.0 and value >= least for value in values)


class Families:
    """The families of some series, of all treatments, by kind and pull; each found once."""

    def __init__(self, found: Sequence[Series], limits: Mapping[Kind, float | None]) -> None:
        rows: dict[tuple[Kind, str], dict[str, Row]] = {}
        for one in found:
            for row in one.rows:
                rows.setdefault((kind_of(one), row.name), {})[one.treatment] = row
        self._groups = {place: sharing_controls(some) for place, some in rows.items()}
        self._limits = limits
        self._alone: dict[Kind, dict[tuple[str, str], float]] = {}
        self._found: dict[tuple[Kind, str, str], tuple[Family, str]] = {}

    def of(self, series: Series, row: Row, *, declared: bool, endpoint: tuple[str, str]) -> Tested:
        """A treatment's line on a pull; endpoint: nutrient and pull that were declared."""
        kind, code = kind_of(series), series.treatment
        group = next(some for some in self._groups[kind, row.name] if code in some)
        place = (kind, row.name, min(group))
        if place not in self._found:
            self._found[place] = family_of(group, self._limits.get(kind), kind[0])
        family, note = self._found[place]
        line = next(one for one in family.lines if one.treatment == code)
        chances = self._chances(kind, endpoint)
        p = None if declared else chances.get((row.name, code))
        finding, sentence = words_of(series, family, line, p, len(chances))
        return Tested(family, line, p, 0 if p is None else len(chances), finding, sentence, note)

    def _chances(self, kind: Kind, endpoint: tuple[str, str]) -> dict[tuple[str, str], float]:
        """Holm's p of every exploratory test of a kind: pulls after application, any treatment."""
        from logbook.analysis.several import holm

        if kind not in self._alone:
            found: dict[tuple[str, str], float] = {}
            for (other, pull), groups in self._groups.items():
                before = any(row.difference.day < 0.0 for some in groups for row in some.values())
                if other == kind and not before and (kind[0], pull) != endpoint:
                    found |= self._chances_on(kind, pull)
            places = list(found)
            adjusted = holm([found[place] for place in places])
            self._alone[kind] = dict(zip(places, adjusted, strict=True))
        return self._alone[kind]

    def _chances_on(self, kind: Kind, pull: str) -> dict[tuple[str, str], float]:
        """The p of every test of a kind on one pull, each by itself."""
        limit = self._limits.get(kind)
        families = [
            family_of(group, limit, kind[0], adjusted=False)[0]
            for group in self._groups[kind, pull]
        ]
        return {
            (pull, line.treatment): line.p_alone
            for family in families
            for line in family.lines
            if line.p_alone is not None
        }


def sharing_controls(rows: Mapping[str, Row]) -> list[dict[str, Row]]:
    """The rows of one pull in groups that hang together by control beds that they share.

    A late joiner is compared with controls of its own history, so that it is no member of the
    family of those that were there from the start.
    """
    groups: list[tuple[set[str], dict[str, Row]]] = []
    for code, row in rows.items():
        controls = {one.bed for one in row.observations if not one.treated}
        joined = [one for one in groups if one[0] & controls]
        members = {code: row}
        for beds, some in joined:
            controls |= beds
            members = {**some, **members}
        groups = [one for one in groups if one not in joined] + [(controls, members)]
    return [some for _, some in groups]


def family_of(
    rows: Mapping[str, Row], limit: float | None, analyte: str, *, adjusted: bool = True
) -> tuple[Family, str]:
    """The rows of one pull, by treatment code, as a family; and what must be said of its beds."""
    from logbook.analysis import several

    beds, note = beds_of_rows(rows)
    beyond = {code for code, own in beds.items() if code and any(one.censored for one in own)}
    controls = beds.get(CONTROL, [])
    kept = [code for code in rows if code not in beyond and beds.get(code)]
    if any(one.censored for one in controls) or not kept:
        reason = BEYOND if beyond and not kept else CONTROL_BEYOND
        lines = [_without(code, len(beds.get(code, ())), reason) for code in sorted(rows)]
        nothing = (None, None, None, False, len(controls), None)
        return several.Family("none", reason, "difference", *nothing, tuple(lines)), note
    measured = [one for code in (CONTROL, *kept) for one in _measured(code, beds.get(code, []))]
    logs = logged(analyte) and fit_for_logs((one.value for one in measured), limit)
    family = several.compared(measured, CONTROL, logs=logs, adjusted=adjusted)
    rest = [_without(code, len(beds.get(code, ())), BEYOND) for code in rows if code not in kept]
    lines = sorted((*family.lines, *rest), key=lambda line: line.treatment)
    return replace(family, lines=tuple(lines)), note


def _without(code: str, beds: int, reason: str) -> Line:
    from logbook.analysis.several import Line

    return Line(code, beds, *(None,) * 7, reason)


def _measured(code: str, beds: Iterable[Bed]) -> list[Measured]:
    from logbook.analysis.several import Measured

    return [Measured(one.name, one.block, code, one.low) for one in beds]


def beds_of_rows(rows: Mapping[str, Row]) -> tuple[dict[str, list[Bed]], str]:
    """The beds of every treatment and of the control (""), each bed once; and a note on them.

    A control bed stands in the row of each treatment of its block. Where it was pulled for them on
    several days, its results differ from row to row, and their mean is taken.
    """
    from logbook.analysis.beds import beds_of, mean

    found: dict[str, list[Bed]] = {}
    controls: dict[str, list[Bed]] = {}
    for code, row in rows.items():
        for bed in beds_of(row.observations):
            if bed.treated:
                found.setdefault(code, []).append(bed)
            else:
                controls.setdefault(bed.name, []).append(bed)
    several_days = False
    for name in sorted(controls):
        same = controls[name]
        several_days = several_days or len({(one.low, one.high) for one in same}) > 1
        low, high = mean([one.low for one in same]), mean([one.high for one in same])
        censored = any(one.censored for one in same)
        found.setdefault(CONTROL, []).append(
            replace(same[0], low=low, high=high, censored=censored)
        )
    return found, SEVERAL_DAYS if several_days else ""


def words_of(
    series: Series, family: Family, line: Line, p_exploratory: float | None, tests: int
) -> tuple[str, str]:
    """The finding of a tested line in a few words, and as a sentence; "" twice without a test."""
    if line.p is None or line.low is None or line.high is None or line.estimate is None:
        return "", ""
    ratio = family.scale == "ratio"
    unit = "times the control" if ratio else series.unit
    low, high = number(line.low), number(line.high)
    if line.p > ALPHA:
        said = f"no difference shown: anything from {low} to {high} {unit} fits"
        return "no difference shown", said
    word = direction(series.analyte, line.estimate > (1.0 if ratio else 0.0))
    if ratio:
        said = f"{word} than the control: {number(line.estimate)} times ({low} to {high})"
    else:
        ends = sorted((abs(line.low), abs(line.high)))
        span = f"{number(ends[0])} to {number(ends[1])}"
        if line.low <= 0.0 <= line.high:
            span = f"{low} to {high}"
        said = f"{word} than the control by {number(abs(line.estimate))} {series.unit} ({span})"
    if p_exploratory is not None and p_exploratory > ALPHA:
        more = f"not beyond chance among {tests} tests of {series.analyte}"
        return f"perhaps {word}", f"perhaps {said}; {more} (p {p_text(p_exploratory)})"
    return word, said


def direction(analyte: str, above: bool) -> str:
    """ "more" or "less" of a content; what is no content is higher or lower."""
    if ANALYTES[analyte].dimension in ("content", "charge"):
        return "more" if above else "less"
    return "higher" if above else "lower"


def number(value: float) -> str:
    """Three significant digits, no exponent for what a laboratory reports."""
    # From 999.5 on three digits would be written as 1e+03.
    return f"{value:.3g}" if abs(value) < 999.5 else f"{value:.0f}"


def p_text(p: float) -> str:
    """A p value as text: two or three decimals, never all of nothing or of one."""
    if p < 0.001 or p > 0.99:
        return "<0.001" if p < 0.5 else ">0.99"
    return f"{p:.3f}" if p < 0.1 else f"{p:.2f}"
