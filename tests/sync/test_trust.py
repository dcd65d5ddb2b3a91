"""Who is let in: whatever a place holds, only what a member vouches for counts."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest

from logbook import config, signing
from logbook.book import admitting, members, membership, receiving
from logbook.book.checking import check_store
from logbook.errors import UserMistake
from logbook.journal import entry as journal
from logbook.journal.entry import Entry, Write, encode
from logbook.journal.kinds import to_value
from logbook.store import database, held, views
from logbook.sync import joining
from logbook.sync.exchange import Summary
from logbook.sync.place import Head
from logbook.trial import records
from logbook.trial.machines import ENROLLED, RETIRED
from tests.sync.chains import (
    Bodies,
    chain,
    head,
    longer,
    noted,
    private_key,
    public_key,
    run,
    tip,
    writer_id,
)
from tests.sync.machine import Machine
from tests.sync.memory import MemoryPlace, Shelf
from tests.sync.simulation import exchange_all, ids_of, must_agree

BENCH = writer_id("bench")
FORGED = "the signature is not by that writer's key"


@pytest.fixture
def office(tmp_path: Path) -> Machine:
    """The founder's machine."""
    machine = Machine("office", tmp_path)
    machine.note("the trial begins")
    return machine


@pytest.fixture
def shelf() -> Shelf:
    return Shelf()


def put(shelf: Shelf, name: str, bodies: Bodies, *heads: Head) -> None:
    """Lay entries of a made-up writer at the place."""
    one = run(name, bodies)
    MemoryPlace(shelf).send([type(one)(one.writer, one.bodies, heads)])


def got(machine: Machine, shelf: Shelf) -> Summary:
    return machine.sync(MemoryPlace(shelf))


def has(machine: Machine, name: str) -> int:
    """How many entries of a made-up writer are accepted there."""
    with views.reading(machine.store) as connection:
        return held.last(connection, writer_id(name))


def why(machine: Machine, name: str) -> str:
    with views.reading(machine.store) as connection:
        return membership.standings(connection)[writer_id(name)].why


def missing(machine: Machine) -> list[tuple[str, str]]:
    """Which entries a check of the store says that somebody has seen, and who."""
    ending = " has seen it, and it is not here: a truncated tail, or not fetched yet"
    return [
        (p.where.rpartition(" (")[0], p.what.removesuffix(ending))
        for p in check_store(machine.store)
    ]


@pytest.fixture
def enrolled(office: Machine, shelf: Shelf) -> Bodies:
    """A made-up machine, bench, which the office has let in; its first three entries."""
    bodies = chain("bench", 3)
    put(shelf, "bench", bodies, head("bench", bodies))
    assert got(office, shelf).waiting == {BENCH: 3}
    office.enrol("bench")
    assert (has(office, "bench"), office.waiting()) == (3, 0)
    return bodies


# Signatures


@pytest.mark.parametrize(
    "signature",
    [
        "00" * 64,
        signing.sign(private_key("mallory"), b""),
        signing.sign(private_key("bench"), b"of something else"),
        signing.sign(private_key("bench"), signing.successor_message(public_key("bench"))),
        "not hex at all",
        "",
        "ab",
    ],
)
def test_a_forged_signature_lets_nothing_in(
    office: Machine, shelf: Shelf, enrolled: Bodies, signature: str
) -> None:
    more = longer("bench", enrolled, 2)
    put(shelf, "bench", more, Head(BENCH, *tip(more), signature))
    summary = got(office, shelf)
    assert [(p.where, p.what) for p in summary.problems] == [
        (f"memory, writer {BENCH[:8]}, entry 5 ({tip(more)[1][:12]})", FORGED)
    ]
    assert (has(office, "bench"), summary.waiting) == (3, {BENCH: 2})
    put(shelf, "bench", (), head("bench", more))
    got(office, shelf)
    assert (has(office, "bench"), office.waiting()) == (5, 0)


