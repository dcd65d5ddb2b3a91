"""The description that travels with an export: the trial, how to read it, every column."""

from __future__ import annotations

import textwrap
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from decimal import Decimal

from logbook.report.findings_files import TEXT
from logbook.report.lines import counted, with_unit
from logbook.report.marks import title_of
from logbook.report.season import Season
from logbook.report.sheets import MANIFEST, Sheet, clean
from logbook.store.views import Found
from logbook.study import placing
from logbook.study.series import Series
from logbook.trial import rates
from logbook.trial.chemistry import ANALYTES
from logbook.trial.parts import in_order, spoken
from logbook.trial.ranges import compact
from logbook.trial.records import Followed, LotContent, Treatment
from logbook.trial.units import short

WIDTH = 88
FORMAT = 1


def readme_text(
    season: Season,
    sheets: Sequence[Sheet],
    figures: Sequence[tuple[str, Sequence[Series]]],
    *,
    authors: bool,
    notes: bool,
) -> str:
    """The README of an export, LF line ends."""
    name = clean(season.trial.name)
    lines = [name, "=" * min(len(name), WIDTH), ""]
    lines += _wrapped(clean(season.trial.question), "")
    for heading, body in (
        ("The trial", _trial(season)),
        ("Soil", _soil(season)),
        ("Amendments", _amendments(season)),
        ("Treatments", _treatments(season)),
        ("Calendar and methods", _plan(season)),
        ("What is here, and what is missing", _standing(season)),
        ("How to read the differences", _READING),
        ("How to read the curves", _CURVES),
        ("Cautions", _cautions(season)),
        ("Files", _files(sheets, figures, bool(season.findings), _own(season))),
        ("This export", _export(season, authors, notes)),
    ):
        lines += ["", heading, "-" * len(heading)]
        for text in body:
            lines += _wrapped(clean(text), "- ")
    for sheet in sheets:
        lines += _columns(sheet)
    return "\n".join(line.rstrip() for line in lines) + "\n"


def _wrapped(text: str, mark: str) -> list[str]:
    indent = " " * len(mark)
    found = textwrap.wrap(
        text,
        WIDTH,
        initial_indent=mark,
        subsequent_indent=indent,
        break_long_words=False,
        break_on_hyphens=False,
    )
    return found or [""]


def _trial(season: Season) -> Iterator[str]:
    trial = season.trial
    blocks = sorted({bed.block for bed in season.beds})
    beds = f"{counted(len(season.beds), 'bed')} in {counted(len(blocks), 'block')}"
    yield f"{beds}; the bed is the unit of replication."
    if trial.assigned == "drawn":
        seed = "" if trial.seed is None else f" (seed {trial.seed})"
        late = placing.late_in(trial, season.known)
        but = f"; {late}" if late else ""
        yield f"Treatments were drawn by lot{seed}{but}."
    else:
        yield "Treatments were assigned by hand: not randomised."
    for block in blocks:
        yield f"Block {block}: {_in_block(season, block)}."
    plant = trial.planting_day
    yield f"Planting day: {'nothing is planted' if plant is None else f'day {plant}'}."
    yield (
        f"Named beforehand: the difference in {trial.endpoint} on day {trial.endpoint_day}; "
        "everything else is exploratory."
    )
    yield (
        f"Samples: {trial.cores} cores to {short(trial.depth_cm)} cm as planned; laboratory: "
        f"{trial.lab or _named_by_results(season)}."
    )
    yield f"Dates and days are those of the time zone {trial.zone}."


def _named_by_results(season: Season) -> str:
    """The laboratory of a trial whose protocol names none: what the results say."""
    counts = Counter(found.record.lab for found in season.results)
    told = [f"{lab} ({counted(count, 'result')})" for lab, count in counts.most_common()]
    return f"{', '.join(told)}; the protocol names none" if told else "not known yet"


