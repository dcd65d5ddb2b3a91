"""The invented laboratory of the demo: what it printed of the garden's samples, slips included.

EVERYTHING HERE IS INVENTED. The scatter is of a plausible size, with sources beside it.
"""

from __future__ import annotations

import csv
import io
import random
from collections.abc import Iterator
from dataclasses import dataclass
from math import exp

import garden
from garden import BEDS, DAYS, LATE_BEDS, LATE_DAYS, SEED, Bed, bed_of, truth

LAB = "Bench lab (invented)"

# --- one cell of a report ------------------------------------------------------------------------


@dataclass(frozen=True)
class Test:
    """How the laboratory measures: SD^2 = s0^2 + (cv x)^2, decimals printed, reporting limit."""

    name: str
    method: str
    unit: str
    s0: float
    cv: float
    decimals: int
    limit: float = 0.0


# CVs: ASPAC and ALP proficiency rounds put P and K near 9-15 % between laboratories, pH and
# nitrate lowest (Rayment & Lyons 2019; Miller & Czyryca 2015); one laboratory does a little better.
TESTS = (
    Test("nitrate-N", "1 M KCl", "mg/kg", 0.3, 0.055, 1, 0.5),
    Test("ammonium-N", "1 M KCl", "mg/kg", 0.06, 0.06, 1, 0.5),
    Test("P", "Mehlich-3", "mg/kg", 0.5, 0.08, 1),
    Test("K", "Mehlich-3", "mg/kg", 2.0, 0.08, 0),
    Test("Ca", "Mehlich-3", "mg/kg", 10.0, 0.05, 0),
    Test("Mg", "Mehlich-3", "mg/kg", 1.5, 0.05, 0),
    Test("Fe", "DTPA", "mg/kg", 0.5, 0.08, 1),
    Test("pH", "water 1:1", "pH", 0.05, 0.0, 2),
    Test("EC", "water 1:5", "dS/m", 0.004, 0.03, 3),
)
BED_CV, BLOCK_CV, CORE_CV = 0.05, 0.04, 0.03  # together a CV of 7 % from bed to bed
BED_PH_SD = 0.06
NO3_PER_N = 62.004 / 14.007  # molar masses


def spread(*named: object) -> float:
    """A standard normal number that belongs to these names, whatever else is drawn."""
    return random.Random(f"{SEED} {named}").gauss(0.0, 1.0)


def in_bed(bed: Bed, test: str, day: int, value: float) -> float:
    """The value in this bed's sample: beds, blocks and cores differ; a late bed is what it was."""
    soil = next((one for one in BEDS if one.label == bed.was), bed)
    if test == "pH":
        return value + BED_PH_SD * spread(soil.label, test)
    sort = "N" if test.endswith("-N") else test
    drawn = (
        BED_CV * spread(soil.label, sort)
        + BLOCK_CV * spread("block", soil.block, sort)
        + CORE_CV * spread(bed.label, sort, day)
    )
    return value * exp(drawn)


def printed(bed: Bed, test: Test, day: int, per: float = 1.0) -> str:
    """The cell of a report: measured with error, rounded, below the limit as `<limit`.

    `per` is what one unit of it is called in another chemical form (nitrate for nitrate-N).
    """
    value = in_bed(bed, test.name, day, truth(bed.treatment, day, bed.began)[test.name])
    error = (test.s0**2 + (test.cv * value) ** 2) ** 0.5
    value += error * spread("lab", bed.label, test.name, day)
    if value < test.limit:
        return f"<{test.limit * per:.{test.decimals}f}"
    return f"{value * per:.{test.decimals}f}"


def printed_of(label: str, test: str, day: int) -> str:
    """The right cell of a bed's test on a day."""
    bed = next(bed for bed in BEDS if bed.label == label)
    return printed(bed, next(one for one in TESTS if one.name == test), day)


def undiluted() -> dict[tuple[int, str, str], str]:
    """The cells of the report that was issued again, as it had them first."""
    day, treatments, block, test, factor = garden.UNDILUTED
    labels = [bed_of(block, treatment) for treatment in treatments]
    return {
        (day, label, test): f"{float(printed_of(label, test, day)) / factor:.0f}"
        for label in labels
    }


# --- the reports --------------------------------------------------------------------------------

PLAIN = "sample,nutrient,value,unit,method,lab"
OTHER_NAMES = "Field ID,Parameter,Result,Units,Extraction,Laboratory"


def report(day: int, *, reissued: bool = False) -> bytes:
    """The file that the laboratory sent for a day: long form, samples in an order of its own.

    The fourth comes from a machine with decimal commas and semicolons, with a byte-order mark;
    every third names its columns otherwise and prints nitrate (NO3) instead of nitrate-N.
    """
    beds = in_lab_order(garden.pulled_on(day), day)
    return written(beds, day, DAYS.index(day), {} if reissued else undiluted())


def late_report(day: int) -> bytes:
    """The file for a trip to the beds that joined, by days since their own application."""
    return written(in_lab_order(list(LATE_BEDS), day), day, len(DAYS) + LATE_DAYS.index(day), {})


def written(beds: list[Bed], day: int, place: int, slips: dict[tuple[int, str, str], str]) -> bytes:
    """A report as the laboratory writes its `place`-th one, with its slips."""
    other = place % 3 == 2
    rows = [row for bed in beds for row in rows_of(bed, day, slips, nitrate=other)]
    if place == 3:
        return b"\xef\xbb\xbf" + table(PLAIN, rows, ";").replace(".", ",").encode()
    return table(OTHER_NAMES if other else PLAIN, rows, ",").encode()


def in_lab_order(beds: list[Bed], day: int) -> list[Bed]:
    """The beds of a day, shuffled, without the one whose bags were lost."""
    arrived = [bed for bed in beds if bed.label != garden.LOST_BOX.get(day)]
    random.Random(f"{SEED} box {day}").shuffle(arrived)
    return arrived


def rows_of(
    bed: Bed, day: int, slips: dict[tuple[int, str, str], str], *, nitrate: bool
) -> Iterator[tuple[str, ...]]:
    """The rows of one sample."""
    for test in TESTS:
        as_no3 = nitrate and test.name == "nitrate-N"
        right = printed(bed, test, day, NO3_PER_N if as_no3 else 1.0)
        value = slips.get((day, bed.label, test.name), right)
        if (day, bed.label, test.name) == garden.SWAPPED:
            value = swapped(value)
        name = "NO3" if as_no3 else test.name
        yield garden.code_of(day, bed.label, test.name), name, value, test.unit, test.method, LAB


def swapped(value: str) -> str:
    """The value with its first two digits swapped."""
    return value[1] + value[0] + value[2:]


def table(header: str, rows: list[tuple[str, ...]], delimiter: str) -> str:
    """Rows as delimited text with LF line ends."""
    text = io.StringIO()
    writer = csv.writer(text, delimiter=delimiter, lineterminator="\n")
    writer.writerow(header.split(","))
    writer.writerows(rows)
    return text.getvalue()
