"""What every command works with: the store, the trial that is meant, the author, the clock."""

from __future__ import annotations

import json
import shutil
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import typer

from logbook import config
from logbook.cli.run import aside
from logbook.errors import NeedsAnswer, StoreError, UserMistake
from logbook.store import views
from logbook.store.schemas import NotUpgraded, OtherSchema
from logbook.trial import times
from logbook.trial.ranges import BedRef, compact, resolve
from logbook.trial.records import Record, Trial, record
from logbook.trial.wording import printable

if TYPE_CHECKING:
    import sqlite3

    from logbook.book.writing import Book

T = TypeVar("T")


@dataclass(frozen=True)
class Clock:
    """The clock of one run: the machine's, or a fixed instant; and what the run has committed.

    `committed` holds the newest entry after each of its transactions, `stores` the file that was
    named for the store, if any was (None: by its usual name).
    """

    fixed: datetime | None = None
    committed: list[str] = field(default_factory=list)
    stores: list[str | None] = field(default_factory=list)

    def now(self) -> datetime:
        """This instant, aware."""
        return self.fixed or datetime.now(UTC)


@record
class Chosen(Record):
    """The trial that a command is about, with its beds in bench order."""

    id: str
    trial: Trial
    beds: tuple[BedRef, ...]

    def label(self, bed: str) -> str:
        """The label of a bed id."""
        return next((ref.label for ref in self.beds if ref.id == bed), bed)


@record
class Session(Record):
    """The options before the command's name, and what follows from them."""

    store_given: str | None
    trial_given: str | None
    by_given: str | None
    clock: Clock

    @property
    def store(self) -> Path:
        """The store's file."""
        return config.store_path(self.store_given)

    def read(self, question: Callable[[sqlite3.Connection], T]) -> T:
        """Ask the store; it is closed again when the answer is there."""
        try:
            with views.reading(self.store) as connection:
                return question(connection)
        except OtherSchema as other:
            self._upgrade(other.found)
        with views.reading(self.store) as connection:
            return question(connection)

    def _upgrade(self, found: str) -> None:
        from logbook.store import database

        try:
            with database.writing(self.store, remark):
                pass
        except NotUpgraded:
            raise
        except StoreError as problem:
            raise NotUpgraded(self.store, found, problem) from problem

    @contextmanager
    def write(self, *, founding: bool = False) -> Iterator[Book]:
        """The open book; says on stderr if this machine became a new writer.

        Raises NoStore where there is none yet, unless the act is one that founds it.
        """
        if not founding:
            views.refuse_missing(self.store)
        from logbook.book import writing

        by = config.author(self.by_given)
        state = config.state_folder()
        now = self.clock.now()
        with writing.opened(self.store, state, by=by, now=now, told=remark) as book:
            yield book
            announced = list(book.announced)
        self.clock.committed.append(book.replica.id)
        for sentence in announced:
            remark(sentence)

    def when(self, text: str | None, trial: Trial) -> times.When:
        """The time somebody said, in the trial's zone; now if nothing was said."""
        now = self.clock.now()
        said = times.parse_when(text or "now", times.zone(trial.zone), now)
        ahead = said.instant is not None and said.instant > now
        if ahead or said.day > now.astimezone(times.zone(trial.zone)).date():
            raise UserMistake(
                f"{said.spoken} is in the future", "an act is written down once it happened"
            )
        return said


def remark(sentence: str) -> None:
    """Say on stderr what is to be known beside a command's answer."""
    aside(f"Note: {sentence}.")


def chosen(connection: sqlite3.Connection, session: Session, named: str | None = None) -> Chosen:
    """The trial meant: as named, or the only one there is; never guessed."""
    trials = views.fetch(connection, "trial")
    wanted = named or session.trial_given
    if wanted:
        trials = _called(wanted, trials)
    elif len(trials) > 1:
        over = views.trials_over(connection, session.clock.now().date())
        trials = [found for found in trials if found.id not in over] or trials
    if not trials:
        what = f"there is no trial called {wanted!r}" if wanted else "there is no trial yet"
        raise UserMistake(what, "logbook trial list, or: logbook trial start FILE")
    if len(trials) > 1:
        names = ", ".join(sorted(found.record.name for found in trials))
        if wanted and any(not _named(wanted, found) for found in trials):
            raise UserMistake(f"there is no trial called {wanted!r}", f"several begin so: {names}")
        raise NeedsAnswer(f"several trials are here: {names}", "name one with --trial NAME")
    found = trials[0]
    return Chosen(found.id, found.record, tuple(views.bed_refs(connection, found.id)))