def _in_block(season: Season, block: str) -> str:
    beds = [bed for bed in season.beds if bed.block == block]
    return ", ".join(f"{bed.label} {bed.treatment_code}" for bed in beds) + (
        f"; applied {_days(season, [bed.id for bed in beds])}"
    )


def _days(season: Season, beds: Iterable[str]) -> str:
    wanted = list(beds)
    days = sorted({season.day0[bed] for bed in wanted if bed in season.day0})
    some = "" if all(bed in season.day0 for bed in wanted) else " (not all of them yet)"
    return " and ".join(day.isoformat() for day in days) + some if days else "not yet"


def _soil(season: Season) -> Iterator[str]:
    for found in season.records["soil"]:
        soil = found.record
        yield f"{soil.source}; {soil.texture}; bulk density {_known(soil.bulk_density, 'kg/L')}."
    for found in season.records["soil-value"]:
        one = found.record
        yield f"At the start: {one.analyte} {_quantity(one.value, one.unit)} ({one.method})."


def _known(value: Decimal | None, unit: str) -> str:
    return "not known yet" if value is None else f"{short(value)} {unit}"


def _quantity(value: Decimal, unit: str) -> str:
    return short(value) if unit == "pH" else f"{short(value)} {unit}"


def _amendments(season: Season) -> Iterator[str]:
    for found in season.records["amendment"]:
        yield f"{found.record.code}: {found.record.name} ({found.record.material})."
        for lot in season.records["lot"]:
            if lot.record.amendment == found.id:
                yield from _lot(season, found.record.code, lot)


def _lot(season: Season, code: str, lot: Found) -> Iterator[str]:
    density = _known(season.known.densities.get(lot.id), "kg/L as it is")
    moisture = _known(season.known.moistures.get(lot.id), "% of the wet mass")
    yield f"{code}, lot {lot.record.name}: density {density}; moisture {moisture}."
    contents = [f.record for f in season.records["lot-content"] if f.record.lot == lot.id]
    if contents:
        told = (f"{one.analyte} {_with_error(one)} ({one.basis}; {one.method})" for one in contents)
        yield f"{code}, lot {lot.record.name}, contents: {', '.join(told)}."


def _with_error(one: LotContent) -> str:
    error = "" if one.sd is None else f" +- {short(one.sd)}"
    return with_unit(f"{short(one.value)}{error}", one.unit)


def _treatments(season: Season) -> Iterator[str]:
    for found in sorted(season.records["treatment"], key=lambda one: str(one.record.code)):
        one = found.record
        beds = [bed.label for bed in season.beds if bed.treatment_code == one.code]
        where = f"beds {compact(beds)}" if beds else "no beds"
        yield f"{one.code}: {one.name}; {_rate(season, one)}; {where}."


def _rate(season: Season, one: Treatment) -> str:
    depth = f"{short(one.depth_cm)} cm deep"
    if one.control or one.rate is None or one.rate_unit is None:
        return f"untreated control, forked {depth} like the others"
    lot = season.known.lot_names.get(one.lot or "", "amendment")
    unit = one.rate_unit
    return f"{lot} at {short(one.rate)} {unit}{_other_reading(one.rate, unit)}, worked in {depth}"


def _other_reading(rate: Decimal, unit: str) -> str:
    """A volume rate in its other reading, rounded to a tenth of a per cent."""
    if unit == rates.OF_MIX:
        return f" (= {short(round(rates.on_top(rate), 1))} {rates.ON_TOP})"
    if unit == rates.ON_TOP:
        return f" (= {short(round(rates.of_mix(rate), 1))} {rates.OF_MIX})"
    return ""


def _plan(season: Season) -> Iterator[str]:
    pulls = sorted(
        (found.record for found in season.records["planned-pull"]),
        key=lambda one: -1 if one.day is None else one.day,
    )
    told = (
        f"{one.name} (+-{one.tolerance} d)" if one.day is not None else one.name for one in pulls
    )
    yield f"Pulls, in days after each bed's own application: {', '.join(told)}."
    yield from _parts(season)
    for found in season.records["followed"]:
        yield _followed(found.record)
    for found in season.records["watering-plan"]:
        one = found.record
        yield f"Watering as planned: {short(one.amount)} {one.unit} every {one.interval} d."


