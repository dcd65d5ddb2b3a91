"""One date: every nutrient of every treatment against the control.

The rows are those of the series, paired there by block and planned pull; here one pull of each is
taken out and set beside the others, with a ratio where a ratio means anything.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING

from logbook.errors import UserMistake
from logbook.store import views
from logbook.study.placing import BY_HAND
from logbook.study.samples import MINERAL_N, PARTS, kept
from logbook.study.series import Row, Series, of_treatment, series_of
from logbook.study.tested import Families, Kind, direction, kind_of, logged, number
from logbook.trial.chemistry import ANALYTES
from logbook.trial.schedule import pull_word

if TYPE_CHECKING:
    import sqlite3

    from logbook.analysis.ratios import Ratio
    from logbook.analysis.series import Contrast
    from logbook.study.tested import Tested
    from logbook.trial.records import Trial

NO_CONCENTRATION = "no concentration: a difference only"
_CONCENTRATIONS = frozenset({"content", "charge"})
# In a salt solution the salt that an amendment brings hardly shifts pH; in water it lowers it.
_SALTED = ("cacl2", "kcl")


@dataclass(frozen=True)
class Line:
    """One nutrient of one treatment on the date compared.

    ratio: treated / control, its value None with the reason where it is not meant; level: the
    control's mean where a difference may be given as a share of it, else None with `no_level`
    saying why; declared: the difference that the protocol named beforehand, on its day; finding:
    a few plain words by the range of this line alone; sentence: the same with its numbers; test:
    the line's place among all treatments of the date, None where none was sought.
    """

    series: Series
    row: Row
    ratio: Ratio
    level: float | None
    no_level: str
    declared: bool
    finding: str
    sentence: str
    test: Tested | None = None

    @property
    def said(self) -> str:
        """The finding among all treatments where there is a test, else that of the line alone."""
        return (self.test.finding if self.test is not None else "") or self.finding

    @property
    def shown(self) -> int:
        """1 or -1 where a difference is shown, above or below the control; else 0."""
        one = self.row.difference.against_control
        possible = self.row.difference.method == "bounds"
        if possible or one.low is None or one.high is None:
            return 0
        return (one.low > 0.0) - (one.high < 0.0)


@dataclass(frozen=True)
class Comparison:
    """All differences on one date, treatment by treatment, pH beside EC at the end of each.

    pull, first, last: the calendar's name of the date and the field days it fell on; endpoint,
    endpoint_day: the difference declared beforehand; salt: sentences on pH and EC; missing: what
    was followed but has no result on this date, or none that counts; notes: what limits the lines
    and those that are missing.
    """

    trial: str
    pull: str
    first: date
    last: date
    randomised: bool
    endpoint: str
    endpoint_day: int
    lines: tuple[Line, ...]
    salt: tuple[str, ...]
    missing: tuple[str, ...]
    notes: tuple[str, ...]
    flagged_left_out: bool = False

    @property
    def treatments(self) -> list[str]:
        """Codes of the treatments compared, in order."""
        return list(dict.fromkeys(line.series.treatment for line in self.lines))

    def of(self, treatment: str) -> list[Line]:
        """The lines of one treatment."""
        return [line for line in self.lines if line.series.treatment == treatment]


def compare(
    store: sqlite3.Connection,
    trial: str,
    pull: str | None = None,
    treatment: str | None = None,
    *,
    without_flagged: bool = False,
    series: Sequence[Series] | None = None,
) -> Comparison:
    """Compare every treatment, or one by its code, with the control on one date.

    pull: a planned pull's name ("day 28", "28", "before"); None: the newest that has a result of
    a treated bed and of its control. without_flagged: leave out what was pulled after a mishap.
    series: those of all treatments, where the caller has read them (None: they are read).

    Raises:
        UserMistake: a treatment or pull that does not exist, or no result to compare.
    """
    record = views.fetch(store, "trial", "id = ?", (trial,))[0].record
    if series is None:
        series = series_of(store, trial, fitted=False, without_flagged=without_flagged)
    found, everyone = of_treatment(store, trial, series, treatment), list(series)
    name = _newest(found) if pull is None else _named(store, trial, pull, found)
    limits = limits_of(store, trial, everyone)
    families = Families(everyone, limits)
    lines = [
        _line(record, one, row, limits[kind_of(one)], families)
        for one in sorted(found, key=lambda each: (each.treatment, *place_of(each)))
        for row in one.rows
        if row.name == name
    ]
    days = [day for line in lines for day in (line.row.first, line.row.last) if day is not None]
    newer = list(_newer(store, trial, everyone, name)) if pull is None else []
    return Comparison(
        trial=record.name,
        pull=name,
        first=min(days),
        last=max(days),
        randomised=record.assigned == "drawn",
        endpoint=record.endpoint,
        endpoint_day=record.endpoint_day,
        lines=tuple(lines),
        salt=tuple(_salt(lines)),
        missing=tuple(_missing(found, lines, name)),
        notes=(*newer, *_notes(lines, found, name)),
        flagged_left_out=without_flagged,
    )


def asked_and_all(
    store: sqlite3.Connection, trial: str, treatment: str | None, *, without_flagged: bool
) -> tuple[list[Series], list[Series]]:
    """The series of the treatment asked for (None: of all), and those of all treatments.

    Raises UserMistake for a treatment that is the control or does not exist.
    """
    everyone = series_of(store, trial, fitted=False, without_flagged=without_flagged)
    return of_treatment(store, trial, everyone, treatment), everyone


def place_of(series: Series) -> tuple[bool, bool, int, Kind]:
    """Mineral-N first, then the order of the analyte table, then pH and EC side by side."""
    names = list(ANALYTES)
    analyte = series.analyte
    last = analyte in ("pH", "EC")
    return (last, analyte != MINERAL_N, names.index(analyte), kind_of(series))


def _newest(found: Iterable[Series]) -> str:
    """The newest pull with a treated bed and its control."""
    both = [
        (row.last, row.difference.day, row.name)
        for series in found
        for row in series.rows
        if row.last is not None and row.difference.control_beds and row.difference.treated_beds
    ]
    if not both:
        raise UserMistake(
            "no pull has a result of a treated bed and of its control yet",
            "logbook lab import FILE brings results in",
        )
    return max(both)[2]


def _newer(
    store: sqlite3.Connection, trial: str, found: Iterable[Series], name: str
) -> Iterator[str]:
    """That there are newer pulls than the one taken, with results of which none counts yet."""
    days = {one.name: one.day for one in views.calendar(store, trial).planned}
    taken = days.get(name)
    if taken is None:
        return
    waiting = {other for one in found for other in one.uncounted}
    later = [other for other, day in days.items() if day is not None and day > taken]
    for other in (one for one in later if one in waiting):
        yield (
            f"{other} is newer and left out: no result of a treated bed and of its control counts "
            "yet; logbook lab queries lists what is in question"
        )


def _named(store: sqlite3.Connection, trial: str, pull: str, found: Sequence[Series]) -> str:
    """The name of the pull that is meant, once it has results."""
    planned = sorted(
        views.calendar(store, trial).planned, key=lambda one: -1 if one.day is None else one.day
    )
    rows = sorted(
        {(row.difference.day, row.name) for series in found for row in series.rows},
    )
    with_results = list(dict.fromkeys(name for _, name in rows))
    known = [one.name for one in planned]
    names = {name.casefold(): name for name in (*known, *with_results)}
    names |= {str(one.day): one.name for one in planned if one.day is not None}
    name = names.get(pull_word(pull))
    if name is None:
        raise UserMistake(f"the calendar has no pull {pull!r}", f"it has: {', '.join(known)}")
    if name not in with_results:
        remedy = f"there are results of: {', '.join(with_results)}"
        none = "logbook lab import FILE brings results in"
        if any(name in one.uncounted for one in found):
            raise UserMistake(
                f"{name} has no result of a treated bed that counts",
                "logbook lab queries lists what is in question; a curve says what is left out",
            )
        raise UserMistake(
            f"{name} has no result of a treated bed yet", remedy if with_results else none
        )
    return name


def limits_of(
    store: sqlite3.Connection, trial: str, found: Iterable[Series]
) -> dict[Kind, float | None]:
    """The reporting limit of every kind of series, None where no result shows one."""
    shown = _limits(store, trial)
    return {kind_of(one): _limit(shown, one) for one in found}


def _limits(store: sqlite3.Connection, trial: str) -> dict[Kind, float]:
    """The highest reporting limit that any result of a kind shows, where one shows any."""
    rows = store.execute(
        f"WITH {views.BAGS} "
        "SELECT r.analyte, r.method, r.basis, r.lab, r.unit, bag.kind, max(r.limit_num) "
        "FROM bag CROSS JOIN result r ON r.sample = bag.code "
        "WHERE r.qualifier = '<' AND r.limit_num > 0 "
        "GROUP BY r.analyte, r.method, r.basis, r.lab, r.unit, bag.kind",
        (trial,),
    ).fetchall()
    found: dict[Kind, float] = {}
    for analyte, method, basis, lab, unit, kind, limit in rows:
        one = (analyte, kept(method, analyte, kind), basis, lab, unit)
        found[one] = max(limit, found.get(one, 0.0))
    return found


def _limit(limits: dict[Kind, float], series: Series) -> float | None:
    """The limit of a series, None where no result shows one; a sum's is that of its parts."""
    if series.analyte != MINERAL_N:
        return limits.get(kind_of(series))
    methods = series.method.split(" + ")
    rest = (series.basis, series.lab, series.unit)
    both = zip(PARTS, (methods[0], methods[-1]), strict=True)
    return sum(limits.get((part, method, *rest), 0.0) for part, method in both) or None


