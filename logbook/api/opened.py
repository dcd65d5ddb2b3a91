"""A store opened to read: its trials, their pulls and results as frames, their curves."""

from __future__ import annotations

import os
import shlex
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, TypeVar

import pandas as pd

from logbook import config, handbook
from logbook.api import shown
from logbook.api.compared import Comparison
from logbook.api.curves import Curve, release_frame
from logbook.api.found import Findings
from logbook.api.frames import PULLS, RESULTS, frame
from logbook.api.rows import counts, nutrients, pull_rows, result_rows
from logbook.errors import StoreError, UserMistake
from logbook.store import views
from logbook.store.schemas import OtherSchema
from logbook.study import comparison
from logbook.study.findings.assemble import findings
from logbook.study.series import series_of
from logbook.trial import records
from logbook.trial.chemistry import named

if TYPE_CHECKING:
    import sqlite3

T = TypeVar("T")


def open(path: str | os.PathLike[str] | None = None) -> Book:
    """Open a store to read; nothing that is done with it can change it.

    Args:
        path: the store's file; None: your own logbook, where the command `logbook` keeps it.

    Raises:
        StoreError: there is no store, it is damaged or no store, or of an older schema.
        NewerStore: a newer program wrote it.

    Example:
        >>> book = logbook.open("trial.db")
        >>> book.trial().results()
    """
    book = Book(config.store_path(None if path is None else os.fspath(path)))
    book.ask(lambda store: None)
    return book


