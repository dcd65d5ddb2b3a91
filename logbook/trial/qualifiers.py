"""What a laboratory says about a result beside its number, and what follows from it.

A laboratory's own marks (J, U, *, H ...) mean different things at different laboratories: a profile
says what each stands for, in the words of `WORDS`. A word never changes a number; it says whether
the number may be used. Which marks laboratories print is common practice; that one mark has several
meanings is why no single letter is understood unless a profile explains it.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

USABLE = "used"
NOTED = "used, with a note"
LEFT_OUT = "not used in curves"
WAITS = "waits for its limit"
EFFECTS = (USABLE, NOTED, WAITS, LEFT_OUT)


@dataclass(frozen=True)
class Word:
    """One thing that a laboratory may say: its meaning in a few words, and its effect.

    `side` is "<" or ">" where a number beside the mark is the limit, not a value.
    """

    meaning: str
    effect: str
    side: str = ""


WORDS: dict[str, Word] = {
    "below-limit": Word("below the limit given", USABLE, "<"),
    "above-limit": Word("above the limit given", USABLE, ">"),
    "not-detected": Word("not detected", USABLE, "<"),
    "trace": Word("a trace, too little for a number", NOTED, "<"),
    "below-reporting": Word("detected, but below the reporting limit", NOTED),
    "estimated": Word("estimated by the laboratory", NOTED),
    "holding-time": Word("measured after its holding time", NOTED),
    "warm": Word("the sample was warm when it came in", NOTED),
    "blank": Word("found in the laboratory's blank as well", NOTED),
    "spread": Word("the laboratory's own duplicates disagree", NOTED),
    "see-note": Word("the laboratory wrote a note", NOTED),
    "diluted": Word("measured in a dilution", USABLE),
    "re-run": Word("measured again by the laboratory", USABLE),
    "dried-by-tin": Word("made a content of the dry soil with the sample's moisture", USABLE),
    "rejected": Word("rejected by the laboratory", LEFT_OUT),
    "insufficient": Word("too little sample", LEFT_OUT),
    "cancelled": Word("cancelled", LEFT_OUT),
}


def words(flags: str) -> tuple[str, ...]:
    """The words of a result's `flags`."""
    return tuple(flags.split())


def joined(found: Iterable[str]) -> str:
    """Words as a result keeps them: each once, in the order of `WORDS`."""
    said = set(found)
    return " ".join(word for word in WORDS if word in said)


def effect(flags: str, has_number: bool = True) -> str:
    """What follows from all of a result's words: the gravest of their effects.

    `has_number`: it has a value or a limit. Without one it waits for its limit, unless it is left
    out anyhow. A word of a newer program is taken for a note.
    """
    found = {WORDS[word].effect if word in WORDS else NOTED for word in words(flags)}
    if not has_number:
        found.add(WAITS)
    return max(found or {USABLE}, key=EFFECTS.index)


def counts(flags: str, has_number: bool = True) -> bool:
    """True if a result may be used in curves and comparisons."""
    return effect(flags, has_number) in (USABLE, NOTED)


def spoken(flags: str) -> str:
    """The meanings of all words, for a screen: "estimated by the laboratory; ..."."""
    return "; ".join(WORDS[word].meaning if word in WORDS else word for word in words(flags))
