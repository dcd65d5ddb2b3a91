"""The tables that leave for notebooks: documented columns, and a frame made of rows.

Text is never missing ("" where there is none), numbers are floats with NaN, days are datetime64,
and a frame without rows has the same columns and kinds as one with. Values are in the unit that
their row names.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd

from logbook.errors import UserMistake

#: The kinds of columns, and what each is to pandas.
KINDS = {
    "text": "str",
    "number": "float64",
    "count": "int64",
    "yes or no": "bool",
    "date": "datetime64[s]",
}


@dataclass(frozen=True)
class Column:
    """One column: `kind` is one of KINDS, `unit` "" where it has none."""

    name: str
    kind: str
    unit: str
    about: str


def _columns(text: str) -> tuple[Column, ...]:
    """Columns from lines of "name | kind | unit | meaning"."""
    lines = [line.strip() for line in text.strip().splitlines()]
    return tuple(Column(*(part.strip() for part in line.split("|", 3))) for line in lines)


_PLACE = """
bed | text | | the bed's label; B1+B2 for a composite
block | text | | the bed's block; "" for a composite of several blocks
treatment | text | | the treatment's code
control | yes or no | | a bed of the untreated control
pull | text | | the calendar's name of the pull; "" outside the calendar
date | date | | the field day of the pull, in the trial's time zone
day | number | days | days since the bed's own application; negative before it; NaN: not applied yet
"""

PULLS = _columns(f"""
sample | text | | the sample's code, its name everywhere
{_PLACE.strip()}
cores | number | | cores mixed into the sample; NaN: not said
depth | number | cm | depth of the cores
repeat | yes or no | | the same pull was taken before: in no difference
after_mishap | text | | mishaps of the bed on or before the pull, with their days
planted | yes or no | | sown before the pull: outside release fits
results | count | | how many results the sample has
conflict | yes or no | | machines disagree about this pull: in no difference
""")

RESULTS = _columns(f"""
sample | text | | the sample's code
part | text | | the code on the bag that was analysed, where the sample was divided
kind | text | | how that part was kept: chilled, frozen, dried, retained; "" for one bag
{_PLACE.strip()}
nutrient | text | | what was measured
value | number | as in unit | the value; NaN where it lies beyond a limit
value_text | text | as in unit | the same to the last digit; <0.5 or >200 beyond a limit
qualifier | text | | < below the limit, > above it, "" for a value
limit | number | as in unit | the limit of a value beyond it
unit | text | | unit of value and limit
method | text | | extraction or test method; different methods are not comparable
basis | text | | dry: per kg of dry soil; moist: per kg as received
lab | text | | the laboratory
report | text | | the report's number
run | count | | 1, or the number of a re-run
repeat | count | | number of the repeat within a run
flags | text | | words of the laboratory beside it; rejected, cancelled: counted only if accepted
laboratory_number | text | | what the laboratory calls the sample, where its report prints it
conflict | yes or no | | machines disagree about this value: in no difference
""")

_SERIES = """
nutrient | text | | what was measured; mineral-N is nitrate-N + ammonium-N of one sample
treatment | text | | the treatment's code
pull | text | | the calendar's name of the pull
first_date | date | | first field day of the beds compared
last_date | date | | last field day of the beds compared
day | number | days | mean days since application of the treated beds; below 0: before application
treated | number | as in unit | mean of the treated beds (T); NaN: beyond a limit, or none
control | number | as in unit | mean of the control beds (C); NaN: beyond a limit, or none
difference | number | as in unit | T - C: what the grower's bed has more (negative: less)
low | number | as in unit | lower end of its interval, or possible value; NaN: open or none
high | number | as in unit | upper end of its interval, or possible value; NaN: open or none
df | number | | degrees of freedom of the interval
reason | text | | why there is no difference, or no interval
"""

_BEDS = """
treated_beds | count | | how many treated beds
control_beds | count | | how many control beds
censored | count | | how many of them with a result beyond a limit
interval_method | text | | within-block, welch, bounds + either, one bed, bounds (not 95 %), none
"""

_MADE = """
unit | text | | unit of the values
method | text | | extraction or test method
basis | text | | dry: per kg of dry soil; moist: per kg as received
lab | text | | the laboratory
"""

NET_RELEASE = _columns(f"""
{_SERIES.strip()}
f | number | | share of the dry mass that is amendment; 0 before application; NaN: unknown
corrected | number | as in unit | T - (1 - f) C: what the amendment gave
corrected_low | number | as in unit | lower end, as low
corrected_high | number | as in unit | upper end, as high
corrected_df | number | | degrees of freedom of its interval
corrected_reason | text | | why there is none, or no interval
{_BEDS.strip()}
planted | text | | the beds sown before the pull, which then stands outside release fits
{_MADE.strip()}
title | text | | net release, change in extractable, or only a difference
note | text | | what a reader must know of this pull
""")

COMPARED = _columns(f"""
{_SERIES.strip()}
{_BEDS.strip()}
ratio | number | | treated / control, of geometric means; NaN: not meant
ratio_low | number | | lower end of its interval
ratio_high | number | | upper end of its interval
ratio_reason | text | | why there is no ratio, or no interval
declared | yes or no | | the difference that the protocol named beforehand, on its day
finding | text | | a few plain words, by the range of this line alone
sentence | text | | the same with its numbers
test | text | | how all treatments of the date were tested together; none: see test_reason
test_scale | text | | ratio (on logarithms) or difference: what test_low and test_high are
test_low | number | see test_scale | lower end of a range that holds for all treatments together
test_high | number | see test_scale | its upper end
p | number | | adjusted for all treatments of the date; NaN: no test
p_exploratory | number | | by Holm over all dates as well; NaN: declared beforehand, or no test
tests | count | | how many tests p_exploratory is adjusted for
test_reason | text | | why there is no test, or why this one was chosen
tested | text | | what is said of the line among all treatments; "" without a test
{_MADE.strip()}
""")

FITS = _columns("""
shape | text | | the curve's shape
parameter | text | | D0, a, A, k, t1/2, ...; "" for a shape that was refused
value | number | see unit | the estimate, of the beds and pulls of its interval; NaN: none
through_all_pulls | number | see unit | the constant of the drawn curve; NaN: none
se | number | see unit | its asymptotic standard error, not an interval; NaN: it cannot be given
low | number | see unit | lower end of the 95 % interval; NaN: open, or none
high | number | see unit | upper end of the 95 % interval; NaN: open, or none
unit | text | | unit of the numbers before it; "value" stands for that of the values fitted
quotable | yes or no | | may be quoted: of the shape chosen, and told by these pulls
reason | text | | why the number cannot be given, or why an end is open
interval_method | text | | how the interval was made, and of what it speaks; "" for none
rss | number | squared | residual sum of squares, weighted where weights were given
chi2 | number | | sum of squared residuals over their known errors; NaN: errors unknown
aicc | number | | Akaike's criterion for few values; NaN: not finite, or errors known
df | number | | degrees of freedom left; NaN for a refusal
chosen | yes or no | | the shape that describes the values
why | text | | why it was chosen, not chosen or refused
""")

ON_DAYS = _columns("""
day | number | days | days since application
value | number | as in unit | the difference on that day, or what came by it; NaN: cannot be given
low | number | as in unit | lower end of its 95 % range; NaN: open, or none
high | number | as in unit | upper end of its 95 % range; NaN: open, or none
df | number | | degrees of freedom of the range
unit | text | | unit of the values
interval_method | text | | how the range was made, and of what it speaks
low_reason | text | | why there is no value, or why the range is open downwards
high_reason | text | | the same, upwards
""")

FINDINGS = _columns("""
treatment | text | | the treatment's code
topic | text | | nitrogen, make-up, supply, planting, nutrients
nutrient | text | | what it is about; "" where it is about no one nutrient
kind | text | | more, less, no difference shown, cannot say, below control, make-up N, ...
sentence | text | | the finding in words, with its number and range
value | number | as in unit | the number; NaN: none can be given
low | number | as in unit | lower end of its 95 % range; NaN: open, or none
high | number | as in unit | upper end of its 95 % range; NaN: open, or none
unit | text | | unit of value, low and high
design | text | | the beds and the method behind it
pull | text | | the calendar's name of its date; "" for the whole trial
declared | yes or no | | the difference named beforehand; all others are exploratory
detectable | number | as in unit | what such beds show four times in five; NaN: none
planned | yes or no | | detectable follows from the error declared, else from the beds' spread
method | text | | extraction or test method; "" for mineral-N and the whole trial
treated | number | the nutrient's | mean of the treated beds on that date; NaN: none
control | number | the nutrient's | mean of the control beds on that date; NaN: none
laboratory_chance | number | as in unit | how far two single results differ by chance; NaN: none
source | text | | the source of a published table that was used
""")

#: Every table by the name under which `columns` explains it.
TABLES = {
    "pulls": PULLS,
    "results": RESULTS,
    "net_release": NET_RELEASE,
    "compare": COMPARED,
    "fits": FITS,
    "findings": FINDINGS,
    "on_days": ON_DAYS,
}


def frame(columns: Sequence[Column], rows: Iterable[Sequence[Any]]) -> pd.DataFrame:
    """A frame of rows, a cell for each column; None is a missing number or day."""
    kept = [tuple(row) for row in rows]
    cells = list(zip(*kept, strict=True)) if kept else [()] * len(columns)
    return pd.DataFrame(
        {
            column.name: pd.Series(list(some), dtype=KINDS[column.kind])
            for column, some in zip(columns, cells, strict=True)
        }
    )


def columns(table: str) -> pd.DataFrame:
    """What the columns of a table mean: a row each with name, kind, unit and meaning.

    Args:
        table: "pulls", "results", "net_release", "compare", "fits", ...

    Raises:
        UserMistake: there is no such table.

    Example:
        >>> logbook.columns("results")
    """
    if table not in TABLES:
        raise UserMistake(f"there is no table {table!r}", f"there are: {', '.join(TABLES)}")
    rows = [(one.name, one.kind, one.unit, one.about) for one in TABLES[table]]
    return pd.DataFrame(rows, columns=["column", "kind", "unit", "meaning"], dtype="str")