def _line(trial: Trial, series: Series, row: Row, limit: float | None, families: Families) -> Line:
    from logbook.analysis import ratios

    ratio = ratios.Ratio(None, None, None, None, "none", NO_CONCENTRATION)
    no_level = NO_CONCENTRATION
    if logged(series.analyte):
        ratio = ratios.ratio_of(row.observations, limit)
    if ANALYTES[series.analyte].dimension in _CONCENTRATIONS:
        no_level = ratios.why_no_share(row.observations, limit)
    # Nothing can change what was declared: a trial's record is written once, at its start.
    endpoint = (trial.endpoint, f"day {trial.endpoint_day}")
    declared = (series.analyte, row.name) == endpoint
    finding, sentence = words_of(series, row)
    return Line(
        series=series,
        row=row,
        ratio=ratio,
        level=None if no_level else row.difference.control_mean,
        no_level=no_level,
        declared=declared,
        finding=finding,
        sentence=sentence,
        test=families.of(series, row, declared=declared, endpoint=endpoint),
    )


def words_of(series: Series, row: Row) -> tuple[str, str]:
    """The finding of a line in a few words, and as a sentence with its numbers."""
    found = row.difference
    one = found.against_control
    if found.method == "none":
        return "cannot say: no control", one.reason
    if found.method == "bounds":
        return _bounded(one, series.unit)
    if one.low is None or one.high is None:
        alone = found.method == "one bed"
        sentence = one.reason
        if alone and one.value is not None:
            sentence = (
                f"a difference of {_signed(one.value)} {series.unit} is no finding: {sentence}"
            )
        return f"cannot say: {'one bed' if alone else 'no spread seen'}", sentence
    low, high = number(one.low), number(one.high)
    if one.low <= 0.0 <= one.high:
        said = f"no difference shown: anything from {low} to {high} {series.unit} fits"
        return "no difference shown", said
    word = direction(series.analyte, one.low > 0.0)
    ends = sorted((abs(one.low), abs(one.high)))
    span = f"{number(ends[0])} to {number(ends[1])}"
    if one.value is None:
        return word, f"{word} than the control by {span} {series.unit}: {one.reason}"
    value = number(abs(one.value))
    return word, f"{word} than the control by {value} {series.unit} ({span})"


