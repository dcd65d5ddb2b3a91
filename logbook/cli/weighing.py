"""The command `weigh`: the weights of a moisture tin, one at a time or all together."""

from __future__ import annotations

from dataclasses import dataclass, replace
from decimal import Decimal
from typing import TYPE_CHECKING, Annotated, Any

import typer

from logbook.cli import completing
from logbook.cli.acts import WhenOption
from logbook.cli.app import command
from logbook.cli.session import Chosen, Session, say
from logbook.cli.wording import own_words
from logbook.errors import UserMistake
from logbook.journal.entry import key
from logbook.journal.kinds import to_value
from logbook.report.lines import moisture_spoken, weights_spoken
from logbook.store import asking, views
from logbook.study import parts
from logbook.trial import codes, units
from logbook.trial.ranges import compact
from logbook.trial.records import Part, Weighing

if TYPE_CHECKING:
    import sqlite3


def weigh(
    context: typer.Context,
    code: Annotated[
        str,
        typer.Argument(help="The tin's code.", show_default=False, autocompletion=completing.tins),
    ],
    tare: Annotated[str | None, typer.Option(help="The empty tin, such as '20.1 g'.")] = None,
    wet: Annotated[str | None, typer.Option(help="The tin with its moist soil.")] = None,
    dry: Annotated[
        str | None, typer.Option(help="The same after drying at 105 C for 24 h.")
    ] = None,
    reason: Annotated[
        str | None, typer.Option(help="Why a weight that was written down is another one.")
    ] = None,
    when: WhenOption = None,
) -> None:
    """Write down the weights of a moisture tin; a later call adds what was missing.

    Moisture is that of the soil, water per dry mass: (wet - dry) / (dry - tare).

    Examples: logbook weigh K7M3QX4R --tare '20.1 g' --wet '94 g'
              logbook weigh K7M3QX4R --dry '78 g' --when 'tue 17:00'
    """
    session: Session = context.obj
    tin = session.read(lambda store: _tin(store, codes.tidy(code)))
    given = {"tare_g": tare, "wet_g": wet, "dry_g": dry}
    new: dict[str, Any] = {
        name: grams(text, name) for name, text in given.items() if text is not None
    }
    if not new:
        raise UserMistake("nothing was weighed", "say what: --tare, --wet, --dry")
    at = session.when(when, tin.trial.trial)
    weighed = replace(tin.weighing or Weighing(tin.part.code, at, None, None, None), when=at)
    why = own_words(reason or "", "the reason")
    changed = _changed(tin, new)
    if changed and not why:
        raise UserMistake(
            f"written down already: {weights_spoken(tin.weighing)}",
            "add --reason TEXT if it was wrong",
        )
    weighed = replace(weighed, **new)
    check_weights(weighed)
    act = _write(session, tin, weighed, why if changed else None)
    moisture = moisture_spoken(weighed)
    say(f"{act}  tin {tin.part.code} of {tin.beds}: {weights_spoken(weighed)}, {at.spoken}")
    say(f"  moisture {moisture}" if moisture else f"  to follow: {_missing(weighed)}")


@dataclass(frozen=True)
class _Tin:
    """A tin with its trial, its beds, and what was weighed so far."""

    part: Part
    trial: Chosen
    beds: str
    weighing: Weighing | None


def _tin(store: sqlite3.Connection, code: str) -> _Tin:
    """The tin of that code. Raises UserMistake for a code that is unknown or no tin's."""
    if not codes.is_valid(code):
        near = codes.candidates(code, asking.words(store, "tins"))
        hint = f"did you mean {' or '.join(near)}?" if near else "read it from the tin again"
        raise UserMistake(f"{code!r} is not a sample code: {codes.flaw(code)}", hint)
    found = views.fetch(store, "part", "id = ?", (code,))
    if not found or found[0].record.kind != parts.TIN:
        pulled = bool(views.fetch(store, "pull", "id = ?", (code,)))
        what = f"a {found[0].record.kind} part" if found else "an undivided sample"
        if not found and not pulled:
            raise UserMistake(f"no tin has the code {code}", "logbook week lists tins to weigh")
        raise UserMistake(f"{code} is {what}, no moisture tin", "logbook week lists tins to weigh")
    part: Part = found[0].record
    pull = views.fetch(store, "pull", "id = ?", (part.pull,))
    bed = views.fetch(store, "bed", "id = ?", (pull[0].record.bed,)) if pull else []
    trial = views.fetch(store, "trial", "id = ?", (bed[0].record.trial,)) if bed else []
    if not trial:
        raise UserMistake(f"the pull of tin {code} is not in this store", "it was struck or waits")
    of = Chosen(trial[0].id, trial[0].record, tuple(views.bed_refs(store, trial[0].id)))
    labels = [of.label(one) for one in (pull[0].record.bed, *pull[0].record.also)]
    weighed = views.fetch(store, "weigh", "id = ?", (code,))
    return _Tin(part, of, compact(labels), weighed[0].record if weighed else None)


def grams(text: str, name: str) -> Decimal:
    """A weight in g; an empty tin may weigh nothing, where the balance was set to zero."""
    if name != "tare_g":
        return units.positive(text, "mass").to("g", "mass")
    weight = units.parse(text, "mass").to("g", "mass")
    if weight < 0:
        raise UserMistake(f"{text.strip()!r} is less than nothing")
    return weight


def check_weights(one: Weighing) -> None:
    """Refuse weights that cannot be: an empty tin below dry soil, dry below moist."""
    pairs = (
        (one.dry_g, one.wet_g, "the dry weight", "the moist one", False),
        (one.tare_g, one.dry_g, "the empty tin", "the dry weight", True),
        (one.tare_g, one.wet_g, "the empty tin", "the moist weight", True),
    )
    for less, more, what, other, strictly in pairs:
        if less is None or more is None:
            continue
        if less > more or (strictly and less == more):
            how = "is not below" if strictly else "is more than"
            raise UserMistake(
                f"{what}, {units.short(less)} g, {how} {other}, {units.short(more)} g",
                "check which weight is which; all of them are with the tin",
            )


def _changed(tin: _Tin, new: dict[str, Decimal]) -> bool:
    """Whether a weight that was known already becomes another one."""
    known = {name: getattr(tin.weighing, name, None) for name in new}
    if tin.weighing is not None and known == new:
        raise UserMistake(f"nothing would change: {weights_spoken(tin.weighing)}")
    return any(known[name] not in (None, value) for name, value in new.items())


def _write(session: Session, seen: _Tin, weighed: Weighing, reason: str | None) -> str:
    from logbook.book import corrections

    name = key("weigh", weighed.part)
    with session.write() as book:
        if _tin(corrections.inside(book), weighed.part).weighing != seen.weighing:
            raise UserMistake(
                f"tin {weighed.part} was weighed by another program just now; nothing was written",
                "logbook history CODE shows it; type the weights again if they still hold",
            )
        if reason is None:
            return book.record("weigh", [(name, weighed)]).code
        return corrections.correct(book, name, to_value(weighed), reason).code


def _missing(one: Weighing) -> str:
    words = {"tare_g": "empty tin", "wet_g": "moist weight", "dry_g": "dry weight"}
    return ", ".join(word for name, word in words.items() if getattr(one, name) is None)


COMMANDS = {"weigh": command(weigh)}
