"""Settling: one version stands, none is lost, and whoever decides otherwise is heard again."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, date, datetime
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logbook.book import corrections, settling, writing
from logbook.book.writing import Book
from logbook.cli.lines import with_what_hangs_on_it
from logbook.errors import UserMistake
from logbook.journal import entry as journal
from logbook.journal.entry import Entry, Value, Write
from logbook.journal.fold import agree
from logbook.store import asking, database, entries, projections, views
from logbook.study import conflicts
from logbook.trial import records
from logbook.trial.times import When, read_stored
from tests.store import made

DAY = date(2026, 3, 13)
NOW = datetime(2026, 3, 14, 7, 30, tzinfo=UTC)


@pytest.fixture
def open_book(
    store: Path, state: Path, now: datetime, choose: Callable[[str], str]
) -> Callable[..., Any]:
    """Opens the book of the test's store: `with open_book() as book`."""

    @contextmanager
    def opened(by: str = "mira") -> Iterator[Book]:
        with writing.opened(store, state, by=by, now=now, choose=choose) as book:
            yield book

    return opened


def start(book: Book) -> list[str]:
    """A trial with two beds, both watered and sampled: the keys of the four acts."""
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
    keys = [key for bed in ("b1", "b2") for key in _watered(book, bed)]
    return [*keys, *(f"pull/{pulled(book, bed)}" for bed in ("b1", "b2"))]


def _watered(book: Book, bed: str) -> tuple[str, ...]:
    code = book.new_code()
    return book.record("water", [(f"water/{code}/{bed}", made.watering(bed, DAY))], code=code).keys


def pulled(book: Book, bed: str = "b1", when: str = "2026-03-13", parts: int = 0) -> str:
    """Take a sample, divided into so many parts; its code."""
    code = book.new_code()
    at = read_stored(when)
    lines: list[tuple[str, Any]] = [
        (f"pull/{code}", records.Pull(code, bed, at, None, 8, Decimal(15), None))
    ]
    bags = [code, *(book.new_code() for _ in range(parts - 1))] if parts else []
    for bag, kind in zip(bags, records.PARTS, strict=False):
        lines.append((f"part/{bag}", records.Part(bag, code, kind, (), at)))
    book.record("pull", lines)
    return code


@dataclass
class Elsewhere:
    """Another machine, whose lines come into an open book one by one."""

    name: str
    seq: int = 0
    prev: str = ""

    def says(
        self,
        book: Book,
        key: str,
        value: Value | None,
        replaces: Sequence[str] = (),
        kind: str = "set",
    ) -> str:
        """Write a value, knowing only those entries; the id of its entry."""
        self.seq += 1
        filing = made.filed(
            Entry(
                made.writer_id(self.name), self.seq, self.prev or None, kind,
                f"2026-03-14T08:{self.seq % 60:02}:00+01:00", self.name,
                (Write(key, value, tuple(sorted(replaces))),), act=f"{self.name}{self.seq}",
            )
        )  # fmt: skip
        made.absorb(book.connection, [filing])
        self.prev = filing[0]
        return filing[0]


def changed(book: Book, key: str, **parts: str) -> Value:
    """What stands under a key, with some of it changed."""
    return {**(book.values([key])[key] or {}), **parts}


def open_keys(book: Book) -> list[str]:
    """The keys in conflict."""
    return [one.key for one in conflicts.disagreements(corrections.inside(book))]


def _refused(act: Callable[[], object]) -> str:
    with pytest.raises(UserMistake) as refused:
        act()
    return f"{refused.value.message} | {refused.value.hint}"


