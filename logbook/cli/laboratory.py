"""What `lab import` and `lab add` share: whose samples these are, and what a person should know."""

from __future__ import annotations

import shutil
import textwrap
from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date
from decimal import Context
from typing import TYPE_CHECKING, Any

from logbook.cli.bags import not_meant
from logbook.cli.session import Chosen, Session, chosen, say
from logbook.errors import BadData, LogbookError, Problem, UserMistake
from logbook.store import views
from logbook.study import origins
from logbook.trial import qualifiers
from logbook.trial.records import Result, Trial
from logbook.trial.times import When, parse_when, spoken_day, zone
from logbook.trial.units import short

if TYPE_CHECKING:
    from logbook.labs.cells import Beside
    from logbook.labs.importer import Parsed

_NAMED_WAITING = 5
_MOST_SHOWN = 20
_DIGITS = Context(prec=6)


@dataclass(frozen=True)
class Setting:
    """What the book says about the samples named, and the trials that are meant.

    `origins` says where those of the samples come from that the book knows. `trials` and `followed`
    (the method by nutrient) go by the trial's id. The trials are those of the samples named; where
    no sample is known yet, the one that the command line names, or the only one.
    """

    origins: dict[str, origins.Origin]
    trials: dict[str, Trial]
    followed: dict[str, dict[str, str]]
    labs: tuple[str, ...]

    @property
    def lab(self) -> str | None:
        """The laboratory of the trials, if it is one."""
        own = {trial.lab for trial in self.trials.values()}
        return own.pop() if len(own) == 1 else None

    @property
    def zone(self) -> str:
        """The zone of the first of the trials by name; UTC where no trial is meant."""
        named = sorted(self.trials.values(), key=lambda trial: trial.name)
        return named[0].zone if named else "UTC"

    @property
    def methods(self) -> dict[str, str]:
        """The method by nutrient on which all the trials that follow it agree."""
        found: dict[str, set[str]] = {}
        for methods in self.followed.values():
            for analyte, method in methods.items():
                found.setdefault(analyte, set()).add(method)
        return {analyte: next(iter(how)) for analyte, how in found.items() if len(how) == 1}

    def trial_of(self, sample: str) -> str | None:
        """The id of a sample's trial; of one that still waits, the only trial meant."""
        origin = self.origins.get(sample)
        if origin is not None:
            return origin.trial
        return next(iter(self.trials)) if len(self.trials) == 1 else None

    def lab_of(self, sample: str) -> str:
        """The laboratory of a sample's trial; "" where that names none."""
        trial = self.trials.get(self.trial_of(sample) or "")
        return (trial.lab if trial else "") or ""


def setting(store: Any, session: Session, codes: Collection[str]) -> Setting:
    """What the book says about the samples of these codes."""
    known = origins.origins(store, codes)
    meant = {known[code].trial for code in codes if code in known}
    try:
        meant = meant or {chosen(store, session).id}
    except LogbookError:
        if session.trial_given:
            raise
    trials = {one.id: one.record for one in views.fetch(store, "trial") if one.id in meant}
    followed: dict[str, dict[str, str]] = {ident: {} for ident in trials}
    for one in views.fetch(store, "followed"):
        # The sum mineral-N has no method of its own.
        if one.record.trial in followed and one.record.method:
            followed[one.record.trial][one.record.analyte] = one.record.method
    own = sorted({trial.lab for trial in trials.values() if trial.lab})
    return Setting(known, trials, followed, (*own, *origins.laboratories(store)))


def came_in(
    session: Session, text: str | None, about: Setting, samples: Iterable[str], file: str
) -> When:
    """When a report came in; raises UserMistake for a day to come, or before a sample's pull."""
    from logbook.labs.typed import option_text

    now, place = session.clock.now(), zone(about.zone)
    at = parse_when(option_text("--received", text) or "now", place, now)
    ahead = at.instant is not None and at.instant > now
    if ahead or at.day > now.astimezone(place).date():
        raise UserMistake(f"{at.spoken} is in the future", "write when the report came in")
    named = {code for code in samples if code in about.origins}
    late = max(((about.origins[code].pulled, code) for code in named), default=("", ""))
    if late[0] > at.day.isoformat():
        day, code = date.fromisoformat(late[0]), late[1]
        raise UserMistake(
            f"{file}: it cannot have come in on {spoken_day(at.day)}: {code} was pulled on "
            f"{spoken_day(day)}; nothing was written",
            "--received DATE says when it came in",
        )
    return at