def test_a_head_signed_with_another_members_key_lets_nothing_in(
    office: Machine, shelf: Shelf, enrolled: Bodies
) -> None:
    stand = chain("stand", 2)
    put(shelf, "stand", stand, head("stand", stand))
    got(office, shelf)
    office.enrol("stand")
    more = longer("bench", enrolled, 1)
    message = signing.head_message(BENCH, *tip(more))
    signature = signing.sign(private_key("stand"), message)
    put(shelf, "bench", more, Head(BENCH, *tip(more), signature))
    assert [p.what for p in got(office, shelf).problems] == [FORGED]
    assert has(office, "bench") == 3


def test_entries_without_a_signed_head_wait(
    office: Machine, shelf: Shelf, enrolled: Bodies
) -> None:
    more = longer("bench", enrolled, 2)
    put(shelf, "bench", more)
    assert got(office, shelf).waiting == {BENCH: 2}
    put(shelf, "bench", (), head("bench", more[:1]))
    assert got(office, shelf).waiting == {BENCH: 1}, "a head covers what is below it, no more"
    assert has(office, "bench") == 4


def test_a_forged_head_that_came_before_the_key_gives_way_to_the_true_one(
    office: Machine, shelf: Shelf
) -> None:
    bodies = chain("bench", 2)
    false = Head(BENCH, *tip(bodies), "11" * 64)
    put(shelf, "bench", (), false)
    assert got(office, shelf).problems == [], "there is no key yet to look at it with"
    assert missing(office) == [], "nobody who counts says that there is more"
    put(shelf, "bench", bodies, head("bench", bodies))
    got(office, shelf)
    with office.book() as book:
        wanted = members.called(membership.standings(office.raw(book)), "bench")
        _, admitted = members.enrol(book, wanted)
    assert [p.what for p in admitted.forged] == [FORGED]
    assert has(office, "bench") == 0
    got(office, shelf)
    assert has(office, "bench") == 2


def test_the_same_entries_again_and_again_are_there_once(
    office: Machine, shelf: Shelf, enrolled: Bodies
) -> None:
    more = longer("bench", enrolled, 2)
    put(shelf, "bench", more, head("bench", more))
    got(office, shelf)
    before = (office.journal(), office.rows())
    for bodies in (enrolled, more, tuple(reversed(enrolled)), enrolled + more):
        for signed in (head("bench", enrolled), head("bench", more)):
            with database.writing(office.store) as connection:
                heads = [(signed.seq, signed.id, signed.signature)]
                received = receiving.receive(
                    connection, BENCH, bodies, heads, now=office.now, source="a replay"
                )
                assert (received.new, received.problems) == ({}, [])
                assert admitting.admit(connection, office.now).entries == {}
    assert (office.journal(), office.rows(), office.waiting()) == (*before, 0)


def test_a_chain_made_anew_from_some_entry_on_is_valid_and_waits(
    office: Machine, shelf: Shelf, enrolled: Bodies
) -> None:
    anew = longer("bench", enrolled[:1], 4, text="what mallory would have it say")
    put(shelf, "bench", anew, Head(BENCH, *tip(anew), head("bench", enrolled).signature))
    summary = got(office, shelf)
    assert [p.what for p in summary.problems] == [FORGED]
    assert (has(office, "bench"), summary.waiting) == (3, {BENCH: 4})
    assert check_store(office.store) == []


def test_an_entry_1_made_anew_with_the_true_key_waits(
    office: Machine, shelf: Shelf, enrolled: Bodies
) -> None:
    anew = longer("bench", (), 2, text="another machine of the same key")
    put(shelf, "bench", anew)
    assert got(office, shelf).waiting == {BENCH: 2}
    assert [e for e in office.journal() if journal.decode(e).seq == 1 and e in anew] == []


