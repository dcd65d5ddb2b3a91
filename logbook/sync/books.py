"""Whose book lies at a place: nobody's is mixed with another by naming the wrong stick."""

from __future__ import annotations

from pathlib import Path

from logbook.errors import UserMistake
from logbook.store import held, views
from logbook.sync.joining import Founder, founders
from logbook.sync.place import Head, Known, Place, Tip
from logbook.trial.wording import printable


def refuse_another(store: Path, place: Place) -> None:
    """Raise UserMistake if the place holds a book that somebody else founded, and nothing of ours.

    Where nothing lies yet, or anything of a writer whose lines count here, it is the right one.
    """
    founder = _founder_of_another(store, place)
    if founder is not None:
        machine = printable(founder.introduced.machine)
        raise UserMistake(
            f"{place.label}: another book lies there, {founder.introduced.book[:12]}, founded by "
            f"{machine} ({founder.writer[:8]}), and nothing of this one",
            "name a place of this book; to make the two one: the same with --merge, "
            "then on each side: logbook machines enrol NAME",
        )


def _founder_of_another(store: Path, place: Place) -> Founder | None:
    with views.reading(store) as connection:
        ours = held.writers(connection)
    there = place.inventory().tips
    if not ours or not there or any(writer in there for writer in ours):
        return None
    for run in place.fetch(_Nothing()):
        for founder in founders([(run.writer, body, False) for body in run.bodies[:1]]):
            return founder
    return None


class _Nothing(Known):
    """As a machine asks that has no entry yet, and wants no heads."""

    def tips(self, writer: str) -> frozenset[Tip]:
        return frozenset()

    def has(self, entry: str) -> bool:
        return False

    def has_head(self, head: Head) -> bool:
        return True
