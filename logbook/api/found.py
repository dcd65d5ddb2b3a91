"""What a trial says of one amendment, as a notebook shows it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import pandas as pd

from logbook.api import shown
from logbook.api.frames import FINDINGS, frame
from logbook.study.findings import content


@dataclass(frozen=True, repr=False, eq=False)
class Findings:
    """All that a trial says of one amendment; `found` holds all there is, `table` its sentences.

    `print(findings)` says it in a grower's words, how far it goes first.
    """

    found: content.Findings

    @property
    def treatment(self) -> str:
        """The treatment's code."""
        return self.found.treatment

    @property
    def reach(self) -> tuple[str, ...]:
        """How far any of it goes: lot, rate, soil, conditions, beds, days."""
        return self.found.reach

    @property
    def cautions(self) -> tuple[str, ...]:
        """What to mind with this material."""
        return self.found.cautions

    @property
    def table(self) -> pd.DataFrame:
        """A row for each sentence with its number and range: `columns("findings")`."""
        return frame(FINDINGS, (_row(self.treatment, one) for one in self.found.findings))

    def __repr__(self) -> str:
        count = len(self.found.findings)
        return shown.lines(f"<Findings on {self.treatment}: {count} sentence{'s' * (count != 1)}>")

    def __str__(self) -> str:
        return shown.lines(self._heading(), *self._reach(), *self._sentences(), *self._after())

    def _repr_html_(self) -> str:
        table = self.table[["topic", "sentence", "design"]]
        return shown.page(self._heading(), self._after(), table, before=self._reach())

    def _heading(self) -> str:
        return f"{self.found.trial}: {self.treatment} ({self.found.name})"

    def _reach(self) -> Iterator[str]:
        yield from (f"Reach: {one}." for one in self.found.reach)
        if self.found.endpoint:
            yield f"Declared beforehand: {self.found.endpoint}."

    def _sentences(self) -> Iterator[str]:
        for one in self.found.findings:
            yield f"  {one.sentence}"

    def _after(self) -> Iterator[str]:
        yield from (f"To settle it: {one}." for one in self.found.settle)
        yield from (f"Caution: {one}." for one in self.found.cautions)
        yield from (f"Note: {one}." for one in self.found.notes)


def _row(treatment: str, one: content.Finding) -> tuple[Any, ...]:
    """One sentence as a row of FINDINGS."""
    return (
        treatment,
        one.topic,
        one.about,
        one.kind,
        one.sentence,
        one.value,
        one.low,
        one.high,
        one.unit,
        one.design,
        one.pull,
        one.declared,
        one.detectable,
        one.planned,
        one.method,
        one.treated,
        one.control,
        one.chance,
        one.source,
    )