def checked_twice(
    session: Session,
    parse: Callable[[Beside], Parsed],
    beside: Beside,
    place: str,
    *,
    imported: bool,
) -> Parsed:
    """What is parsed; a second time where that helps to say what is wrong.

    For wrong codes, with all that the book knows, of which some are near; for codes that wait, with
    the reasons of those that never will be pulled, unless the file was `imported` before.
    """
    parsed = parse(beside)
    if parsed.problems:
        beside = replace(beside, codes=session.read(origins.known_codes))
    waiting = [] if imported else parsed.waiting
    refused = session.read(lambda store: origins.refused(store, waiting, zone(place)))
    again = parsed.problems or refused
    return parse(replace(beside, refused=refused)) if again else parsed


def notes_on(store: Any, about: Setting, results: Sequence[Result]) -> list[str]:
    """What the book knows about these results that a person should, too."""
    of_series = [*series_notes(about, results), *_sent_elsewhere(store, about, results)]
    return [
        *of_series, *_zeros(store, results), *_flagged(results), *not_meant(store, results)
    ]  # fmt: skip


def series_notes(about: Setting, results: Sequence[Result]) -> list[str]:
    """Which of these results stand in another series than their trial's."""
    return [*_unlike(about, results), *_moist(results), *_strangers(about, results)]


def _flagged(results: Iterable[Result]) -> Iterator[str]:
    """What the laboratory said beside its numbers, where that has an effect."""
    found: dict[tuple[str, str], list[Result]] = {}
    for one in results:
        has_number = one.value is not None or one.limit is not None
        effect = qualifiers.effect(one.flags, has_number) if one.flags else qualifiers.USABLE
        if effect != qualifiers.USABLE:
            found.setdefault((one.flags, effect), []).append(one)
    for (flags, effect), several in found.items():
        how = (
            "; logbook correct SAMPLE:NUTRIENT --value '<LIMIT' gives it, or --limit "
            "NUTRIENT=LIMIT the next time"
            if effect == qualifiers.WAITS
            else ""
        )
        yield f"{qualifiers.spoken(flags)} ({effect}): {listed(several)}{how}"


def waiting(codes: Sequence[str]) -> list[str]:
    """That results wait for their pulls."""
    if not codes:
        return []
    return [
        f"no pull here has these codes yet, so their results wait for it: {_named(codes)} "
        "(another machine's samples?)"
    ]


def _unlike(about: Setting, results: Iterable[Result]) -> list[str]:
    """Results by another method than the one their trial follows: a series of their own."""
    found = set()
    for result in results:
        trial = about.trial_of(result.sample)
        own = about.followed.get(trial or "", {}).get(result.analyte, result.method)
        if own != result.method:
            found.add((result.analyte, result.method, own))
    return [
        f"{analyte} by {method!r} is not the trial's method ({own!r}): it stands in a series of "
        "its own"
        for analyte, method, own in sorted(found)
    ]


def _moist(results: Iterable[Result]) -> list[str]:
    """Contents of the moist soil, which no curve puts beside those of the dry one."""
    found = sorted({one.analyte for one in results if one.basis == "moist"})
    if not found:
        return []
    stand = "it stands in a series of its" if len(found) == 1 else "they stand in series of their"
    named = ", ".join(found)
    return [f"{named} on the moist soil (as received), not on the dry: {stand} own"]


def _strangers(about: Setting, results: Iterable[Result]) -> list[str]:
    """Results of another laboratory than their trial's."""
    of = {(one.lab, one.sample) for one in results}
    return [
        f"{lab} is not the trial's laboratory ({own}): its results stand in series of their own"
        for lab, own in sorted({(lab, about.lab_of(code)) for lab, code in of})
        if own and own != lab
    ]


