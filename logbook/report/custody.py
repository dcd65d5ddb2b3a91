"""The sample log in words: a row for bags that stand alike, or all steps of one; as a document."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from logbook.study.samplelog import PULLED, SENT
from logbook.trial.ranges import compact
from logbook.trial.records import RECEIVED
from logbook.trial.times import spoken_day

if TYPE_CHECKING:
    from logbook.study.samplelog import Event, LogLine, Tracked
    from logbook.study.usual import Usual


def rows(
    lines: Sequence[LogLine], usual: Mapping[str, Usual], *, steps: bool, each: bool
) -> Iterator[str]:
    """The lines of a screen: bags of one pull that stand alike in one row, unless `each`.

    steps: all that happened to each bag, too.
    """
    if steps:
        for line in lines:
            yield f"  {_whose(line)}: {_standing(line)}"
            yield from (f"    {_step(one)}" for one in line.events)
    else:
        yield from _pulls(lines, each)
    awaited = [one for line in lines for one in line.analyses if one.days is not None]
    if awaited:
        late = sum(one.late for one in awaited)
        tail = f", {late} of them late" if late else ""
        yield f"Awaited: {len(awaited)} result{'s' * (len(awaited) != 1)}{tail}."
    for lab, found in usual.items():
        if found.days is None:
            yield f"How long {lab} usually takes is not known yet; the protocol may say usual_days."
        else:
            yield f"{lab} usually takes {found.days:g} d, {found.how}."


def _pulls(lines: Sequence[LogLine], each: bool) -> Iterator[str]:
    """A heading for each pull, and below it its bags, those that stand alike together."""
    together = False
    pulls: dict[str, list[LogLine]] = {}
    for line in lines:
        # By day and bed, lines of two pulls of one day come in turns.
        pulls.setdefault(_heading(line), []).append(line)
    for heading, of_pull in pulls.items():
        yield heading
        alike: dict[tuple[str, ...], list[LogLine]] = {}
        for line in of_pull:
            apart = line.bag.code if each or line.bag.blind else ""
            alike.setdefault((apart, line.bag.kind, _standing(line)), []).append(line)
        for several in alike.values():
            together = together or len(several) > 1
            yield f"  {_bags(several)}: {_standing(several[0])}"
    if together:
        yield "Bags that stand alike are in one row; --each lists each with its code."


def _bags(alike: Sequence[LogLine]) -> str:
    """One bag by its code, several by their beds: `B1-B15 chilled: 15 bags, 30 analyses`."""
    bag = alike[0].bag
    if len(alike) == 1:
        return _whose(alike[0])
    labels = compact(dict.fromkeys(one.bag.label for one in alike))
    count = sum(len(one.analyses) for one in alike)
    many = f"{count} analys{'es' if count != 1 else 'is'}" if count else ""
    told = ", ".join(part for part in (f"{len(alike)} bags", many) if part)
    return f"{labels}{f' {bag.kind}' if bag.kind else ''}: {told}"


def _heading(line: LogLine) -> str:
    bag = line.bag
    return "blind codes" if bag.blind else f"{bag.name}, pulled {spoken_day(bag.pulled.day)}"


def _whose(line: LogLine) -> str:
    bag = line.bag
    if bag.blind:
        return f"{bag.code}  blind {bag.kind} of {bag.of}"
    return f"{bag.code}  {bag.label}{f' {bag.kind}' if bag.kind else ''}"


def _standing(line: LogLine) -> str:
    """Where each analysis stands; those that stand alike are named together."""
    if not line.analyses:
        return "for no analysis"
    groups: dict[str, list[str]] = {}
    for one in line.analyses:
        groups.setdefault(_state(one), []).append(one.analysis)
    if len(groups) == 1:
        return next(iter(groups))
    return "; ".join(f"{', '.join(names)} {state}" for state, names in groups.items())


def _state(one: Tracked) -> str:
    since = "" if one.since is None or one.state == PULLED else f" {spoken_day(one.since.day)}"
    by = f" by {one.by}" if one.by else ""
    if one.days is None:
        return f"{one.state}{since}{by}"
    verb = "awaited" if one.state in (SENT, RECEIVED) else f"{one.state}, awaited"
    late = ", late" if one.late else ""
    how_long = f"for {one.days} d" if one.days else "since today"
    return f"{verb} {how_long}{late} ({one.state}{since}{by})"


def _step(one: Event) -> str:
    what = f" {one.analysis}" if one.analysis else ""
    by = f", {one.by}" if one.by else ""
    text = f": {one.text}" if one.text else ""
    return f"{one.when.spoken}  {one.state}{what}{by}{text}"


def document(
    lines: Iterable[LogLine], usual: Mapping[str, Usual], notes: Sequence[str]
) -> dict[str, Any]:
    """The sample log for JSON."""
    return {
        "samples": [_line(one) for one in lines],
        "laboratories": [
            {"name": lab, "usual_days": found.days, "known_from": found.how or None}
            for lab, found in usual.items()
        ],
        "notes": list(notes),
    }


def _line(line: LogLine) -> dict[str, Any]:
    """A line of the log for JSON."""
    bag = line.bag
    return {
        "sample": bag.code,
        "pull": bag.pull or None,
        "kind": bag.kind or "whole",
        "of": bag.of or None,
        "bed": bag.label or None,
        "for": bag.name or None,
        "pulled": None if bag.kind == "reference" else bag.pulled.text,
        "shipment": line.shipment or None,
        "lab": line.lab or None,
        "sent": line.shipped.text if line.shipped else None,
        "analyses": [
            {
                "nutrient": one.analysis,
                "method": one.method or None,
                "state": one.state,
                "since": one.since.text if one.since else None,
                "by": one.by or None,
                "days": one.days,
                "late": one.late,
            }
            for one in line.analyses
        ],
        "events": [
            {
                "state": one.state,
                "when": one.when.text,
                "by": one.by or None,
                "nutrient": one.analysis or None,
                "text": one.text or None,
            }
            for one in line.events
        ],
    }
