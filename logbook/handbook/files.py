"""Where the tables are read from: the user's own copy where there is one, else the program's."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import replace
from importlib import resources
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import TypeVar

from logbook.errors import UserMistake
from logbook.handbook.content import Crop, Handbook, Product, Table
from logbook.handbook.products import FILE as PRODUCTS
from logbook.handbook.products import read_products
from logbook.handbook.sufficiency import FILE as SUFFICIENCY
from logbook.handbook.sufficiency import read_sufficiency

Row = TypeVar("Row", Table, Crop, Product)
FILES = (SUFFICIENCY, PRODUCTS)


def load(folder: Path | None = None) -> Handbook:
    """All tables; a file of the same name in `folder` is read in place of the program's own.

    Raises BadData with every problem of an edited file, UserMistake for one that cannot be read.
    """
    tables_data, tables_name = _bytes(folder, SUFFICIENCY)
    products_data, products_name = _bytes(folder, PRODUCTS)
    tables, crops = read_sufficiency(tables_data, tables_name or SUFFICIENCY)
    products = read_products(products_data, products_name or PRODUCTS)
    found = Handbook(tables, crops, products, (tables_name, products_name))
    return replace(
        found,
        tables=tuple(_of(one, tables_name) for one in tables),
        crops=tuple(_of(one, tables_name) for one in crops),
        products=tuple(_of(one, products_name) for one in products),
    )


def _of(one: Row, own: str) -> Row:
    """A row with the user's own file named in its source; the program's own rows as they are."""
    if not own:
        return one
    said = f"{one.source}; by your own copy of the tables ({Path(own).name})"
    return replace(one, source=said)


def _bytes(folder: Path | None, name: str) -> tuple[bytes, str]:
    """A file's bytes and the path of the user's copy, "" for the program's own."""
    return contents(folder, name, resources.files("logbook.handbook").joinpath(name))


def contents(folder: Path | None, name: str, shipped: Traversable) -> tuple[bytes, str]:
    """The bytes of the user's copy of that name and its path, else of the program's own and "".

    Raises UserMistake for a copy that cannot be read.
    """
    if folder is not None:
        own = folder / name
        try:
            return own.read_bytes(), str(own)
        except FileNotFoundError:
            pass
        except OSError as problem:
            raise UserMistake(
                f"{own}: cannot be read ({problem.strerror})", "check the file, or move it away"
            ) from None
    return shipped.read_bytes(), ""


def copy(folder: Path) -> list[Path]:
    """Write the program's own files into `folder`, to be edited there; errors as `write_new`."""
    return write_new(folder, {name: _bytes(None, name)[0] for name in FILES})


def write_new(folder: Path, files: Mapping[str, bytes]) -> list[Path]:
    """Write files, by name, into a folder that has none of them yet; their paths.

    Raises UserMistake, with nothing written, where one of them is there already or cannot be.
    """
    there = [folder / name for name in files if os.path.lexists(folder / name)]
    if there:
        raise UserMistake(
            f"{', '.join(map(str, there))}: already there",
            "edit it, or move it away first: nothing was written",
        )
    written: list[Path] = []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, data in files.items():
            with (folder / name).open("xb") as file:
                written.append(folder / name)
                file.write(data)
    except OSError as problem:
        for path in written:
            path.unlink(missing_ok=True)
        raise UserMistake(
            f"{folder}: cannot be written ({problem.strerror})", "check the folder"
        ) from None
    return written
