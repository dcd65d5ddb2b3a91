"""Questions that a sample report leaves open, each with a key under which it can be answered."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from logbook.errors import UserMistake
from logbook.labs.grid import shown
from logbook.labs.marks import NOTHING
from logbook.labs.profiles.writing import Lines
from logbook.trial import qualifiers

_MOST_QUESTIONS = 200
_YES = ("yes", "y")
# What is said where a name is asked, and is none.
NO_NAMES = ("yes", "y", "no", "n", "ok", "maybe", "none", "unknown", "later")
# What is no example, but holds the place of an answer.
NUTRIENT, UNIT, METHOD, NAME = "NUTRIENT", "UNIT", "METHOD", "NAME"
# What a mark may mean, told once beside all questions about marks.
MEANINGS = (*qualifiers.WORDS, NOTHING)
Answer = Callable[["Question"], str | None]
# Raises UserMistake for an answer that cannot be one, with those that can be.
Check = Callable[[str], object]


def anything(said: str) -> None:
    """Of what only the laboratory knows any answer may be right."""


def one_of(*words: str) -> Check:
    """The check that an answer is one of these words."""

    def check(said: str) -> None:
        if said not in words:
            raise UserMistake(f"{shown(said)} is no answer to that", f"answer {' or '.join(words)}")

    return check


def name_of(what: str, most: int) -> Check:
    """The check that an answer is a name, and not too long to be kept."""

    def check(said: str) -> None:
        if is_no_name(said) or not any(map(str.isalnum, said)):
            raise UserMistake(f"{shown(said)} is no {what}", "write its name")
        if len(said) > most:
            raise UserMistake(f"it has more than {most} characters", "shorten it")

    return check


def is_no_name(said: str) -> bool:
    """True for what answers another question than the one for a name: yes, maybe."""
    return said.casefold().strip(" .!?") in NO_NAMES


@dataclass(frozen=True)
class Question:
    """What the file does not say: a `key` to answer it by, the sentence, an example.

    check: what an answer must be; who answers calls it. `usual`: what yes means, if anything.
    doubt: why an answer that can be one is unlikely, "" if it is not.
    """

    key: str
    text: str
    example: str
    check: Check = field(default=anything, compare=False)
    usual: str = ""
    doubt: Callable[[str], str] = field(default=lambda said: "", compare=False)

    @property
    def has_example(self) -> bool:
        """False where it only holds the place of an answer."""
        return self.example not in (NUTRIENT, UNIT, METHOD, NAME)

    def meant(self, said: str) -> str:
        """What an answer means: yes is what is usual."""
        return self.usual if self.usual and said.casefold() in _YES else said


@dataclass
class Asking:
    """Who answers; the questions that are still `open`, and the keys of all that were `asked`."""

    answer: Answer
    open: list[Question] = field(default_factory=list)
    asked: list[str] = field(default_factory=list)

    def ask(self, question: Question) -> str | None:
        """The answer, or None and the question stays open."""
        self.asked.append(question.key)
        if question in self.open or len(self.open) >= _MOST_QUESTIONS:
            return None
        said = question.meant(self.answer(question) or "")
        if not said:
            self.open.append(question)
        return said or None

    def fill(self, lines: Lines, name: str, question: Question) -> str | None:
        """`ask`, and the answer under `name` in the profile, or else a line to complete."""
        said = self.ask(question)
        if said is None:
            lines.ask(name, question.text, question.example)
        else:
            lines.put(name, said)
        return said


def answers(said: Mapping[str, str]) -> Answer:
    """Answers by key, whatever the capitals of the key."""
    folded = {" ".join(key.split()).casefold(): text for key, text in said.items()}
    return lambda question: folded.get(question.key.casefold())
