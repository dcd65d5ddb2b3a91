"""What people call things: planned pulls, and the lines of the book by their codes."""

from __future__ import annotations

import shlex
from collections.abc import Iterable, Iterator, Sequence
from typing import TYPE_CHECKING

from logbook.cli.session import Chosen, Session, addressed, chosen
from logbook.errors import UserMistake
from logbook.journal import entry as journal
from logbook.report.lines import run_words, with_unit
from logbook.store import asking, views
from logbook.store.views import Found
from logbook.study import parts
from logbook.trial import codes
from logbook.trial.chemistry import find_analyte
from logbook.trial.ranges import BedRef, resolve
from logbook.trial.records import PARTS, PlannedPull, Result
from logbook.trial.schedule import age_order

if TYPE_CHECKING:
    import sqlite3

WEIGHTS = "weights"
# Lines whose bed may be corrected.
MOVABLE = ("fill", "apply", "water", "event", "pull")


def planned_name(text: str, planned: Iterable[PlannedPull]) -> str:
    """The calendar's own name for `14`, `day 14` or `before`. Raises UserMistake."""
    pulls = sorted(planned, key=lambda pull: age_order(pull.day))
    names = {pull.name.lower(): pull.name for pull in pulls}
    names |= {str(pull.day): pull.name for pull in pulls if pull.day is not None}
    word = " ".join(text.lower().split())
    if word not in names:
        known = ", ".join(dict.fromkeys(pull.name for pull in pulls))
        raise UserMistake(f"the calendar has no pull {text!r}", f"it has: {known}")
    return names[word]


def lines_of(store: sqlite3.Connection, session: Session, reference: str) -> list[str]:
    """The keys that a reference names. Raises UserMistake if it names none.

    CODE (an act, a sample, a part, a shipment, a blind, a reserved bag), CODE:BED, SAMPLE:KIND (a
    part of it), TIN:weights, SHIPMENT:SAMPLE, ACT:SAMPLE (of marked bags), ACT:NUTRIENT (of a
    reference material), SAMPLE:NUTRIENT; of several results SAMPLE:NUTRIENT:METHOD, or :N for run
    N, and for the N-th as listed where two are of one run.
    """
    code, _, rest = reference.strip().partition(":")
    code, word = codes.tidy(code), rest.strip()
    if not codes.is_valid(code):
        known = views.sample_codes(store) | views.act_codes(store)
        near = codes.candidates(code, known)
        hint = f"did you mean {' or '.join(near)}?" if near else "logbook history BED lists them"
        raise UserMistake(f"{reference!r} is not a code of this logbook", hint)
    own = [key for key in (f"pull/{code}", f"part/{code}") if views.writes_of_key(store, key)]
    if own:
        return _of_sample(store, code, word) if word else own[:1]
    shipped = _of_shipment(store, code, codes.tidy(word)) if not own else []
    if shipped:
        return shipped
    reserved = f"bag/{code}"
    if not word and views.writes_of_key(store, reserved):
        return [reserved]
    keys = views.keys_of_act(store, code)
    if not keys:
        raise UserMistake(f"no line has the code {code}", "logbook history BED lists them")
    marked = [key for key in dict.fromkeys(keys) if codes.tidy(word) in journal.parts(key)[2:]]
    if marked:
        return marked
    materials = [key for key in dict.fromkeys(keys) if journal.space(key) == "reference"]
    if materials and word:
        return _assigned(code, materials, word)
    return _about_beds(store, session, code, keys, word) if word else list(dict.fromkeys(keys))


def _assigned(code: str, keys: list[str], word: str) -> list[str]:
    """The assigned values of a nutrient among those that an act wrote down."""
    analyte = find_analyte(word)[0].name
    found = [key for key in keys if journal.parts(key)[2] == analyte]
    if not found:
        raise UserMistake(f"the act {code} has no value of {analyte}", "logbook lab reference")
    return found


def codes_in(text: str) -> list[str]:
    """The codes that a text lists; empty if any word of it is no code."""
    words = [codes.tidy(word) for word in text.split(",") if word.strip()]
    for word in words:
        # No bed is called so: one symbol of a code was misread.
        whole = len(word) == codes.LENGTH and not set(word) - set(codes.ALPHABET)
        if whole and not word.isalpha() and not codes.is_valid(word):
            raise UserMistake(f"{word!r} is not a code: {codes.flaw(word)}", "read it again")
    return words if words and all(map(codes.is_valid, words)) else []


