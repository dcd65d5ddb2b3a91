"""What `verify` is compared with; prints seconds.

python checks.py loop STORE     every entry's bytes read, decoded and hashed, nothing else
python checks.py both STORE     `verify --chain`, then a rebuild of all tables
"""

from __future__ import annotations

import hashlib
import io
import sqlite3
import sys
from contextlib import redirect_stdout
from pathlib import Path
from time import perf_counter

from rebuild import fold

from logbook.cli.run import run
from logbook.journal.entry import decode


def loop(store: Path) -> float:
    """Seconds for the least that looks at every byte."""
    start = perf_counter()
    connection = sqlite3.connect(store)
    for (body,) in connection.execute("SELECT body FROM entry ORDER BY writer, seq, id"):
        decode(body)
        hashlib.sha256(body).digest()
    connection.close()
    return perf_counter() - start


def both(store: Path) -> float:
    """Seconds for what a full check has to do."""
    start = perf_counter()
    with redirect_stdout(io.StringIO()):
        assert run(["verify", "--chain"]) == 0
    return perf_counter() - start + fold(store)


if __name__ == "__main__":
    print({"loop": loop, "both": both}[sys.argv[1]](Path(sys.argv[2])))