def _sent_elsewhere(store: Any, about: Setting, results: Sequence[Result]) -> list[str]:
    """Results of another laboratory than that to which their samples were sent.

    Where that is the trial's own it has been said.
    """
    of = dict.fromkeys((one.lab, one.sample) for one in results)
    sent = origins.where_sent(store, (code for _, code in of))
    found: dict[tuple[str, str], list[str]] = {}
    for lab, code in of:
        labs = sent.get(code, {lab})
        if lab not in labs and about.lab_of(code) not in labs:
            found.setdefault((lab, ", ".join(sorted(labs))), []).append(code)
    return [
        f"{lab} is not the laboratory to which {_named(codes)} went ({own}): results of two "
        "laboratories stand in two series; if it is the same one, logbook undo, and write it under "
        "that name"
        for (lab, own), codes in sorted(found.items())
    ]


def _named(codes: Collection[str]) -> str:
    named = ", ".join([*codes][:_NAMED_WAITING])
    return named if len(codes) <= _NAMED_WAITING else f"{named}, ..."


def sent_to(store: Any, trial: Chosen, said: str) -> tuple[str, list[str]]:
    """A laboratory that samples go to, as the book writes it; and what to know of it."""
    from logbook.labs.cells import known_names

    own = [trial.trial.lab] if trial.trial.lab else []
    others = sorted({*origins.sent_to(store, trial.id), *origins.laboratories(store)})
    before, known = own or others, [*own, *others]
    (folded,) = known_names([said])
    lab = said if said in known else known_names(known).get(folded, said)
    if lab != said:
        return lab, [f"{said!r} is taken as {lab!r}, as it is written here"]
    if not before or lab in before:
        return lab, []
    return lab, [
        f"{lab} is another laboratory than before ({', '.join(before)}): results will not be "
        "comparable; if it is the same one, logbook undo, and send with the name as it was"
    ]


def _zeros(store: Any, results: Sequence[Result]) -> list[str]:
    """Zeros of what has a reporting limit: what was not found is below it, not nothing."""
    zeros = [one for one in results if one.value == 0]
    limits = origins.lowest_limits(store, results) if zeros else {}
    found: dict[origins.Kind, list[Result]] = {}
    for one in zeros:
        if origins.kind(one) in limits:
            found.setdefault(origins.kind(one), []).append(one)
    return [
        f"0 for {listed(several)}, although {of[0]} reports {of[1]} by {of[2]!r} only from "
        f"{short(limits[of])} {several[0].unit} up: what was not found is <{short(limits[of])}"
        for of, several in found.items()
    ]


def listed(results: Sequence[Result]) -> str:
    """`CODE nitrate-N, CODE P and 3 more`."""
    named = ", ".join(f"{one.sample} {one.analyte}" for one in results[:_MOST_SHOWN])
    more = len(results) - _MOST_SHOWN
    return f"{named} and {more} more" if more > 0 else named


def value_shown(result: Result) -> str:
    """The canonical value for a screen, at most 6 significant digits: `12.5`, `<0.5`."""
    number = result.limit if result.value is None else result.value
    if number is None:
        return "no value"
    side = result.qualifier if result.value is None else ""
    return f"{side}{short(_DIGITS.plus(number))}"


def tell(text: str, indent: int = 0) -> None:
    """Print a sentence in lines that the terminal holds; further ones are indented."""
    width = max(shutil.get_terminal_size((80, 24)).columns, 40)
    lines = textwrap.wrap(
        text,
        width,
        subsequent_indent=" " * indent,
        break_long_words=False,
        break_on_hyphens=False,
    )
    say("\n".join(lines))


def tell_notes(notes: Iterable[str]) -> None:
    """Print notes, each once."""
    for note in dict.fromkeys(notes):
        tell(f"Note: {note}", 6)


def refused(file: str, problems: Sequence[Problem]) -> BadData:
    """The refusal of a whole file."""
    many = f"{len(problems)} problem{'s' * (len(problems) != 1)}"
    return BadData(f"{file}: {many}; nothing was written", problems)
