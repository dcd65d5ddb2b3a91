"""Which beds somebody means: `B1-B6,B9`, `all`, `control`, `block 2`, a treatment's code.

Rules, in this order: a bed's own label wins over everything else; then a range between two
labels; then the words `all` and `control` (or `check`), a treatment's code, a block's name. A
word with two meanings that are not the same beds is refused, never guessed; `block NAME` and
`treatment CODE` say which one is meant. Capitals matter only where two names differ by nothing
else.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from difflib import get_close_matches

from logbook.errors import UserMistake

CONTROL_WORDS = ("control", "controls", "check", "checks")
BLOCK_WORDS = ("block", "rep")
_NUMBERED = re.compile(r"(.*?)([0-9]+)\Z", re.DOTALL)
_DASHES = "-–"
_NAMED_AT_MOST = 3


@dataclass(frozen=True)
class BedRef:
    """What addressing and the calendar need to know of a bed.

    `id` is the journal's id, `label` what people say, `control` whether its treatment is the
    untreated one, `place` its position on the bench (lists come in that order).
    """

    id: str
    label: str
    block: str
    treatment_code: str
    control: bool
    place: int


def resolve(text: str, beds: Iterable[BedRef]) -> list[BedRef]:
    """The beds that `text` names, each once, in the order of their places.

    Raises UserMistake when a word names nothing (with close matches and the names there are) or
    more than one thing; all such words of the text at once.
    """
    known = sorted(beds, key=_bench_order)
    if not known:
        raise UserMistake("this trial has no beds")
    words = [word for word in (" ".join(part.split()) for part in text.split(",")) if word]
    if not words:
        raise UserMistake("no bed was named", _what_there_is(known))
    chosen: set[str] = set()
    wrong: list[str] = []
    for word in dict.fromkeys(words):
        try:
            chosen.update(bed.id for bed in _beds_of(word, known))
        except UserMistake as mistake:
            wrong.append(mistake.message)
    if wrong:
        raise UserMistake("; ".join(wrong), _what_there_is(known))
    return [bed for bed in known if bed.id in chosen]


def compact(labels: Iterable[str]) -> str:
    """The short way to write a set of labels, which `resolve` reads back: `B1-B6, B9`.

    Three or more labels that count up in the same way of writing become a range (`B08-B11`, but
    never `B9-B010`); each label once, numbers in the order of numbers.
    """
    runs: list[list[str]] = []
    for label in sorted(set(labels), key=_natural):
        if runs and label == _following(runs[-1]):
            runs[-1].append(label)
        else:
            runs.append([label])
    return ", ".join(
        f"{run[0]}-{run[-1]}" if len(run) >= _NAMED_AT_MOST else ", ".join(run) for run in runs
    )


def _bench_order(bed: BedRef) -> tuple[int, tuple[str, int, str], str]:
    return (bed.place, _natural(bed.label), bed.id)


def _natural(label: str) -> tuple[str, int, str]:
    """Sorts B9 before B10."""
    match = _NUMBERED.match(label)
    return (match[1], int(match[2]), label) if match else (label, -1, label)


def _following(run: Sequence[str]) -> str | None:
    """The label that would come after this run, in the writing of the run's first label."""
    match = _NUMBERED.match(run[0])
    if match is None:
        return None
    return f"{match[1]}{int(match[2]) + len(run):0{len(match[2])}d}"


def _beds_of(word: str, beds: Sequence[BedRef]) -> list[BedRef]:
    labelled = _same(word, beds, lambda bed: bed.label)
    if len(labelled) > 1:
        raise UserMistake(f"{word!r} is the label of {len(labelled)} beds")
    if labelled:
        return labelled
    meanings = _meanings(word, beds)
    if len({tuple(bed.id for bed in found) for found in meanings.values()}) > 1:
        said = " and ".join(meanings)
        raise UserMistake(f"{word!r} is {said}: write it as block NAME or treatment CODE")
    for found in meanings.values():
        return found
    if word.casefold() in CONTROL_WORDS:
        raise UserMistake(f"{word!r}: no bed of this trial is a control")
    ranged = _range(word, beds)
    if ranged is None:
        raise UserMistake(_unknown(word, beds))
    return ranged


def _same(word: str, beds: Sequence[BedRef], name: Callable[[BedRef], str]) -> list[BedRef]:
    """The beds of that very name, else of that name whatever its capitals."""
    exact = [bed for bed in beds if name(bed) == word]
    return exact or [bed for bed in beds if name(bed).casefold() == word.casefold()]