def _bounded(one: Contrast, unit: str) -> tuple[str, str]:
    """What can be said where a result lies beyond a limit: never that there is a difference."""
    if one.low is None and one.high is None:
        return "cannot say: limits", one.reason or "the results' limits leave the difference open"
    low = "" if one.low is None else f" from {number(one.low)}"
    high = " upwards" if one.high is None else f" up to {number(one.high)}"
    return "cannot say: limits", f"possible{low}{high} {unit}: {one.reason}"


def _signed(value: float) -> str:
    text = number(value)
    return text if text.startswith("-") else f"+{text}"


def _salt(lines: Sequence[Line]) -> Iterator[str]:
    """Where pH fell while EC rose, or where nothing tells a fall by salt from one by acid.

    By the findings as they are told: a note on a fall that no finding shows would contradict it.
    """
    for treatment in dict.fromkeys(line.series.treatment for line in lines):
        mine = [line for line in lines if line.series.treatment == treatment]
        in_water = [line for line in mine if line.series.analyte == "pH" and not _salted(line)]
        fell = _told(in_water, "lower")
        if not fell:
            continue
        conductivity = [line for line in mine if line.series.analyte == "EC"]
        rose = _told(conductivity, "higher")
        if rose:
            yield (
                f"{treatment}: pH {fell} and EC {rose}: possibly salt; salt by itself lowers pH in "
                "water, so this is no proof that the soil became more acid"
            )
        elif not conductivity:
            yield (
                f"{treatment}: pH {fell}, and no EC on this date: a fall by salt cannot be told "
                "from one by acid"
            )


