"""Labels for the bags of samples: what stands on one, where, and sheets of them as PDF and SVG."""

from logbook.report.labels.content import Label, labels_of
from logbook.report.labels.files import Printed, check_file, write_labels
from logbook.report.labels.grids import FILE, Grids, Sheet, copy, load

__all__ = [
    "FILE",
    "Grids",
    "Label",
    "Printed",
    "Sheet",
    "check_file",
    "copy",
    "labels_of",
    "load",
    "write_labels",
]
