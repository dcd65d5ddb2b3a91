"""Writes docs/reliability.md from the counts of a run: `python -m tests.faults.figures FILE ...`.

The counts come from `pytest ... --figures FILE` (tests/faults/counting.py); only the date and the
machine are told by hand.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

PAGE = Path(__file__).resolve().parents[2] / "docs" / "reliability.md"
COMMAND = (
    'pytest tests/faults tests/sync -m "long or not long" --faults full --figures figures.jsonl'
)

INTRODUCTION = """\
# Reliability

What was done to the program on purpose, how often, and what became of it. Faults are real where a
test can make them real: processes are killed by SIGKILL, limits of the system stop a file from
growing, another account lacks the rights, a pseudo-terminal captures what is printed. A power cut
is made of the writes that SQLite itself did, noted one by one: what was synced is there, the rest
is done in any order, torn or lost. A failing disk is SQLite's own file layer told to fail.

Passed means: nothing acknowledged is lost, nothing is there twice or by half, damage is reported,
`verify` finds a store as it must be, and whatever is refused is refused in one sentence with exit
code 2. The store promises this on a disk that keeps what it said it had synced; a disk that lies
about that can damage any database, which is why a test shows that such a disk is noticed here.

"""

HOW = """\

## Run them again

CI tries each kill and flip a tenth as often (`pytest -m long`). All of it, and this page from it:

```text
{command}
python -m tests.faults.figures figures.jsonl --date {date}
```

Every choice is seeded; moments of a kill still differ from run to run, as the machine's speed does.
What each test does is in `tests/faults` (one machine's store) and `tests/sync` (several machines).
"""

SHARES = {
    frozenset({"full"}): "all counts",
    frozenset({"tenth"}): "a tenth of the counts",
    frozenset({"full", "tenth"}): "all counts of some faults, a tenth of others",
}


@dataclass
class Row:
    """A fault and a way to make it, over all tests that tried it so."""

    asked: int = 0
    passed: int = 0
    saw: Counter[str] = field(default_factory=Counter)


def rows(records: Iterable[dict[str, Any]]) -> dict[tuple[int, str, str], Row]:
    """The counts of a run, those of the same words added up, in the order of the numbers."""
    found: dict[tuple[int, str, str], Row] = {}
    for one in records:
        row = found.setdefault((int(one["number"]), one["fault"], one["how"]), Row())
        row.asked += one["asked"]
        row.passed += one["passed"]
        row.saw.update(one["saw"])
    return dict(sorted(found.items()))


def page(records: list[dict[str, Any]], date: str, machine: str) -> str:
    """The whole page in Markdown."""
    counts = SHARES[frozenset(one["faults"] for one in records)]
    lines = [f"Run of {date}, {counts}{f', on {machine}' if machine else ''}.", ""]
    lines += ["| no. | fault | how | asked | passed | seen |", "|--:|---|---|--:|--:|---|"]
    for (number, fault, how), row in rows(records).items():
        seen = "; ".join(f"{count:,} {what}" for what, count in sorted(row.saw.items()))
        cells = [str(number), fault, how, f"{row.asked:,}", f"{row.passed:,}", seen]
        lines.append(f"| {' | '.join(cell.replace('|', '/') for cell in cells)} |")
    return INTRODUCTION + "\n".join(lines) + "\n" + HOW.format(command=COMMAND, date=date)


def main(arguments: list[str] | None = None) -> None:
    """Write the page; a run with a fault that did not pass is written down, and ends with 1."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("figures", type=Path, help="what a run wrote by --figures")
    parser.add_argument("--date", required=True, help="the day of the run, 2026-11-29")
    parser.add_argument("--machine", default="", help="what it ran on, in a few words")
    given = parser.parse_args(arguments)
    lines = given.figures.read_text(encoding="utf-8").splitlines()
    records = [json.loads(line) for line in lines]
    PAGE.write_text(page(records, given.date, given.machine), encoding="utf-8")
    if any(one["passed"] != one["asked"] for one in records):
        sys.exit("not every fault passed")


if __name__ == "__main__":
    main()