def _told(lines: Iterable[Line], way: str) -> str:
    """The surest of the findings that tell of that way: "lower", "perhaps lower", or ""."""
    found = [line.said for line in lines if line.said in (way, f"perhaps {way}")]
    return min(found, key=len, default="")


def _salted(line: Line) -> bool:
    return any(word in line.series.method.casefold() for word in _SALTED)


def _missing(found: Sequence[Series], lines: Sequence[Line], name: str) -> Iterator[str]:
    """Series without a line: of results that do not count, and of results on other dates only.

    A sentence for each treatment and of each sort.
    """
    here = {(line.series.treatment, kind_of(line.series)) for line in lines}
    kinds = {kind_of(one) for one in found}
    gone: dict[tuple[str, bool], list[str]] = {}
    for one in found:
        if (one.treatment, kind_of(one)) not in here:
            sort = (one.treatment, name in one.uncounted)
            gone.setdefault(sort, []).append(_told_apart(one, kinds))
    some = {treatment for treatment, _ in here}
    for (treatment, uncounted), names in gone.items():
        if uncounted:
            yield f"{treatment}: no result that counts on this date: {', '.join(names)}"
        elif treatment in some or (treatment, True) in gone:
            yield f"{treatment}: no result on this date, but on others: {', '.join(names)}"
        else:
            yield f"{treatment}: no result on this date"


def _told_apart(one: Series, kinds: Iterable[Kind]) -> str:
    """A series by nutrient and method; where that names several, by all that sets it apart."""
    kind = kind_of(one)
    same = [other for other in kinds if other[:2] == kind[:2] and other != kind]
    apart = [
        mine
        for place, mine in enumerate(kind)
        if place > 1 and mine and any(other[place] != mine for other in same)
    ]
    return f"{one.analyte} ({', '.join((one.method, *apart))})"


def _notes(lines: Iterable[Line], found: Iterable[Series], name: str) -> Iterator[str]:
    """What limits the lines, each note once with the lines that it is about.

    So too what is said of results of this date none of which counts: such have no line.

    How beds were assigned stands at the head; what a curve leaves out, and what is to be said of
    other dates, is no matter here.
    """
    owners: dict[str, list[tuple[str, str]]] = {}
    for line in lines:
        elsewhere = {note for row in line.series.rows for note in row.notes} - {*line.row.notes}
        elsewhere |= {BY_HAND, *line.series.points.left_out, *line.series.of_pulls}
        tested = line.test.note if line.test is not None else ""
        whole = [note for note in line.series.notes if note not in elsewhere]
        for note in (*whole, *line.row.limits, line.row.difference.note, tested):
            if note:
                owners.setdefault(note, []).append((line.series.treatment, line.series.analyte))
    for one in found:
        for note in one.uncounted.get(name, ()):
            owners.setdefault(note, []).append((one.treatment, one.analyte))
    for note, about in owners.items():
        treatments = ", ".join(dict.fromkeys(treatment for treatment, _ in about))
        yield f"{treatments}, {_listed(analyte for _, analyte in about)}: {note}"


def _listed(names: Iterable[str]) -> str:
    """Up to three names, else how many."""
    found = list(dict.fromkeys(names))
    return ", ".join(found) if len(found) < 4 else f"{len(found)} nutrients"
