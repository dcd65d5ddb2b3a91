"""What the Tab key offers: bed labels, treatments, nutrients, codes, from the store.

A completion must be quick and must never fail: without a store, or with a damaged one, it offers
nothing.
"""

from __future__ import annotations

from collections.abc import Iterable

import typer

from logbook import config
from logbook.errors import LogbookError
from logbook.store import asking, views
from logbook.trial.chemistry import ANALYTES
from logbook.trial.records import EVENTS, MEASURED

_MOST = 200


def _starting(words: Iterable[str], incomplete: str) -> list[str]:
    low = incomplete.casefold()
    return [word for word in dict.fromkeys(words) if word.casefold().startswith(low)][:_MOST]


def _stored(context: typer.Context, *kinds: str) -> list[str]:
    """The store's words of these kinds; none if it cannot be read."""
    given = context.find_root().params.get("store")
    try:
        with views.reading(config.store_path(given)) as store:
            return [word for kind in kinds for word in asking.words(store, kind)]
    except (LogbookError, OSError):
        return []


def beds(ctx: typer.Context, incomplete: str) -> list[str]:
    """Bed labels, treatment codes and the words of addressing; after a comma, the next one."""
    head, comma, last = incomplete.rpartition(",")
    stored = _stored(ctx, "beds", "treatments")
    found = _starting([*stored, "all", "control"] if stored else [], last)
    return [f"{head}{comma}{word}" for word in found]


def treatments(ctx: typer.Context, incomplete: str) -> list[str]:
    """Codes of the treatments that are compared with the control."""
    return _starting(_stored(ctx, "treated"), incomplete)


def amendments(ctx: typer.Context, incomplete: str) -> list[str]:
    """Codes of amendments, and the soil."""
    return _starting([*_stored(ctx, "amendments"), "soil"], incomplete)


def nutrients(ctx: typer.Context, incomplete: str) -> list[str]:
    """Nutrients that have results; every known one while there are none."""
    measured = _stored(ctx, "nutrients")
    return _starting(["mineral-N", *measured] if measured else ANALYTES, incomplete)


def pulls(ctx: typer.Context, incomplete: str) -> list[str]:
    """The calendar's names of pulls."""
    return _starting(_stored(ctx, "pulls"), incomplete)


def codes(ctx: typer.Context, incomplete: str) -> list[str]:
    """Codes of samples, the newest first, and of acts."""
    return _starting(_stored(ctx, "samples", "acts"), incomplete)


def lines(ctx: typer.Context, incomplete: str) -> list[str]:
    """What a history is asked of: beds, samples, acts."""
    return _starting(_stored(ctx, "beds", "samples", "acts"), incomplete)


def samples(ctx: typer.Context, incomplete: str) -> list[str]:
    """Codes of samples, the newest first."""
    return _starting(_stored(ctx, "samples"), incomplete)


def tins(ctx: typer.Context, incomplete: str) -> list[str]:
    """Codes of moisture tins, the newest first."""
    return _starting(_stored(ctx, "tins"), incomplete)


def trials(ctx: typer.Context, incomplete: str) -> list[str]:
    """Names of trials."""
    return _starting(_stored(ctx, "trials"), incomplete)


def machines(ctx: typer.Context, incomplete: str) -> list[str]:
    """Names of the machines that write in the book, or wait to."""
    return _starting(_stored(ctx, "machines"), incomplete)


def events(incomplete: str) -> list[str]:
    """What can happen to a bed."""
    return _starting(EVENTS, incomplete)


def measured(incomplete: str) -> list[str]:
    """What is measured on the spot."""
    return _starting(MEASURED, incomplete)
