"""C:N of the lot by its analysis: what the usual tables expect of it, beside what the trial showed.

A ratio says how much nitrogen there is to the carbon, not how fast either is eaten: near 20 a
material may release nitrogen or tie it up.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from logbook.study.brought import TOTAL_N
from logbook.study.findings.content import Finding, number

if TYPE_CHECKING:
    from logbook.analysis.below import Below
    from logbook.study.brought import Matter

#: Source: Alberta Nutrient Management Planning Guide, chapter 4.3: net release below a C:N of 20,
#: tie-up above 30.
RELEASE, TIE_UP = 20.0, 30.0
#: Source: NRCS, Carbon to nitrogen ratios in cropping systems: microbes are in balance at 24:1.
BALANCE = 24.0
CARBON = "organic-C"
SOURCE = "Alberta Nutrient Management Planning Guide, chapter 4.3; NRCS, C:N in cropping systems"
_TABLES = "the usual tables have net release below 20, tie-up above 30 (Alberta guide), balance "
_TABLES += "near 24 (NRCS)"


def ratio_of(matter: Matter, code: str) -> float | None:
    """C:N of a treatment's lot, None where an analysis lacks or the two are on different bases."""
    _, treatment = matter.treatment(code)
    lot = treatment.lot or ""
    listed = matter.contents.get(lot, {})
    carbon, nitrogen = listed.get(CARBON), listed.get(TOTAL_N)
    if carbon is None or nitrogen is None or nitrogen.value <= 0:
        return None
    disputed = {(lot, CARBON), (lot, TOTAL_N)} & matter.disputed
    if disputed or (carbon.basis, carbon.unit) != (nitrogen.basis, nitrogen.unit):
        return None
    return float(carbon.value / nitrogen.value)


def carbon_finding(ratio: float | None, below: Below | None) -> Finding | None:
    """The ratio, what the tables expect, and whether this trial went the same way."""
    if ratio is None:
        return None
    return Finding(
        topic="nitrogen",
        about="mineral-N",
        kind="C:N",
        sentence=f"C:N of the lot {number(ratio)} by analysis; {_TABLES}; {_here(ratio, below)}",
        value=ratio,
        source=SOURCE,
    )


def _here(ratio: float, below: Below | None) -> str:
    """What this trial showed beside what the tables expect of such a ratio."""
    if below is None or not below.days:
        return "this trial cannot say which it was here"
    if not below.shown:
        if ratio < RELEASE:
            return "in this trial mineral N was not shown to be below the control, as they expect"
        against = " in spite of it" if ratio > TIE_UP else ""
        return f"in this trial mineral N was not shown to be below the control{against}"
    if ratio < BALANCE:
        return (
            "in this trial mineral N was nevertheless below the control: this ratio did not "
            "foretell it"
        )
    expected = ", as they expect" if ratio > TIE_UP else ""
    return f"in this trial mineral N was below the control{expected}"
