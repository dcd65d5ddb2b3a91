"""The sample log: each bag and each analysis on it, where it is, since when, and who said so.

Pulled, sent and reported follow from pulls, shipments and results; what was done in between is
written down (`records.Handling`), what is doubted is a `records.Query`. Partial reports are normal:
every analysis has a state of its own.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import TYPE_CHECKING

from logbook.store import asking, awaiting, reported, views
from logbook.study.bags import Bag, bags, blinds
from logbook.study.usual import Usual, usual_days
from logbook.trial import holding, records
from logbook.trial.holding import Stage
from logbook.trial.records import ACCEPTED, LOST, PACKED, QUERIED, RECEIVED, RERUN
from logbook.trial.times import When

if TYPE_CHECKING:
    import sqlite3

    from logbook.store.views import Found

PULLED, SENT, REPORTED, STRUCK = "pulled", "sent", "reported", "struck"
# Of what was judged at one time of one result, the last one here stands: a re-run is awaited.
JUDGED = (QUERIED, ACCEPTED, RERUN, STRUCK)
_SETTLED = (REPORTED, QUERIED, ACCEPTED, LOST, STRUCK)
KEEPING = tuple(holding.KEPT.values())
# What comes first of one day, where no hour is known.
_ORDER = {
    name: place
    for place, names in enumerate(
        ((PULLED,), (*KEEPING, PACKED), (SENT,), (RECEIVED,), (LOST,), (REPORTED,), JUDGED)
    )
    for name in names
}


@dataclass(frozen=True)
class Event:
    """Something that happened to a bag, or to one analysis on it ("": the whole bag).

    `marked`: accepted by a mark, which ends the waiting for a re-run asked for until that day.
    """

    state: str
    when: When
    by: str
    analysis: str = ""
    text: str = ""
    marked: bool = False

    @property
    def order(self) -> tuple[date, int, str, int]:
        """Where it stands among what happened."""
        if self.state not in JUDGED:
            return (self.when.day, _ORDER[self.state], self.when.text, 0)
        # Without an hour it was said of the whole day, at its end; by a mark, after all of it.
        text = self.when.text if self.when.instant else f"{self.when.text}~"
        text = f"{self.when.day}~~" if self.marked else text
        return (self.when.day, _ORDER[self.state], text, JUDGED.index(self.state))


@dataclass(frozen=True)
class Tracked:
    """One analysis on a bag: where it stands.

    `days` since it was sent or a re-run was asked for, while it is awaited.
    """

    analysis: str
    method: str
    state: str
    since: When | None
    by: str
    days: int | None = None
    late: bool = False


@dataclass(frozen=True)
class LogLine:
    """A bag with all that happened to it, in order, and its analyses. `shipment` is its code."""

    bag: Bag
    events: tuple[Event, ...]
    analyses: tuple[Tracked, ...]
    shipment: str = ""
    shipped: When | None = None
    lab: str = ""

    @property
    def open(self) -> bool:
        """Whether it waits: not sent, lost or answered yet."""
        return not self.shipment and not any(
            one.state in (LOST, REPORTED, *JUDGED) for one in self.analyses
        )

    @property
    def stages(self) -> list[Stage]:
        """How the bag was kept, from its pull on."""
        first = Stage(holding.KEPT.get(self.bag.kind, holding.MOIST), self.bag.pulled)
        later = [Stage(one.state, one.when) for one in self.events if one.state in KEEPING]
        return [first, *later]

    def stages_until_reported(self, names: Collection[str]) -> list[Stage]:
        """How the bag was kept until the first result of one of these analyses came in."""
        came = [o.when.day for o in self.events if o.state == REPORTED and o.analysis in names]
        until = min(came, default=date.max)
        return [one for place, one in enumerate(self.stages) if not place or one.since.day <= until]


@dataclass(frozen=True)
class Late:
    """Results of a shipment that take longer than usual: how many, for how long, how known.

    `again`: re-runs, whose days count from the day on which the first was asked for.
    """

    shipment: str
    lab: str
    results: int
    days: int
    usual_days: float
    known_from: str
    again: bool = False

    @property
    def spoken(self) -> str:
        """`12 results of shipment K7M3QX4R are late, 6 d since it was sent`."""
        return late_words([self], f"shipment {self.shipment}")


def late_words(several: Sequence[Late], of: str) -> str:
    """How many results are late and for how long, first ones or re-runs; of: their shipments."""
    count, days = sum(one.results for one in several), max(one.days for one in several)
    what = "re-run" if several[0].again else "result"
    many = f"1 {what} of {of} is late" if count == 1 else f"{count} {what}s of {of} are late"
    if several[0].again:
        since = f"{'it' if count == 1 else 'the first'} was asked for"
    else:
        since = f"{'it' if len(several) == 1 else 'the first'} was sent"
    return f"{many}, {days} d since {since}"


@dataclass
class _Told:
    """What the book says of bags, by code; events in the order in which they happened.

    `moot` are questions that need no answer any more.
    """

    events: dict[str, list[Event]] = field(default_factory=dict)
    sent: dict[str, tuple[records.Sent, records.Shipment]] = field(default_factory=dict)
    reported: dict[str, dict[str, list[tuple[int, Event]]]] = field(default_factory=dict)
    asked: dict[tuple[str, str], Event] = field(default_factory=dict)
    pulled_by: dict[str, str] = field(default_factory=dict)
    moot: set[Event] = field(default_factory=set)

    def add(self, code: str, event: Event) -> None:
        self.events.setdefault(code, []).append(event)


def sample_log(store: sqlite3.Connection, trial: str, today: date) -> list[LogLine]:
    """Every bag of a trial and where each analysis on it stands, in order of day and bed.

    Blinds follow at the end, by code.
    """
    every = bags(store, trial)
    every += blinds(store, trial, {one.code: one for one in every})
    return _lines(store, trial, every, today)


def _lines(
    store: sqlite3.Connection, trial: str, wanted: Sequence[Bag], today: date
) -> list[LogLine]:
    """The lines of these bags of a trial."""
    record = views.fetch(store, "trial", "id = ?", (trial,))[0].record
    told = _told(store, trial, {one.code for one in wanted})
    usual: dict[str, Usual] = {}
    lines = []
    for bag in wanted:
        pair = told.sent.get(bag.code)
        if pair and pair[1].lab not in usual:
            usual[pair[1].lab] = usual_days(store, record, pair[1].lab)
        lines.append(_line(bag, told, usual[pair[1].lab] if pair else Usual(None, ""), today))
    return lines


def late_shipments(
    store: sqlite3.Connection, trial: str, today: date, waiting: Collection[str]
) -> list[Late]:
    """The shipments of a trial of which results are late, the longest awaited first.

    First results and re-runs apart: they count from different days.

    waiting: codes of its bags of which some result may be awaited, see `awaiting.unfinished`.
    """
    record = views.fetch(store, "trial", "id = ?", (trial,))[0].record
    every = bags(store, trial)
    every += blinds(store, trial, {one.code: one for one in every})
    late: dict[tuple[str, str, bool], list[int]] = {}
    for line in _lines(store, trial, [one for one in every if one.code in waiting], today):
        for one in line.analyses:
            if one.late and one.days is not None:
                place = (line.shipment, line.lab, one.state == RERUN)
                late.setdefault(place, []).append(one.days)
    found = []
    known = {lab: usual_days(store, record, lab) for lab in {lab for _, lab, _ in late}}
    for (shipment, lab, again), some in late.items():
        usual = known[lab]
        found.append(Late(shipment, lab, len(some), max(some), usual.days or 0, usual.how, again))
    return sorted(found, key=lambda one: (-one.days, one.shipment, one.again))


def reruns(store: sqlite3.Connection, trial: str, today: date) -> list[tuple[date, str]]:
    """What was asked to be measured again and is not here: since when, and `CODE:NUTRIENT`."""
    asked = awaiting.reruns(store, trial)
    if not asked:
        return []
    every = bags(store, trial)
    every += blinds(store, trial, {one.code: one for one in every})
    return sorted(
        (one.since.day, f"{line.bag.code}:{one.analysis}")
        for line in _lines(store, trial, [one for one in every if one.code in asked], today)
        for one in line.analyses
        if one.state == RERUN and one.since is not None and one.since.day <= today
    )


def _told(store: sqlite3.Connection, trial: str, wanted: Collection[str]) -> _Told:
    """Read what was written of the bags of a trial, of which `wanted` are the codes."""
    told = _Told()
    shipments = {one.id: one for one in views.fetch(store, "shipment", "trial = ?", (trial,))}
    sent = views.fetch(store, "sent", views.SENT_OF_TRIAL, (trial,))
    handled = views.fetch(store, "handling")
    queries = views.fetch(store, "query")
    answers = {one.id: one for one in views.fetch(store, "answer")}
    pulls = views.fetch(store, "pull", views.OF_TRIAL, (trial,))
    who = _authors(store, [*pulls, *shipments.values(), *handled, *queries, *answers.values()])
    told.pulled_by |= {one.id: who[one.entry] for one in pulls}
    for one in sorted(sent, key=lambda one: shipments[one.record.shipment].record.when.text):
        shipment = shipments[one.record.shipment]
        told.sent[one.record.sample] = (one.record, shipment.record)
        text = f"in shipment {shipment.record.code} to {shipment.record.lab}"
        event = Event(SENT, shipment.record.when, who[shipment.entry], "", text)
        told.add(one.record.sample, event)
    for one in handled:
        line: records.Handling = one.record
        marked = line.state == ACCEPTED
        told.add(
            line.sample,
            Event(line.state, line.when, who[one.entry], line.analysis, line.text, marked),
        )
    moot = _moot(store) if len(answers) < len(queries) else set()
    for one in queries:
        _ask(told, one, answers.get(one.id), who, one.id in moot)
    _report(store, told, wanted)
    return told


def _moot(store: sqlite3.Connection) -> set[str]:
    """Queries without an answer that need none: their number is another by now."""
    from logbook.study import queries

    return {one.id for one in queries.lines(store, unanswered=True) if not one.open}


def _ask(
    told: _Told, query: Found, answer: Found | None, who: Mapping[str, str], moot: bool
) -> None:
    """Add a query, which stays open until it is answered or moot."""
    asked: records.Query = query.record
    event = Event(QUERIED, asked.opened, who[query.entry], asked.analyte, asked.what)
    told.add(asked.sample, event)
    if moot:
        told.moot.add(event)
        return
    if answer is None:
        told.asked[asked.sample, asked.analyte] = event
        return
    said: records.Answer = answer.record
    event = Event(said.what, said.when, who[answer.entry], asked.analyte, said.text)
    # A re-run that is asked for is written on the bag as well: one step, not two.
    if event not in told.events[asked.sample]:
        told.add(asked.sample, event)


def _report(store: sqlite3.Connection, told: _Told, wanted: Collection[str]) -> None:
    """Add what was reported: a result of a bag, on the day on which it came in."""
    reports = {
        (one.record.lab, one.record.number): one.record.received
        for one in views.fetch(store, "report")
    }
    rows = []
    codes = sorted(wanted)
    for start in range(0, len(codes), 500):
        some = codes[start : start + 500]
        marks = ", ".join("?" * len(some))
        rows += store.execute(
            "SELECT id, sample, analyte, lab, report, run, entry FROM result "
            f"WHERE sample IN ({marks}) ORDER BY id",
            some,
        ).fetchall()
    entries = asking.about_entries(store, {row[6] for row in rows})
    again = reported.came_in(store, [row[0] for row in rows])
    for ident, sample, analyte, lab, number, run, entry in rows:
        by, written = entries[entry]
        when = again.get(ident) or reports.get((lab, number), When(written))
        event = Event(REPORTED, when, by, analyte, f"report {number} of {lab}")
        told.reported.setdefault(sample, {}).setdefault(analyte, []).append((run, event))


def _authors(store: sqlite3.Connection, found: Iterable[Found]) -> dict[str, str]:
    names = {one.entry for one in found}
    return {name: by for name, (by, _) in asking.about_entries(store, names).items()}


def _line(bag: Bag, told: _Told, usual: Usual, today: date) -> LogLine:
    sent = told.sent.get(bag.code)
    analyses, methods = bag.analyses, bag.methods
    if sent and sent[0].analyses:
        analyses, methods = sent[0].analyses, sent[0].methods or tuple("" for _ in analyses)
    results = told.reported.get(bag.code, {})
    extra = [name for name in results if name not in analyses]
    methods = (*methods, *("" for _ in extra))
    events = sorted(told.events.get(bag.code, ()), key=_order)
    reported = [event for some in results.values() for _, event in some]
    tracked = tuple(
        _tracked(bag, name, method, events, told, usual, today)
        for name, method in zip((*analyses, *extra), methods, strict=False)
    )
    first = [_pulled(bag, told)] if bag.kind != "reference" else []
    return LogLine(
        bag=bag,
        events=tuple(sorted([*first, *events, *reported], key=_order)),
        analyses=tracked,
        shipment=sent[1].code if sent else "",
        shipped=sent[1].when if sent else None,
        lab=sent[1].lab if sent else "",
    )


def _tracked(
    bag: Bag,
    name: str,
    method: str,
    events: Sequence[Event],
    told: _Told,
    usual: Usual,
    today: date,
) -> Tracked:
    """Where one analysis stands."""
    own = [one for one in events if one.analysis in ("", name) and one not in told.moot]
    results = told.reported.get(bag.code, {}).get(name, [])
    asked = told.asked.get((bag.code, name)) or told.asked.get((bag.code, ""))
    stands = _standing(own, results)
    # A re-run that was asked for is awaited whatever was asked since, of a re-issue say.
    awaited = stands if stands is not None and stands.state == RERUN else None
    last = awaited or asked or stands or _pulled(bag, told)
    sent = told.sent.get(bag.code)
    since = last.when if last.state == RERUN else sent[1].when if sent else None
    if since is None or last.state in _SETTLED:
        return Tracked(name, method, last.state, last.when, last.by)
    days = (today - since.day).days
    late = usual.days is not None and days > usual.days
    return Tracked(name, method, last.state, last.when, last.by, days, late)


def _pulled(bag: Bag, told: _Told) -> Event:
    return Event(PULLED, bag.pulled, told.pulled_by.get(bag.pull, ""))


def _standing(events: Sequence[Event], results: Sequence[tuple[int, Event]]) -> Event | None:
    """The event that says where an analysis stands; no query of it is open."""
    # A question that was answered says no more, on whatever day its answer is dated.
    judged = [one for one in events if one.state in JUDGED and one.state != QUERIED]
    last = judged[-1] if judged else None
    if results:
        run, newest = max(results, key=lambda pair: (pair[0], pair[1].order))
        again = last is not None and last.state == RERUN
        # What was struck is no result any more: one that is here stands beside it.
        if last is None or last.state == STRUCK:
            return newest
        if again and run > 1 and newest.when.day >= last.when.day:
            return newest
    if last is not None:
        return last
    lost = [one for one in events if one.state == LOST]
    return lost[-1] if lost else events[-1] if events else None


def _order(one: Event) -> tuple[date, int, str, int]:
    return one.order
