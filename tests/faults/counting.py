"""How often a fault is tried, and what became of it.

`--faults tenth` (the default) tries each fault a tenth as often as `--faults full`. With
`--figures FILE`, every count of a run is added to FILE as a line of JSON, from which
`tests.faults.figures` makes docs/reliability.md: no figure there is typed by a person.
"""

from __future__ import annotations

import json
import random
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest


@dataclass
class Count:
    """One fault, tried `asked` times; `passed` counts those that ended as they must."""

    number: str
    fault: str
    how: str
    asked: int
    rng: random.Random
    passed: int = 0
    saw: Counter[str] = field(default_factory=Counter)

    def record(self, share: str) -> dict[str, Any]:
        """What the page of figures needs."""
        return {
            "number": self.number,
            "fault": self.fault,
            "how": self.how,
            "asked": self.asked,
            "passed": self.passed,
            "saw": dict(self.saw),
            "faults": share,
        }


@dataclass(frozen=True)
class Counting:
    """How often a run tries its faults, and where it writes what it saw."""

    share: str
    figures: Path | None = None

    def of(self, full: int) -> int:
        """How often to try what the full run tries `full` times; at least once."""
        return full if self.share == "full" else max(1, full // 10)

    @contextmanager
    def fault(
        self, number: str, fault: str, how: str, full: int, *, always: bool = False
    ) -> Iterator[Count]:
        """Try a fault `count.asked` times, adding to `count.passed` each time that it passes.

        `number` is the fault's place in the list, "1" to "25"; `fault` and `how` are the words of
        the table. With `always`, no run tries it less often. `count.rng` is seeded by the words,
        so that a run can be repeated; `count.saw["..."]` counts whatever else the table should
        tell. A block that ends with fewer passed than asked fails. Written down either way.
        """
        seed = f"{number} {fault} {how}"
        count = Count(number, fault, how, full if always else self.of(full), random.Random(seed))
        try:
            yield count
            assert count.passed == count.asked, count
        finally:
            self._write(count.record(self.share))

    def must_have_seen(self, count: Count, *what: str) -> None:
        """Of a full run: each of these happened, so that no kind of moment was left out."""
        unseen = [one for one in what if not count.saw[one]]
        assert not unseen or self.share != "full", (unseen, count)

    def _write(self, record: dict[str, Any]) -> None:
        if self.figures is None:
            return
        # One short line, written at once: several processes may add to the file.
        with self.figures.open("a", encoding="utf-8") as file:
            file.write(json.dumps(record, sort_keys=True) + "\n")


@pytest.fixture
def counting(request: pytest.FixtureRequest) -> Counting:
    """How often this run tries its faults."""
    figures = request.config.getoption("--figures")
    if figures is None:
        return Counting(request.config.getoption("--faults"))
    return Counting(
        request.config.getoption("--faults"), request.config.invocation_params.dir / figures
    )
