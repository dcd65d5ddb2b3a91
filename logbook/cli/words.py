"""Comparing a key by its four words: asked on the terminal, or typed from the other screen."""

from __future__ import annotations

import sys

import typer

from logbook import signing
from logbook.cli.session import say
from logbook.errors import NeedsAnswer, UserMistake

_LIST = "logbook machines"


def compare(machine: str, public_key: str, words: str | None, yes: bool, not_done: str) -> None:
    """Have a person say that the machine is the one it calls itself.

    `not_done` is what did not happen where it is not ("not joined"). Raises UserMistake, or
    NeedsAnswer where nobody can be asked.
    """
    if words is not None:
        if not signing.same_words(words, public_key):
            raise UserMistake(
                f"these are not the words of {machine}: someone else may pose as it",
                f"read them on that machine: {_LIST}",
            )
        return
    if yes:
        return
    told = f"The four words of {machine} are: {' '.join(signing.words(public_key))}"
    if not sys.stdin.isatty():
        raise NeedsAnswer(
            f"{told}; does that machine show the same?",
            "answer with --words 'A B C D', as it shows them, or with --yes",
        )
    say(told)
    if not typer.confirm(f"Does `{_LIST}` show the same words on that machine?"):
        raise UserMistake(
            f"{not_done}: someone else may pose as {machine}; nothing was written",
            "find out who can write to the place where its lines came from",
        )
