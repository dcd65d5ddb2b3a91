"""What the daily board asks about the laboratory first, so that mostly nothing more is read."""

from __future__ import annotations

from typing import TYPE_CHECKING

from logbook.trial.records import LOST, RERUN

if TYPE_CHECKING:
    import sqlite3

_NEWER_RUN = (
    "SELECT 1 FROM result r JOIN report p ON p.lab = r.lab AND p.number = r.report "
    "WHERE r.sample = o.sample AND r.analyte = o.analysis AND r.run > 1 "
    "AND substr(p.received, 1, 10) >= o.day"
)
# A re-run that was asked for stands on the bag, or, by an older program, in the answer alone.
_RERUNS = (
    'SELECT sample, analysis, substr("when", 1, 10) AS day FROM handling WHERE state = ? '
    'UNION SELECT q.sample, q.analyte, substr(a."when", 1, 10) FROM answer a '
    "JOIN query q ON q.id = a.id WHERE a.what = ?"
)


def unanswered(connection: sqlite3.Connection) -> bool:
    """Whether any query has no answer; the question may be moot all the same."""
    row = connection.execute(
        "SELECT 1 FROM query q WHERE NOT EXISTS (SELECT 1 FROM answer a WHERE a.id = q.id) LIMIT 1"
    ).fetchone()
    return row is not None


def unfinished(connection: sqlite3.Connection, trial: str) -> set[str]:
    """Codes of the bags of a trial that were sent and of which some result may be awaited.

    At least those of which one is: an analysis without a result, or a re-run that is not here.
    """
    rows = connection.execute(
        "SELECT x.sample FROM sent x JOIN shipment s ON s.code = x.shipment WHERE s.trial = ? "
        "AND (x.analyses = '[]' OR EXISTS (SELECT 1 FROM json_each(x.analyses) j WHERE NOT EXISTS "
        "(SELECT 1 FROM result r WHERE r.sample = x.sample AND r.analyte = j.value))) "
        "AND NOT EXISTS (SELECT 1 FROM handling h WHERE h.sample = x.sample AND h.state = ? "
        "AND h.analysis = '') "
        f"UNION SELECT o.sample FROM ({_RERUNS}) o JOIN sent x ON x.sample = o.sample "
        f"JOIN shipment s ON s.code = x.shipment WHERE s.trial = ? AND NOT EXISTS ({_NEWER_RUN})",
        (trial, LOST, RERUN, RERUN, trial),
    )
    return {code for (code,) in rows}
