"""The machines of a book on a terminal of 80 columns, plain ASCII."""

from __future__ import annotations

from collections.abc import Sequence

from logbook.report.machines import of_this_one, sentences, shown
from logbook.report.terminal.tables import say, wrapped
from logbook.study.machines import Machine

_WIDTH = 78


def show_machines(found: Sequence[Machine]) -> None:
    """Each machine with what there is to say of it, set in below its name."""
    told, more = shown(found)
    for place, one in enumerate(told):
        first, *rest = sentences(one, found)
        say(["", *wrapped(first, _WIDTH)] if place else wrapped(first, _WIDTH))
        for sentence in rest:
            say(f"  {line}" for line in wrapped(sentence, _WIDTH - 2))
    for sentence in filter(None, (more, of_this_one(found))):
        say(["", *wrapped(sentence, _WIDTH)])
