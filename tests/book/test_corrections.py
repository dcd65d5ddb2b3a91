"""Corrections and undo: nothing is erased, and what is taken back leaves no trace in the tables."""

from __future__ import annotations

import random
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import date, datetime
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logbook.book import corrections, writing
from logbook.book.writing import Book
from logbook.errors import UserMistake
from logbook.journal import entry as journal
from logbook.store import database, entries, projections
from logbook.store.tables import RECORD_TABLES
from logbook.trial import records
from logbook.trial.times import When
from tests.store import made

DAY = date(2026, 3, 13)


@pytest.fixture
def open_book(
    store: Path, state: Path, now: datetime, choose: Callable[[str], str]
) -> Callable[..., Any]:
    """Opens the book of the test's store: `with open_book(by="mira") as book`."""

    @contextmanager
    def opened(by: str = "mira") -> Iterator[Book]:
        with writing.opened(store, state, by=by, now=now, choose=choose) as book:
            yield book

    return opened


def start(book: Book) -> None:
    """A trial with two beds."""
    treatment = records.Treatment("t", "T1", "meal", False, None, None, None, Decimal(15))
    book.record(
        "trial",
        [
            ("trial/t", made.TRIAL),
            ("treatment/x", treatment),
            ("planned-pull/p", records.PlannedPull("t", "start", None, 1)),
            ("bed/b1", made.bed("B1")),
            ("bed/b2", made.bed("B2", place=2)),
        ],
    )


def water(book: Book, *beds: str, volume: str = "250") -> writing.Act:
    """Water these beds."""
    code = book.new_code()
    lines = [(f"water/{code}/{bed}", made.watering(bed, DAY, volume)) for bed in beds]
    return book.record("water", lines, code=code)


def pull(book: Book, bed: str = "b1") -> str:
    """Take a sample; returns its code."""
    code = book.new_code()
    sample = records.Pull(code, bed, When(DAY), None, 8, Decimal(15), None)
    book.record("pull", [(f"pull/{code}", sample)])
    return code


def shown(book: Book) -> dict[str, list[tuple[Any, ...]]]:
    """Every row of every record table and of the derived ones, without the entry that shows it."""
    dumped = made.dump(book.connection)
    tables = [table.name for table in RECORD_TABLES.values()]
    return {
        **{name: [(row[0], *row[2:]) for row in dumped[name]] for name in tables},
        **{name: dumped[name] for name in ("due", "possible_duplicate")},
    }


def _refused(act: Callable[[], object]) -> str:
    with pytest.raises(UserMistake) as refused:
        act()
    return f"{refused.value.message} | {refused.value.hint}"


def test_correct_keeps_the_old_line_and_says_why(open_book: Any) -> None:
    with open_book() as book:
        start(book)
        key = water(book, "b1").keys[0]
        act = corrections.correct(book, key, {"volume_ml": "200"}, "  can half full ")
        assert act.kind == "correct" and act.keys == (key,)
        (name,) = book.live([key])[key]
        entry = book.entry(name)
        assert (entry.kind, entry.reason, entry.act) == ("correct", "can half full", act.code)
        assert len(entry.writes[0].replaces) == 1
        assert book.value(entry.writes[0].replaces[0], key)["volume_ml"] == "250"
        assert book.values([key])[key]["volume_ml"] == "200"


def test_refused_corrections_name_the_line_as_people_do(open_book: Any) -> None:
    with open_book() as book:
        start(book)
        act = water(book, "b1", "b2")
        code, (key, other) = act.code, act.keys
        assert _refused(lambda: corrections.correct(book, key, {"volume_ml": "200"}, " ")) == (
            "a correction needs its reason | add --reason TEXT"
        )
        assert _refused(lambda: corrections.strike(book, [key], "")) == (
            "a correction needs its reason | add --reason TEXT"
        )
        assert _refused(lambda: corrections.correct(book, key, {"volume_ml": "250"}, "x")) == (
            f"nothing would change: {code}:B1 says so already | "
        )
        corrections.strike(book, [key], "wrong bed")
        assert _refused(lambda: corrections.strike(book, [other, key], "again")) == (
            f"{code}:B1 is struck already, or was never written | "
        )
        assert _refused(lambda: corrections.correct(book, key, {"volume_ml": "1"}, "x")) == (
            f"{code}:B1 was struck or never written | write it anew instead"
        )
        assert _refused(lambda: corrections.strike(book, [other, other], "twice")) == (
            "one act cannot say two things about one line | "
        )
        assert _refused(lambda: corrections.strike(book, [], "none")) == (
            "there is nothing to write down | "
        )


