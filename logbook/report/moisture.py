"""The table of moisture tins of a season."""

from __future__ import annotations

from logbook.report.season import Season, sampled_place
from logbook.report.sheets import Cell, Sheet, columns
from logbook.study.parts import Tin
from logbook.study.samples import Sample

_MOISTURE = """
sample | | the sample's code
tin | | the code on the tin
bed | | the bed's label; B1+B2 for a composite
block | | the bed's block; empty for a composite of several blocks
treatment | | the treatment's code
control | | yes for a bed of the untreated control
date | | the field day of the pull
tare | g | the empty tin
wet | g | the tin with moist soil
dry | g | the tin with the same soil after drying at 105 C
moisture | % of the dry mass | (wet - dry) / (dry - tare); empty while a weight is missing
weighed | | when the last weight was taken
conflict | | yes: machines disagree about this tin, so that no moisture is given
"""


def moisture_sheet(season: Season) -> Sheet:
    """Every moisture tin with its weights, in the order of the samples."""
    pulled = {one.code: place for place, one in enumerate(season.samples)}
    mine = [tin for tin in season.tins if tin.part.pull in pulled]
    mine.sort(key=lambda tin: (pulled[tin.part.pull], tin.part.code))
    rows = tuple(_row(tin, season.samples[pulled[tin.part.pull]]) for tin in mine)
    return Sheet("moisture.csv", "One row for each moisture tin.", columns(_MOISTURE), rows)


def _row(tin: Tin, sample: Sample) -> tuple[Cell, ...]:
    weighing, moisture = tin.weighing, tin.moisture
    weights: tuple[Cell, ...] = (None, None, None)
    if weighing is not None:
        weights = (weighing.tare_g, weighing.wet_g, weighing.dry_g)
    return (
        sample.code,
        tin.part.code,
        *sampled_place(sample),
        sample.day,
        *weights,
        None if moisture is None else float(moisture * 100),
        weighing.when.text if weighing else "",
        tin.conflict,
    )
