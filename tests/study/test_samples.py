"""What the book knows of codes."""

from __future__ import annotations

from json import loads

from logbook.store import views
from logbook.study import origins
from tests.cli.parted import parted
from tests.program import Program

__all__ = ["parted"]

ON = "2026-04-22T09:00+02:00"


def test_the_book_knows_the_codes_of_pulls_parts_and_blinds_that_were_sent(parted: Program) -> None:
    said = parted.must("pull", "B1,B2")
    parted.must("pull", "B3")
    with views.reading(parted.store) as store:
        bags = [code for (code,) in store.execute("SELECT id FROM part").fetchall()]
        before = origins.known_codes(store)
        assert before == origins.origins(store, [*bags, *said.samples, "K7M3QX4R"]).keys()
        assert before >= {*bags}
    parted.must("lab", "send", "B1", "--duplicate", on="2026-03-03T09:00+01:00")
    parted.must("strike", said.samples[1], "--reason", "spilt")
    with views.reading(parted.store) as store:
        ((twin,),) = store.execute("SELECT id FROM blind").fetchall()
        after = origins.known_codes(store)
        (trial,) = (one.id for one in views.fetch(store, "trial"))
        found = origins.origins(store, [*bags, *said.samples, twin])
    assert after == found.keys()
    assert found[twin] == (trial, "2026-03-03")
    assert said.samples[1] not in after
    assert loads(parted.must("lab", "log", "--json", on=ON).out)["samples"]