def test_references_are_what_people_say(open_book: Any) -> None:
    with open_book() as book:
        start(book)
        act = water(book, "b2")
        sample = pull(book)
        key, line = made.result(sample, "nitrate-N", "12.5")
        book.record("lab", [(key, line)])
        named = {
            act.keys[0]: f"{act.code}:B2",
            f"pull/{sample}": sample,
            key: f"{sample}:nitrate-N",
            f"note/{act.code}/t": act.code,
            journal.key("report", "Lab/2", "R 1"): "report R 1 of Lab/2",
            "bed/b1": "bed B1",
            "treatment/x": "treatment T1",
            "trial/t": "trial House (invented)",
            "planned-pull/p": "planned pull start",
            "bed/unknown": "bed unknown",
            "gremlin/a/b": "gremlin b",
        }
        assert {key: corrections.reference(book, key) for key in named} == named


def test_undo_strikes_what_was_made_and_steps_back_act_by_act(open_book: Any) -> None:
    with open_book() as book:
        nothing = shown(book)
        start(book)
        states = [shown(book)]
        acts = [water(book, "b1", "b2")]
        states.append(shown(book))
        acts.append(corrections.correct(book, acts[0].keys[0], {"volume_ml": "200"}, "slip"))
        states.append(shown(book))
        acts.append(corrections.strike(book, [acts[0].keys[1]], "wrong bed"))
        for act, state in zip(reversed(acts), reversed(states), strict=True):
            undone, undo = corrections.undo(book)
            assert (undone.code, undone.kind, undo.kind) == (act.code, act.kind, "undo")
            assert shown(book) == state
        corrections.undo(book)
        assert shown(book) == nothing
        assert _refused(lambda: corrections.undo(book)) == (
            "there is nothing of mira's on this machine to undo | "
        )


def test_undo_is_of_ones_own_acts_only(open_book: Any) -> None:
    with open_book() as book:
        start(book)
        mine = water(book, "b1")
    with open_book(by="olek") as book:
        assert _refused(lambda: corrections.undo(book)) == (
            "there is nothing of olek's on this machine to undo | "
        )
        water(book, "b2")
    with open_book() as book:
        undone, _ = corrections.undo(book)
        assert undone.code == mine.code


def test_undo_is_refused_once_the_line_was_written_again(open_book: Any) -> None:
    with open_book() as book:
        start(book)
        act = water(book, "b1", "b2")
    with open_book(by="olek") as book:
        corrections.correct(book, act.keys[1], {"volume_ml": "200"}, "slip")
    with open_book() as book:
        assert _refused(lambda: corrections.undo(book)) == (
            f"{act.code}:B2 was written again since: undoing would lose the later line | "
            "correct or strike it instead"
        )


def test_undo_is_refused_once_a_later_act_speaks_of_it(open_book: Any) -> None:
    with open_book() as book:
        start(book)
        code = pull(book)
    with open_book(by="olek") as book:
        book.record("lab", [made.result(code, "pH", "6.5")])
    with open_book() as book:
        assert _refused(lambda: corrections.undo(book)) == (
            f"{code}:pH speaks of {code}, which cannot be undone any more | "
            f"strike the later line first: logbook strike {code}:pH --reason TEXT"
        )


def test_a_result_that_waited_for_its_pull_does_not_hold_it(open_book: Any) -> None:
    with open_book() as book:
        start(book)
        book.record("lab", [made.result("XW3KRT9D", "pH", "6.5")])
        sample = records.Pull("XW3KRT9D", "b1", When(DAY), None, 8, Decimal(15), None)
        book.record("pull", [("pull/XW3KRT9D", sample)])
        undone, _ = corrections.undo(book)
        assert undone.keys == ("pull/XW3KRT9D",)


