"""Why a question about a result asks nothing any more, beside that its number is another one."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from typing import TYPE_CHECKING

from logbook.journal import entry as journal
from logbook.store import views
from logbook.trial.records import Query, Result

if TYPE_CHECKING:
    import sqlite3

    from logbook.study.quality import Pair

DUPLICATE = "duplicate"
#: How a question about a laboratory's own repeats begins: one is about all of a run.
REPEAT = "laboratory repeat"


_Moment = tuple[datetime, str, int]
"""When an entry was written, to the second, its writer and its number."""
_Said = tuple[_Moment, bool, str]
"""When it was written, whether it stands, and the bed."""


def of_repeats(query: Query) -> bool:
    """Whether it is about all repeats of a laboratory's run."""
    return query.kind == DUPLICATE and query.what.startswith(REPEAT)


def moved(asked: _Moment | None, beds: Sequence[_Said]) -> str:
    """Why two bags are no longer asked about as exchanged: this one's bed was corrected since."""
    before = [bed for written, _, bed in beds if asked is not None and not _since(asked, written)]
    return "its bed was corrected since" if before and before[-1] != beds[-1][-1] else ""


def _since(asked: _Moment, written: _Moment) -> bool:
    """Whether a line came after another; within one second only its own writer's numbers tell."""
    return written[0] > asked[0] or (written[:2] == asked[:2] and written[2] > asked[2])


def pairs(
    store: sqlite3.Connection, asked: Sequence[Query], results: Mapping[str, Result]
) -> dict[str, list[Pair]] | None:
    """Duplicates and repeats as they stand, by each result's id; None if none is asked about."""
    if not asked:
        return None
    from logbook.study import quality

    numbers = {one.report for one in asked}
    reports = sorted({(one.lab, one.report) for one in results.values() if one.report in numbers})
    found: dict[str, list[Pair]] = {}
    for pair in (pair for of in reports for pair in quality.pairs(store, report=of)):
        for ident in pair.ids:
            found.setdefault(ident, []).append(pair)
    return found


def parted(
    query: Query, ident: str, paired: Mapping[str, Sequence[Pair]] | None, told: Sequence[str]
) -> str:
    """Why two that differed are no longer asked about: the other is gone, or another and near.

    told: what is asked of all pairs. One whose numbers stand there as they are now is asked about,
    whatever limit was set.
    """
    if query.kind != DUPLICATE or paired is None:
        return ""
    from logbook.study import runs

    of = paired.get(ident, ())
    if not of:
        return "what it was held against is gone"
    values = [f": {' and '.join(map(runs.shown, one.said))}, " for one in of]
    asked = any(text in what for text in values for what in told)
    apart = any(one.compared.within is False for one in of)
    return "" if asked or apart else "what it was held against is another now"


def about_repeats(store: sqlite3.Connection, pending: Sequence[Query]) -> list[Query]:
    """The questions about repeats, answered ones too; none where none is pending."""
    if not any(map(of_repeats, pending)):
        return []
    found = views.fetch(store, "query", "kind = ?", (DUPLICATE,))
    return [one.record for one in found if of_repeats(one.record)]


def asked_anew(
    query: Query,
    ident: str,
    paired: Mapping[str, Sequence[Pair]] | None,
    repeats: Sequence[Query],
) -> str:
    """Why repeats that differ are no longer asked about so: a later question says what they are."""
    if not of_repeats(query) or not paired:
        return ""
    from logbook.study import runs

    now = tuple(
        f"{REPEAT}: {' and '.join(map(runs.shown, one.said))}, "
        for one in paired.get(ident, ())
        if one.how == REPEAT
    )
    place = (query.sample, query.analyte, query.method, query.report)
    anew = not query.what.startswith(now) and any(
        one.what.startswith(now) and (one.sample, one.analyte, one.method, one.report) == place
        for one in repeats
    )
    return "it was asked about again as it is now" if anew else ""


def written_at(store: sqlite3.Connection, entries: Iterable[str]) -> dict[str, _Moment]:
    """When entries were written, by their ids."""
    found = {}
    for name in entries:
        (body,) = store.execute("SELECT body FROM entry WHERE id = ?", (name,)).fetchone()
        found[name] = _moment(journal.decode(body))
    return found


def _moment(entry: journal.Entry) -> _Moment:
    return datetime.fromisoformat(entry.written), entry.writer, entry.seq


def beds_said(store: sqlite3.Connection, samples: Sequence[str]) -> dict[str, list[_Said]]:
    """Of which bed the pull of each bag was said to be, in that order."""
    if not samples:
        return {}
    pulls = {code: code for code in samples}
    for some in views.portions(sorted(pulls)):
        where = f"code IN ({', '.join('?' * len(some))})"
        pulls |= {
            one.record.code: one.record.pull for one in views.fetch(store, "part", where, some)
        }
    return {
        code: sorted(
            (_moment(entry), live, str(value.get("bed")))
            for _, entry, place, live in views.writes_of_key(store, journal.key("pull", pull))
            if (value := entry.writes[place].value) is not None
        )
        for code, pull in pulls.items()
    }
