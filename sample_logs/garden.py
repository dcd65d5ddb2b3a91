"""The invented garden of the demo: the true course of every bed, its mishaps, its bags.

EVERYTHING HERE IS INVENTED: garden, beds, bags, people, laboratory. Nitrogen follows published
kinetics, named beside each constant. Where a constant says "invented", it has no source: its size
is only meant to be plausible. Every draw comes from SEED.
"""

from __future__ import annotations

import random
from dataclasses import dataclass
from math import exp

from logbook.trial.codes import new_code

SEED = 20260214
BLOCKS = ("1", "2", "3", "4")
PER_BLOCK = ("none", "none", "meal", "straw", "shell", "yard")
LATE = "late"  # the block of the two beds that joined
BEGAN = {"4": 1, LATE: 36}  # the day on which a block was applied; the others on day 0
JOINED = 35  # the day on which the late beds joined, a day before they were applied


@dataclass(frozen=True)
class Bed:
    """A bed of the bench; `was`: the control bed whose soil goes on in it."""

    label: str
    block: str
    treatment: str
    was: str = ""

    @property
    def began(self) -> int:
        """The day on which it was applied, counted from the first application."""
        return BEGAN.get(self.block, 0)


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
    # A ground rock holds no nitrogen to speak of.
    "rock": Course(),
}

# Ammonium turns to nitrate at 0.35 per day (invented); a limed soil keeps less of it.
NITRIFICATION = 0.35
LIMED_AMMONIUM, LIMED_K = -1.15, 0.12

# Everything else: the soil's level and what each amendment does to it. All invented in size; a
# liming material moves pH and Ca and ties up some iron, compost brings K, Mg and salts, a ground
# rock weathers so slowly that it gives next to nothing in a season.
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
        {
            "meal": Course(8.0),
            "straw": Course(26.0),
            "yard": Course(72.0, ((10.0, 0.04),)),
            "rock": Course(0.0, ((12.0, 0.01),)),
        },
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
# protocol: (0.20 x 0.42 x 0.45) / (that + 0.80 x 1.1) and so on; meal, shell and rock by mass.
DRY_SHARE = {
    "none": 0.0,
    "meal": 0.0014,
    "straw": 0.0412,
    "shell": 0.0030,
    "yard": 0.0529,
    "rock": 0.0059,
}


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


def truth(treatment: str, day: float, began: float = 0.0) -> dict[str, float]:
    """What a bed without any error would show: T = (1 - f) C + what the amendment gave.

    `day` counts from the bed's own application, `began` is the day of that application.
    """
    share = 1 - DRY_SHARE[treatment] if day >= 0 else 1.0
    mineral = share * soil_n(began + day) + MINERAL_N[treatment].at(day)
    found = {"ammonium-N": ammonium(treatment, day)}
    found["nitrate-N"] = mineral - found["ammonium-N"]
    for name, (level, courses) in OTHERS.items():
        given = courses.get(treatment, Course()).at(day)
        found[name] = (level if name in NOT_DILUTED else share * level) + given
    found["EC"] += EC_PER_N * mineral
    return found


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


# The mishaps: a bed nobody pulled, a box lost in the post, digits swapped in a report, a bed
# knocked over, a control forgotten in the last trip, a dilution left out of a report.
NOT_PULLED = {42: bed_of("2", "yard")}
LOST_BOX = {56: bed_of("4", "yard")}
SWAPPED = (28, bed_of("1", "shell"), "Ca")
SPILLED = bed_of("3", "shell")
HALF_CAN = SPILLED  # one bed whose history shows much
PASSED_OVER = bed_of("4", "straw")
FORGOTTEN = bed_of("1", "none", 1)
UNDILUTED = (35, ("meal", "straw", "yard"), "2", "K", 2)  # day, beds of that block, test, factor

# The beds that joined: each goes on with the soil of a spare control.
LATE_BEDS = (
    Bed("L1", LATE, "rock", was=bed_of("2", "none", 1)),
    Bed("L2", LATE, "none", was=bed_of("3", "none", 1)),
)

# Days since each bed's own application: of the beds of the start, and of those that joined.
DAYS = (-1, 0, 3, 7, 14, 21, 28, 35, 42, 56)
LAST_TRIP = 69
LATE_DAYS = (-1, 0, 7, 14, 21, 28)
LATE_SKIPPED = 3
REPORTED_AFTER = {-1: 11, 0: 10, 3: 10, 7: 12, 14: 10, 21: 11, 28: 12, 35: 11, 42: 10, 56: 11}
LATE_REPORTED_AFTER = {-1: 12, 0: 11, 7: 11, 14: 10, 21: 11}  # the last one is waited for
REISSUED_AFTER = 21

PARTS = {
    "chilled": ("nitrate-N", "ammonium-N"),
    "dried": ("P", "K", "Ca", "Mg", "Fe", "pH", "EC"),
}


def pulled_on(day: int) -> list[Bed]:
    """The beds of the start pulled on a day: all but the mishaps and, later, those that go on."""
    if day == LAST_TRIP:
        return [bed for bed in BEDS if bed.block == "1" and bed.label != FORGOTTEN]
    gone = {NOT_PULLED.get(day)}
    if day >= JOINED:
        gone |= {bed.was for bed in LATE_BEDS}
    return [bed for bed in BEDS if bed.label not in gone]


def sample_codes() -> dict[tuple[int, str, str], str]:
    """A code for each part of the sample of each day and bed."""
    lot = random.Random(f"{SEED} codes")
    trips = [(day, pulled_on(day)) for day in (*DAYS, LAST_TRIP)]
    trips += [(day, list(LATE_BEDS)) for day in LATE_DAYS]
    return {
        (day, bed.label, part): new_code(lot.choice)
        for day, beds in trips
        for bed in beds
        for part in PARTS
    }


CODES = sample_codes()


def code_of(day: int, label: str, test: str) -> str:
    """The code on the bag from which a test of that day and bed is made."""
    return CODES[day, label, next(part for part, tests in PARTS.items() if test in tests)]
