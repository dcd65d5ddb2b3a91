"""What `import logbook` offers notebooks: stores opened to read, tidy frames, fits, curves.

Everything here only reads. Explained, with a whole session, in docs/python.md.
"""

from __future__ import annotations

from logbook.analysis.fits import Fit, Refusal
from logbook.analysis.intervals import Interval
from logbook.api.compared import Comparison
from logbook.api.curves import Curve
from logbook.api.fits import Fits, fit
from logbook.api.found import Findings
from logbook.api.frames import columns
from logbook.api.opened import Book, Trial, open

__all__ = [
    "Book",
    "Comparison",
    "Curve",
    "Findings",
    "Fit",
    "Fits",
    "Interval",
    "Refusal",
    "Trial",
    "columns",
    "fit",
    "open",
]