def named_beds(
    store: sqlite3.Connection, session: Session, text: str
) -> tuple[Chosen, list[BedRef]]:
    """The beds of a text and their trial, where codes of bags may be named as well.

    Raises UserMistake: of a word that looks like a code with what is wrong with the code.
    """
    try:
        return addressed(store, session, text)
    except UserMistake as mistake:
        known = views.sample_codes(store) | {
            code for (code,) in store.execute("SELECT code FROM shipment")
        }
        for word in text.split(","):
            _refuse_code(codes.tidy(word.strip().partition(":")[0]), known, mistake)
        raise


def _refuse_code(word: str, known: Iterable[str], mistake: UserMistake) -> None:
    """Raise what is wrong with a code if the word looks like one."""
    near = codes.candidates(word, known) if len(word) >= codes.LENGTH - 1 else []
    alike = len(word) == codes.LENGTH and not set(word) - set(codes.ALPHABET)
    if not codes.flaw(word) or not (near or alike):
        return
    hint = f"did you mean {' or '.join(near)}?" if near else f"as a name: {mistake.message}"
    raise UserMistake(f"{word!r} is not a code: {codes.flaw(word)}", hint) from None


def trial_of_bags(store: sqlite3.Connection, session: Session, named: Sequence[str]) -> Chosen:
    """The trial that bags, blinds or shipments of these codes belong to.

    Raises UserMistake for a code that is none of them, or if they are of several trials.
    """
    pulled = "pull p JOIN bed b ON b.id = p.bed"
    rows = store.execute(
        f"SELECT p.code, b.trial FROM {pulled} "
        f"UNION SELECT x.code, b.trial FROM {pulled} JOIN part x ON x.pull = p.id "
        "UNION SELECT code, trial FROM blind UNION SELECT code, trial FROM shipment"
    ).fetchall()
    known = dict(rows)
    unknown = [one for one in named if one not in known]
    if unknown:
        near = codes.candidates(unknown[0], known)
        hint = f"did you mean {' or '.join(near)}?" if near else "logbook lab log lists them"
        raise UserMistake(f"no bag here has the code {', '.join(unknown)}", hint)
    trials = {known[one] for one in named}
    if len(trials) > 1:
        raise UserMistake("these bags are of several trials", "send those of one trial together")
    (ident,) = trials
    found = views.fetch(store, "trial", "id = ?", (ident,))
    return Chosen(ident, found[0].record, tuple(views.bed_refs(store, ident)))


def _of_shipment(store: sqlite3.Connection, code: str, sample: str) -> list[str]:
    """A shipment with its samples and blinds, one sample of it, or a blind; empty if it is none."""
    if not sample and views.writes_of_key(store, f"blind/{code}"):
        return [f"blind/{code}"]
    if not views.writes_of_key(store, f"shipment/{code}"):
        return []
    found = views.fetch(store, "sent", "shipment = ?", (code,))
    inside = [one.record.sample for one in found]
    if sample:
        if sample not in inside:
            raise UserMistake(f"shipment {code} has no sample {sample}", "logbook lab log")
        return [journal.key("sent", code, sample)]
    marks = ", ".join("?" * len(inside))
    blinds = views.fetch(store, "blind", f"id IN ({marks})", inside)
    return [
        f"shipment/{code}",
        *(f"sent/{one.id}" for one in found),
        *(f"blind/{one.id}" for one in blinds),
    ]


def _about_beds(
    store: sqlite3.Connection, session: Session, code: str, keys: list[str], word: str
) -> list[str]:
    """The lines of an act that are about these beds, those of their samples included."""
    trial = chosen(store, session)
    beds = {bed.id for bed in resolve(word, trial.beds)}
    about: dict[str, bool] = {}
    for key, value in _written_by(store, code):
        mine = value.get("bed") in beds or bool(beds.intersection(value.get("also") or ()))
        mine = mine or about.get(f"pull/{value.get('pull')}", False)
        about[key] = about.get(key, False) or mine or journal.parts(key)[-1] in beds
    now = {key: _beds_now(store, key) for key in dict.fromkeys(keys)}
    found = [key for key in now if (beds & now[key] if now[key] else about.get(key))]
    moved = [key for key in now if about.get(key)]
    if not found and moved:
        raise UserMistake(
            f"that line of {code} was corrected: it is {asking.reference(store, moved[0])} now",
            f"name it {asking.reference(store, moved[0])}",
        )
    if not found:
        raise UserMistake(f"the act {code} has no line about {word}")
    return found


def _beds_now(store: sqlite3.Connection, key: str) -> set[str]:
    """The beds of a standing line that a correction may have moved; empty for any other."""
    if journal.space(key) not in MOVABLE:
        return set()
    found = views.fetch(store, journal.space(key), "id = ?", (journal.ident(key),))
    return {bed for one in found for bed in (one.record.bed, *getattr(one.record, "also", ()))}