class TestOneLine:
    def test_one_version_stands_and_all_stay_readable(self, open_book: Any) -> None:
        with open_book() as book:
            key, *_ = start(book)
            (mine,) = book.live([key])[key]
            other = Elsewhere("bea").says(book, key, changed(book, key, volume_ml="100"))
            assert open_keys(book) == [key]

            act = settling.keep(book, key, other, " bea read the meter ")

            assert (act.kind, act.keys, open_keys(book)) == ("settle", (key,), [])
            (name,) = book.live([key])[key]
            entry = book.entry(name)
            assert entry.reason == "bea read the meter"
            assert entry.writes[0].replaces == tuple(sorted((mine, other)))
            assert book.values([key])[key] == book.value(other, key)
            assert book.value(mine, key)["volume_ml"] == "250"

    def test_a_version_that_is_a_strike_may_stand(self, open_book: Any) -> None:
        with open_book() as book:
            key, *_ = start(book)
            (mine,) = book.live([key])[key]
            corrections.correct(book, key, {"volume_ml": "200"}, "half a can")
            struck = Elsewhere("bea").says(book, key, None, (mine,))
            assert open_keys(book) == [key]
            settling.keep(book, key, struck, "left dry")
            assert (open_keys(book), book.values([key])) == ([], {key: None})

    def test_no_version_may_stand(self, open_book: Any) -> None:
        with open_book() as book:
            key, *_ = start(book)
            Elsewhere("bea").says(book, key, changed(book, key, volume_ml="100"))
            assert settling.strike_all(book, key, "left dry").kind == "settle"
            assert (open_keys(book), book.values([key])) == ([], {key: None})

    def test_correcting_replaces_every_version_too(self, open_book: Any) -> None:
        with open_book() as book:
            key, *_ = start(book)
            Elsewhere("bea").says(book, key, changed(book, key, volume_ml="100"))
            corrections.correct(book, key, {"volume_ml": "150"}, "both were wrong")
            assert (open_keys(book), len(book.live([key])[key])) == ([], 1)

    def test_correcting_to_what_is_shown_settles_too(self, open_book: Any) -> None:
        with open_book() as book:
            key, *_ = start(book)
            Elsewhere("bea").says(book, key, changed(book, key, volume_ml="100"))
            shown = book.values([key])[key]["volume_ml"]
            corrections.correct(book, key, {"volume_ml": shown}, "that one is right")
            assert open_keys(book) == []

    def test_what_machines_agree_about_is_not_settled(self, open_book: Any) -> None:
        with open_book() as book:
            key, *_ = start(book)
            name = asking.reference(corrections.inside(book), key)
            (mine,) = book.live([key])[key]
            agreed = f"machines agree about {name} | logbook conflicts lists what is open"
            assert _refused(lambda: settling.keep(book, key, mine, "x")) == agreed
            Elsewhere("bea").says(book, key, changed(book, key, typed="a can"))
            assert _refused(lambda: settling.strike_all(book, key, "x")) == agreed

    def test_a_version_that_was_replaced_meanwhile_does_not_stand(self, open_book: Any) -> None:
        with open_book() as book:
            key, *_ = start(book)
            name = asking.reference(corrections.inside(book), key)
            bea = Elsewhere("bea")
            first = bea.says(book, key, changed(book, key, volume_ml="100"))
            bea.says(book, key, changed(book, key, volume_ml="110"), (first,))
            assert _refused(lambda: settling.keep(book, key, first, "x")) == (
                f"that version of {name} was replaced since | logbook conflicts lists what is open"
            )

    def test_a_reason_is_needed(self, open_book: Any) -> None:
        with open_book() as book:
            key, *_ = start(book)
            other = Elsewhere("bea").says(book, key, changed(book, key, volume_ml="100"))
            before = book.replica.seq
            said = "a correction needs its reason | add --reason TEXT"
            assert _refused(lambda: settling.keep(book, key, other, " ")) == said
            assert _refused(lambda: settling.strike_all(book, key, "")) == said
            assert book.replica.seq == before

    def test_a_bed_is_not_struck_from_under_its_lines(self, open_book: Any) -> None:
        with open_book() as book:
            water, *_ = start(book)
            (mine,) = book.live(["bed/b1"])["bed/b1"]
            corrections.correct(book, "bed/b1", {"label": "B9"}, "renamed")
            struck = Elsewhere("bea").says(book, "bed/b1", None, (mine,))
            code = journal.parts(water)[1]
            said = (
                f"{code}:B9 speaks of bed B9, which cannot be struck while that stands | "
                f"strike the later line first: logbook strike {code}:B9 --reason TEXT"
            )
            assert _refused(lambda: settling.keep(book, "bed/b1", struck, "x")) == said
            assert _refused(lambda: settling.strike_all(book, "bed/b1", "x")) == said

    def test_a_settling_is_not_undone(self, open_book: Any) -> None:
        with open_book() as book:
            key, *_ = start(book)
            other = Elsewhere("bea").says(book, key, changed(book, key, volume_ml="100"))
            settling.keep(book, key, other, "x")
            assert _refused(lambda: corrections.undo(book)) == (
                "the last act settled a conflict: it cannot be undone | "
            )