@pytest.mark.parametrize("text", ["x", "y", "z", "u"])
def test_an_entry_1_made_anew_hides_no_true_one(
    office: Machine, shelf: Shelf, enrolled: Bodies, text: str
) -> None:
    """Whichever comes first by its id: the true one says whom the writer goes on after."""
    first = (successor("bench2", word_of("bench", "bench2"), enrolled),)
    false = longer("bench2", (), 1, text=text)
    put(shelf, "bench2", false)
    assert got(office, shelf).waiting == {writer_id("bench2"): 1}
    put(shelf, "bench2", first, head("bench2", first))
    summary = got(office, shelf)
    assert summary.admitted.joined == [writer_id("bench2")]
    assert summary.waiting == {writer_id("bench2"): 1}


def test_entry_1_with_a_foreign_key_is_no_entry_1(office: Machine, shelf: Shelf) -> None:
    value = to_value(records.Writer("book", "bench", public_key("mallory"), None))
    write = Write(f"writer/{BENCH}", value)
    body = encode(Entry(BENCH, 1, None, "writer", "2026-03-14T08:30:00+01:00", "bench", (write,)))
    put(shelf, "bench", (body,))
    said = [(p.where, p.what, p.remedy) for p in got(office, shelf).problems]
    what = f"entry 1 of {BENCH[:8]} does not hold the key that its id follows from"
    assert said == [(f"memory, writer {BENCH[:8]}", what, "It was not taken in.")]
    assert office.waiting() == 0


def test_entries_of_one_writer_among_anothers_are_refused(
    office: Machine, shelf: Shelf, enrolled: Bodies
) -> None:
    with database.writing(office.store) as connection:
        received = receiving.receive(
            connection, BENCH, chain("mallory", 2), [], now=office.now, source="a file"
        )
    mallory = writer_id("mallory")[:8]
    assert [p.what for p in received.problems] == [
        f"an entry of writer {mallory} among those of {BENCH[:8]}"
    ]


# Membership


def test_a_strangers_whole_book_waits_and_shows(office: Machine, shelf: Shelf) -> None:
    bodies = chain("mallory", 30)
    put(shelf, "mallory", bodies, head("mallory", bodies))
    before = office.rows()
    summary = got(office, shelf)
    assert summary.waiting == {writer_id("mallory"): 30}
    assert (summary.fetched, office.rows()) == ({}, before)
    assert why(office, "mallory") == "not enrolled"


def test_what_a_stranger_says_about_members_does_not_count(office: Machine, shelf: Shelf) -> None:
    below = chain("mallory", 1)
    member = records.Member(writer_id("mallory"), "mallory", public_key("mallory"), ENROLLED)
    write = Write(f"member/{writer_id('mallory')}", to_value(member))
    saw = {writer_id("mallory"): list(tip(below))}
    body = encode(
        Entry(
            writer_id("mallory"), 2, tip(below)[1], "enrol", "2026-03-14T08:30:00+01:00", "m",
            (write,), saw=saw,
        )
    )  # fmt: skip
    put(shelf, "mallory", (*below, body), head("mallory", (*below, body)))
    assert got(office, shelf).waiting == {writer_id("mallory"): 2}


def successor(name: str, signed: str | None, saw: Bodies = ()) -> bytes:
    """Entry 1 of a writer that goes on after bench."""
    value = to_value(records.Writer("book", name, public_key(name), BENCH, signed))
    write = Write(f"writer/{writer_id(name)}", value)
    seen = {BENCH: list(tip(saw))} if saw else None
    written = "2026-03-20T08:30:00+01:00"
    return encode(Entry(writer_id(name), 1, None, "writer", written, name, (write,), saw=seen))


def word_of(name: str, about: str) -> str:
    """A machine's word that the owner of another key goes on after it."""
    return signing.sign(private_key(name), signing.successor_message(public_key(about)))


def test_a_writer_that_goes_on_after_a_member_is_let_in_and_announced(
    office: Machine, shelf: Shelf, enrolled: Bodies
) -> None:
    first = (successor("bench2", word_of("bench", "bench2")),)
    bodies = longer("bench2", first, 2)
    put(shelf, "bench2", (*first, *bodies), head("bench2", bodies))
    admitted = got(office, shelf).admitted
    assert admitted.joined == [writer_id("bench2")]
    assert admitted.entries == {writer_id("bench2"): 3}
    assert why(office, "bench2") == "goes on after a member"
    third = (successor("bench3", word_of("bench", "bench3"), enrolled),)
    put(shelf, "bench3", third, head("bench3", third))
    assert got(office, shelf).admitted.joined == [writer_id("bench3")]