def _written_by(store: sqlite3.Connection, act: str) -> Iterator[tuple[str, journal.Value]]:
    for _, entry in views.entries_of_act(store, act):
        for write in entry.writes:
            yield write.key, write.value or {}


def bags_of(store: sqlite3.Connection, code: str) -> list[str]:
    """The codes of a sample's bags, its own first; of a part only that part's."""
    return list(dict.fromkeys([code, *(part.code for part in parts.of_pull(store, code))]))


def _of_sample(store: sqlite3.Connection, code: str, word: str) -> list[str]:
    """A part, a tin's weights, or a result of a sample."""
    kind = " ".join(word.lower().split())
    bags = bags_of(store, code)
    if kind in PARTS:
        return [_part_of_kind(store, code, kind)]
    if kind == WEIGHTS:
        weighed = [f"weigh/{bag}" for bag in bags if views.writes_of_key(store, f"weigh/{bag}")]
        if not weighed:
            raise UserMistake(f"no tin of {code} was weighed", "logbook weigh CODE --wet WEIGHT")
        return weighed
    nutrient, _, which = word.partition(":")
    return [_result(store, code, bags, find_analyte(nutrient)[0].name, which.strip())]


def _part_of_kind(store: sqlite3.Connection, code: str, kind: str) -> str:
    own = parts.of_code(store, code)
    whole = own.pull if own else code
    for part in parts.of_pull(store, whole):
        if part.kind == kind:
            return f"part/{part.code}"
    raise UserMistake(f"sample {whole} has no {kind} part", f"logbook history {whole} shows it")


def _result(store: sqlite3.Connection, code: str, bags: list[str], analyte: str, which: str) -> str:
    """The one result meant; `which` is its method, or its run or number among several ("2")."""
    marks = ", ".join("?" * len(bags))
    where = f"sample IN ({marks}) AND analyte = ?"
    every = views.fetch(store, "result", where, (*bags, analyte))
    if not every:
        raise _none_stands(store, code, bags, analyte)
    fitting = _narrowed(every, which)
    if len(fitting) == 1:
        return f"result/{fitting[0].id}"
    names = _names(f"{code}:{analyte}", every)
    what = f"{len(fitting)} results" if fitting else "no result"
    by = f" by {which!r}" if which else ""
    by = f" numbered {which}" if which.isdecimal() else by
    listed = "\n".join(f"  {names[one.id]}  {_told(one.record)}" for one in fitting or every)
    raise UserMistake(f"sample {code} has {what} of {analyte}{by}", f"type one of:\n{listed}")


def _none_stands(
    store: sqlite3.Connection, code: str, bags: list[str], analyte: str
) -> UserMistake:
    """That no result of a sample's nutrient stands; of a struck one, how the right one comes in."""
    from logbook.study.struck import struck_results

    gone = [one for one in struck_results(store) if one.sample in bags and one.analyte == analyte]
    told = f"sample {code} has no result of {analyte}"
    if not gone:
        return UserMistake(told, f"logbook lab results --sample {code} lists what it has")
    last = gone[-1]
    unit = f" {last.reported_unit}" if last.reported_unit else ""
    return UserMistake(
        f"{told} any more: it was struck",
        f"logbook lab add {last.sample} {analyte} 'VALUE{unit}' "
        f"--method {shlex.quote(last.method)} --report {shlex.quote(last.report)}",
    )


def _narrowed(every: list[Found], which: str) -> list[Found]:
    """The results of that method, or the one of that number; all of them if nothing is said."""
    if not which:
        return every
    if which.isdecimal():
        numbers = _numbers(every)
        return [one for one in every if numbers[one.id] == int(which)]
    return [one for one in every if plain(one.record.method) == plain(which)]


def plain(method: str) -> str:
    """A method's name whatever its capitals and blanks."""
    return " ".join(method.casefold().split())


def _numbers(every: list[Found]) -> dict[str, int]:
    """The run of each result, as answers to queries name it; its place where two are of one run."""
    runs = [one.record.run for one in every]
    places = runs if len(set(runs)) == len(runs) else range(1, len(runs) + 1)
    return {one.id: place for one, place in zip(every, places, strict=True)}


def _names(prefix: str, every: list[Found]) -> dict[str, str]:
    """What to type for each of several results: its method where one alone has it, or a number."""
    methods = [plain(one.record.method) for one in every]
    numbers = _numbers(every)
    return {
        one.id: f"'{prefix}:{one.record.method}'"
        if methods.count(plain(one.record.method)) == 1
        else f"{prefix}:{numbers[one.id]}"
        for one in every
    }


def _told(result: Result) -> str:
    reported = with_unit(result.reported, result.reported_unit)
    told = f"{reported}, {result.method}, report {result.report} of {result.lab}"
    return told + run_words(result)
