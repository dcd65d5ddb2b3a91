"""Which machines write in the book: listing, letting in, retiring; what `verify` says of them."""

from __future__ import annotations

import json
import shutil
import sqlite3
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from logbook import config, signing
from logbook.store import held, views
from tests.program import PROTOCOL, Program, Said
from tests.sync.machine import NOW, Machine
from tests.sync.memory import MemoryPlace, Shelf

ON = NOW.isoformat()


@dataclass
class House:
    """A founder, "bench", and an "office" in a copy of its book that is not enrolled."""

    bench: Machine
    office: Machine
    place: MemoryPlace
    program: Program
    monkeypatch: pytest.MonkeyPatch

    def on(self, machine: Machine, *words: str, at: str = ON) -> Said:
        """A command on one of the machines."""
        self.monkeypatch.setenv("LOGBOOK_STORE", str(machine.store))
        self.monkeypatch.setenv("LOGBOOK_STATE", str(machine.state))
        self.monkeypatch.setattr(config, "machine_name", lambda: machine.name)
        return self.program(*words, on=at)

    def must(self, machine: Machine, *words: str, at: str = ON) -> str:
        said = self.on(machine, *words, at=at)
        assert said.code == 0, said
        return said.out

    def writer(self, name: str) -> str:
        with views.reading(self.office.store) as store:
            (found,) = store.execute("SELECT id FROM writer WHERE machine = ?", (name,)).fetchone()
        return str(found)

    def words(self, name: str) -> str:
        with views.reading(self.office.store) as store:
            (key,) = store.execute(
                "SELECT public_key FROM writer WHERE machine = ?", (name,)
            ).fetchone()
        return " ".join(signing.words(key))


@pytest.fixture
def house(tmp_path: Path, program: Program, monkeypatch: pytest.MonkeyPatch) -> House:
    """Both machines; what the office wrote waits on the bench."""
    bench = Machine("bench", tmp_path)
    bench.note("first")
    bench.note("second")
    office = bench.copied("office")
    office.note("from the office")
    office.note("and another")
    place = MemoryPlace(Shelf(), "stick")
    office.sync(place)
    bench.sync(place)
    return House(bench, office, place, program, monkeypatch)


def test_an_empty_store_is_said_so_and_nothing_is_made(program: Program) -> None:
    assert program.must("machines").out == (
        "No machine writes here yet: the first line makes this one the founder of a book.\n"
        "To become one of a book that is there already: logbook join PLACE\n"
    )
    assert json.loads(program.must("machines", "--json").out) == {"format": 1, "machines": []}
    assert not program.store.exists()