@pytest.mark.parametrize("signed", [None, "", "ab", word_of("mallory", "bench2")])
def test_a_writer_that_says_so_without_the_others_word_waits(
    office: Machine, shelf: Shelf, enrolled: Bodies, signed: str | None
) -> None:
    first = (successor("bench2", signed),)
    put(shelf, "bench2", first, head("bench2", first))
    summary = got(office, shelf)
    assert (summary.admitted.joined, summary.waiting) == ([], {writer_id("bench2"): 1})
    office.enrol("bench2")
    assert has(office, "bench2") == 1


def test_the_word_for_one_key_is_none_for_another(
    office: Machine, shelf: Shelf, enrolled: Bodies
) -> None:
    first = (successor("mallory", word_of("bench", "bench2")),)
    put(shelf, "mallory", first, head("mallory", first))
    assert got(office, shelf).waiting == {writer_id("mallory"): 1}


def test_a_writer_that_goes_on_after_a_retired_one_waits(
    office: Machine, shelf: Shelf, enrolled: Bodies
) -> None:
    office.retire("bench")
    first = (successor("bench2", word_of("bench", "bench2"), enrolled),)
    put(shelf, "bench2", first, head("bench2", first))
    assert got(office, shelf).waiting == {writer_id("bench2"): 1}
    assert why(office, "bench2") == "not enrolled"


def test_enrolling_lets_in_what_waited_in_the_same_transaction(
    office: Machine, shelf: Shelf
) -> None:
    bodies = chain("bench", 4)
    put(shelf, "bench", bodies, head("bench", bodies))
    got(office, shelf)
    before = (office.journal(), office.rows())
    with pytest.raises(KeyboardInterrupt), office.book() as book:
        wanted = members.called(membership.standings(office.raw(book)), "bench")
        members.enrol(book, wanted)
        raise KeyboardInterrupt
    assert ((office.journal(), office.rows()), office.waiting()) == (before, 4)
    with office.book() as book:
        wanted = members.called(membership.standings(office.raw(book)), "bench")
        _, admitted = members.enrol(book, wanted)
    assert (admitted.entries, admitted.lines) == ({BENCH: 4}, {BENCH: 4})
    assert office.waiting() == 0


def test_no_member_enrols_nobody(office: Machine, shelf: Shelf) -> None:
    bench = office.copied("bench-2")
    bodies = chain("bench", 2)
    put(shelf, "bench", bodies, head("bench", bodies))
    got(bench, shelf)
    for act in (bench.enrol, bench.retire):
        with pytest.raises(UserMistake) as refused:
            act("bench")
        assert str(refused.value) == "this machine is no member of the book itself: not enrolled"
        assert refused.value.hint == "a member enrols it: logbook machines enrol NAME, there"
    assert bench.waiting() == 2


# Retiring


def test_of_a_retired_machine_nothing_counts_after_what_was_there(
    office: Machine, shelf: Shelf, enrolled: Bodies
) -> None:
    late = office.copied("late")
    office.retire("bench")
    got(office, shelf)
    more = longer("bench", enrolled, 2)
    put(shelf, "bench", more, head("bench", more))
    for machine in (office, late):
        assert got(machine, shelf).waiting == {BENCH: 2}, machine.name
        assert has(machine, "bench") == 3
    assert why(office, "bench") == "retired"


def test_of_a_retired_machine_what_was_there_counts_wherever_it_comes_later(
    office: Machine, shelf: Shelf, tmp_path: Path
) -> None:
    late = office.copied("late")
    bodies = chain("bench", 5)
    put(shelf, "bench", bodies[:3], head("bench", bodies[:3]))
    got(office, shelf)
    office.enrol("bench")
    office.retire("bench")
    # The place has only a head that is beyond the pin.
    other = Shelf()
    put(other, "bench", bodies, head("bench", bodies))
    got(office, other)
    assert (has(office, "bench"), office.waiting()) == (3, 2)
    got(late, other)
    assert has(late, "bench") == 3


