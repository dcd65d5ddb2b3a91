"""Every error the program shows: its sentence, a hint (the next thing to type), its exit code.

Two families that are never mixed: `UserMistake` (the caller asked for something that cannot be)
and `BadData` (a file or a store from outside is not what it must be). Exit codes: 0 fine,
1 problems found, 2 could not do it, 3 the store was written by a newer program.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True, order=True)
class Problem:
    """One thing wrong, and where: the value that a check returns.

    `where` is what a person can find again ("soil.bulk_density, line 12" or "row 4, column
    value"); `what` is the sentence; `remedy` says what to do about it.
    """

    where: str
    what: str
    remedy: str = ""

    def __str__(self) -> str:
        tail = f"; {self.remedy}" if self.remedy else ""
        return f"{self.where}: {self.what}{tail}" if self.where else f"{self.what}{tail}"


class LogbookError(Exception):
    """Base of all errors shown to people: message, hint and exit code, never a traceback."""

    exit_code = 2

    def __init__(self, message: str, hint: str = "") -> None:
        super().__init__(message)
        self.message = message
        self.hint = hint
        if hint:
            # A notebook shows the notes of an error below its sentence; commands print the hint.
            self.add_note(hint)

    def __str__(self) -> str:
        return self.message


class UserMistake(LogbookError):
    """The caller's mistake: an unknown name, a wrong unit, a thing that cannot be done now."""


class NeedsAnswer(UserMistake):
    """Something must be asked and nobody can be asked: no terminal. The hint names the flag."""


class BadData(LogbookError):
    """Data from outside (a file) is not usable; carries every problem found in it."""

    def __init__(self, message: str, problems: Iterable[Problem] = (), hint: str = "") -> None:
        super().__init__(message, hint)
        self.problems = tuple(problems)


class StoreError(LogbookError):
    """The store itself: missing, locked, unreadable, damaged, full disk."""


class NewerStore(StoreError):
    """The store was written by a newer program than this one."""

    exit_code = 3


class ProblemsFound(LogbookError):
    """A check ran to its end and found problems (`verify`, missed pulls on request)."""

    exit_code = 1
