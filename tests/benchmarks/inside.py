"""Run a command of the program in this process and print its seconds, those of its start left out.

python inside.py WORDS...
"""

from __future__ import annotations

import io
import sys
from contextlib import redirect_stdout
from time import perf_counter

from logbook.cli.run import run

if __name__ == "__main__":
    start = perf_counter()
    with redirect_stdout(io.StringIO()):
        code = run(sys.argv[1:])
    if code:
        sys.exit(code)
    print(perf_counter() - start)
