"""What a comparison over all dates says, free of format: where differences change, and areas."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING

from logbook.report import marks
from logbook.study.placing import BY_HAND, NOT_RANDOMISED
from logbook.study.tested import ALPHA, p_text

if TYPE_CHECKING:
    from logbook.study.every_date import EveryDate, Line, Nutrient

KEY = (
    "together: a range that holds for all treatments at once, of T / C (marked x), the ratio of "
    "geometric means, or of T - C where there is no ratio; p: adjusted for the treatments. Dates "
    "of one bed are no replicates: it is beds that are compared"
)
ONE_DATE = (
    "of single dates, as where one date is compared: p adjusted for its treatments, and of all but "
    'the declared difference by Holm over every date and treatment of the nutrient; "perhaps": '
    "not beyond chance among those"
)
NO_TURN = "no difference is shown to turn"
CHANGE = (
    "do differences change with the date? F of treatment by date; where they do, the mean over the "
    "dates says little: see the dates one by one"
)


def title(found: EveryDate) -> str:
    """What is compared."""
    return f"{found.trial}, all dates: mean of every treatment over the dates, and the control's"


def head(found: EveryDate) -> list[str]:
    """What such means are, and are not."""
    sentences = list(_placed(found)) if found.randomised else [BY_HAND]
    declared = f"{found.endpoint} on day {found.endpoint_day}"
    return [*sentences, f"all of it is exploratory: declared beforehand was {declared}"]


def _placed(found: EveryDate) -> Iterator[str]:
    """Whose late beds were placed by hand, where the others were drawn."""
    for code in found.treatments:
        notes = (note for _, line in of(found, code) for note in line.series.notes)
        yield from dict.fromkeys(f"{code}: {note}" for note in notes if NOT_RANDOMISED in note)


def of(found: EveryDate, treatment: str) -> list[tuple[Nutrient, Line]]:
    """The lines of one treatment, with their nutrients."""
    return [
        (nutrient, line)
        for nutrient in found.nutrients
        for line in nutrient.lines
        if line.series.treatment == treatment
    ]


def changing(found: EveryDate) -> list[list[str]]:
    """Rows of the table of changes: nutrient, dates, F, df, p, and the answer."""
    rows = []
    for nutrient in found.nutrients:
        if nutrient.season is None or nutrient.season.interaction is None:
            continue
        one = nutrient.season.interaction
        answer = "yes" if one.p <= ALPHA else "not shown"
        df = f"{one.df}, {one.error_df}"
        count = str(len(nutrient.dates))
        rows.append([nutrient.name, count, f"{one.f:.3g}", df, p_text(one.p), answer])
    return rows


def turning(found: EveryDate) -> Iterator[str]:
    """Differences that lie below the control on some dates and above it on others."""
    for nutrient in found.nutrients:
        for line in nutrient.lines:
            shown = [one for _, one in line.on_dates if one.side]
            if {one.side for one in shown} != {-1, 1} or all(one.perhaps for one in shown):
                continue
            sure = {one.side for one in shown if not one.perhaps} == {-1, 1}
            said = "; ".join(_sides(line))
            yield (
                f"{nutrient.name}, {line.series.treatment}: {said}: the mean over the dates "
                f"{'hides' if sure else 'may hide'} this"
            )


def _sides(line: Line) -> Iterator[str]:
    """The dates below the control and those above it, what is shown before what is a perhaps."""
    for side, where in ((-1, "below"), (1, "above")):
        for perhaps in (False, True):
            dates = [
                date for date, one in line.on_dates if one.side == side and one.perhaps is perhaps
            ]
            if dates:
                word = "perhaps " if perhaps else ""
                yield f"{word}{where} the control on {marks.dates_text(dates)}"


def areas(found: EveryDate) -> Iterator[str]:
    """The area under T - C of the declared nutrient, a sentence a treatment."""
    for nutrient in found.nutrients:
        for line in nutrient.lines:
            if line.area is None:
                continue
            unit = f"{line.series.unit} x d"
            what = f"area under T - C of {nutrient.name}, {line.series.treatment} (secondary)"
            if line.area.value is None or line.area.low is None or line.area.high is None:
                yield f"{what}: no range: {line.area.reason_low or line.area.method}"
                continue
            value, low, high = (
                marks.signed(end, 0) for end in (line.area.value, line.area.low, line.area.high)
            )
            yield f"{what}: {value} {unit} ({low} to {high}; {line.area.method})"


def remarks(found: EveryDate) -> Iterator[str]:
    """How variances were found, what was left out, and why something is missing."""
    owners: dict[str, list[str]] = {}
    for nutrient in found.nutrients:
        said = [*nutrient.outside, nutrient.reason]
        if nutrient.season is not None:
            if nutrient.season.method != "closed form":
                said.append(nutrient.season.why)
            said += [line.reason for line in nutrient.season.means.lines]
        for one in dict.fromkeys(said):
            if one:
                owners.setdefault(one, []).append(nutrient.name)
    every = len({nutrient.name for nutrient in found.nutrients})
    for one, about in owners.items():
        names = list(dict.fromkeys(about))
        yield one if len(names) == every else f"{_listed(names)}: {one}"


def _listed(names: Iterable[str]) -> str:
    found = list(names)
    return ", ".join(found) if len(found) < 6 else f"{len(found)} nutrients"