class TestOfANewerProgram:
    def test_its_lines_are_not_replaced_unread(self, open_book: Any) -> None:
        with open_book() as book:
            key, *_ = start(book)
            bea = Elsewhere("bea")
            other = bea.says(book, key, changed(book, key, volume_ml="100"))
            bea.says(book, key, {"height": "9"}, (), kind="balloon")
            name = asking.reference(corrections.inside(book), key)
            said = (
                f"{name} was written by a newer version of the program, which this one cannot "
                "read: it would be replaced unseen | install that version here, or do it on the "
                "machine that has it"
            )
            for act in (
                lambda: settling.keep(book, key, other, "x"),
                lambda: settling.strike_all(book, key, "x"),
                lambda: corrections.correct(book, key, {"volume_ml": "1"}, "x"),
                lambda: corrections.strike(book, [key], "x"),
            ):
                assert _refused(act) == said

    def test_what_it_wrote_and_this_one_replaced_is_past(self, open_book: Any) -> None:
        with open_book() as book:
            key, *_ = start(book)
            bea = Elsewhere("bea")
            newer = bea.says(book, key, {"height": "9"}, book.live([key])[key], kind="balloon")
            value = to_water("120")
            bea.says(book, key, value, (newer,))
            corrections.correct(book, key, {"volume_ml": "100"}, "slip")
            assert book.values([key])[key]["volume_ml"] == "100"

    def test_pulls_of_it_are_left_alone(self, open_book: Any) -> None:
        with open_book() as book:
            start(book)
            one, other = pulled(book), pulled(book)
            Elsewhere("bea").says(book, f"pull/{other}", {"deep": "9"}, (), kind="balloon")
            for act in (
                lambda: settling.same(book, one, other, "x"),
                lambda: settling.different(book, one, other, "x"),
            ):
                assert _refused(act).startswith(f"{other} was written by a newer version")


def to_water(volume: str) -> Value:
    return {
        "bed": "b1", "when": "2026-03-13", "volume_ml": volume, "known": "metered",
        "typed": f"{volume} mL",
    }  # fmt: skip


def pairs(book: Book) -> list[tuple[str, str, str]]:
    """The open pairs of pulls."""
    return asking.possible_duplicates(corrections.inside(book), "t")


