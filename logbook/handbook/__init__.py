"""Published tables that results are read against: sufficiency classes and nitrogen materials.

They are files inside the package, each row with its source; a copy in the user's configuration
folder is read in their place.
"""

from logbook.handbook.content import (
    Crop,
    Handbook,
    Index,
    Product,
    Step,
    Table,
    available_n,
)
from logbook.handbook.files import FILES, copy, load

__all__ = [
    "FILES",
    "Crop",
    "Handbook",
    "Index",
    "Product",
    "Step",
    "Table",
    "available_n",
    "copy",
    "load",
]
