"""What the daily board asks about the laboratory first, so that mostly nothing more is read."""

from __future__ import annotations

from typing import TYPE_CHECKING

from logbook.store import views
from logbook.trial.records import LOST, RERUN

if TYPE_CHECKING:
    import sqlite3
    from datetime import date

# A report that came again is dated anew, and of its results those that were written with it: of any
# other one `reported` knows the day.
_OF_THAT_DAY = (
    "(SELECT count(*) FROM write w WHERE w.key = 'report/' || p.id) = 1 OR EXISTS (SELECT 1 "
    "FROM write w JOIN entry e ON e.id = w.entry JOIN entry own ON own.id = r.entry "
    "WHERE w.key = 'report/' || p.id AND w.live "
    "AND coalesce(e.act, e.id) = coalesce(own.act, own.id))"
)
_NEWER_RUN = (
    "SELECT 1 FROM result r JOIN report p ON p.lab = r.lab AND p.number = r.report "
    "WHERE r.sample = o.sample AND r.analyte = o.analysis AND r.run > 1 "
    "AND substr(p.received, 1, 10) >= o.day "
    f"AND ({_OF_THAT_DAY})"
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


def reruns(connection: sqlite3.Connection, trial: str) -> set[str]:
    """Codes of the bags of a trial of which a re-run may be awaited, sent by us or not."""
    rows = connection.execute(
        f"SELECT o.sample FROM ({_RERUNS}) o LEFT JOIN part x ON x.id = o.sample "
        "LEFT JOIN pull p ON p.id = coalesce(x.pull, o.sample) LEFT JOIN bed b ON b.id = p.bed "
        "LEFT JOIN blind n ON n.id = o.sample WHERE coalesce(b.trial, n.trial) = ? "
        f"AND NOT EXISTS ({_NEWER_RUN})",
        (RERUN, RERUN, trial),
    )
    return {code for (code,) in rows}


def went(connection: sqlite3.Connection, trial: str, today: date) -> set[str] | None:
    """Codes of the bags of a trial that went to a laboratory in a shipment up to a day.

    None where results came and the trial never had a shipment: then bags go without being written
    down, and which are still here is not known.
    """
    rows = connection.execute(
        "SELECT sample FROM sent WHERE shipment IN "
        '(SELECT code FROM shipment WHERE trial = ? AND substr("when", 1, 10) <= ?)',
        (trial, today.isoformat()),
    ).fetchall()
    return {code for (code,) in rows} if rows or not _unannounced(connection, trial) else None


def _unannounced(connection: sqlite3.Connection, trial: str) -> bool:
    """Whether a trial has results and no shipment."""
    row = connection.execute(
        f"WITH {views.BAGS} SELECT 1 FROM bag WHERE EXISTS (SELECT 1 FROM result r "
        "WHERE r.sample = bag.code) AND NOT EXISTS (SELECT 1 FROM shipment WHERE trial = ?) "
        "LIMIT 1",
        (trial, trial),
    ).fetchone()
    return row is not None


def unfinished(connection: sqlite3.Connection, trial: str) -> set[str]:
    """Codes of the bags of a trial that were sent and of which some result may be awaited.

    At least those of which one is: an analysis without a result, or a re-run that is not here.
    """
    rows = connection.execute(
        f"SELECT x.sample FROM shipment s CROSS JOIN sent x ON {views.OF_SHIPMENT} "
        "WHERE s.trial = ? AND (x.analyses = '[]' OR EXISTS (SELECT 1 FROM json_each(x.analyses) j "
        "WHERE NOT EXISTS "
        "(SELECT 1 FROM result r WHERE r.sample = x.sample AND r.analyte = j.value))) "
        "AND NOT EXISTS (SELECT 1 FROM handling h WHERE h.sample = x.sample AND h.state = ? "
        "AND h.analysis = '') "
        f"UNION SELECT o.sample FROM ({_RERUNS}) o JOIN sent x ON x.sample = o.sample "
        f"JOIN shipment s ON s.id = x.shipment WHERE s.trial = ? AND NOT EXISTS ({_NEWER_RUN})",
        (trial, LOST, RERUN, RERUN, trial),
    )
    return {code for (code,) in rows}
