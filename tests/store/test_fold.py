"""The fold: any set of entries, in any order and any grouping, ends in the same tables."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sqlalchemy import Connection, Engine

from logbook.journal.entry import Entry, Value, Write
from logbook.journal.fold import Merged, merge
from logbook.journal.kinds import SPACES, from_value, readable, to_value
from logbook.store import asking, database, derived, projections, views
from logbook.trial import records
from logbook.trial.times import When
from tests.store import made


@pytest.fixture(scope="module")
def empty(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Engine]:
    """A store with its tables and nothing in them; every use is rolled back."""
    path = tmp_path_factory.mktemp("fold") / "logbook.db"
    with database.writing(path):
        pass
    engine = database.engine(path)
    yield engine
    engine.dispose()


@pytest.fixture
def connection(empty: Engine) -> Iterator[Connection]:
    with empty.connect() as opened:
        yield opened
        opened.rollback()


DAYS = st.sampled_from(["2026-03-01", "2026-03-08T08:30+01:00", "2026-03-30"])
BEDS = st.sampled_from(["b1", "b2", "b3"])
TRIALS = st.sampled_from(["t", "u"])
# What another program may write into a field, whether that makes sense or not.
STRANGE: st.SearchStrategy[Any] = st.sampled_from(
    [None, "", "x", "NaN", "1e999", "1_0", "-0", 0, -3, 10**15, True, [], ["a"], {"b": 1},
     "2026-02-30", "9999-12-31", "20260301", "2026-03-01T08:30", "2026-W10-1", "\x00", "\ufeff"]
)  # fmt: skip


def _fixed(record: Any) -> Value:
    return to_value(record)


VALUES: dict[str, st.SearchStrategy[Value]] = {
    "trial/t": st.just(_fixed(made.TRIAL)),
    "treatment/x": st.builds(
        lambda trial, control: _fixed(
            records.Treatment(trial, "X", "x", control, None, None, None, Decimal(15))
        ),
        TRIALS,
        st.booleans(),
    ),
    **{
        f"bed/b{n}": st.builds(
            lambda label, trial, place: _fixed(made.bed(label, trial, "x", place)),
            st.sampled_from(["B1", "B2"]),
            TRIALS,
            st.integers(1, 3),
        )
        for n in (1, 2, 3)
    },
    **{
        f"planned-pull/p{n}": st.builds(
            lambda trial, day, tolerance: _fixed(
                records.PlannedPull(trial, f"day {day}", day, tolerance)
            ),
            TRIALS,
            st.sampled_from([None, 0, 7, 28]),
            st.integers(0, 2),
        )
        for n in (1, 2)
    },
    **{
        f"{space}/K7/b{n}": st.builds(lambda bed, when: {"bed": bed, "when": when}, BEDS, DAYS)
        for space in ("apply", "fill")
        for n in (1, 2)
    },
    **{
        f"pull/P{n}": st.builds(
            lambda code, bed, when, again: {
                "code": code,
                "bed": bed,
                "when": when,
                "planned": None,
                "cores": 8,
                "depth_cm": "15",
                "again": again,
            },
            st.sampled_from(["P1", "P2"]),
            BEDS,
            DAYS,
            st.sampled_from([None, None, "spilled"]),
        )
        for n in (1, 2, 3)
    },
    "water/K7/b1": st.builds(
        lambda volume, typed: (
            _fixed(made.watering("b1", date(2026, 3, 2), volume)) | {"typed": typed}
        ),
        st.sampled_from(["250", "200"]),
        st.sampled_from(["250 mL", "a can"]),
    ),
    "gremlin/1": st.just({"size": "12"}),
    "bed": st.just(_fixed(made.bed())),
    "bed/": st.just(_fixed(made.bed("B2"))),
}
REST: dict[str, Value] = {
    "apply": {"mass_g": "100.0", "volume_l": None, "mock": False, "known": "weighed", "typed": ""},
    "fill": {"mass_kg": "110", "moisture": None, "known": "weighed", "typed": "110 kg"},
}


@st.composite
def _writes(draw: st.DrawFn, known: list[str]) -> tuple[Write, ...]:
    keys = draw(st.lists(st.sampled_from(sorted(VALUES)), min_size=1, max_size=3, unique=True))
    writes = []
    for key in keys:
        value: Value | None = None
        if draw(st.integers(0, 5)):
            value = REST.get(key.partition("/")[0], {}) | draw(VALUES[key])
            if not draw(st.integers(0, 5)):
                value = {**value, draw(st.sampled_from(sorted(value))): draw(STRANGE)}
            if not draw(st.integers(0, 9)):
                value = {name: part for name, part in value.items() if name != min(value)}
        old = draw(st.lists(st.sampled_from([*known, "ee" * 32]), max_size=3, unique=True))
        writes.append(Write(key, value, tuple(old)))
    return tuple(writes)


def _set_up(draw: st.DrawFn) -> made.Filing:
    """One entry that sets up beds, calendar and acts, so that what follows changes something."""
    keys = [key for key in sorted(VALUES) if key not in ("bed", "bed/", "gremlin/1")]
    writes = [
        Write(key, REST.get(key.partition("/")[0], {}) | draw(VALUES[key]))
        for key in keys
        if draw(st.integers(0, 7))
    ]
    return made.filed(Entry("3" * 32, 1, None, "set", "2026-03-14T08:30:00Z", "ann", tuple(writes)))


@st.composite
def journals(draw: st.DrawFn) -> list[made.Filing]:
    """Entries of three writers who correct, strike and contradict themselves and each other."""
    filed = [_set_up(draw)]
    seqs = dict.fromkeys("012", 0)
    for _ in range(draw(st.integers(1, 8))):
        writer = draw(st.sampled_from("012"))
        seqs[writer] += 1
        kind, kv = draw(st.sampled_from([("set", 1)] * 8 + [("set", 2), ("gremlin", 1)]))
        entry = Entry(
            writer=writer * 32,
            seq=seqs[writer],
            prev=None,
            kind=kind,
            kv=kv,
            written="2026-03-14T08:30:00+01:00",
            by="mira",
            act="K7",
            writes=draw(_writes([name for name, *_ in filed])),
        )
        filed.append(made.filed(entry))
    return filed


def _dump_of(engine: Engine, batches: list[list[made.Filing]], again: int = 0) -> Any:
    with engine.connect() as connection:
        for batch in batches:
            made.absorb(connection, batch)
        for batch in batches[:again]:
            made.absorb(connection, batch)
        dumped = made.dump(connection)
        projections.rebuild(connection)
        rebuilt = made.dump(connection)
        connection.rollback()
    assert rebuilt == dumped
    return dumped


@settings(max_examples=80)
@given(journals(), st.data())
@pytest.mark.long
def test_any_order_and_grouping_ends_in_the_same_tables(
    empty: Engine, journal: list[made.Filing], data: st.DataObject
) -> None:
    at_once = _dump_of(empty, [journal])
    shuffled = data.draw(st.permutations(journal))
    assert _dump_of(empty, [[one] for one in shuffled]) == at_once
    cut = data.draw(st.integers(0, len(journal)))
    other = data.draw(st.permutations(journal))
    # Some come twice, in the same batch and in a later one.
    batches = [[*other[:cut], *other[: cut // 2]], other[cut:]]
    assert _dump_of(empty, batches, again=2) == at_once


@given(journals())
def test_whatever_was_written_can_be_read(empty: Engine, journal: list[made.Filing]) -> None:
    with empty.connect() as connection:
        made.absorb(connection, journal)
        raw: Any = connection.connection.driver_connection
        for space in SPACES:
            for found in views.fetch(raw, space):
                assert readable(space, to_value(found.record))
        for trial in ("t", "u"):
            views.obligations(raw, trial)
            asking.possible_duplicates(raw, trial)
        asking.waiting_results(raw)
        connection.rollback()


def _living(*values: Value | None) -> list[tuple[str, Value | None]]:
    return [(f"{n:064x}", value) for n, value in enumerate(values, start=1)]


def test_the_conflict_rule() -> None:
    one, two, three = (f"{n:064x}" for n in (1, 2, 3))
    full, half = {"volume_ml": "250", "typed": "250 mL"}, {"volume_ml": "125", "typed": "half"}
    same = {"volume_ml": "250", "typed": "a can"}
    cases: list[tuple[list[tuple[str, Value | None]], Merged | None]] = [
        ([], None),
        (_living(full), Merged(one, full, False)),
        (_living(None), Merged(one, None, False)),
        (_living(None, None), Merged(two, None, False)),
        # Equal apart from how they were typed: they agree, and the greatest id is shown.
        (_living(full, same), Merged(two, same, False)),
        (_living(same, full), Merged(two, full, False)),
        (_living(full, half), Merged(two, half, True)),
        (_living(full, same, half), Merged(three, half, True)),
        (_living(half, full, same), Merged(three, same, True)),
        # A value is shown before a strike, whichever id is greater.
        (_living(full, None), Merged(one, full, True)),
        (_living(None, full), Merged(two, full, True)),
    ]
    for living, expected in cases:
        assert merge(living) == expected
        assert merge(reversed(living)) == expected


def _row(connection: Connection, table: str, ident: str) -> tuple[Any, ...] | None:
    row = connection.exec_driver_sql(
        f'SELECT entry, conflict FROM "{table}" WHERE id = ?', (ident,)
    ).first()
    return tuple(row) if row else None


def _water(volume: str) -> Value:
    return to_value(made.watering("b1", date(2026, 3, 2), volume))


def test_concurrent_edits_conflict_and_a_settling_write_ends_it(connection: Connection) -> None:
    key = "water/K7/b1"
    (first,) = made.chain_of("ann", [[Write(key, _water("250"))]])[1:]
    left = made.chain_of("bea", [[Write(key, _water("200"), (first[0],))]])[1]
    right = made.chain_of("cyd", [[Write(key, _water("300"), (first[0],))]])[1]
    made.absorb(connection, [right])
    made.absorb(connection, [left, first])
    assert _row(connection, "water", "K7/b1") == (max(left[0], right[0]), 1)
    final = made.chain_of("dot", [[Write(key, _water("300"), (left[0], right[0]))]])[1]
    made.absorb(connection, [final])
    assert _row(connection, "water", "K7/b1") == (final[0], 0)


def test_a_replacement_that_comes_before_what_it_replaces(connection: Connection) -> None:
    key = "water/K7/b1"
    first = made.chain_of("ann", [[Write(key, _water("250"))]])[1]
    strike = made.chain_of("bea", [[Write(key, None, (first[0],))]])[1]
    made.absorb(connection, [strike])
    made.absorb(connection, [first])
    assert _row(connection, "water", "K7/b1") is None


def test_a_newer_programs_write_replaces_and_is_not_shown(connection: Connection) -> None:
    key = "water/K7/b1"
    chain = made.chain_of("ann", [[Write(key, _water("250"))]])
    newer = made.filed(
        Entry(
            "9" * 32, 1, None, "balloon", "2026-03-14T08:30:00Z", "bea",
            (Write(key, {"height": "9"}, (chain[1][0],)),),
        )
    )  # fmt: skip
    made.absorb(connection, chain)
    assert _row(connection, "water", "K7/b1") == (chain[1][0], 0)
    made.absorb(connection, [newer])
    assert _row(connection, "water", "K7/b1") is None


def test_a_day_that_no_calendar_has_leaves_the_trial_without_due_rows(
    connection: Connection,
) -> None:
    far = records.PlannedPull("t", "far", 10**15, 1)
    application = {"bed": "b1", "when": "2026-03-01", **REST["apply"]}
    chain = made.chain_of(
        "ann",
        [
            [
                Write("bed/b1", to_value(made.bed())),
                Write("planned-pull/p", to_value(far)),
                Write("apply/K7/b1", application),
            ]
        ],
    )
    made.absorb(connection, chain)
    assert made.dump(connection)["due"] == []
    sane = to_value(records.PlannedPull("t", "day 7", 7, 1))
    later = made.chain_of("bea", [[Write("planned-pull/p", sane, (chain[1][0],))]])
    made.absorb(connection, later)
    assert [row[0] for row in made.dump(connection)["due"]] == ["b1"]


def test_a_bed_that_changes_its_trial_takes_its_due_rows_along(connection: Connection) -> None:
    plan = [
        Write(f"planned-pull/{trial}", to_value(records.PlannedPull(trial, "start", None, 1)))
        for trial in ("a", "z")
    ]
    chain = made.chain_of("ann", [[*plan, Write("bed/b1", to_value(made.bed(trial="z")))]])
    made.absorb(connection, chain)
    assert [row[2] for row in made.dump(connection)["due"]] == ["z"]
    moved = Write("bed/b1", to_value(made.bed(trial="a")), (chain[1][0],))
    made.absorb(connection, made.chain_of("bea", [[moved]]))
    assert [row[2] for row in made.dump(connection)["due"]] == ["a"]


def test_pulls_that_share_a_code_do_not_stop_the_fold(connection: Connection) -> None:
    pull = to_value(records.Pull("P1", "b1", When(date(2026, 3, 1)), None, 8, Decimal(15), None))
    writes = [Write(f"pull/{ident}", pull) for ident in ("P1", "P2", "P3")]
    made.absorb(
        connection, made.chain_of("ann", [[Write("bed/b1", to_value(made.bed())), *writes]])
    )
    assert made.dump(connection)["possible_duplicate"] == [
        ("P1", "P2", "t"),
        ("P1", "P3", "t"),
        ("P2", "P3", "t"),
    ]


def test_a_field_that_an_older_program_did_not_write_is_its_default() -> None:
    value = to_value(made.TRIAL)
    del value["endpoint_day"], value["sample_cost"]
    assert readable("trial", value)
    assert from_value("trial", value) == made.TRIAL
    del value["zone"]
    assert not readable("trial", value)


@pytest.mark.parametrize(
    ("field", "strange"),
    [
        ("volume_ml", "NaN"), ("volume_ml", "1e3"), ("volume_ml", "1_0"), ("volume_ml", "٢"),
        ("volume_ml", 250), ("volume_ml", None), ("volume_ml", ""), ("volume_ml", "9" * 41),
        ("when", "2026-02-30"), ("when", "2026-03-01T08:30"), ("when", "20260301"),
        ("when", "9999-12-31"), ("when", ""), ("when", None), ("when", "2026-03-01T25:00+01:00"),
        ("bed", None), ("bed", 1), ("bed", ["b1"]), ("known", True),
    ],
)  # fmt: skip
def test_a_value_that_is_not_its_record_is_not_shown(
    connection: Connection, field: str, strange: Any
) -> None:
    value = _water("250") | {field: strange}
    assert not readable("water", value)
    made.absorb(connection, made.chain_of("ann", [[Write("water/K7/b1", value)]]))
    assert _row(connection, "water", "K7/b1") is None
    assert [row[0] for row in made.dump(connection)["write"]].count("water/K7/b1") == 1


def test_decimals_keep_their_text_beside_a_number(connection: Connection) -> None:
    value = _water("250.5") | {"volume_ml": "250.50"}
    made.absorb(connection, made.chain_of("ann", [[Write("water/K7/b1", value)]]))
    row = connection.exec_driver_sql("SELECT volume_ml, volume_ml_num FROM water").one()
    assert tuple(row) == ("250.50", 250.5)


def test_a_batch_folds_whole_entries_only_once(connection: Connection) -> None:
    chain = made.chain_of("ann", [[Write("water/K7/b1", _water("250"))]])
    made.absorb(connection, chain)
    before = made.dump(connection)
    derived.refresh(connection, None)
    made.absorb(connection, [*chain, *chain])
    assert made.dump(connection) == before


def test_a_treatment_that_becomes_the_control_moves_the_pulls_of_its_beds(
    connection: Connection,
) -> None:
    """Also where the treatment says that it belongs to another trial than the bed."""

    def treatment(code: str, control: bool) -> Value:
        kind = records.Treatment("u", code, code, control, None, None, None, Decimal(15))
        return to_value(kind)

    base = [
        Write("planned-pull/p", to_value(records.PlannedPull("t", "day 7", 7, 1))),
        Write("treatment/x", treatment("X", False)),
        Write("treatment/y", treatment("Y", False)),
        Write("bed/b1", to_value(made.bed("B1"))),
        Write("bed/b2", to_value(made.bed("B2", treatment="y", place=2))),
        Write("apply/K7/b1", {"bed": "b1", "when": "2026-03-10", **REST["apply"]}),
        Write("apply/K7/b2", {"bed": "b2", "when": "2026-03-01", **REST["apply"]}),
    ]
    chain = made.chain_of("ann", [base])
    made.absorb(connection, chain)
    before = made.dump(connection)["due"]
    control = Write("treatment/x", treatment("X", True), (chain[1][0],))
    made.absorb(connection, made.chain_of("bea", [[control]]))
    after = made.dump(connection)
    assert after["due"] != before
    projections.rebuild(connection)
    assert made.dump(connection) == after