class TestTwoPulls:
    def test_one_pull_written_twice(self, open_book: Any) -> None:
        with open_book() as book:
            start(book)
            first, second = pulled(book, when="2026-03-12"), pulled(book, when="2026-03-12")
            assert len(pairs(book)) == 1
            act, parts = settling.same(book, second, first, " one bag only ")
            assert (act.kind, parts) == ("strike", 0)
            assert act.keys == (f"pull/{first}", f"pull/{second}")
            assert book.values([f"pull/{second}"])[f"pull/{second}"] is not None
            assert pairs(book) == []
            assert book.values([f"pull/{first}"]) == {f"pull/{first}": None}
            assert book.entry(book.live([f"pull/{first}"])[f"pull/{first}"][0]).reason == (
                "one bag only"
            )
            corrections.undo(book)
            assert len(pairs(book)) == 1

    def test_parts_go_with_their_pull(self, open_book: Any) -> None:
        with open_book() as book:
            start(book)
            first = pulled(book, when="2026-03-12", parts=2)
            second = pulled(book, when="2026-03-12", parts=2)
            assert settling.same(book, first, second, "one bag")[1] == 2
            left = {row[0] for row in book.connection.exec_driver_sql("SELECT pull FROM part")}
            assert left == {first}

    def test_what_names_the_other_bag_is_told(self, open_book: Any) -> None:
        with open_book() as book:
            start(book)
            first, second = pulled(book, when="2026-03-12"), pulled(book, when="2026-03-12")
            book.record("lab", [made.result(second, "pH", "6.5"), made.result(second, "P", "30")])
            assert _refused(lambda: settling.same(book, first, second, "x")) == (
                f"{second} has 2 results: with the pull struck, that would count no longer | "
                f"keep that one: logbook settle {second} {first} --same --reason TEXT"
            )
            settling.same(book, second, first, "the bag bears that code")
            assert pairs(book) == []

    def test_two_bags_in_use_are_decided_line_by_line(self, open_book: Any) -> None:
        with open_book() as book:
            start(book)
            first, second = (
                pulled(book, when="2026-03-12"),
                pulled(book, when="2026-03-12", parts=4),
            )
            (tin,) = book.connection.exec_driver_sql("SELECT id FROM part WHERE kind = 'tin'").one()
            weighed = records.Weighing(tin, When(DAY), Decimal(20), None, None)
            mark = records.Handling(second, "", "air-dried", When(DAY), "")
            book.record("weigh", [(f"weigh/{tin}", weighed)])
            book.record("handle", [(f"handling/h/{second}", mark)])
            book.record("lab", [made.result(first, "pH", "6.5")])
            assert _refused(lambda: settling.same(book, first, second, "x")) == (
                f"{second} has 1 weighing and 1 mark: with the pull struck, that would count no "
                f"longer | {first} has 1 result too: strike line by line, or call them --different"
            )

    @pytest.mark.parametrize("named", [(0, 1), (1, 0)])
    def test_the_later_of_two_pulls_is_a_repeat(
        self, open_book: Any, named: tuple[int, int]
    ) -> None:
        with open_book() as book:
            start(book)
            times = ("2026-03-12T09:00+01:00", "2026-03-12T16:00+01:00")
            codes = [pulled(book, when=when) for when in times]
            first, second = (codes[place] for place in named)
            act, later = settling.different(book, first, second, "the bag tore")
            assert (later, act.kind, pairs(book)) == (codes[1], "correct", [])
            assert book.values([f"pull/{later}"])[f"pull/{later}"]["again"] == "the bag tore"
            corrections.undo(book)
            assert len(pairs(book)) == 1

    @pytest.mark.parametrize(
        "times", [("2026-03-12", "2026-03-12T09:00+01:00"), ("2026-03-12",) * 2]
    )
    def test_without_two_times_the_second_named_is_the_later(
        self, open_book: Any, times: tuple[str, str]
    ) -> None:
        with open_book() as book:
            start(book)
            one, other = (pulled(book, when=when) for when in times)
            assert settling.different(book, other, one, "the bag tore")[1] == one

    def test_pulls_that_are_no_pair(self, open_book: Any) -> None:
        with open_book() as book:
            start(book)
            one, other = pulled(book, "b1"), pulled(book, "b2", when="2026-03-11")
            said = (
                f"{one} and {other} are no pair of pulls that may be one | "
                "logbook conflicts lists what is open"
            )
            assert _refused(lambda: settling.same(book, one, other, "x")) == said
            assert _refused(lambda: settling.different(book, one, other, "x")) == said

    def test_a_pull_in_conflict_is_settled_first(self, open_book: Any) -> None:
        with open_book() as book:
            start(book)
            one, other = pulled(book, when="2026-03-12"), pulled(book, when="2026-03-12")
            key = f"pull/{other}"
            Elsewhere("bea").says(book, key, {**changed(book, key), "cores": 5})
            said = f"machines disagree about the pull {other} itself | settle that first"
            assert _refused(lambda: settling.same(book, one, other, "x")) == said
            assert _refused(lambda: settling.different(book, one, other, "x")) == said


