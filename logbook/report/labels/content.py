"""What stands on the label of a bag, read from the book; blind unless asked otherwise."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from logbook.errors import UserMistake
from logbook.report.labels.blind import Told, pull_names, told_by
from logbook.store import views
from logbook.study import parts as pulled_parts
from logbook.study.samples import samples
from logbook.trial.ranges import BedRef, compact

if TYPE_CHECKING:
    import sqlite3

    from logbook.trial import records

_QUICK = ("nitrate-N", "ammonium-N")  # what microbes and drying change within hours
_KEEP = {"chilled": "KEEP COLD", "frozen": "KEEP FROZEN"}


@dataclass(frozen=True)
class Label:
    """The label of one bag or tin; texts as they are printed.

    `bed`, `when` and `by` are None where no pull has used the code yet: they are written on by
    hand. `part` is the kind of bag, `number` of `of` its place among those of its sample; `kinds`
    are boxes to tick where that is open; a `bare` label has its code and trial alone. `keep` is the
    mark of a cold bag, `quick` what in it changes within hours. `treatment` is empty on a blind
    label, and `pull`, what the calendar calls it, where that would tell.
    """

    code: str
    trial: str
    bed: str | None = None
    treatment: str = ""
    when: str | None = None
    depth: str = ""
    cores: int | None = None
    by: str | None = None
    part: str = ""
    number: int = 1
    of: int = 1
    kinds: tuple[str, ...] = ()
    keep: str = ""
    quick: str = ""
    bare: bool = False
    pull: str = ""


def labels_of(
    store: sqlite3.Connection, codes: Iterable[str], *, openly: bool = False, bare: bool = False
) -> tuple[list[Label], list[str]]:
    """A label for each code of a bag, and remarks on what is not printed as it is called.

    `bare`: codes and the trial alone, so that what a shipment hides looks like the rest of it.
    Raises UserMistake for a code that no bag has.
    """
    read = _Reading(store, openly)
    labels = [read.label(code) for code in dict.fromkeys(codes)]
    if bare:
        labels = [Label(one.code, one.trial, bare=True) for one in labels]
    return labels, read.remarks()


class _Reading:
    """The bags of any trial of a book, each trial read once."""

    def __init__(self, store: sqlite3.Connection, openly: bool) -> None:
        self.store, self.openly = store, openly
        self.trials: dict[str, _OfTrial] = {}

    def label(self, code: str) -> Label:
        part = self._only("part", code)
        pull = self._only("pull", part.pull if part else code)
        if pull is not None:
            return self._pulled(code, pull)
        hidden = self._only("blind", code)
        if hidden is not None:
            return self._hidden(code, hidden)
        bag = self._only("bag", code)
        if bag is None:
            raise UserMistake(
                f"no bag has the code {code}", "logbook week shows reserved codes, history others"
            )
        return self._of(bag.trial).blank(code)

    def remarks(self) -> list[str]:
        return [remark for of in self.trials.values() for remark in of.told.remarks()]

    def _only(self, space: str, ident: str) -> Any:
        found = views.fetch(self.store, space, "id = ?", (ident,))
        return found[0].record if found else None

    def _of(self, trial: str) -> _OfTrial:
        if trial not in self.trials:
            self.trials[trial] = _of_trial(self.store, trial, self.openly)
        return self.trials[trial]

    def _pulled(self, code: str, pull: records.Pull) -> Label:
        row = self.store.execute("SELECT trial FROM bed WHERE id = ?", (pull.bed,)).fetchone()
        if row is None:
            raise UserMistake(f"the bed of {code} is not in this book", "logbook verify")
        siblings = pulled_parts.of_pull(self.store, pull.code)
        by = _first_author(self.store, f"pull/{pull.code}")
        return self._of(row[0]).pulled(code, pull, siblings, by)

    def _hidden(self, code: str, blind: records.Blind) -> Label:
        """A duplicate or a reference sample must not be told from the others: no bed is printed."""
        return self._of(blind.trial).blank(code)


@dataclass(frozen=True)
class _OfTrial:
    """What the labels of a trial need to know of it."""

    name: str
    beds: dict[str, BedRef]
    treatments: dict[str, str]
    kinds: tuple[str, ...]
    followed: tuple[str, ...]
    told: Told
    pulls: dict[str, str]

    def blank(self, code: str) -> Label:
        """A bag that no pull has used yet."""
        whole = not self.kinds
        quick = _first(self.followed)
        return Label(
            code,
            self.told.trial,
            kinds=self.kinds,
            keep=_KEEP["chilled"] if whole and quick else "",
            quick=quick,
        )

    def pulled(
        self, code: str, pull: records.Pull, siblings: Sequence[records.Part], by: str
    ) -> Label:
        """A bag or a tin of a pull; the code of a divided pull is that of its first part."""
        refs = [self.beds[bed] for bed in (pull.bed, *pull.also) if bed in self.beds]
        label = Label(
            code,
            self.told.trial,
            compact(self.told.bed(ref) for ref in refs),
            "" if self.told.blind else self._treatment(refs),
            pull.when.spoken,
            f"{pull.depth_cm.normalize():f}",
            pull.cores,
            by,
            pull=self.pulls.get(pull.code, ""),
        )
        own = next((n for n, one in enumerate(siblings) if one.code == code), None)
        if own is None:
            quick = _first(self.followed)
            return replace(label, keep=_KEEP["chilled"] if quick else "", quick=quick)
        part = siblings[own]
        return replace(
            label,
            part=part.kind,
            number=own + 1,
            of=len(siblings),
            keep=_KEEP.get(part.kind, ""),
            quick=_first(part.analyses),
        )

    def _treatment(self, refs: Sequence[BedRef]) -> str:
        code = refs[0].treatment_code if refs else ""
        name = self.treatments.get(code, "")
        return f"treatment {code}: {name}" if name and name != code else f"treatment {code}"


def _of_trial(store: sqlite3.Connection, trial: str, openly: bool) -> _OfTrial:
    name = views.fetch(store, "trial", "id = ?", (trial,))[0].record.name
    refs = views.bed_refs(store, trial)
    treatments = [one.record for one in views.fetch(store, "treatment", "trial = ?", (trial,))]
    amendments = [one.record for one in views.fetch(store, "amendment", "trial = ?", (trial,))]
    words = [word for one in (*treatments, *amendments) for word in (one.code, one.name)]
    followed = [one.record for one in views.fetch(store, "followed", "trial = ?", (trial,))]
    return _OfTrial(
        name,
        {ref.id: ref for ref in refs},
        {one.code: one.name for one in treatments},
        tuple(kind for kind, _ in pulled_parts.planned(store, trial)),
        tuple(one.analyte for one in followed),
        told_by(name, refs, words, blind=not openly),
        pull_names(samples(store, trial), blind=not openly),
    )


def _first(analyses: Sequence[str]) -> str:
    """The nutrient that hurries, as a label calls it; empty if there is none."""
    found = next((one for one in _QUICK if one in analyses), "")
    return found.removesuffix("-N")


def _first_author(store: sqlite3.Connection, key: str) -> str:
    """Who wrote a pull down: a later correction has an author of its own."""
    written = views.writes_of_key(store, key)
    return min((entry.written, entry.by) for _, entry, _, _ in written)[1]