class Book:
    """A store opened to read. The file is held only while a question is answered.

    Use it plainly or as a context manager; once closed it answers no more.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._closed = False

    @property
    def trials(self) -> tuple[Trial, ...]:
        """The trials of the store, by name."""
        found = self.ask(lambda store: views.fetch(store, "trial"))
        trials = [Trial(self, one.id, one.record) for one in found]
        return tuple(sorted(trials, key=lambda one: (one.name, one.id)))

    def trial(self, name: str | None = None) -> Trial:
        """The trial of that name, or whose name alone begins so; the only one if not named.

        Raises:
            UserMistake: there is no such trial, or several.
        """
        trials = self.trials
        names = ", ".join(repr(one.name) for one in trials)
        fitting = trials if name is None else _called(name, trials)
        if not fitting:
            what = "there is no trial yet" if name is None else f"there is no trial called {name!r}"
            raise UserMistake(what, f"there are: {names}" if names else "")
        if len(fitting) > 1:
            several = ", ".join(repr(one.name) for one in fitting)
            raise UserMistake(f"several trials are meant: {several}", "name one: book.trial(NAME)")
        return fitting[0]

    def ask(self, question: Callable[[sqlite3.Connection], T]) -> T:
        """Answer a question on a connection that cannot write, and let go of the file.

        Raises:
            UserMistake: the book was closed.
            StoreError: see `open`.
        """
        if self._closed:
            raise UserMistake(f"{self.path}: this book was closed", "logbook.open opens it again")
        try:
            with views.reading(self.path) as store:
                return question(store)
        except views.NoStore as none:
            raise StoreError(
                none.message, "logbook demo --keep FILE makes one to look at"
            ) from None
        except OtherSchema as other:
            raise StoreError(
                other.message,
                f"logbook --store {shlex.quote(str(self.path))} today upgrades it, and keeps it "
                "beside as it is",
            ) from None

    def close(self) -> None:
        """Answer no more."""
        self._closed = True

    def __enter__(self) -> Book:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def __repr__(self) -> str:
        if self._closed:
            return shown.lines(f"<Book {self.path}, closed>")
        count = len(self.trials)
        return shown.lines(f"<Book {self.path}, read only: {count} trial{'s' * (count != 1)}>")

    def _repr_html_(self) -> str:
        if self._closed:
            return shown.page(repr(self), ())
        return shown.page(repr(self), (repr(one) for one in self.trials))


def _called(name: str, trials: tuple[Trial, ...]) -> tuple[Trial, ...]:
    """The trials of that name, else those whose name begins so, whatever the capitals."""
    low = name.strip().casefold()
    exact = tuple(one for one in trials if one.name.casefold() == low)
    return exact or tuple(one for one in trials if low and one.name.casefold().startswith(low))


@dataclass(frozen=True, repr=False)
class Trial:
    """One trial of a book; every frame is read anew when it is asked for."""

    book: Book
    id: str
    record: records.Trial

    @property
    def name(self) -> str:
        """The trial's name."""
        return self.record.name

    @property
    def treatments(self) -> dict[str, str]:
        """The name of each treatment by its code, the control first."""
        found = self.book.ask(
            lambda store: views.fetch(store, "treatment", "trial = ?", (self.id,))
        )
        ordered = sorted((not one.record.control, one.record.code, one.record) for one in found)
        return {code: one.name for _, code, one in ordered}

    @property
    def nutrients(self) -> list[str]:
        """What has results, in the order of the table of nutrients."""
        return self.book.ask(lambda store: nutrients(store, self.id))

    def pulls(self) -> pd.DataFrame:
        """A row for each soil sample taken: `columns("pulls")`."""
        return frame(PULLS, self.book.ask(lambda store: pull_rows(store, self.id)))

    def results(self) -> pd.DataFrame:
        """A row for each result that stands: `columns("results")`.

        Mineral N is computed from its parts and stands in `net_release` only.
        """
        return frame(RESULTS, self.book.ask(lambda store: result_rows(store, self.id)))

    def net_release(
        self,
        nutrient: str | None = None,
        treatment: str | None = None,
        *,
        without_flagged: bool = False,
    ) -> pd.DataFrame:
        """A row for each pull of each nutrient and treatment: `columns("net_release")`.

        Args:
            nutrient: such as "mineral-N", "P", "pH"; None: all.
            treatment: a treatment's code; None: all but the control.
            without_flagged: leave out what was pulled after a mishap on its bed.

        Raises:
            UserMistake: a nutrient or treatment that does not exist, or the control.
        """
        analyte = None if nutrient is None else named(nutrient)
        return release_frame(
            self.book.ask(
                lambda store: series_of(
                    store,
                    self.id,
                    analyte,
                    treatment,
                    fitted=False,
                    without_flagged=without_flagged,
                )
            )
        )

    def curves(
        self,
        nutrient: str | None = "mineral-N",
        treatment: str | None = None,
        *,
        without_flagged: bool = False,
    ) -> list[Curve]:
        """The curves of a nutrient, one for each treatment, method, laboratory and basis.

        Arguments and errors as for `net_release`; None for all nutrients takes a while.
        """
        analyte = None if nutrient is None else named(nutrient)
        found = self.book.ask(
            lambda store: series_of(
                store, self.id, analyte, treatment, without_flagged=without_flagged
            )
        )
        if not found:
            of = "" if analyte is None else f" of {analyte}"
            raise UserMistake(
                f"there are no results{of} to compare with the control yet",
                "logbook lab import FILE brings them in",
            )
        return [Curve(one) for one in found]

    def compare(
        self,
        pull: str | int | None = None,
        treatment: str | None = None,
        *,
        without_flagged: bool = False,
    ) -> Comparison:
        """Every treatment, or one, against the control on one date.

        Args:
            pull: a planned pull ("day 28", 28, "before"); None: the newest with results.
            treatment, without_flagged: as for `net_release`.

        Raises:
            UserMistake: a pull or treatment that does not exist, or no result to compare.
        """
        named = None if pull is None else str(pull)
        return Comparison(
            self.book.ask(
                lambda store: comparison.compare(
                    store, self.id, named, treatment, without_flagged=without_flagged
                )
            )
        )

    def findings(
        self,
        treatment: str | None = None,
        pull: str | int | None = None,
        *,
        with_amended: bool = False,
        without_flagged: bool = False,
    ) -> list[Findings]:
        """What the trial says of every amendment, or of one, in a grower's words.

        Args:
            treatment, without_flagged: as for `net_release`.
            pull: the date of the other nutrients; None: the planting day's, else the newest.
            with_amended: also hold amended soil against the tables for settled soil, bare.

        Raises:
            UserMistake: a pull or treatment that does not exist, or nothing to compare.
            BadData: a copy of the tables in your configuration folder that cannot be used.
        """
        tables = handbook.load(config.handbook_folder())
        named = None if pull is None else str(pull)
        found = self.book.ask(
            lambda store: findings(
                store,
                self.id,
                tables,
                treatment,
                named,
                with_amended=with_amended,
                without_flagged=without_flagged,
            )
        )
        return [Findings(one) for one in found]

    def __repr__(self) -> str:
        beds, pulls, results = self.book.ask(lambda store: counts(store, self.id))
        return shown.lines(
            f"<Trial {self.name}: {beds} beds, {len(self.treatments)} treatments, {pulls} pulls, "
            f"{results:,} results>"
        )

    def _repr_html_(self) -> str:
        listed = (f"{code}: {name}" for code, name in self.treatments.items())
        return shown.page(repr(self), (self.record.question, *listed))