def test_a_pin_alone_lets_in_what_it_names(office: Machine, shelf: Shelf) -> None:
    """Whoever retired the machine need not have said before that it saw its lines."""
    stand, bench = chain("stand", 1), chain("bench", 4)
    put(shelf, "stand", stand, head("stand", stand))
    put(shelf, "bench", bench, head("bench", bench))
    got(office, shelf)
    office.enrol("stand")
    seq, name = tip(bench[:2])
    pinned = records.Member(BENCH, "bench", public_key("bench"), RETIRED, seq, name)
    write = Write(f"member/{BENCH}", to_value(pinned))
    written = "2026-03-20T08:30:00+01:00"
    retires = encode(
        Entry(writer_id("stand"), 2, tip(stand)[1], "retire", written, "stand", (write,))
    )
    put(shelf, "stand", (retires,), head("stand", (retires,)))
    got(office, shelf)
    assert (has(office, "bench"), office.waiting()) == (2, 2)


def test_what_another_member_saw_before_counts_all_the_same(
    office: Machine, shelf: Shelf, enrolled: Bodies
) -> None:
    stand = office.copied("stand")
    stand.note("here too")
    got(stand, shelf)
    got(office, shelf)
    office.enrol("stand")
    got(office, shelf)
    got(stand, shelf)
    more = longer("bench", enrolled, 2)
    there = Shelf()
    put(there, "bench", more_from(enrolled, more), head("bench", more))
    got(stand, there)
    assert has(stand, "bench") == 5
    office.retire("bench")
    got(stand, shelf)
    got(office, shelf)
    assert has(office, "bench") == 3
    stand.note("the bench's last lines were here before")
    got(stand, shelf)
    got(office, shelf)
    assert has(office, "bench") == 5
    must_agree([office, stand])


def more_from(below: Bodies, above: Bodies) -> Bodies:
    return (*below, *above)


@pytest.mark.parametrize("name", ["bench", "stand", "shed", "cellar", "porch", "attic"])
def test_a_retirement_counts_before_what_came_along_with_it(
    office: Machine, shelf: Shelf, name: str
) -> None:
    """Whichever of the two writers comes first by its id."""
    bodies = chain(name, 3)
    put(shelf, name, bodies, head(name, bodies))
    got(office, shelf)
    office.enrol(name)
    got(office, shelf)
    late = office.copied("late")
    late.note("away for a while")
    office.retire(name)
    got(office, shelf)
    more = longer(name, bodies, 2)
    put(shelf, name, more, head(name, more))
    got(late, shelf)
    assert has(late, name) == 3
    assert late.waiting() == 2


def test_a_retired_machine_that_is_let_in_again_is_caught_up_with(
    office: Machine, shelf: Shelf, enrolled: Bodies
) -> None:
    office.retire("bench")
    more = longer("bench", enrolled, 2)
    put(shelf, "bench", more, head("bench", more))
    got(office, shelf)
    office.enrol("bench")
    assert (has(office, "bench"), why(office, "bench")) == (5, "enrolled")


def test_no_machine_retires_itself(office: Machine) -> None:
    with pytest.raises(UserMistake) as refused:
        office.retire("office")
    assert str(refused.value) == "a machine cannot retire itself"


# Through others


def test_two_books_become_one_when_each_lets_the_others_founder_in(
    office: Machine, shelf: Shelf, tmp_path: Path
) -> None:
    house = Machine("house", tmp_path / "elsewhere")
    house.note("another trial begins")
    cellar = house.copied("cellar")
    cellar.note("in the cellar")
    got(cellar, own := Shelf())
    got(house, own)
    house.enrol("cellar")
    exchange_all([office, house, cellar], [shelf])
    assert office.waiting() > 0 and house.waiting() > 0
    office.enrol("house")
    assert office.waiting() == 0, "the house let the cellar in"
    house.enrol("office")
    exchange_all([office, house, cellar], [shelf])
    must_agree([office, house, cellar])
    assert len({journal.decode(body).writer for body in office.journal()}) == 3


