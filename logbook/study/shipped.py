"""Treated and control on their way: bags of one pull that were sent apart, or not kept alike."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, tzinfo
from typing import TYPE_CHECKING

from logbook.store import views
from logbook.study.samples import Sample, samples
from logbook.trial import holding
from logbook.trial.holding import Limit
from logbook.trial.ranges import compact
from logbook.trial.records import CHILLED, DRIED
from logbook.trial.times import When, spoken_day

if TYPE_CHECKING:
    import sqlite3

    from logbook.study.samplelog import LogLine


@dataclass(frozen=True)
class Split:
    """Treated beds whose bags of one pull went in a shipment without a control of theirs."""

    name: str
    treatments: frozenset[str]
    analytes: frozenset[str]
    treated: tuple[str, ...]
    shipments: tuple[str, ...]

    @property
    def sentence(self) -> str:
        """What the curve says of it."""
        return (
            f"treated and control of {self.name} went to the laboratory in different shipments "
            f"({compact(self.treated)}; shipments {', '.join(self.shipments)}): what differs "
            "between two days there looks like a difference between treatments"
        )


def split_pulls(
    store: sqlite3.Connection, trial: str, pulled: Sequence[Sample] | None = None
) -> list[Split]:
    """Pulls of which treated beds went to the laboratory in another shipment than their controls.

    A control of the same block counts where it has one, else any. A control that was not sent yet
    says nothing. `pulled` are the trial's samples, where the caller has them.
    """
    rows = store.execute(
        "SELECT x.sample, s.code, x.analyses FROM shipment s "
        f'CROSS JOIN sent x ON {views.OF_SHIPMENT} WHERE s.trial = ? ORDER BY s."when"',
        (trial,),
    ).fetchall()
    if not rows:
        return []
    parts = store.execute(
        f"SELECT code, pull FROM part WHERE pull IN (SELECT id FROM pull WHERE {views.OF_TRIAL})",
        (trial,),
    )
    whole = dict(parts.fetchall())
    known = {one.code: one for one in (samples(store, trial) if pulled is None else pulled)}
    shipped: dict[tuple[str, str], dict[str, str]] = {}
    for code, shipment, asked in rows:
        sample = known.get(whole.get(code, code))
        if sample is None or not sample.names:
            continue
        for analyte in json.loads(asked):
            of_pull = shipped.setdefault((" and ".join(sample.names), analyte), {})
            of_pull[sample.code] = shipment
    return _splits(shipped, known)


def _splits(
    shipped: Mapping[tuple[str, str], Mapping[str, str]], known: Mapping[str, Sample]
) -> list[Split]:
    found: dict[tuple[str, tuple[str, ...]], tuple[set[str], list[Sample]]] = {}
    for (name, analyte), went in shipped.items():
        controls = [known[code] for code in went if known[code].control]
        apart = []
        for code, shipment in went.items():
            if known[code].control:
                continue
            mine = [one for one in controls if one.block == known[code].block] or controls
            if mine and all(went[one.code] != shipment for one in mine):
                apart.append(known[code])
        if apart:
            codes = tuple(dict.fromkeys(went[one.code] for one in (*apart, *controls)))
            analytes, _ = found.setdefault((name, codes), (set(), apart))
            analytes.add(analyte)
    return [
        Split(
            name,
            frozenset(one.treatment for one in apart),
            frozenset(analytes),
            tuple(one.label for one in apart),
            codes,
        )
        for (name, codes), (analytes, apart) in found.items()
    ]


def unlike_keeping(lines: Iterable[LogLine]) -> list[str]:
    """Where treated and control of one pull were not kept alike, so that drying alone may differ.

    Only bags for nitrate or ammonium count. A control of the same block counts where it has one,
    else any: whole blocks may be dried on different days. A sentence for each pull.
    """
    pulls: dict[str, list[LogLine]] = {}
    for line in lines:
        if not line.bag.blind and set(line.bag.analyses) & set(holding.QUICK):
            pulls.setdefault(line.bag.name, []).append(line)
    told = []
    for name, of_pull in pulls.items():
        controls = [one for one in of_pull if one.bag.control]
        treated = [one for one in of_pull if not one.bag.control]
        if controls and any(_apart(one, controls) for one in treated):
            told.append(
                f"{name}: the control ({_kept(controls)}) and the treated beds ({_kept(treated)}) "
                "were not kept alike: drying alone adds about 4 mg/kg of ammonium-N (Nelson & "
                "Bremner 1972), which would look like a release"
            )
    return told


def _apart(treated: LogLine, controls: Sequence[LogLine]) -> bool:
    """Whether a bag was kept otherwise than a control that it is compared with."""
    mine = [one for one in controls if one.bag.block == treated.bag.block] or controls
    return {_way(one) for one in mine} != {_way(treated)}


def _way(line: LogLine) -> tuple[str, date | None]:
    """How a bag was kept until its nitrogen was measured, and the day on which it was dried."""
    last = line.stages_until_reported(holding.QUICK)[-1]
    return last.state, last.since.day if last.state == DRIED else None


def _kept(lines: Iterable[LogLine]) -> str:
    """`B2, B5 air-dried on Mon 16 Mar 2026; B9 moist`."""
    ways: dict[tuple[str, date | None], list[str]] = {}
    for one in lines:
        ways.setdefault(_way(one), []).append(one.bag.label)
    return "; ".join(
        f"{compact(labels)} {state}{'' if day is None else f' on {spoken_day(day)}'}"
        for (state, day), labels in sorted(ways.items(), key=lambda way: str(way[0]))
    )


def behind(log: Sequence[LogLine], lines: Sequence[LogLine]) -> Iterator[str]:
    """Bags of the same pull and kind that stay, where treated and control are parted by it."""
    going = {one.bag.code for one in lines}
    for name, kind in dict.fromkeys((one.bag.name, one.bag.kind) for one in lines):
        of = [one for one in log if (one.bag.name, one.bag.kind) == (name, kind)]
        left = [one for one in of if one.bag.code not in going and one.open]
        if left:
            labels = compact(one.bag.label for one in left)
            controls = all(one.bag.control for one in left)
            if len(left) == 1:
                side, stays = "the control" if controls else "the bag", "stays"
            else:
                side, stays = "the controls" if controls else "bags", "stay"
            yield (
                f"{name}: {side} of {labels} {stays} behind: treated and control of one pull "
                "belong in one shipment, or a change between two days at the laboratory looks like "
                "a difference between treatments"
            )


def waited(
    asked: Iterable[tuple[LogLine, Sequence[str]]], at: When, place: tzinfo
) -> Iterator[str]:
    """Analyses whose holding time is over at `at`, or may be; until when others must be made.

    `asked` are bags, each with the analyses that are wanted of it.
    """
    over: dict[tuple[str, bool, Limit], dict[str, set[str]]] = {}
    soon: dict[tuple[str, datetime], set[str]] = {}
    for line, names in asked:
        waits = holding.waits(line.bag.pulled, line.stages, names, at, place)
        for one in waits:
            group = over.setdefault((one.state, one.certain, one.limit), {})
            group.setdefault(one.analyte, set()).add(line.bag.code)
        state, late = line.stages[-1].state, {one.analyte for one in waits}
        for name in set(names) & set(holding.QUICK) - late:
            if state in (holding.MOIST, CHILLED):
                until = holding.last_moment(line.bag.pulled, state, name, place)
                soon.setdefault((state, until), set()).add(name)
    for (state, certain, limit), found in over.items():
        how = "is over" if certain else "may be over (only the day is known)"
        bags = sorted(set().union(*found.values()))
        yield (
            f"{', '.join(sorted(found))} of {state} soil: the holding time of "
            f"{holding.spoken(limit.longest)} {how} for {few(bags)} ({limit.source})"
        )
    for (state, until), quick in soon.items():
        local = until.astimezone(place)
        last = When(local.date(), local).spoken
        yield f"{', '.join(sorted(quick))} of {state} soil must be measured by {last}"


def few(bags: Sequence[str], most: int = 5) -> str:
    """`CODE, CODE and 7 more`."""
    more = f" and {len(bags) - most} more" if len(bags) > most else ""
    return f"{', '.join(bags[:most])}{more}"
