"""How beds came to their places: drawn by lot, or by hand, of all of a trial or of late beds.

The lot is drawn once, over the beds that are there at the start. Where a bed that joins later
stands, and what it gets, a person decides.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING

from logbook.trial.ranges import compact

if TYPE_CHECKING:
    from logbook.study.amounts import Facts
    from logbook.trial.records import Bed, Trial

NOT_RANDOMISED = "by hand: not randomised"
BY_HAND = f"beds were assigned {NOT_RANDOMISED}"


def by_hand(known: Facts, assigned: str, treatment: str) -> str:
    """What of a treatment's comparison was not drawn by lot, "" where all of it was.

    assigned: as in the trial's record; treatment: its id. Its own beds count, and the controls of
    their blocks.
    """
    if assigned != "drawn":
        return BY_HAND
    beds = compared(known, treatment)
    return late_by_hand(beds.values())


def compared(known: Facts, treatment: str) -> Mapping[str, Bed]:
    """The beds of a treatment, by id, and the control beds of their blocks."""
    blocks = {bed.block for bed in known.beds.values() if bed.treatment == treatment}
    return {
        ident: bed
        for ident, bed in known.beds.items()
        if bed.treatment == treatment
        or (bed.block in blocks and known.treatments[bed.treatment].control)
    }


def late_by_hand(beds: Iterable[Bed]) -> str:
    """ "late beds L1, L2 were placed by hand: not randomised"; "" without a late bed."""
    late = [bed.label for bed in beds if bed.origin is not None]
    if not late:
        return ""
    many = len(late) > 1
    return (
        f"late bed{'s' * many} {compact(late)} {'were' if many else 'was'} placed {NOT_RANDOMISED}"
    )


def late_in(trial: Trial, known: Facts) -> str:
    """The late beds of a whole trial whose other beds were drawn; "" where there are none."""
    return late_by_hand(known.beds.values()) if trial.assigned == "drawn" else ""
