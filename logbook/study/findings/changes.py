"""What limits the curves: methods that changed on the way, results left out, beds that suffered."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from itertools import groupby
from typing import TYPE_CHECKING

from logbook.study.findings.content import Finding, listed
from logbook.study.placing import NOT_RANDOMISED
from logbook.study.queries import QUERIED
from logbook.study.samples import MINERAL_N
from logbook.study.series import APART
from logbook.trial.ranges import compact

if TYPE_CHECKING:
    from logbook.study.series import Series


def of_methods(mine: Sequence[Series]) -> Iterator[Finding]:
    """A sentence for each nutrient that was measured in more than one comparable way.

    mine: the series of one treatment, those of a nutrient beside each other or not.
    """
    by_analyte: dict[str, list[Series]] = {}
    for one in mine:
        if one.rows:
            by_analyte.setdefault(one.analyte, []).append(one)
    parts_told = len(by_analyte.get(MINERAL_N, ())) > 1
    for analyte, some in by_analyte.items():
        if len(some) < 2 or (parts_told and analyte in ("nitrate-N", "ammonium-N")):
            continue
        ways = [f"{_way(one, some)} {_on(one)}" for one in sorted(some, key=_first)]
        apart = "; the one with the most pulls is read here" if analyte == MINERAL_N else ""
        yield Finding(
            topic="nitrogen" if analyte == MINERAL_N else "nutrients",
            about=analyte,
            kind="cannot say",
            sentence=(
                f"{analyte}: cannot say how it went on: methods changed ({'; '.join(ways)}); each "
                f"is read by itself{apart}"
            ),
        )


def _first(one: Series) -> float:
    return min(row.difference.day for row in one.rows)


def _way(one: Series, some: Sequence[Series]) -> str:
    """The method, and what else sets it apart from the others."""
    told = [one.method]
    for name in ("lab", "basis", "unit"):
        if len({getattr(other, name) for other in some}) > 1:
            told.append(getattr(one, name))
    return ", ".join(told)


def _on(one: Series) -> str:
    names = [row.name for row in one.rows]
    return (
        f"on {names[0]}" if len(names) == 1 else f"on {len(names)} pulls, {names[0]} to {names[-1]}"
    )


def limits(mine: Sequence[Series]) -> Iterator[str]:
    """The notes of all curves, each once; with its nutrients where it is not of mineral N."""
    owners: dict[str, list[str]] = {}
    for one in mine:
        for note in _together(one):
            owners.setdefault(note, []).append(one.analyte)
    told: set[str] = set()
    for note, analytes in owners.items():
        subject = note.partition(":")[0]
        if MINERAL_N in analytes:
            told.add(subject)
            yield note
        # What is in question of one nutrient says nothing of another.
        elif subject not in told or note.startswith(QUERIED):
            told.add(subject)
            yield f"{listed([name for name, _ in groupby(analytes)])}: {note}"


def _together(one: Series) -> Iterator[str]:
    """The notes of a curve that findings tell; what is said of several beds alike, once."""
    beds = {found.bed for row in one.rows for found in row.observations}
    beside = () if one.analyte == MINERAL_N else one.points.left_out
    alike: dict[str, list[str]] = {}
    for note in _daily(map(_unsigned, one.notes)):
        told = note.endswith((NOT_RANDOMISED, APART)) or _PLANTED in note
        if told or note in beside:
            continue
        first, _, rest = note.partition(" ")
        alike.setdefault(rest if first in beds else note, []).append(first)
    for rest, labels in alike.items():
        if rest.split(" ")[0] == labels[0] and labels[0] not in beds:
            yield rest
        elif len(labels) == 1:
            yield f"{labels[0]} {rest}"
        else:
            said = rest.removeprefix("was ").removeprefix("is ").replace(" of it ", " of each ")
            yield f"{compact(labels)} {said}"


_DAY = re.compile(r"^(?:day [\d.]+|before)(?=: |, )")


def _daily(notes: Iterable[str]) -> Iterator[str]:
    """The notes; what is said of several pulls in like words, once: "on 6 pulls: ..."."""
    every = list(dict.fromkeys(notes))
    rests = Counter(_DAY.sub("", note) for note in every if _DAY.match(note))
    told: set[str] = set()
    for note in every:
        rest = _DAY.sub("", note)
        if rest == note or rests[rest] < 2:
            yield note
        elif rest not in told:
            told.add(rest)
            yield f"on {rests[rest]} pulls{rest}"


_PLANTED = ": planted ("  # of a pull; that beds were sown is said of the beds
_BY = re.compile(r"(?<=\S); [^;()]+\)$")


def _unsigned(note: str) -> str:
    """A note on what was struck without who struck it: findings name no one."""
    return _BY.sub(")", note) if note.startswith("struck and left out: ") else note