def _meanings(word: str, beds: Sequence[BedRef]) -> dict[str, list[BedRef]]:
    """Everything the word may stand for besides a bed's label: what it is -> its beds."""
    first, _, rest = word.casefold().partition(" ")
    named = word.partition(" ")[2]
    found: dict[str, list[BedRef]] = {}
    if word.casefold() == "all":
        found["the word for every bed"] = list(beds)
    if word.casefold() in CONTROL_WORDS:
        found["the word for the control beds"] = [bed for bed in beds if bed.control]
    found["a treatment code"] = _same(word, beds, lambda bed: bed.treatment_code)
    found["a block"] = _same(word, beds, lambda bed: bed.block)
    if rest and first in BLOCK_WORDS:
        found["a block by number"] = _same(named, beds, lambda bed: bed.block)
    if rest and first == "treatment":
        found["a treatment by code"] = _same(named, beds, lambda bed: bed.treatment_code)
    return {what: which for what, which in found.items() if which}


def _range(word: str, beds: Sequence[BedRef]) -> list[BedRef] | None:
    """The beds from one label to another; None where the word is no range between labels."""
    for at, char in enumerate(word):
        if char not in _DASHES:
            continue
        low = _NUMBERED.match(word[:at].strip())
        high = _NUMBERED.match(word[at + 1 :].strip())
        if low is None or high is None:
            continue
        if high[1].casefold() not in ("", low[1].casefold()):
            continue
        numbered = _numbered(low[1], beds)
        if numbered:
            return _between(word, low[1], (low[2], high[2]), numbered)
    return None


def _numbered(prefix: str, beds: Sequence[BedRef]) -> dict[int, list[BedRef]]:
    """The beds whose label is that prefix and a number, by number."""
    exact: dict[int, list[BedRef]] = {}
    loose: dict[int, list[BedRef]] = {}
    for bed in beds:
        match = _NUMBERED.match(bed.label)
        if match and match[1].casefold() == prefix.casefold():
            loose.setdefault(int(match[2]), []).append(bed)
            if match[1] == prefix:
                exact.setdefault(int(match[2]), []).append(bed)
    return exact or loose


def _between(
    word: str, prefix: str, ends: tuple[str, str], numbered: dict[int, list[BedRef]]
) -> list[BedRef]:
    low, high = int(ends[0]), int(ends[1])
    if high < low:
        raise UserMistake(f"{word!r} counts down: write the lower bed first")
    missing: list[int] = []
    for number in range(low, high + 1):
        if number not in numbered:
            missing.append(number)
        if len(missing) > _NAMED_AT_MOST:  # B1-B999999999 is a slip of the hand: stop early
            break
    if missing:
        names = ", ".join(
            f"{prefix}{number:0{len(ends[0])}d}" for number in missing[:_NAMED_AT_MOST]
        )
        more = " and more" if len(missing) > _NAMED_AT_MOST else ""
        raise UserMistake(f"{word!r} reaches over beds that do not exist: {names}{more}")
    groups = [some for number, some in numbered.items() if low <= number <= high]
    twice = ", ".join(bed.label for some in groups if len(some) > 1 for bed in some)
    if twice:
        raise UserMistake(f"{word!r} could mean more than one bed of a number ({twice})")
    return [bed for some in groups for bed in some]


def _unknown(word: str, beds: Sequence[BedRef]) -> str:
    names = {
        name.casefold(): name
        for bed in beds
        for name in (f"block {bed.block}", "all", "control", bed.treatment_code, bed.label)
    }
    close = get_close_matches(word.casefold(), sorted(names), n=3, cutoff=0.7)
    meant = " or ".join(names[name] for name in close)
    tail = f" (did you mean {meant}?)" if close else ""
    if re.search(r"\s", word):
        tail = tail or " (put commas between beds)"
    return f"{word!r} is no bed, block or treatment here{tail}"


def _what_there_is(beds: Sequence[BedRef]) -> str:
    codes = ", ".join(sorted({bed.treatment_code for bed in beds}))
    blocks = ", ".join(sorted({bed.block for bed in beds}, key=_natural))
    labels = compact(bed.label for bed in beds)
    return f"beds: {labels}; treatments: {codes}; blocks: {blocks}; or all, control"