def _followed(one: Followed) -> str:
    """A nutrient, its method, and what was declared of it beforehand."""
    unit = ANALYTES[one.analyte].unit
    declared = (
        ("the laboratory's CV", one.cv, "%"),
        ("its error near nothing", one.sd, unit),
        ("a difference that matters", one.margin, unit),
    )
    told = [f"{words} {with_unit(value, of)}" for words, value, of in declared if value is not None]
    method = f" by {one.method}" if one.method else ""
    return f"{one.analyte}{method}{'; declared: ' if told else ''}{', '.join(told)}."


def _parts(season: Season) -> Iterator[str]:
    """What every pull is divided into, as planned."""
    planned = [found.record for found in season.records["planned-part"]]
    parts = in_order((one.kind, one.analyses) for one in planned)
    if parts:
        yield f"Every pull is divided, as planned, into: {'; '.join(map(spoken, parts))}."
    if season.parts:
        yield (
            "Drying changes nitrate and ammonium: how a part was kept belongs to the method of "
            "these two, and parts that were kept otherwise are not compared."
        )


def _standing(season: Season) -> Iterator[str]:
    until = "no act on a bed yet" if season.last_day is None else f"last act {season.last_day}"
    samples, results = len(season.samples), len(season.results)
    yield f"{counted(samples, 'sample')}, {counted(results, 'result')}; {until}."
    missing = sum(1 for one in season.owed if one.pull is None)
    has = "has" if missing == 1 else "have"
    yield (
        f"{counted(missing, 'pull')} of the calendar {has} no sample: not_pulled.csv says which "
        "are missed, judged from the day of the last act, never from the day of the export."
    )
    with_results = {season.pull_of(found.record.sample) for found in season.results}
    waiting = sum(1 for one in season.samples if one.code not in with_results)
    if waiting:
        yield f"{counted(waiting, 'sample')} {'has' if waiting == 1 else 'have'} no result yet."
    if not season.results:
        yield "No results yet: there are no differences, curves and figures."
    elif not season.series:
        yield "No nutrient has results of a treated bed yet: no differences, curves and figures."
    yield from (f"{text[:1].upper()}{text[1:]}." for text in season.missing)
    yield ("Results whose sample no pull of this book has yet belong to no trial and are left out.")


_READING = (
    "T is the mean of the treated beds, C that of the control beds of the same blocks and pull; "
    "results of one bed and pull are averaged first. Only results of the same method, basis, unit "
    "and laboratory are compared.",
    "T - C is what the grower's bed has. T - (1 - f) C is what the amendment gave, f being its "
    "share of the dry mass, since it also takes the place of soil. Both may be negative: that is a "
    "result, and nothing is cut off at zero.",
    "Intervals are 95 % ranges between beds, one pull at a time: within blocks where every block "
    "has one treated bed and a control (within-block: paired t), else Welch's with Satterthwaite's "
    "degrees of freedom (welch). They do not cover several pulls or treatments at once. A range "
    "that holds zero does not show that there is no difference.",
    "interval_method bounds: a result lay beyond the laboratory's limit; low and high are then "
    "possible values, not a 95 % interval, and an empty end is open.",
    "Net release is said of nitrate, ammonium, their sum and sulfate. What an extractant dissolves "
    "of other nutrients is a change in extractable amount; pH, EC and CEC are differences.",
)
_CURVES = (
    "D(t) = D0 + a shape, t in days since application; D0 is what was there at the start. The "
    "shapes: a t (zero order); A (1 - e^(-k t)) (first order); the same from day t0 on (first "
    "order with a lag); a sigmoid from 0 to A, fastest on day m (Gompertz); "
    "A1 (1 - e^(-k1 t)) + A2 (1 - e^(-k2 t)), signs free (two phases). Fitted to the corrected "
    "difference where f is known, else to T - C; pulls before application, after sowing and those "
    "with a result beyond a limit are left out, and series_notes says so.",
    "Which shape describes a series and whether its constants may be quoted are two decisions: "
    "chosen, why and printed; withheld says of each constant why not. Shapes are judged by "
    "chi2 + 2p where the errors of the values are known, from the beds or declared, else AICc and "
    "an F test must agree. A ceiling holds for its shape and the length of its trial only.",
    "low and high are 95 % ranges between beds; with one bed a side they speak of these two beds "
    "only. An empty end is open, and reason_low or reason_high says what the data could not rule "
    "out. Where a gap left beds or days out, interval says which, and value is the estimate of "
    "those that are left, as its range is; through_all_pulls is the constant of the curve as it is "
    "drawn, and se its asymptotic standard error, not an interval.",
    "Read checked and sound first. Where sound is no, the constants are not determined by these "
    "data; where a shape was refused, the reason stands in its row.",
    "curves.csv ends at the last pull that was fitted: nothing is extrapolated. Its band holds one "
    "day at a time, not the whole curve at once.",
)