def test_the_help_says_how_a_machine_gets_its_name(
    program: Program, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert "LOGBOOK_MACHINE" in program.must("machines", "--help").out
    monkeypatch.setenv("LOGBOOK_MACHINE", "greenhouse")
    (program.folder / "trial.toml").write_text(PROTOCOL, encoding="utf-8")
    program.must("trial", "start", "trial.toml")
    assert program.must("machines").out.startswith("greenhouse (")


def test_every_machine_is_listed_with_what_is_here_of_it(house: House) -> None:
    bench, office = house.writer("bench")[:8], house.writer("office")[:8]
    assert (
        house.must(house.bench, "machines")
        == f"""\
bench ({bench}), this machine
  founder since 2026-03-14 07:30 UTC
  3 entries here
  newest line 2026-03-14 07:30 UTC, by its own clock
  four words: {house.words("bench")}

office ({office})
  waits: it is not enrolled; 3 lines wait in 3 entries since 2026-03-14 07:30
    UTC
  newest line 2026-03-14 07:30 UTC, by its own clock
  last contact 2026-03-14 07:30 UTC through stick
  four words: {house.words("office")}
  logbook machines enrol {office}
"""
    )
    assert house.must(house.bench, "--plain", "machines") == house.must(house.bench, "machines")
    assert house.must(house.bench, "machines", "list") == house.must(house.bench, "machines")


def test_a_machine_that_waits_sees_on_itself_what_others_must_type(house: House) -> None:
    office = house.writer("office")[:8]
    first = house.must(house.office, "machines").partition("\n\n")[0]
    assert first == (
        f"office ({office}), this machine\n"
        "  waits: it is not enrolled, 3 entries here\n"
        "  newest line 2026-03-14 07:30 UTC, by its own clock\n"
        f"  four words: {house.words('office')}\n"
        f"  a member lets it in, on its own machine: logbook machines enrol {office}"
    )


def test_for_programs_ids_are_whole_and_nothing_is_rounded(house: House) -> None:
    first, second = json.loads(house.must(house.bench, "machines", "--json"))["machines"]
    assert first["writer"] == house.writer("bench")
    assert (first["here"], first["standing"], first["entries"]) == ("this machine", "founder", 3)
    assert first["words"] == house.words("bench").split()
    assert second["waiting"] == {
        "entries": 3,
        "lines": 3,
        "since": "2026-03-14T07:30:00+00:00",
        "why": "it is not enrolled",
    }
    assert second["last_contact"] == {"at": "2026-03-14T07:30:00+00:00", "place": "stick"}


def test_enrolling_by_the_words_that_the_other_machine_shows(house: House) -> None:
    before = house.bench.journal()
    said = house.on(house.bench, "machines", "enrol", "office")
    assert (said.code, said.out) == (2, "")
    assert said.err == (
        f"Error: The four words of office ({house.writer('office')[:8]}) are: "
        f"{house.words('office')}; does that machine show the same?\n"
        "Try: answer with --words 'A B C D', as it shows them, or with --yes\n"
    )
    wrong = house.on(house.bench, "machines", "enrol", "office", "--words", house.words("bench"))
    assert (wrong.code, wrong.err) == (
        2,
        f"Error: these are not the words of office ({house.writer('office')[:8]}): someone else "
        "may pose as it\nTry: read them on that machine: logbook machines\n",
    )
    assert house.bench.journal() == before

    words = f"  {house.words('office').upper().replace(' ', '-')} "
    told = house.must(house.bench, "machines", "enrol", "OFFICE", "--words", words)
    assert told.split("  ")[1] == (
        f"enrolled office ({house.writer('office')[:8]}): 3 lines of it were let in\n"
    )
    assert house.bench.waiting() == 0
    shown = house.must(house.bench, "machines")
    assert "  enrolled since 2026-03-14 07:30 UTC, by mira on bench (" in shown
    assert shown.count("four words") == 1


def test_enrolling_by_id_without_comparing(house: House) -> None:
    office = house.writer("office")
    told = house.must(house.bench, "machines", "enrol", office[:5], "--yes")
    assert "3 lines of it were let in" in told
    again = house.on(house.bench, "machines", "enrol", "office", "--yes")
    assert again.err == (
        f"Error: office ({office[:8]}) is a member already: enrolled\nTry: logbook machines\n"
    )


def test_on_a_terminal_it_is_asked(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("logbook.cli.words.sys.stdin", _Terminal())
    monkeypatch.setattr("typer.confirm", lambda question: False)
    said = house.on(house.bench, "machines", "enrol", "office")
    assert said.code == 2
    assert f"The four words of office ({house.writer('office')[:8]}) are: " in said.out
    assert "not enrolled: someone else may pose as office" in said.err
    monkeypatch.setattr("typer.confirm", lambda question: True)
    assert "3 lines of it were let in" in house.must(house.bench, "machines", "enrol", "office")


class _Terminal:
    """A keyboard that somebody sits at."""

    def isatty(self) -> bool:
        return True


def test_a_machine_that_is_no_member_enrols_nobody(house: House) -> None:
    said = house.on(house.office, "machines", "enrol", "office", "--yes")
    assert said.code == 2
    assert said.err.startswith(
        "Error: this machine is no member of the book itself: not enrolled\n"
    )


def test_retiring_says_what_counts_and_what_waits(house: House) -> None:
    house.bench.enrol("office")
    office = house.writer("office")[:8]
    told = house.must(house.bench, "machines", "retire", "office", "--reason", "sold")
    assert told.split("  ", 1)[1] == (
        f"retired office ({office}): sold\n"
        "  its entry 3 is the last that counts; what it writes from now on waits\n"
    )
    house.office.note("after it was sold")
    house.office.sync(house.place)
    house.bench.sync(house.place)
    shown = house.must(house.bench, "machines")
    assert f"office ({office})\n  retired since 2026-03-14 07:30 UTC, by mira on bench (" in shown
    assert "): sold\n  3 entries here\n" in shown
    told = "1 line waits in 1 entry since 2026-03-14 07:30 UTC: written after it was retired"
    assert told in " ".join(shown.split())
    assert "Look at" not in house.must(house.bench, "today")

    taken_back = house.must(house.bench, "machines", "enrol", "office", "--yes")
    assert "1 line of it was let in" in taken_back


@pytest.mark.parametrize(
    ("words", "error"),
    [
        (["enrol", "shed", "--yes"], "there is no machine called 'shed' in this book"),
        (["retire", "shed", "--reason", "x"], "there is no machine called 'shed' in this book"),
        (["retire", "bench", "--reason", "x"], "a machine cannot retire itself"),
        (["retire", "office"], "a retirement needs its reason"),
        (["retire", "office", "--reason", " "], "a retirement needs its reason"),
    ],
)
def test_what_cannot_be_done_is_refused(house: House, words: list[str], error: str) -> None:
    before = house.bench.journal()
    said = house.on(house.bench, "machines", *words)
    assert said.code == 2
    assert said.err.startswith(f"Error: {error}\n")
    assert house.bench.journal() == before


def test_of_two_machines_of_one_name_one_is_named_by_its_id(house: House) -> None:
    other = house.bench.copied("elsewhere")
    other.name = "office"
    other.folder = house.bench.folder / "two"
    other.folder.mkdir()
    (house.bench.folder / "elsewhere").rename(other.folder / "office")
    other.note("a second office")
    other.sync(house.place)
    house.bench.sync(house.place)
    said = house.on(house.bench, "machines", "enrol", "office", "--yes")
    assert said.err.startswith("Error: 2 writers are called 'office'\nTry: name one by its id: ")


def test_letting_in_and_retiring_are_not_undone_nor_struck(house: House) -> None:
    act = house.must(house.bench, "machines", "enrol", "office", "--yes").split()[0]
    said = house.on(house.bench, "undo")
    assert (said.code, said.err) == (
        2,
        "Error: the last act let a machine in, and what it wrote is in the book: "
        "it cannot be undone\nTry: logbook machines retire NAME --reason TEXT\n",
    )
    said = house.on(house.bench, "strike", act, "--reason", "x")
    assert said.err.startswith("Error: who writes in the book is no line to strike\n")
    said = house.on(house.bench, "correct", act, "--text", "y", "--reason", "x")
    assert (said.code, said.out) == (2, "")
    retired = house.must(house.bench, "machines", "retire", "office", "--reason", "sold").split()[0]
    told = house.must(house.bench, "history", retired)
    office = house.writer("office")[:8]
    assert f"mira: machine office ({office}) let in\n" in told
    assert f"mira: machine office ({office}) retired after its entry 3\n" in told
    said = house.on(house.bench, "undo")
    assert said.err == (
        "Error: the last act retired a machine: it cannot be undone\n"
        "Try: logbook machines enrol NAME takes it back\n"
    )


def test_a_machine_that_goes_on_as_a_new_writer_does_not_retire_itself_by_the_old_one(
    house: House,
) -> None:
    """Its lines would wait everywhere: it is a member only because the old writer is."""
    house.must(house.bench, "backup", "old.db")
    house.bench.note("lost by the restore")
    house.must(house.bench, "restore", "old.db", "--yes")
    house.bench.note("on as a new writer")
    shown = house.must(house.bench, "machines")
    old = house.writer("bench")[:8]
    assert f"  goes on after bench ({old}) since 2026-03-14 07:30 UTC" in shown
    assert f"\nbench ({old}), this machine before\n  founder since" in shown
    with views.reading(house.bench.store) as store:
        (new,) = store.execute("SELECT value FROM local WHERE name = 'writer'").fetchone()
    said = house.on(house.bench, "machines", "retire", old, "--reason", "lost")
    assert said.err == (
        f"Error: this machine goes on after bench ({old}): without it, its own lines would wait\n"
        f"Try: logbook machines enrol {new[:8]}, then retire it\n"
    )
    house.must(house.bench, "machines", "enrol", new[:8])
    house.must(house.bench, "machines", "retire", old, "--reason", "lost")
    shown = house.must(house.bench, "machines")
    assert f"bench ({new[:8]}), this machine\n  enrolled since" in shown


def _succeeded(house: House) -> tuple[str, str]:
    """The office, let in, was restored and goes on as another writer: the old one, the new one."""
    house.bench.enrol("office")
    house.office.sync(house.place)
    house.bench.sync(house.place)
    house.must(house.office, "backup", "office.db")
    house.office.note("lost by the restore")
    house.must(house.office, "restore", "office.db", "--yes")
    old = house.writer("office")
    house.office.note("on as a new writer")
    house.office.sync(house.place)
    house.bench.sync(house.place)
    with views.reading(house.office.store) as store:
        (new,) = store.execute("SELECT value FROM local WHERE name = 'writer'").fetchone()
    return old, str(new)


def test_the_writer_before_is_not_retired_under_a_machine_that_goes_on_after_it(
    house: House,
) -> None:
    old, new = _succeeded(house)
    before = house.bench.journal()
    said = house.on(house.bench, "machines", "retire", old[:8], "--reason", "stale")
    assert (said.code, said.out, said.err) == (
        2,
        "",
        f"Error: office ({new[:8]}) goes on after office ({old[:8]}): without it, its lines would "
        f"wait\nTry: logbook machines enrol {new[:8]}, then retire it; --successors puts that one "
        "out, too\n",
    )
    assert house.bench.journal() == before

    house.must(house.bench, "machines", "enrol", new[:8], "--yes")
    house.must(house.bench, "machines", "retire", old[:8], "--reason", "stale")
    house.office.note("still in")
    house.office.sync(house.place)
    house.bench.sync(house.place)
    assert house.bench.waiting() == 0
    assert "no member" not in house.must(house.office, "machines")


def test_a_stolen_machine_and_all_that_goes_on_after_it_are_put_out_at_once(house: House) -> None:
    old, new = _succeeded(house)
    house.must(
        house.bench, "machines", "retire", old[:8], "--successors", "--reason", "stolen on 3 May"
    )
    house.office.note("by the thief")
    house.office.sync(house.place)
    house.bench.sync(house.place)
    assert house.bench.waiting() > 0
    house.office.sync(house.place)
    assert house.must(house.office, "machines").endswith(
        f"\n\nThis machine ({new[:8]}) is no member of the book: until one enrols it, no\n"
        "  other takes its lines.\n"
    )


def test_a_machine_that_was_retired_says_so_on_its_board(
    started: Program, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert "no member" not in started.must("today").out
    stick = str(tmp_path / "stick")
    Path(stick).mkdir()
    started.must("sync", stick)
    homes = {
        "office": (str(started.store), str(tmp_path / "state")),
        "bench": (str(tmp_path / "bench.db"), str(tmp_path / "bench-keys")),
    }

    def on(machine: str, *words: str) -> Said:
        monkeypatch.setenv("LOGBOOK_STORE", homes[machine][0])
        monkeypatch.setenv("LOGBOOK_STATE", homes[machine][1])
        monkeypatch.setenv("LOGBOOK_MACHINE", machine)
        return started.must(*words)

    on("bench", "join", stick, "--yes")
    waits = f"Look at    this machine ({_local(homes['bench'][0])[:8]}) is no member of the book: "
    assert waits in on("bench", "today").out
    on("bench", "sync", stick)
    on("office", "sync", stick)
    on("office", "machines", "enrol", "bench", "--yes")
    on("office", "sync", stick)
    on("bench", "sync", stick)
    assert "no member" not in on("bench", "today").out
    on("office", "machines", "retire", "bench", "--reason", "sold")
    on("office", "sync", stick)
    on("bench", "sync", stick)
    assert waits in on("bench", "today").out
    assert "no member" not in on("office", "today").out


def _local(store: str) -> str:
    with closing(sqlite3.connect(store)) as opened:
        (writer,) = opened.execute("SELECT value FROM local WHERE name = 'writer'").fetchone()
    return str(writer)


def test_a_copy_of_a_machine_with_its_keys_is_another_machine(house: House) -> None:
    clone = house.bench.copied("clone", keys=True)
    clone.note("on the clone")
    clone.sync(house.place)
    house.bench.note("on the bench")
    house.bench.sync(house.place)
    found = json.loads(house.must(house.bench, "machines", "--json"))["machines"]
    here = {one["machine"]: (one["here"], one["goes_on_after"]) for one in found}
    assert here["bench"] == ("this machine", None)
    assert here["clone"] == ("", house.writer("bench"))
    clone.sync(house.place)
    found = json.loads(house.must(clone, "machines", "--json"))["machines"]
    here = {one["machine"]: (one["here"], one["goes_on_after"]) for one in found}
    assert here["clone"] == ("this machine", house.writer("bench"))
    assert here["bench"] == ("this machine before", None)


def test_of_several_of_one_name_the_only_one_that_waits_or_is_a_member_is_meant(
    house: House,
) -> None:
    house.bench.enrol("office")
    stale = house.writer("office")
    house.must(house.bench, "machines", "retire", "office", "--reason", "stale")
    other = house.bench.copied("elsewhere")
    other.name = "office"
    other.folder = house.bench.folder / "two"
    other.folder.mkdir()
    (house.bench.folder / "elsewhere").rename(other.folder / "office")
    other.note("a second office")
    other.sync(house.place)
    house.bench.sync(house.place)
    told = house.must(house.bench, "machines", "enrol", "office", "--yes")
    assert stale[:8] not in told
    told = house.must(house.bench, "machines", "retire", "office", "--reason", "sold")
    assert stale[:8] not in told
    said = house.on(house.bench, "machines", "retire", "office", "--reason", "sold")
    assert said.err.startswith("Error: 2 writers are called 'office'\n")


@pytest.mark.parametrize("at", ["0001-01-01T00:00:00+14:00", "9999-12-31T23:59:59-14:00"])
def test_a_line_dated_at_an_end_of_the_calendar_is_listed(started: Program, at: str) -> None:
    _hold(started, "bench", 2, at)
    shown = started.must("machines").out
    said = at[:16].replace("T", " ") + at[-6:]
    assert f"  newest line {said}, by its own clock\n" in shown
    started.must("machines", "--json")


def test_of_many_strangers_ten_are_described_and_the_rest_counted(started: Program) -> None:
    for number in range(13):
        _hold(started, f"stranger {number:02}", 2)
    shown = started.must("machines").out
    assert shown.count("four words: ") == 11
    assert "stranger 09" in shown
    assert "stranger 10" not in shown
    assert shown.endswith(
        "\n\n3 more wait to be let in, with 6 lines: logbook machines --json names all\n"
    )
    found = json.loads(started.must("machines", "--json").out)["machines"]
    assert len(found) == 14
    assert sum(bool(one["words"]) for one in found) == 11


def test_a_machine_that_wrote_nothing_yet_is_told_so(house: House) -> None:
    with closing(sqlite3.connect(house.bench.store)) as store:
        store.execute("DELETE FROM local WHERE name = 'writer'")
        store.commit()
    assert house.must(house.bench, "machines").endswith(
        "\n\nThis machine is not listed yet: its first line makes it a writer here.\n"
    )


def test_clocks_that_are_wrong_are_named(house: House) -> None:
    house.office.now = datetime(2099, 1, 1, tzinfo=UTC)
    house.office.note("in the far future")
    house.office.sync(house.place)
    house.bench.sync(house.place)
    wrong = "  its clock is more than a day ahead of this machine's: which one is wrong?\n"
    assert wrong in house.must(house.bench, "machines")
    house.office.now = NOW + timedelta(hours=23)
    house.office.note("set right again")
    house.office.sync(house.place)
    house.bench.sync(house.place)
    shown = house.must(house.bench, "machines")
    assert wrong not in shown
    assert "  its clock went back: an earlier line says 2099-01-01 00:00 UTC\n" in shown


def test_a_fork_is_shown_with_both_branches(house: House) -> None:
    clone = house.bench.copied("clone", keys=True)
    house.bench.store.rename(house.bench.store.with_name("aside.db"))
    clone.note("on the clone")
    clone.sync(house.place)
    house.bench.store.with_name("aside.db").rename(house.bench.store)
    house.bench.note("on the bench")
    house.bench.sync(house.place)
    shown = house.must(house.bench, "machines")
    assert "  its chain forks at entry 4, into " in shown
    said = house.on(house.bench, "verify")
    assert said.code == 1
    assert "the chain forks: this number was used 2 times" in said.out
    assert said.err == f"Error: 1 problem found in {house.bench.store}\n"
    # A fork keeps no backup from being restored: it breaks no rule of the journal.
    house.must(house.bench, "backup", "forked.db")
    house.must(house.bench, "restore", "forked.db", "--yes")


def test_a_name_from_outside_steers_no_terminal_and_fills_no_screen(house: House) -> None:
    with closing(sqlite3.connect(house.bench.store)) as store:
        store.execute(
            "UPDATE held SET body = CAST(replace(CAST(body AS TEXT), '\"office\"', ?) AS BLOB)",
            ('"' + "\\u001b[31m" + "x" * 500 + '"',),
        )
        store.commit()
    for words in (["machines"], ["machines", "--json"]):
        out = house.must(house.bench, *words)
        assert "\x1b" not in out
    assert max(map(len, house.must(house.bench, "machines").splitlines())) <= 80


def test_the_board_has_one_line_about_machines_that_wait(started: Program) -> None:
    _hold(started, "bench", 3)
    shown = started.must("today").out
    assert f"Look at    bench ({_id('bench')[:8]}) waits with 3 lines: logbook machines\n" in shown
    _hold(started, "shed", 1)
    assert "2 machines wait with 4 lines: logbook machines\n" in started.must("today").out


def test_a_history_names_the_machine_where_the_book_has_several(
    started: Program, monkeypatch: pytest.MonkeyPatch
) -> None:
    act = started.must("water", "B1").act
    assert " | on " not in started.must("history", act).out
    assert [one["machine"] for one in _lines(started, act)] == [""]
    shutil.rmtree(started.folder / "state")
    monkeypatch.setattr(config, "machine_name", lambda: "office")
    other = started.must("water", "B2").act
    assert " | on office | stands | " in started.must("history", other).out
    assert [one["machine"] for one in _lines(started, other)] == ["office"]
    assert " | on " in started.must("history", act).out


def _lines(program: Program, of: str) -> list[dict[str, str]]:
    found: list[dict[str, str]] = json.loads(program.must("history", of, "--json").out)["lines"]
    return found


def _id(name: str) -> str:
    from tests.store import made

    return made.writer_id(name)


def _hold(program: Program, name: str, entries: int, at: str = "") -> None:
    """File entries of a made-up machine as a sync holds them back; `at` is its clock's time."""
    from logbook.journal.entry import Write
    from tests.store import made

    acts = [[Write(f"note/K{n}/x", {"text": "x"})] for n in range(entries - 1)]
    with closing(sqlite3.connect(program.store)) as store:
        held.hold(
            store,
            [
                (ident, entry.writer, entry.seq, entry.prev, _dated(body, at), ON)
                for ident, entry, body in made.chain_of(name, acts)
            ],
        )
        store.commit()


def _dated(body: bytes, at: str) -> bytes:
    return body.replace(b"2026-03-14T08:30:00+01:00", at.encode()) if at else body


def test_verify_notes_what_waits_and_says_what_others_have_seen(house: House) -> None:
    office = house.writer("office")[:8]
    assert house.must(house.bench, "verify") == (
        f"Note: office ({office}): 3 lines in 3 entries wait: it is not enrolled; "
        f"To let it in: logbook machines enrol {office}.\n"
        f"{house.bench.store}: no problems found\n"
    )
    house.must(house.bench, "machines", "enrol", "office", "--yes")
    house.bench.sync(house.place)
    house.office.sync(house.place)
    house.office.note("seen")
    house.office.sync(house.place)
    house.bench.sync(house.place)
    assert house.must(house.bench, "verify") == (
        "Another machine has seen 4 of the 4 entries that this one wrote: the journal is "
        f"tamper-evident once another machine has seen it\n{house.bench.store}: no problems found\n"
    )
    document = json.loads(house.must(house.bench, "verify", "--json"))
    assert (document["written_here"], document["seen_by_another_machine"]) == (4, 4)
    assert document["problems"] == document["notes"] == []


def test_chains_alone_are_checked_where_that_is_asked(started: Program) -> None:
    with closing(sqlite3.connect(started.store)) as store:
        store.execute("UPDATE bed SET label = 'Z'")
        store.commit()
    assert started("verify").code == 1
    assert started.must("verify", "--chain").out == (
        f"{started.store}: no problems found\nIts pages and tables were not looked at.\n"
    )
    body = started.store.read_bytes()
    started.store.write_bytes(body.replace(b"110 kg", b"111 kg"))
    said = started("verify", "--chain", "--json")
    assert said.code == 1
    (problem,) = json.loads(said.out)["problems"]
    assert problem["what"] == "its bytes do not match its id: it was changed or damaged"


def test_a_restored_store_keeps_whom_it_trusts_what_waits_and_its_places(house: House) -> None:
    with closing(sqlite3.connect(house.bench.store)) as store:
        store.execute(
            "INSERT INTO place (name, address, seen) VALUES ('stick', '/media/stick', '{}')"
        )
        store.commit()
    kept = (
        "SELECT value FROM local WHERE name = 'root'",
        "SELECT * FROM held ORDER BY id",
        "SELECT * FROM head ORDER BY id",
        "SELECT * FROM place",
        "SELECT * FROM contact",
    )
    before = [_asked(house.bench, query) for query in kept]
    assert all(before)
    house.must(house.bench, "backup", "kept.db")
    house.must(house.bench, "machines", "enrol", "office", "--yes")
    house.must(house.bench, "restore", "kept.db", "--yes")
    assert [_asked(house.bench, query) for query in kept] == before
    assert f"logbook machines enrol {house.writer('office')[:8]}" in house.must(
        house.bench, "machines"
    )


def _asked(machine: Machine, query: str) -> list[object]:
    with closing(sqlite3.connect(machine.store)) as store:
        return store.execute(query).fetchall()
