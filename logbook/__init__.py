"""An amendment trial logbook: plan, log, sample, and see what an amendment releases and when.

In a notebook, `logbook.open`, `logbook.fit` and the classes that they give back are loaded when
they are first used, so that a command never waits for them. See docs/python.md.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from logbook.api import (
        Book,
        Comparison,
        Curve,
        Findings,
        Fit,
        Fits,
        Interval,
        Refusal,
        Trial,
        columns,
        fit,
        open,
    )
    from logbook.errors import (
        BadData,
        LogbookError,
        NewerStore,
        Problem,
        StoreError,
        UserMistake,
    )

__version__ = "0.3.0"

__all__ = [
    "BadData",
    "Book",
    "Comparison",
    "Curve",
    "Findings",
    "Fit",
    "Fits",
    "Interval",
    "LogbookError",
    "NewerStore",
    "Problem",
    "Refusal",
    "StoreError",
    "Trial",
    "UserMistake",
    "columns",
    "fit",
    "open",
]

_ERRORS = ("BadData", "LogbookError", "NewerStore", "Problem", "StoreError", "UserMistake")


def __getattr__(name: str) -> Any:
    """A name of the Python API, loaded on its first use.

    dir() does not list these names: whatever looks through all modules (a frozen clock in tests
    does) would load pandas with it.
    """
    if name not in __all__:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from importlib import import_module

    found = getattr(import_module(f"{__name__}.{'errors' if name in _ERRORS else 'api'}"), name)
    globals()[name] = found
    return found
