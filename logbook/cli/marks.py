"""What may be marked: a mark that says nothing new, or that cannot be, is told and not written."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from logbook.errors import UserMistake
from logbook.study.samplelog import KEEPING, REPORTED, STRUCK
from logbook.study.shipped import few
from logbook.trial import records

if TYPE_CHECKING:
    from logbook.study.samplelog import LogLine
    from logbook.trial.times import When

_ANSWERED = (REPORTED, records.QUERIED, records.ACCEPTED, STRUCK)


@dataclass(frozen=True)
class Mark:
    """A bag, or one analysis on it ("": the whole bag)."""

    code: str
    analysis: str

    @property
    def named(self) -> str:
        """As it is said: `CODE`, `CODE nitrate-N`."""
        return f"{self.code} {self.analysis}".strip()


def fitting(
    state: str,
    marks: Sequence[Mark],
    lines: Mapping[str, LogLine],
    at: When,
    doubted: Collection[tuple[str, str]],
) -> tuple[list[Mark], list[str]]:
    """The marks to write, and what is said of those that are left out.

    lines: of each bag, by code; doubted: code and nutrient of what is in no curve for a question.
    Raises UserMistake for a mark that cannot be, or if none is left.
    """
    for one in marks:
        _refuse_time(state, one, lines[one.code], at)
        _refuse_drier(state, one, lines[one.code])
        if state == records.ACCEPTED:
            _refuse_accepting(one, lines[one.code], doubted)
    kept, said = list(marks), []
    if state == records.LOST:
        kept = [part for one in marks for part in _not_reported(one, lines[one.code])]
        gone = [one for one in marks if one not in kept]
        if gone:
            here = sorted({one.code for one in gone})
            said.append(f"reported already: {len(here)} ({few(here)})")
    again = [one for one in kept if _is_so(state, one, lines[one.code])]
    if again:
        said.append(f"{state} already: {few([one.named for one in again])}")
    left = [one for one in kept if one not in again]
    if not left:
        raise UserMistake(f"{'; '.join(said)}; nothing was written", "logbook lab log shows them")
    return left, said


def _refuse_time(state: str, one: Mark, line: LogLine, at: When) -> None:
    bag = line.bag
    if bag.kind != "reference" and _before(at, bag.pulled):
        raise UserMistake(
            f"{one.code} was pulled on {bag.pulled.spoken}, after {at.spoken}",
            "say when it was: --when",
        )
    if state == records.RECEIVED and line.shipped and _before(at, line.shipped):
        raise UserMistake(
            f"{one.code} was sent on {line.shipped.spoken}, so it cannot be received before",
            "say when it was: --when",
        )
    last = _last_report(line)
    if state in (*KEEPING, records.PACKED) and last and _before(last, at):
        raise UserMistake(
            f"{one.code} was reported on {last.spoken}: it cannot be {state} after that",
            "say when it was: --when",
        )


def _before(one: When, other: When) -> bool:
    """Whether it was earlier for certain: by the hour where both are known."""
    if one.instant and other.instant:
        return one.instant < other.instant
    return one.day < other.day


def _last_report(line: LogLine) -> When | None:
    """When the last result came in, once every analysis has one."""
    if not line.analyses or any(one.state not in _ANSWERED for one in line.analyses):
        return None
    came = [one.when for one in line.events if one.state == REPORTED]
    return max(came, key=lambda when: when.text) if came else None


def _refuse_drier(state: str, one: Mark, line: LogLine) -> None:
    kept = line.stages[-1]
    if state in (records.FROZEN, records.CHILLED) and kept.state == records.DRIED:
        raise UserMistake(
            f"{one.code} is air-dried since {kept.since.spoken}: no cold undoes what drying did to "
            f"its nitrogen, so it is not {state}",
            "if it was never dried, strike that: logbook history BED lists the act",
        )


def _refuse_accepting(one: Mark, line: LogLine, doubted: Collection[tuple[str, str]]) -> None:
    """Only a result is accepted, and one that is in question by an answer to the query.

    A re-run that is awaited in vain ends so, where a re-issue gave another number instead.
    """
    wanted = [one.analysis] if one.analysis else [each.analysis for each in line.analyses]
    came = {each.analysis for each in line.events if each.state == REPORTED}
    for name in wanted:
        if name not in came:
            raise UserMistake(
                f"{one.code} {name}: no result to accept yet",
                f"logbook lab results --sample {one.code} lists those that are here",
            )
        if (one.code, name) in doubted:
            raise UserMistake(
                f"{one.code} {name} is in question: a query is answered with its reason",
                f"logbook lab answer {one.code}:{name} accept --reason TEXT",
            )
    if not wanted:
        raise UserMistake(f"{one.code}: no result to accept yet", "logbook lab log")


def _not_reported(one: Mark, line: LogLine) -> Iterator[Mark]:
    """The mark, or of a bag that is reported in part those of its other analyses."""
    came = {each.analysis for each in line.events if each.state == REPORTED}
    if one.analysis:
        if one.analysis not in came:
            yield one
    elif not came:
        yield one
    else:
        rest = [each.analysis for each in line.analyses if each.analysis not in came]
        yield from (Mark(one.code, name) for name in rest)


def _is_so(state: str, one: Mark, line: LogLine) -> bool:
    """Whether the bag, or the analysis, is marked so and nothing of the kind came since."""
    of: Collection[str] = KEEPING if state in KEEPING else (state,)
    own = [each for each in line.events if each.analysis in ("", one.analysis)]
    if state == records.ACCEPTED:
        stands = [a.state for a in line.analyses if one.analysis in ("", a.analysis)]
        return bool(stands) and all(each == records.ACCEPTED for each in stands)
    marked = [each.state for each in own if each.state in of]
    return bool(marked) and marked[-1] == state