def _called(wanted: str, trials: list[views.Found]) -> list[views.Found]:
    """The trials of that id or name, else those whose name starts so, whatever the capitals."""
    low = wanted.strip().casefold()
    exact = [one for one in trials if _named(wanted, one)]
    return exact or [one for one in trials if low and one.record.name.casefold().startswith(low)]


def _named(wanted: str, trial: views.Found) -> bool:
    """Whether that is a trial's id or whole name, whatever the capitals."""
    return wanted.strip().casefold() in (trial.id, trial.record.name.casefold())


def addressed(
    connection: sqlite3.Connection, session: Session, text: str
) -> tuple[Chosen, list[BedRef]]:
    """The beds that `B1-B6`, `control`, `TRIAL:B1` ... name, and their trial.

    With several running trials the words must fit one of them only; they are never guessed.
    """
    named, colon, beds = text.rpartition(":")
    if colon or session.trial_given:
        trial = chosen(connection, session, named if colon else None)
        return trial, resolve(beds, trial.beds)
    running = running_trials(connection, session)
    fitting = []
    for trial in running:
        with suppress(UserMistake):
            fitting.append((trial, resolve(beds, trial.beds)))
    if len(fitting) > 1:
        names = ", ".join(trial.trial.name for trial, _ in fitting)
        raise NeedsAnswer(
            f"{text!r} means beds of several running trials: {names}",
            f"name one with --trial NAME, or write NAME:{beds}",
        )
    if fitting:
        return fitting[0]
    trial = chosen(connection, session) if len(running) != 1 else running[0]
    return trial, resolve(beds, trial.beds)


def still_in(
    connection: sqlite3.Connection, trial: Chosen, beds: list[BedRef], day: date
) -> list[BedRef]:
    """The beds that were in the trial on a day: `all` means those, none that left or joined later.

    A bed named alone on the day that it left may have been worked on before. Raises UserMistake
    if none of them was in the trial.
    """
    left, joined = views.left(connection, trial.id), views.joined(connection, trial.id)
    there = [bed for bed in beds if bed.id not in joined or joined[bed.id] <= day]
    kept = [bed for bed in there if bed.id not in left or left[bed.id] > day]
    kept = kept or [bed for bed in there if left[bed.id] == day]
    if not kept:
        labels = compact(bed.label for bed in beds)
        why = (
            f"out of the trial since {times.spoken_day(max(left[bed.id] for bed in there))}"
            if there
            else f"joined on {times.spoken_day(min(joined[bed.id] for bed in beds))}"
        )
        raise UserMistake(f"{labels}: {why}", "check the bed and the day; bed list shows both")
    return kept


def running_trials(connection: sqlite3.Connection, session: Session) -> list[Chosen]:
    """The trials that are not over on this day, by name."""
    today = session.clock.now().date()
    over = views.trials_over(connection, today)
    found = [one for one in views.fetch(connection, "trial") if one.id not in over]
    return sorted(
        (Chosen(one.id, one.record, tuple(views.bed_refs(connection, one.id))) for one in found),
        key=lambda one: (one.trial.name, one.id),
    )


# Beside a question for its answer: a word, or a short name.
_ROOM = 12


def say(text: str) -> None:
    """Print lines on standard output, folded at blanks to the width of the window.

    Piped, a line stays one line. Control characters that data may hold are replaced.
    """
    wide = shutil.get_terminal_size().columns if sys.stdout.isatty() else None
    for line in text.split("\n"):
        shown = printable(line)
        typer.echo(shown if wide is None or len(shown) <= wide else _folded(shown, wide))


def _folded(line: str, width: int) -> str:
    import textwrap

    hang = " " * (len(line) - len(line.lstrip()) + 2)
    return textwrap.fill(
        line,
        width,
        subsequent_indent=hang,
        break_on_hyphens=False,
        break_long_words=False,
        replace_whitespace=False,
    )


def as_json(document: dict[str, Any]) -> None:
    """Print a document for programs: stable names, ISO dates, decimals as text.

    ASCII only, everything else escaped: no character of the data can steer a terminal.
    """
    typer.echo(json.dumps({"format": 1, **document}, indent=1, default=str))


def ask(question: str, flag: str) -> str:
    """Ask on the terminal; without one, refuse and name the flag that answers."""
    if not sys.stdin.isatty():
        raise NeedsAnswer(question, f"answer with {flag}")
    return str(typer.prompt(in_window(question)))


def in_window(question: str) -> str:
    """A question in lines that the window holds, with room for the answer behind the last."""
    return _folded(question, max(shutil.get_terminal_size().columns - _ROOM, 40))
