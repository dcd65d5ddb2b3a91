"""The invented garden of the demo: the true course of every bed, and what a laboratory printed.

EVERYTHING HERE IS INVENTED: garden, beds, bags, people, laboratory. Nitrogen follows published
kinetics, named beside each constant. Where a constant says "invented", it has no source: its size
is only meant to be plausible. Every draw comes from SEED.
"""

from __future__ import annotations

import csv
import io
import random
from collections.abc import Iterator
from dataclasses import dataclass
from math import exp

from logbook.trial.codes import new_code

SEED = 20260214
LAB = "Bench lab (invented)"
BLOCKS = ("1", "2", "3", "4")
PER_BLOCK = ("none", "none", "meal", "straw", "shell", "yard")


@dataclass(frozen=True)
class Bed:
    """A bed of the bench."""

    label: str
    block: str
    treatment: str


# --- the truth ----------------------------------------------------------------------------------

# Stanford & Smith 1972, SSSAJ 36:465-472: k = 0.054 per week at 35 C, N0 from 20 to over 300 ppm.
# At the 22 C of the house, with Q10 = 2 (Stanford, Frye & Schwaninger 1973): 2^-1.3 of it.
SOIL_N0 = 120.0
SOIL_K = 0.054 / 7 * 2 ** ((22 - 35) / 10)
# The flush on wetting a dry soil: Stanford, Carter & Smith 1974, SSSAP 38:99-102, say that the
# first one or two weeks must be set aside because of it. Its size and rate are invented.
FLUSH_N, FLUSH_K = 7.0, 0.35
DRY_SOIL_N = 8.0  # invented
FILLED = -7  # the day on which the soil was filled in and wetted
SOIL_AMMONIUM = 1.6  # invented


@dataclass(frozen=True)
class Course:
    """jump + the sum of A (1 - e^-kt) over `phases` (A, k per day): what an amendment gives."""

    jump: float = 0.0
    phases: tuple[tuple[float, float], ...] = ()

    def at(self, day: float) -> float:
        """The course on a day after application; nothing before it."""
        return self.jump + sum(a * (1 - exp(-k * day)) for a, k in self.phases) if day >= 0 else 0.0


# Mineral N in mg/kg of dry soil; the jump is what came in the bag as nitrate and ammonium.
MINERAL_N = {
    "none": Course(),
    # k = 0.101 per day: Ebid, Ueno & Ghoneim 2007, Int. J. Soil Sci. 2:96-106 (half-life 6.9 d).
    # 45 of the 83 mg/kg applied: 54 %, as the decay table of Cornell css412 has it for poultry
    # manure's first year (55 %).
    "meal": Course(3.0, ((45.0, 0.101),)),
    # Two phases of unlike sign (the shape of NIST StRD MGH17). Level with the soil again near day
    # 35: Kusonwiriyawong 2005 saw N held down for some 700 degree-days, 32 days of 22 C.
    "straw": Course(1.0, ((-27.0, 0.15), (54.0, 0.019))),
    # A limed soil mineralises a little more; size invented.
    "shell": Course(0.0, ((3.0, 0.05),)),
    # Mature compost: Hartz, Mitchell & Giannini 2000, HortScience 35:209-212, saw 2 % of the
    # organic N of a plant-residue compost in 24 weeks; the rate is Stanford & Smith's at 35 C.
    "yard": Course(3.5, ((22.0, 0.054 / 7),)),
}

# Ammonium turns to nitrate at 0.35 per day (invented); a limed soil keeps less of it.
NITRIFICATION = 0.35
LIMED_AMMONIUM, LIMED_K = -1.15, 0.12

