"""Which machines write in a book: what a member's word about another says.

Part of the vocabulary of `records`, through which it is read (`records.Member`).
"""

from __future__ import annotations

from logbook.trial.records import Record, record

ENROLLED, RETIRED = "member", "retired"
STANDINGS = (ENROLLED, RETIRED)


@record
class Member(Record):
    """A writer that a member let in, or retired; `standing` is one of STANDINGS.

    `machine` and `public_key` are the writer's own as they were compared. A retirement pins the
    newest entry accepted of it, `last_seq` and `last_id` (None: none at all).
    """

    writer: str
    machine: str
    public_key: str
    standing: str
    last_seq: int | None = None
    last_id: str | None = None