def _cautions(season: Season) -> Iterator[str]:
    from logbook.analysis.series import ONE_BED

    yield f"Where interval_method is one bed: {ONE_BED}."
    if season.trial.assigned != "drawn":
        yield "Beds were assigned by hand: a difference may come from where the beds stand."
    elif placing.late_in(season.trial, season.known):
        yield "Late beds were placed by hand: their differences may come from where they stand."
    yield (
        "What is extractable in amended soil is not a fertiliser recommendation: tables of "
        "sufficiency were made for settled soil, in the field, by their own methods."
    )
    yield (
        "A trial speaks of these lots, these rates, this soil, its water and warmth, and the days "
        "it lasted. It says nothing about metals, germs or food safety."
    )
    if any(found.conflict for found in season.results):
        yield "Machines disagree about some results (conflict): these stay out of every curve."


def _own(season: Season) -> list[str]:
    """That tables were the user's own copy: findings say it among their limits."""
    notes = dict.fromkeys(note for one in season.findings for note in one.notes)
    return [f"{note[:1].upper()}{note[1:]}." for note in notes if "your own copy" in note]


def _files(
    sheets: Sequence[Sheet],
    figures: Sequence[tuple[str, Sequence[Series]]],
    findings: bool,
    own: Iterable[str] = (),
) -> Iterator[str]:
    if findings:
        yield (
            f"{TEXT}: what the trial found of each amendment, in plain sentences: read it first. "
            "How far it goes stands before all else in it, what limits it at its end."
        )
        yield from own
    yield "Tables are CSV: UTF-8, commas, points for decimals, empty cells for what is not known."
    yield (
        "A text that a spreadsheet might run as a formula has an apostrophe before it. Values as "
        "stored keep their digits; computed ones have nine significant digits."
    )
    for sheet in sheets:
        yield f"{sheet.file}: {sheet.about}"
    for name, together in figures:
        yield f"{name}.png, {name}.svg: {title_of(together)}, {together[0].lab}."
    yield f"{MANIFEST}: size and SHA-256 of every other file."


def _export(season: Season, authors: bool, notes: bool) -> Iterator[str]:
    yield f"Layout of these files: {FORMAT}. Which lines the book held: {season.state}."
    yield (
        f"Who wrote a line is {'named' if authors else 'left out'}; notes are "
        f"{'in notes.csv' if notes else 'left out'}. Reasons of corrections are always told."
    )
    yield "The same book makes the same bytes, whatever the day."


def _columns(sheet: Sheet) -> list[str]:
    lines = ["", f"Columns of {sheet.file}", "-" * len(f"Columns of {sheet.file}")]
    for column in sheet.columns:
        unit = f" [{column.unit}]" if column.unit else ""
        lines += _wrapped(f"{column.name}{unit}: {column.meaning}", "- ")
    return lines