def test_signed_heads_travel_through_a_third_machine(office: Machine, tmp_path: Path) -> None:
    third, far = office.copied("third"), office.copied("far")
    office.note("only the office knows")
    near, away = Shelf(), Shelf()
    got(office, near)
    got(third, near)
    got(third, away)
    got(far, away)
    assert ids_of(far) >= ids_of(office)
    writer = journal.decode(office.journal()[0]).writer
    with views.reading(far.store) as there, views.reading(office.store) as here:
        signed = [h for h in held.heads(there, writer) if h.by == writer]
        assert signed == [h for h in held.heads(here, writer) if h.by == writer]
        assert len(signed) == 1
    key = config.load(office.state, writer)
    assert key is not None
    message = signing.head_message(writer, signed[0].seq, signed[0].id)
    assert signing.holds(key.public_key, message, signed[0].signature)


# What is missing


def test_a_tail_that_was_cut_off_is_noticed(
    office: Machine, shelf: Shelf, enrolled: Bodies
) -> None:
    more = longer("bench", enrolled, 4)
    put(shelf, "bench", more, head("bench", more))
    got(office, shelf)
    assert missing(office) == []
    late = office.copied("late")
    office.note("the bench was seen up to 7")
    cut = Shelf()
    got(office, cut)
    for name in [n for n, kept in cut.entries.items() if kept.writer == BENCH]:
        if cut.entries[name].seq > 5:
            del cut.entries[name]
    cut.heads = {one for one in cut.heads if one.writer != BENCH}
    put(cut, "bench", (), head("bench", more[:2]))
    fresh = Machine("fresh", late.folder / "fresh")
    joined(fresh, cut, office)
    assert has(fresh, "bench") == 5, "what is there is a chain, rightly signed, but short"
    assert missing(fresh) == [
        (f"bench ({BENCH[:8]}), entry 7", f"office ({office_writer(office)[:8]})")
    ]
    got(fresh, shelf)
    assert (has(fresh, "bench"), missing(fresh)) == (7, [])


def office_writer(machine: Machine) -> str:
    """The founder that a store trusts."""
    with views.reading(machine.store) as connection:
        return str(membership.root(connection))


def joined(machine: Machine, shelf: Shelf, founder: Machine) -> None:
    """A new machine joins from a place, trusting the founder."""
    machine.store.parent.mkdir(parents=True)
    root = office_writer(founder)
    with joining.offered(machine.store, MemoryPlace(shelf), now=machine.now) as offer:
        (found,) = [one for one in offer.founders if one.writer == root]
        offer.accept(found, machine.store, machine.now)


def test_a_head_that_a_member_signed_shows_what_the_place_lacks(
    office: Machine, shelf: Shelf, enrolled: Bodies
) -> None:
    more = longer("bench", enrolled, 3)
    put(shelf, "bench", (), head("bench", more))
    got(office, shelf)
    assert missing(office) == [(f"bench ({BENCH[:8]}), entry 6", "that machine itself")]


def test_what_a_stranger_or_a_retired_machine_signed_is_not_missed(
    office: Machine, shelf: Shelf, enrolled: Bodies
) -> None:
    stranger = chain("mallory", 3)
    put(shelf, "mallory", stranger[:1], head("mallory", stranger))
    office.retire("bench")
    more = longer("bench", enrolled, 2)
    put(shelf, "bench", (), head("bench", more))
    got(office, shelf)
    assert missing(office) == []


def test_a_clock_that_is_more_than_a_day_ahead_is_told_of(
    office: Machine, shelf: Shelf, enrolled: Bodies
) -> None:
    office.now = datetime(2026, 3, 1, tzinfo=UTC)
    ahead = noted("bench", enrolled, "written in April")
    put(shelf, "bench", (ahead,), head("bench", (ahead,)))
    assert got(office, shelf).admitted.ahead == {BENCH: 1}
