"""Results as they are read: fetched or just written; and what the book knows of codes."""

from __future__ import annotations

from json import loads

from logbook.store import views
from logbook.study import origins
from logbook.study.samples import measured, row_of
from tests.cli.parted import parted
from tests.program import Program
from tests.study.small_season import opened, season

__all__ = ["parted"]

ON = "2026-04-22T09:00+02:00"


def test_results_that_were_just_written_need_not_be_fetched(started: Program) -> None:
    season(started)
    with opened(started) as (store, trial):
        results = views.fetch(store, "result")
        some = [row_of(one.id, one.record, one.record.sample, None) for one in results[::2]]
        every = measured(store, trial, {})
        assert len(every) == len(results)
        assert measured(store, trial, {}, known=some) == every
        assert measured(store, trial, {}, "nitrate-N") == [
            one for one in every if one.analyte == "nitrate-N"
        ]


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
