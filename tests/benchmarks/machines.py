"""Twenty machines of one book, and a stick that has all of what they wrote.

python machines.py FOLDER      FOLDER/logbook.db is the first one's store; the stick, FOLDER/stick
"""

from __future__ import annotations

import io
import os
import sys
from contextlib import redirect_stdout
from pathlib import Path

from logbook.cli.run import run

COUNT = 20


def do(machine: str, store: Path, *words: str) -> None:
    """A command on that machine, which must end well."""
    os.environ["LOGBOOK_MACHINE"] = machine
    with redirect_stdout(io.StringIO()):
        assert run(["--store", str(store), *words]) == 0, words


def main(folder: Path) -> None:
    """Every machine joins, is let in, and writes a line; the first one fetches it all."""
    first, stick = folder / "logbook.db", folder / "stick"
    stick.mkdir()
    do("office", first, "sync", "add", "stick", str(stick))
    do("office", first, "sync")
    others = {f"bench-{number}": folder / f"bench-{number}.db" for number in range(1, COUNT)}
    for name, store in others.items():
        do(name, store, "join", str(stick), "--yes")
        do(name, store, "note", f"a line of {name}")
        do(name, store, "sync")
    do("office", first, "sync")
    for name in others:
        do("office", first, "machines", "enrol", name, "--yes")
    do("office", first, "sync")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
