"""What holds for every transport: one class of tests, inherited by memory, folder and hub.

    class TestFolder(Contract):
        @pytest.fixture
        def opened(self, tmp_path: Path) -> Opened:
            return lambda: Folder(tmp_path)

`opened()` opens one and the same place anew, as another machine does that has never seen it; the
place is empty at first.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor

import pytest

from logbook.journal.entry import MOST_BYTES, decode, entry_id
from logbook.sync.place import Inventory, Place, Run
from tests.sync.chains import (
    Bodies,
    Having,
    chain,
    head,
    ids,
    inventory,
    longer,
    noted,
    run,
    tip,
    writer_id,
)

Opened = Callable[[], Place]
MOST_OF_RUN = 10_000


def bodies_of(runs: Iterable[Run]) -> list[bytes]:
    """The entries of runs, each run checked to be consecutive entries of its one writer."""
    found: list[bytes] = []
    for one in runs:
        entries = [decode(body) for body in one.bodies]
        assert {entry.writer for entry in entries} <= {one.writer}
        for before, entry, prev in zip(entries, entries[1:], ids(one.bodies), strict=False):
            assert (entry.seq, entry.prev) == (before.seq + 1, prev)
        assert len(entries) <= MOST_OF_RUN
        assert {signed.writer for signed in one.heads} <= {one.writer}
        found += one.bodies
    return found


class Contract:
    """The tests; a subclass says how the place is opened."""

    @pytest.fixture
    def opened(self) -> Opened:
        """Opens the place anew, with nothing remembered."""
        raise NotImplementedError

    def test_an_empty_place_holds_nothing(self, opened: Opened) -> None:
        place = opened()
        assert place.inventory() == Inventory()
        assert list(place.fetch(Having())) == []
        assert place.problems == []

    def test_a_label_is_one_printable_line(self, opened: Opened) -> None:
        assert opened().label.isprintable() and opened().label

    def test_what_is_sent_is_fetched_byte_for_byte(self, opened: Opened) -> None:
        bodies = chain("bench", 7)
        opened().send([run("bench", bodies)])
        place = opened()
        assert bodies_of(place.fetch(Having())) == list(bodies)
        assert place.problems == []

    def test_the_inventory_names_tips_and_heads(self, opened: Opened) -> None:
        bench, office = chain("bench", 4), chain("office", 2)
        opened().send([run("bench", bench, signed=True), run("office", office)])
        signed = head("bench", bench)
        assert opened().inventory() == inventory(bench, office, heads=[signed])

    def test_the_same_place_object_may_be_asked_again(self, opened: Opened) -> None:
        bodies = chain("bench", 3)
        place = opened()
        place.send([run("bench", bodies, signed=True)])
        for _ in range(2):
            assert place.inventory() == inventory(bodies, heads=[head("bench", bodies)])
            assert bodies_of(place.fetch(Having())) == list(bodies)

    def test_what_another_machine_sent_since_is_seen(self, opened: Opened) -> None:
        bodies = chain("bench", 6)
        place = opened()
        assert place.inventory() == Inventory()
        opened().send([run("bench", bodies[:2])])
        assert place.inventory() == inventory(bodies[:2])
        opened().send([run("bench", bodies[2:])])
        assert bodies_of(place.fetch(Having(bodies[:2])))[-4:] == list(bodies[2:])

    def test_only_what_is_not_known_must_come(self, opened: Opened) -> None:
        bodies = chain("bench", 9)
        opened().send([run("bench", bodies[:5]), run("bench", bodies[5:])])
        having = Having(bodies[:5])
        assert set(bodies[5:]) <= set(bodies_of(having.fetch_all(opened())))
        assert list(opened().fetch(having)) == []

    def test_sent_twice_is_there_once(self, opened: Opened) -> None:
        bodies = chain("bench", 5)
        for _ in range(3):
            opened().send([run("bench", bodies, signed=True)])
        place = opened()
        assert place.inventory() == inventory(bodies, heads=[head("bench", bodies)])
        assert bodies_of(place.fetch(Having())) == list(bodies)
        assert place.problems == []

    def test_runs_that_overlap_are_one_chain(self, opened: Opened) -> None:
        bodies = chain("bench", 8)
        for first, last in ((0, 5), (3, 8), (0, 3), (1, 7), (0, 8)):
            opened().send([run("bench", bodies[first:last])])
        place = opened()
        tips = place.inventory().tips[writer_id("bench")]
        assert max(tips) == tip(bodies)
        assert {name for _, name in tips} <= set(ids(bodies))
        assert set(bodies_of(place.fetch(Having()))) == set(bodies)

    def test_a_fork_comes_across_whole(self, opened: Opened) -> None:
        trunk = chain("bench", 3)
        one, other = longer("bench", trunk, 4), longer("bench", trunk, 2, text="250 mL")
        opened().send([run("bench", trunk + one)])
        opened().send([run("bench", other)])
        place = opened()
        assert place.inventory() == inventory(trunk + one, trunk + other)
        having = Having(trunk + one)
        assert set(other) <= set(bodies_of(having.fetch_all(place)))
        assert having.tips(writer_id("bench")) == {tip(one), tip(other)}

    def test_a_fork_may_begin_at_the_first_entry(self, opened: Opened) -> None:
        one, other = chain("bench", 3), longer("bench", (), 2, text="somebody")
        opened().send([run("bench", one)])
        opened().send([run("bench", other)])
        place = opened()
        assert place.inventory() == inventory(one, other)
        assert set(bodies_of(place.fetch(Having()))) == set(one + other)

    def test_a_branch_may_fork_again(self, opened: Opened) -> None:
        trunk = chain("bench", 2)
        one = trunk + longer("bench", trunk, 3)
        two = one[:4] + longer("bench", one[:4], 2, text="a third")
        three = two[:5] + longer("bench", two[:5], 4, text="a fourth")
        opened().send([run("bench", one)])
        opened().send([run("bench", two[4:])])
        opened().send([run("bench", three[5:])])
        place = opened()
        assert place.inventory() == inventory(one, two, three)
        assert set(bodies_of(place.fetch(Having(one)))) >= set(two[4:] + three[5:])

    def test_heads_travel_alone(self, opened: Opened) -> None:
        bodies = chain("bench", 3)
        opened().send([run("bench", bodies)])
        signed = head("bench", bodies)
        opened().send([Run(writer_id("bench"), (), (signed,))])
        assert opened().inventory() == inventory(bodies, heads=[signed])
        fetched = list(opened().fetch(Having(bodies)))
        assert {signed for one in fetched for signed in one.heads} == {signed}
        assert list(opened().fetch(Having(bodies, [signed]))) == []

    def test_a_later_head_does_not_take_the_place_of_one_before(self, opened: Opened) -> None:
        bodies = chain("bench", 4)
        opened().send([run("bench", bodies[:2], signed=True)])
        opened().send([run("bench", bodies[2:], signed=True)])
        heads = [head("bench", bodies[:2]), head("bench", bodies)]
        assert heads[1] in opened().inventory().heads
        assert opened().inventory().heads <= set(heads)

    def test_many_entries_come_in_chunks_and_in_order(self, opened: Opened) -> None:
        bodies = chain("bench", 2_300)
        opened().send([run("bench", bodies[:2_000]), run("bench", bodies[2_000:], signed=True)])
        runs = list(opened().fetch(Having()))
        assert bodies_of(runs) == list(bodies)
        assert {signed for one in runs for signed in one.heads} == {head("bench", bodies)}

    def test_the_largest_entry_comes_back_whole(self, opened: Opened) -> None:
        bodies = chain("bench", 1)
        for letter in "abc":
            room = MOST_BYTES - len(noted("bench", bodies, ""))
            bodies += (noted("bench", bodies, letter * room),)
        assert len(bodies[-1]) == MOST_BYTES
        opened().send([run("bench", bodies)])
        assert bodies_of(opened().fetch(Having())) == list(bodies)

    @pytest.mark.parametrize(
        "text",
        [
            "'); DROP TABLE entry; --",
            "\x1b]52;c;aGk=\x07 \x1b[2J \u202e",
            "\\N\t\\.\n\\\\ 100 %s %(x)s {} $1",
            "Bodenprobe Nº 7, ½ L 🌱",
        ],
    )
    def test_odd_text_comes_back_as_it_was(self, opened: Opened, text: str) -> None:
        bodies = chain("bench", 1)
        bodies += (noted("bench", bodies, text),)
        opened().send([run("bench", bodies)])
        assert bodies_of(opened().fetch(Having())) == list(bodies)

    def test_entries_of_a_newer_program_are_passed_on_as_they_are(self, opened: Opened) -> None:
        bodies = chain("bench", 2)
        bodies += (noted("bench", bodies, "?", kind="irradiate", kv=9),)
        opened().send([run("bench", bodies)])
        assert bodies_of(opened().fetch(Having())) == list(bodies)

    def test_nothing_sent_is_nothing_there(self, opened: Opened) -> None:
        opened().send([])
        opened().send([Run(writer_id("bench"), ())])
        assert opened().inventory() == Inventory()

    def test_runs_may_be_given_one_by_one(self, opened: Opened) -> None:
        bodies = chain("bench", 6)
        opened().send(run("bench", bodies[at : at + 2]) for at in (0, 2, 4))
        assert opened().inventory() == inventory(bodies)

    def test_an_interrupted_sending_is_finished_by_the_next(self, opened: Opened) -> None:
        bodies = chain("bench", 6)

        def broken() -> Iterable[Run]:
            yield run("bench", bodies[:3])
            raise KeyboardInterrupt

        with pytest.raises(KeyboardInterrupt):
            opened().send(broken())
        tips = opened().inventory().tips.get(writer_id("bench"), frozenset())
        assert tips <= {tip(bodies[:3])}
        opened().send([run("bench", bodies[:3]), run("bench", bodies[3:])])
        assert opened().inventory() == inventory(bodies)

    def test_machines_may_send_at_once(self, opened: Opened) -> None:
        names = ("bench", "greenhouse", "office")
        chains = {name: chain(name, 40) for name in names}

        def sends(name: str) -> None:
            # Each also passes on what it knows of the next one.
            other = names[(names.index(name) + 1) % len(names)]
            place = opened()
            for at in range(0, 40, 10):
                place.send(
                    [run(one, chains[one][at : at + 10], signed=True) for one in (name, other)]
                )
            place.close()

        with ThreadPoolExecutor(len(names)) as pool:
            list(pool.map(sends, names))
        place = opened()
        assert place.inventory().tips == inventory(*chains.values()).tips
        fetched = bodies_of(place.fetch(Having()))
        assert set(fetched) == {body for bodies in chains.values() for body in bodies}
        assert place.problems == []

    @pytest.mark.parametrize("seed", range(3))
    def test_any_order_ends_in_the_same_place(self, opened: Opened, seed: int) -> None:
        rng = random.Random(seed)
        branches: list[Bodies] = [chain("bench", 12), chain("office", 5)]
        for number in range(3):
            trunk = branches[0][: rng.randrange(1, 12)]
            branches.append(trunk + longer("bench", trunk, rng.randrange(1, 5), f"{number}"))
        there = Having()
        for _ in range(12):
            bodies = rng.choice(branches)
            reached = max(
                [at for at, name in enumerate(ids(bodies), 1) if there.has(name)], default=0
            )
            first, last = rng.randint(0, reached), rng.randint(1, len(bodies))
            if first < last:
                opened().send([Run(decode(bodies[0]).writer, bodies[first:last])])
                there.take(bodies[first:last])
        place = opened()
        assert place.inventory().tips.keys() == {of for of, _, _ in there.entries.values()}
        for writer, tips in place.inventory().tips.items():
            assert there.tips(writer) <= tips
            assert {name for _, name in tips} <= there.entries.keys()
        assert {entry_id(body) for body in bodies_of(place.fetch(Having()))} == set(there.entries)