# Everything else: the soil's level and what each amendment does to it. All invented in size; a
# liming material moves pH and Ca and ties up some iron, compost brings K, Mg and salts.
# Each: the soil's level, and the course of every treatment that changes it.
OTHERS: dict[str, tuple[float, dict[str, Course]]] = {
    "P": (
        38.0,
        {
            "meal": Course(2.0, ((5.0, 0.05),)),
            "straw": Course(1.5, ((2.0, 0.03),)),
            "shell": Course(0.0, ((-2.0, 0.04),)),
            "yard": Course(9.0, ((3.0, 0.03),)),
        },
    ),
    "K": (
        118.0,
        {"meal": Course(8.0), "straw": Course(26.0), "yard": Course(72.0, ((10.0, 0.04),))},
    ),
    "Ca": (
        1150.0,
        {
            "straw": Course(25.0),
            "shell": Course(420.0, ((390.0, 0.035),)),
            "yard": Course(115.0, ((30.0, 0.03),)),
        },
    ),
    "Mg": (
        131.0,
        {"straw": Course(5.0), "shell": Course(9.0, ((10.0, 0.03),)), "yard": Course(18.0)},
    ),
    "Fe": (34.0, {"shell": Course(0.0, ((-8.0, 0.04),)), "yard": Course(4.0)}),
    "pH": (
        5.90,
        {
            # Ebid et al. 2007: pH rose until day 14-21, then fell as ammonium turned to nitrate.
            "meal": Course(0.0, ((0.45, 0.12), (-0.75, 0.03))),
            "straw": Course(0.06),
            "shell": Course(0.15, ((0.95, 0.045),)),
            "yard": Course(0.15),
        },
    ),
    "EC": (0.10, {"meal": Course(0.02), "straw": Course(0.02), "yard": Course(0.05)}),
}
EC_PER_N = 0.0035  # dS/m (1:5) for each mg/kg of mineral N; invented
NOT_DILUTED = ("pH", "EC")

# f, the amendment's share of the dry mass of its layer, from the rates and densities of the
# protocol: (0.20 x 0.42 x 0.45) / (that + 0.80 x 1.1) and so on; meal and shell by mass.
DRY_SHARE = {"none": 0.0, "meal": 0.0014, "straw": 0.0412, "shell": 0.0030, "yard": 0.0529}


def soil_n(day: float) -> float:
    """Mineral N of the untreated soil, mg/kg: the dry soil's, the flush, slow mineralisation."""
    wet = day - FILLED
    slow = Course(DRY_SOIL_N, ((FLUSH_N, FLUSH_K), (SOIL_N0, SOIL_K)))
    return slow.at(wet)


def ammonium(treatment: str, day: float) -> float:
    """Ammonium-N, mg/kg: what the amendment released and the soil has not nitrified yet."""
    if treatment == "shell" and day >= 0:
        return SOIL_AMMONIUM + LIMED_AMMONIUM * (1 - exp(-LIMED_K * day))
    if treatment != "meal" or day < 0:
        return SOIL_AMMONIUM
    bag, ((amount, k),) = MINERAL_N["meal"].jump, MINERAL_N["meal"].phases
    left = bag * exp(-NITRIFICATION * day)
    made = amount * k / (NITRIFICATION - k) * (exp(-k * day) - exp(-NITRIFICATION * day))
    return SOIL_AMMONIUM + left + made


def truth(treatment: str, day: float) -> dict[str, float]:
    """What a bed without any error would show on a day: T = (1 - f) C + what the amendment gave."""
    share = 1 - DRY_SHARE[treatment] if day >= 0 else 1.0
    mineral = share * soil_n(day) + MINERAL_N[treatment].at(day)
    found = {"ammonium-N": ammonium(treatment, day)}
    found["nitrate-N"] = mineral - found["ammonium-N"]
    for name, (level, courses) in OTHERS.items():
        given = courses.get(treatment, Course()).at(day)
        found[name] = (level if name in NOT_DILUTED else share * level) + given
    found["EC"] += EC_PER_N * mineral
    return found


# --- what the laboratory printed ----------------------------------------------------------------


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
    """The value in this bed's sample: beds, blocks and cores differ."""
    if test == "pH":
        return value + BED_PH_SD * spread(bed.label, test)
    sort = "N" if test.endswith("-N") else test
    drawn = (
        BED_CV * spread(bed.label, sort)
        + BLOCK_CV * spread("block", bed.block, sort)
        + CORE_CV * spread(bed.label, sort, day)
    )
    return value * exp(drawn)


def printed(bed: Bed, test: Test, day: int, per: float = 1.0) -> str:
    """The cell of a report: measured with error, rounded, below the limit as `<limit`.

    `per` is what one unit of it is called in another chemical form (nitrate for nitrate-N).
    """
    value = in_bed(bed, test.name, day, truth(bed.treatment, day)[test.name])
    error = (test.s0**2 + (test.cv * value) ** 2) ** 0.5
    value += error * spread("lab", bed.label, test.name, day)
    if value < test.limit:
        return f"<{test.limit * per:.{test.decimals}f}"
    return f"{value * per:.{test.decimals}f}"