@dataclass
class Two:
    """Two machines of one book, each with its own store, that wrote down a pull of their own."""

    folder: Path
    one: str = ""
    other: str = ""

    @contextmanager
    def book(self, name: str) -> Iterator[Book]:
        with writing.opened(
            self.folder / name / "logbook.db", self.folder / f"{name}-keys", by=name, now=NOW
        ) as book:
            yield book

    def exchange(self) -> None:
        """Each machine gets what the other wrote."""
        filed: dict[str, list[Any]] = {}
        for name in ("a", "b"):
            with views.reading(self.folder / name / "logbook.db") as store:
                bodies = [one.body for one in views.filed_entries(store)]
            filed[name] = [(journal.entry_id(body), journal.decode(body), body) for body in bodies]
        for name, theirs in (("a", filed["b"]), ("b", filed["a"])):
            here = {entry for entry, *_ in filed[name]}
            with database.writing(self.folder / name / "logbook.db") as connection:
                made.absorb(connection, [one for one in theirs if one[0] not in here])

    def everywhere(self) -> tuple[set[str], set[str]]:
        """The keys in conflict and the pulls that stand, the same on both machines."""
        found = []
        for name in ("a", "b"):
            with self.book(name) as book:
                pulls = {one.id for one in views.fetch(corrections.inside(book), "pull")}
                found.append((set(open_keys(book)), pulls & {self.one, self.other}))
        assert found[0] == found[1]
        return found[0]


class TestTwoPullsOnTwoMachines:
    @pytest.fixture
    def two(self, tmp_path: Path) -> Two:
        found = Two(tmp_path)
        with found.book("a") as book:
            start(book)
            found.one = pulled(book, when="2026-03-12", parts=2)
            found.other = pulled(book, when="2026-03-12", parts=2)
        (tmp_path / "b").mkdir()
        shutil.copy2(tmp_path / "a" / "logbook.db", tmp_path / "b" / "logbook.db")
        return found

    def parts(self, two: Two) -> set[str]:
        with two.book("a") as book:
            of = "SELECT 'part/' || id FROM part WHERE pull IN (?, ?)"
            rows = book.connection.exec_driver_sql(of, (two.one, two.other))
            return {key for (key,) in rows}

    def test_opposite_decisions_strike_neither_in_silence(self, two: Two) -> None:
        every = self.parts(two) | {f"pull/{two.one}", f"pull/{two.other}"}
        with two.book("a") as book:
            settling.same(book, two.one, two.other, "the blue bag")
        with two.book("b") as book:
            settling.same(book, two.other, two.one, "the red bag")
        two.exchange()
        assert two.everywhere() == (every, {two.one, two.other})

        with two.book("a") as book:
            for code, stays in ((two.one, True), (two.other, False)):
                key = f"pull/{code}"
                versions = conflicts.versions(corrections.inside(book), key)
                (kept,) = [one for one in versions if (one.value is not None) == stays]
                hanging = [] if stays else with_what_hangs_on_it(corrections.inside(book), [key])
                settling.keep(book, key, kept.line.entry, "the blue bag", hanging)
        two.exchange()
        # What the kept version's act said of its parts stands with it.
        assert two.everywhere() == (set(), {two.one})
        with two.book("b") as book:
            left = {row[0] for row in book.connection.exec_driver_sql("SELECT pull FROM part")}
            assert left == {two.one}

    def test_the_same_decision_agrees(self, two: Two) -> None:
        for name in ("a", "b"):
            with two.book(name) as book:
                settling.same(book, two.one, two.other, f"one bag, says {name}")
        two.exchange()
        assert two.everywhere() == (set(), {two.one})

    @pytest.mark.parametrize("later", [False, True])
    def test_one_pull_here_and_two_there_is_a_conflict_on_both(self, two: Two, later: bool) -> None:
        with two.book("a") as book:
            settling.same(book, two.one, two.other, "one bag")
        with two.book("b") as book:
            named = (two.one, two.other) if later else (two.other, two.one)
            settling.different(book, *named, "the bag tore")
        two.exchange()
        open_now, stand = two.everywhere()
        assert stand == {two.one, two.other}
        assert f"pull/{two.other}" in open_now
        # Kept as it is by both, or called a repeat by one of them.
        assert (f"pull/{two.one}" in open_now) == (not later)

    def test_two_repeats_of_each_other_are_a_conflict(self, two: Two) -> None:
        with two.book("a") as book:
            settling.different(book, two.one, two.other, "the bag tore")
        with two.book("b") as book:
            settling.different(book, two.other, two.one, "the bag tore")
        two.exchange()
        pulls = {f"pull/{two.one}", f"pull/{two.other}"}
        assert {key for key in two.everywhere()[0] if key.startswith("pull/")} == pulls

    def test_undone_it_is_as_it_was(self, two: Two) -> None:
        with two.book("a") as book:
            settling.same(book, two.one, two.other, "one bag")
            undone, _ = corrections.undo(book)
            assert undone.kind == "strike"
        two.exchange()
        with two.book("b") as book:
            settling.same(book, two.other, two.one, "the red bag")
        two.exchange()
        assert two.everywhere() == (set(), {two.other})


