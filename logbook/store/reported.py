"""When each result was reported: a report that came again dates only what it changed."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, NamedTuple

from logbook.store import views
from logbook.trial.times import When, read_stored

if TYPE_CHECKING:
    import sqlite3


class Version(NamedTuple):
    """One writing of a report: when it was written, and when the report came in, as stored."""

    written: str
    received: str


def came_in(connection: sqlite3.Connection, results: Iterable[str]) -> dict[str, When]:
    """The day on which results of reports that came more than once did, by the id of their key.

    A result is of the act that wrote it, and so of the version of its report that this act wrote:
    what a re-issue left unchanged is of the first one. Those of other reports are not in it, they
    came on the report's own day.
    """
    reports = {f"result/{one}": _report_of(f"result/{one}") for one in results}
    versions = _versions(connection, sorted(set(reports.values())))
    keys = [one for one, report in reports.items() if report in versions]
    found: dict[str, list[tuple[Version, bool]]] = {}
    for key, act, live in _lines(connection, keys):
        version = versions[reports[key]].get(act)
        if version is not None:
            found.setdefault(key, []).append((version, live))
    return {key.partition("/")[2]: read_stored(_first(several)) for key, several in found.items()}


def _first(versions: list[tuple[Version, bool]]) -> str:
    """The earliest of the versions that stand: two machines may have imported one file.

    Of what a person corrected none stands: it is of the last one.
    """
    standing = [version.received for version, live in versions if live]
    return min(standing) if standing else max(version for version, _ in versions).received


def _report_of(result: str) -> str:
    """The key of the report of a result's key."""
    _, lab, number, *_ = result.split("/")
    return f"report/{lab}/{number}"


def _versions(
    connection: sqlite3.Connection, reports: Sequence[str]
) -> dict[str, dict[str, Version]]:
    """Those of these reports that were written more than once: their versions by act.

    Of no others: their entries, as large as they are, need not be read.
    """
    several = [
        key
        for some in views.portions(reports)
        for (key,) in connection.execute(
            f"SELECT key FROM write WHERE key IN ({', '.join('?' * len(some))}) "
            "GROUP BY key HAVING count(*) > 1",
            some,
        )
    ]
    return {
        key: {
            entry.act or name: Version(entry.written, str(value["received"]))
            for name, entry, place, _ in views.writes_of_key(connection, key)
            if (value := entry.writes[place].value) is not None
        }
        for key in several
    }


def _lines(connection: sqlite3.Connection, keys: Sequence[str]) -> Iterable[tuple[str, str, bool]]:
    """Every line of these keys: its key, its act, and whether it stands."""
    for some in views.portions(keys):
        yield from connection.execute(
            "SELECT w.key, coalesce(e.act, e.id), w.live FROM write w JOIN entry e "
            f"ON e.id = w.entry WHERE w.key IN ({', '.join('?' * len(some))})",
            some,
        )