def test_the_start_of_a_trial_is_held_by_what_was_done_to_its_beds(open_book: Any) -> None:
    with open_book() as book:
        start(book)
    with open_book(by="olek") as book:
        act = water(book, "b2")
    with open_book() as book:
        assert _refused(lambda: corrections.undo(book)) == (
            f"{act.code}:B2 speaks of bed B2, which cannot be undone any more | "
            f"strike the later line first: logbook strike {act.code}:B2 --reason TEXT"
        )


def test_settling_and_merging_acts_are_not_undone(open_book: Any) -> None:
    with open_book() as book:
        start(book)
        key = water(book, "b1").keys[0]
        rival = journal.Write(key, {**(book.values([key])[key] or {}), "volume_ml": "100"})
        filing = made.chain_of("bea", [[rival]])
        entries.append(book.connection, filing)
        projections.apply(book.connection, [one[:2] for one in filing])
        act = corrections.correct(book, key, {"volume_ml": "100"}, "bea is right")
        assert _refused(lambda: corrections.undo(book)) == (
            f"{act.keys[0].split('/')[1]}:B1 replaced 2 lines at once: there is no one value to "
            "return to | correct it instead"
        )
        book.write("settle", [(key, book.values([key])[key])], reason="agreed")
        assert _refused(lambda: corrections.undo(book)) == (
            "the last act settled a conflict: it cannot be undone | "
        )


ACTS = st.lists(
    st.tuples(
        st.sampled_from(["water", "pull", "correct", "strike", "undo", "fill", "bed"]),
        st.integers(0, 30),
    ),
    min_size=1,
    max_size=8,
)


def _act(book: Book, what: str, choice: int) -> None:
    keys = sorted(
        f"water/{row[0]}" for row in book.connection.exec_driver_sql("SELECT id FROM water")
    )
    bed = ("b1", "b2")[choice % 2]
    if what == "water":
        water(book, *("b1", "b2")[: 1 + choice % 2])
    elif what == "pull":
        pull(book, bed)
    elif what == "fill":
        line = records.Filling(bed, When(DAY), Decimal(110), None, "weighed", "110 kg")
        book.record("fill", [(f"fill/{book.new_code()}/{bed}", line)])
    elif what == "bed":
        corrections.correct(book, f"bed/{bed}", {"label": f"Z{choice}"}, "renamed")
    elif what == "undo":
        corrections.undo(book)
    elif keys and what == "correct":
        key = keys[choice % len(keys)]
        corrections.correct(book, key, {"volume_ml": str(choice), "typed": "x"}, "slip")
    elif keys:
        corrections.strike(book, keys[: 1 + choice % len(keys)], "wrong")


@pytest.fixture(scope="module")
def template(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store with its tables and nothing in them."""
    path = tmp_path_factory.mktemp("template") / "logbook.db"
    with database.writing(path):
        pass
    return path


@settings(max_examples=50)
@given(ACTS, st.integers(0, 1_000_000))
def test_undo_of_anything_returns_the_former_rows(
    template: Path,
    tmp_path_factory: pytest.TempPathFactory,
    now: datetime,
    acts: list[tuple[str, int]],
    seed: int,
) -> None:
    """Compared: every row of every record and derived table but the id of the entry shown.

    Whatever was done, undo by undo, each earlier state comes back, to the empty book.
    """
    folder = tmp_path_factory.mktemp("undo")
    shutil.copy(template, folder / "logbook.db")
    choose = random.Random(seed).choice
    with writing.opened(
        folder / "logbook.db", folder / "keys", by="mira", now=now, choose=choose
    ) as book:
        states = [shown(book)]
        for what, choice in [("start", 0), *acts]:
            before = book.replica.seq
            try:
                if what == "start":
                    start(book)
                else:
                    _act(book, what, choice)
            except UserMistake:
                assert before == book.replica.seq
                continue
            if book.replica.seq == before:
                continue
            if what == "undo":
                states.pop()
                assert shown(book) == states[-1]
            else:
                states.append(shown(book))
        while len(states) > 1:
            corrections.undo(book)
            states.pop()
            assert shown(book) == states[-1]
        with pytest.raises(UserMistake):
            corrections.undo(book)
        dumped = made.dump(book.connection)
        projections.rebuild(book.connection)
        assert made.dump(book.connection) == dumped