Said = tuple[str, int, str | None, bool]
# What machines write without knowing of each other: which machine, about which of the four acts,
# what (None: struck), and whether it knew what its own store held.
SAID = st.tuples(
    st.sampled_from(["bea", "cyd", "dot"]),
    st.integers(0, 3),
    st.sampled_from([None, "100", "200", "300"]),
    st.booleans(),
)


@pytest.fixture(scope="module")
def template(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store with its tables and nothing in them."""
    path = tmp_path_factory.mktemp("template") / "logbook.db"
    with database.writing(path):
        pass
    return path


@contextmanager
def opened(folder: Path) -> Iterator[Book]:
    """The book of the store in a folder, its keys beside that."""
    with writing.opened(folder / "a" / "logbook.db", folder / "keys", by="mira", now=NOW) as book:
        yield book


def disagree(book: Book, said: Sequence[Said]) -> list[str]:
    """Let machines write what they say, after the start of a trial; the keys in conflict then."""
    keys = start(book)
    machines: dict[str, Elsewhere] = {}
    own: dict[tuple[str, str], str] = {}
    first = {key: book.live([key])[key] for key in keys}
    values = book.values(keys)
    for name, place, what, knows in said:
        key = keys[place]
        seen = (own[name, key],) if (name, key) in own else first[key]
        part = "cores" if key.startswith("pull/") else "volume_ml"
        number: Any = what if part == "volume_ml" else int(what or 0)
        value = None if what is None else {**(values[key] or {}), part: number}
        machine = machines.setdefault(name, Elsewhere(name))
        own[name, key] = machine.says(book, key, value, seen if knows else ())
    # As the acts were written: codes and ids are drawn anew at each run, and their order with them.
    return [key for key in keys if key in set(open_keys(book))]


def settle(book: Book, key: str, choice: int) -> None:
    """Settle a conflict in one way of several: a version, or none."""
    found = conflicts.versions(corrections.inside(book), key)
    found.sort(key=lambda version: (str(version.value), version.line.by))
    if choice % (len(found) + 1) == len(found):
        settling.strike_all(book, key, "none is right")
    else:
        settling.keep(book, key, found[choice % (len(found) + 1)].line.entry, "that one")


def _same_as_rebuilt(book: Book) -> None:
    before = made.dump(book.connection)
    projections.rebuild(book.connection)
    assert made.dump(book.connection) == before


Folders = Callable[[str], Path]
Decided = tuple[int, ...]
LINES = st.lists(SAID, min_size=1, max_size=8)
# What is decided about each of the four acts, where it is in conflict. Drawn before anything is
# written: what is drawn must not depend on ids, which differ from run to run.
DECIDED = st.tuples(*[st.integers(0, 5)] * 4)
ORDER = st.permutations(range(4))


@pytest.fixture
def folders(template: Path, tmp_path_factory: pytest.TempPathFactory) -> Folders:
    """Makes folders with an empty store each."""

    def made_folder(name: str) -> Path:
        folder = tmp_path_factory.mktemp(name)
        (folder / "a").mkdir()
        shutil.copy(template, folder / "a" / "logbook.db")
        return folder

    return made_folder


@settings(max_examples=12)
@given(LINES, DECIDED, ORDER)
def test_settled_in_any_order_nothing_is_open(
    folders: Folders, said: list[Said], decided: Decided, order: list[int]
) -> None:
    _settled_in_any_order(folders, said, decided, order)


@pytest.mark.long
@settings(max_examples=300)
@given(LINES, DECIDED, ORDER)
def test_settled_in_any_order_nothing_is_open_many_times(
    folders: Folders, said: list[Said], decided: Decided, order: list[int]
) -> None:
    _settled_in_any_order(folders, said, decided, order)


def _settled_in_any_order(
    folders: Folders, said: list[Said], decided: Decided, order: list[int]
) -> None:
    with opened(folders("settled")) as book:
        wanted = disagree(book, said)
        shuffled = [wanted[place] for place in order if place < len(wanted)]
        for settled, (key, choice) in enumerate(zip(shuffled, decided, strict=False), start=1):
            settle(book, key, choice)
            assert len(open_keys(book)) == len(wanted) - settled
        assert asking.conflicts(corrections.inside(book)) == {}
        _same_as_rebuilt(book)


def _filings(book: Book) -> list[made.Filing]:
    rows = book.connection.exec_driver_sql("SELECT id, body FROM entry ORDER BY writer, seq")
    return [(name, journal.decode(body), bytes(body)) for name, body in rows]


def _exchanged(one: Book, other: Book) -> None:
    """Both books with every entry of either, folded as a sync would."""
    both = [_filings(book) for book in (one, other)]
    for book, own, others in ((one, *both), (other, *reversed(both))):
        known = {name for name, _, _ in own}
        new = [filing for filing in others if filing[0] not in known]
        entries.append(book.connection, new)
        projections.apply(book.connection, [filing[:2] for filing in new])


@settings(max_examples=8)
@given(LINES, DECIDED, DECIDED, DECIDED)
def test_two_decisions_that_differ_are_a_new_conflict(
    folders: Folders, said: list[Said], here: Decided, there: Decided, then: Decided
) -> None:
    _decided_twice(folders, said, here, there, then)


@pytest.mark.long
@settings(max_examples=200)
@given(LINES, DECIDED, DECIDED, DECIDED)
def test_two_decisions_that_differ_are_a_new_conflict_many_times(
    folders: Folders, said: list[Said], here: Decided, there: Decided, then: Decided
) -> None:
    _decided_twice(folders, said, here, there, then)


def _decided_twice(
    folders: Folders, said: list[Said], here: Decided, there: Decided, then: Decided
) -> None:
    home, away = folders("here"), folders("there")
    with opened(home) as book:
        wanted = disagree(book, said)
    shutil.copy(home / "a" / "logbook.db", away / "a" / "logbook.db")
    with opened(home) as one, opened(away) as other:
        for book, decided in ((one, here), (other, there)):
            for key, choice in zip(wanted, decided, strict=False):
                settle(book, key, choice)
        stand = [(one.values([key])[key], other.values([key])[key]) for key in wanted]
        _exchanged(one, other)
        again = [key for key, two in zip(wanted, stand, strict=True) if not agree(*two)]
        for book in (one, other):
            assert sorted(open_keys(book)) == sorted(again)
            _same_as_rebuilt(book)
        assert made.dump(one.connection) == made.dump(other.connection)
        for key, choice in zip(again, then, strict=False):
            settle(one, key, choice)
        _exchanged(one, other)
        assert open_keys(one) == open_keys(other) == []
        assert made.dump(one.connection) == made.dump(other.connection)