# --- beds and samples ---------------------------------------------------------------------------


def drawn_beds() -> list[Bed]:
    """The beds in bench order, treatments drawn by lot within each block."""
    lot = random.Random(SEED)
    beds: list[Bed] = []
    for block in BLOCKS:
        treatments = list(PER_BLOCK)
        lot.shuffle(treatments)
        for treatment in treatments:
            beds.append(Bed(f"B{len(beds) + 1}", block, treatment))
    return beds


BEDS = drawn_beds()


def bed_of(block: str, treatment: str, which: int = 0) -> str:
    """The label of a block's bed of that treatment."""
    found = [bed.label for bed in BEDS if (bed.block, bed.treatment) == (block, treatment)]
    return found[which]


# The mishaps: a bed nobody pulled, a jar that broke in the post, digits swapped in a report, a bed
# knocked over, a control forgotten in the last trip.
NOT_PULLED = {42: bed_of("2", "yard")}
BROKEN_JAR = {56: bed_of("4", "yard")}
SWAPPED = (28, bed_of("1", "shell"), "Ca")
SPILLED = bed_of("3", "shell")
HALF_CAN = SPILLED  # one bed whose history shows much
PASSED_OVER = bed_of("4", "straw")
FORGOTTEN = bed_of("1", "none", 1)

DAYS = (-1, 0, 3, 7, 14, 21, 28, 35, 42, 56)
LAST_TRIP = 69
REPORTED_AFTER = {-1: 10, 0: 9, 3: 9, 7: 11, 14: 9, 21: 10, 28: 12, 35: 10, 42: 9, 56: 10}


def pulled_on(day: int) -> list[Bed]:
    """The beds pulled on a day: all but the mishaps; block 1 without one control on the last."""
    if day == LAST_TRIP:
        return [bed for bed in BEDS if bed.block == "1" and bed.label != FORGOTTEN]
    return [bed for bed in BEDS if bed.label != NOT_PULLED.get(day)]


def sample_codes() -> dict[tuple[int, str], str]:
    """A code for the sample of each day and bed."""
    lot = random.Random(f"{SEED} codes")
    return {
        (day, bed.label): new_code(lot.choice)
        for day in (*DAYS, LAST_TRIP)
        for bed in pulled_on(day)
    }


CODES = sample_codes()


def printed_of(label: str, test: str, day: int) -> str:
    """The right cell of a bed's test on a day."""
    bed = next(bed for bed in BEDS if bed.label == label)
    return printed(bed, next(one for one in TESTS if one.name == test), day)


# --- the reports --------------------------------------------------------------------------------

PLAIN = "sample,nutrient,value,unit,method,lab"
OTHER_NAMES = "Field ID,Parameter,Result,Units,Extraction,Laboratory"


def report_number(day: int) -> str:
    """The laboratory's number of the report on a day's samples."""
    return f"T-{101 + DAYS.index(day)}"


def report(day: int) -> bytes:
    """The file that the laboratory sent for a day: long form, samples in an order of its own.

    The fourth comes from a machine with decimal commas and semicolons, with a byte-order mark;
    every third names its columns otherwise and prints nitrate (NO3) instead of nitrate-N.
    """
    place = DAYS.index(day)
    other = place % 3 == 2
    rows = [row for bed in in_lab_order(day) for row in rows_of(bed, day, nitrate=other)]
    if place == 3:
        return b"\xef\xbb\xbf" + table(PLAIN, rows, ";").replace(".", ",").encode()
    return table(OTHER_NAMES if other else PLAIN, rows, ",").encode()


def in_lab_order(day: int) -> list[Bed]:
    """The beds of a day, shuffled, without the jar that broke."""
    beds = [bed for bed in pulled_on(day) if bed.label != BROKEN_JAR.get(day)]
    random.Random(f"{SEED} box {day}").shuffle(beds)
    return beds


def rows_of(bed: Bed, day: int, *, nitrate: bool) -> Iterator[tuple[str, ...]]:
    """The rows of one sample."""
    for test in TESTS:
        as_no3 = nitrate and test.name == "nitrate-N"
        value = printed(bed, test, day, NO3_PER_N if as_no3 else 1.0)
        if (day, bed.label, test.name) == SWAPPED:
            value = swapped(value)
        name = "NO3" if as_no3 else test.name
        yield CODES[day, bed.label], name, value, test.unit, test.method, LAB


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
