"""What is open between machines: every version with its origin, the curves that wait for it."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import replace
from typing import Any

import pytest

from logbook.journal.entry import Write
from logbook.journal.kinds import to_value
from logbook.report.conflicts import page
from logbook.store import views
from logbook.study import amounts, conflicts, disputes
from logbook.study.conflicts import Disagreement, Open
from logbook.study.samples import samples
from logbook.trial import records
from tests.elsewhere import Elsewhere, keys_of, standing
from tests.one_date import DAY0, DAY7, LATER, pulled, report
from tests.program import Program
from tests.store import made


def found(program: Program) -> Open:
    with views.reading(program.store) as store:
        return conflicts.everything(store)


def only(program: Program) -> Disagreement:
    (one,) = found(program).disagreements
    return one


def _watered(program: Program) -> tuple[str, str, dict[str, Any]]:
    """Water B3: the line's key, its entry, its value."""
    act = program.must("water", "B3", "--amount", "250 mL", "--known", "metered").act
    (key,) = keys_of(program.store, act)
    return key, *standing(program.store, key)


class TestVersions:
    def test_each_with_who_wrote_it_where_when_and_why(self, started: Program) -> None:
        key, first, value = _watered(started)
        act = key.split("/")[1]
        started.must("correct", f"{act}:B3", "--amount", "300 mL", "--reason", "read again")
        office = Elsewhere(started.store, "office", "ann").says(
            key, None, (first,), "left dry", at="2026-03-02T10:15:00+01:00"
        )
        greenhouse = Elsewhere(started.store).says(
            key, {**value, "volume_ml": "200"}, (first,), "half", at="2026-03-02T09:05:00+00:00"
        )
        one = only(started)
        told = [
            (version.number, version.line.by, version.line.machine, version.reason)
            for version in one.versions
        ]
        # By the clocks of their machines, in whatever zone these are.
        assert told[1:] == [
            (2, "olek", "greenhouse", "half"),
            (3, "ann", "office", "left dry"),
        ]
        assert (told[0][1], told[0][3]) == ("mira", "read again")
        assert one.entries[1:] == (greenhouse, office)
        assert [version.value and version.value["volume_ml"] for version in one.versions] == [
            "300",
            "200",
            None,
        ]
        assert (one.name, one.beds, one.fields) == (f"{act}:B3", ("B3",), ("known", "volume_ml"))
        assert one.trial == "Small house (invented)" and one.curves == ()

    def test_what_was_typed_differently_agrees(self, started: Program) -> None:
        key, _, value = _watered(started)
        Elsewhere(started.store, "office").says(key, {**value, "typed": "a can"})
        assert found(started).disagreements == ()
        Elsewhere(started.store).says(key, {**value, "volume_ml": "200"})
        one = only(started)
        assert sorted(str(version.same_as) for version in one.versions) == ["1", "None", "None"]
        assert one.fields == ("volume_ml",)

    def test_a_line_of_a_newer_program_is_counted_and_no_version(self, started: Program) -> None:
        key, _, value = _watered(started)
        other = Elsewhere(started.store)
        other.files("balloon", [Write(key, {"height": "9"}), Write("balloon/1", {"height": "9"})])
        assert (found(started).disagreements, found(started).newer) == ((), 2)
        other.says(key, {**value, "volume_ml": "200"})
        assert len(only(started).versions) == 2

    def test_a_machine_that_never_said_its_name_goes_by_its_id(self, started: Program) -> None:
        key, _, value = _watered(started)
        other = Elsewhere(started.store)
        other.says(key, {**value, "volume_ml": "200"})
        with closing(sqlite3.connect(started.store)) as store, store:
            store.execute("DELETE FROM writer WHERE machine = 'greenhouse'")
        assert only(started).versions[1].line.machine == made.writer_id("greenhouse")[:8]


class TestNames:
    def test_records_of_a_trial_go_by_kind_and_name(self, started: Program) -> None:
        with views.reading(started.store) as store:
            (bed,) = views.fetch(store, "bed", "label = 'B1'")
        _, value = standing(started.store, f"bed/{bed.id}")
        Elsewhere(started.store).says(f"bed/{bed.id}", {**value, "label": "B1a"})
        assert only(started).name in ("bed B1", "bed B1a")
        assert only(started).fields == ("label",)

    def test_a_machine_let_in_here_and_retired_there(self, started: Program) -> None:
        who = made.writer_id("bench")
        let_in = records.Member(who, "bench", made.public_key("bench"), "member")
        retired = replace(let_in, standing="retired", last_seq=4, last_id="ab" * 32)
        for name, record in (("greenhouse", let_in), ("office", retired)):
            Elsewhere(started.store, name).files(
                "enrol", [Write(f"member/{who}", to_value(record))]
            )
        one = only(started)
        assert (one.name, one.trial, one.curves) == (f"member {who[:8]}", "", ())
        assert set(one.fields) == {"standing", "last_seq", "last_id"}
        told = page(found(started)).conflicts[0]
        assert (told.line, told.differ_shown) == ("whether the machine bench is let in", ())
        assert {version.words: version.besides for version in told.versions} == {
            f"machine bench ({who[:8]}) let in": {},
            f"machine bench ({who[:8]}) retired after its entry 4": {},
        }

    def test_a_machine_goes_by_its_writer_in_conflicts_and_settle(self, started: Program) -> None:
        who = made.writer_id("bench")
        let_in = records.Member(who, "bench", made.public_key("bench"), "member")
        retired = replace(let_in, standing="retired", last_seq=4, last_id="ab" * 32)
        for name, record in (("greenhouse", let_in), ("office", retired)):
            Elsewhere(started.store, name).files(
                "enrol", [Write(f"member/{who}", to_value(record))]
            )
        shown = started("conflicts").out
        assert f"\nmember {who[:8]}: whether the machine bench is let in\n" in shown
        assert "abab" not in shown
        number = "1" if "let in" in shown.split("\n  1  ")[1].split("\n")[1] else "2"
        said = started.must("settle", f"member {who[:8]}", "--keep", number, "--reason", "ours")
        assert f"of member {who[:8]}, machine bench ({who[:8]}) let in: ours" in said.out

    def test_two_results_of_one_nutrient_go_by_method_or_by_key(self, started: Program) -> None:
        started.must("apply", "control,M", on=DAY0)
        code = pulled(started, "B1", DAY7)["B1"]
        rows = [(code, "P", "12", "mg/kg", method) for method in ("Olsen", "Mehlich-3")]
        report(started, rows, "1")
        other = Elsewhere(started.store)
        keys = _results(started)
        for key in keys:
            other.says(key, {**standing(started.store, key)[1], "value": "13"})
        assert {one.name for one in found(started).disagreements} == {
            f"{code}:P:Olsen",
            f"{code}:P:Mehlich-3",
        }
        text = f"sample,nutrient,value,unit,method\n{code},P,12,mg/kg,Olsen\n"
        (started.folder / "again.csv").write_text(text, encoding="utf-8")
        started.must("lab", "import", "again.csv", "--report", "2", "--repeat", on=LATER)
        (third,) = set(_results(started)) - set(keys)
        other.says(third, {**standing(started.store, third)[1], "value": "13"})
        names = {one.name for one in found(started).disagreements}
        assert names == {f"{code}:P:Mehlich-3", third, *(key for key in keys if "Olsen" in key)}


def _results(program: Program) -> list[str]:
    with views.reading(program.store) as store:
        return [f"result/{one.id}" for one in views.fetch(store, "result")]


class TestCurvesThatWait:
    @pytest.mark.parametrize(
        ("table", "where"),
        [
            ("pull", "id = :b2"),
            ("apply", "bed = (SELECT id FROM bed WHERE label = 'B2')"),
            ("fill", "bed = (SELECT id FROM bed WHERE label = 'B2')"),
            ("bed", "label = 'B2'"),
            ("treatment", "code = 'M'"),
            ("lot", "name = 'bag 1'"),
            ("lot_density", "lot IN (SELECT id FROM lot WHERE name = 'bag 1')"),
            ("lot_moisture", "lot IN (SELECT id FROM lot WHERE name = 'bag 1')"),
        ],
    )
    def test_the_samples_are_those_that_curves_leave_out(
        self, started: Program, table: str, where: str
    ) -> None:
        """The rule itself is `disputes`'; what is listed here must not drift from it."""
        started.must("apply", "control,M", on=DAY0)
        codes = pulled(started, "B1,B2,B5,B6", DAY7)
        report(started, [(codes[bed], "K", "90", "mg/kg", "Olsen") for bed in codes], "1")
        with closing(sqlite3.connect(started.store)) as store, store:
            store.execute(f'UPDATE "{table}" SET conflict = 1 WHERE {where}', {"b2": codes["B2"]})
        with views.reading(started.store) as store:
            (trial,) = views.fetch(store, "trial")
            known, taken = amounts.facts(store, trial.id), samples(store, trial.id)
            out = set(disputes.disputed(store, trial.id, known, taken))
            space = table.replace("_", "-")
            (shown,) = views.fetch(store, space, "conflict = 1")
            mine = conflicts._left_out(store, f"{space}/{shown.id}", shown)
        assert {result.sample for result in mine} == out != set()
        assert only(started).curves == ("K of M",)

    def test_a_result_is_left_out_of_every_curve_that_it_is_part_of(self, started: Program) -> None:
        started.must("apply", "all", on=DAY0)
        codes = pulled(started, "all", DAY7)
        nutrients = ("nitrate-N", "ammonium-N", "P")
        rows = [(code, n, "12", "mg/kg", "m") for code in codes.values() for n in nutrients]
        report(started, rows, "1")
        (key,) = [key for key in _results(started) if f"{codes['B1']}/nitrate-N" in key]
        Elsewhere(started.store).says(key, {**standing(started.store, key)[1], "value": "13"})
        # B1 is the control of its block: it is part of both treatments' curves.
        assert only(started).curves == (
            "mineral-N of C10", "mineral-N of M", "nitrate-N of C10", "nitrate-N of M",
        )  # fmt: skip
        assert only(started).beds == ("B1",)

    def test_a_watering_is_part_of_no_curve(self, started: Program) -> None:
        key, _, value = _watered(started)
        Elsewhere(started.store).says(key, {**value, "volume_ml": "200"})
        assert only(started).curves == ()


class TestPossibleDuplicates:
    def test_both_pulls_with_what_hangs_on_them(self, started: Program) -> None:
        started.must("apply", "all", on=DAY0)
        said = started.must(
            "pull", "B1", "--part", "chilled: nitrate-N", "--part", "dried: P", on=DAY7
        )
        chilled, dried = said.bags[0]
        report(started, [(dried, "P", "12", "mg/kg", "Olsen")], "1")
        _, value = standing(started.store, f"pull/{chilled}")
        Elsewhere(started.store).files(
            "pull", [Write("pull/RT4MAXCL", {**value, "code": "RT4MAXCL"})]
        )
        (pair,) = found(started).duplicates
        twins = {twin.pull.code: twin for twin in (pair.first, pair.second)}
        assert twins.keys() == {chilled, "RT4MAXCL"} and pair.bed == "B1"
        mine, other = twins[chilled], twins["RT4MAXCL"]
        assert {(part.kind, part.code) for part in mine.parts} == {
            ("chilled", chilled),
            ("dried", dried),
        }
        assert (mine.results, mine.sent, mine.line.by) == (1, 0, "mira")
        assert (other.results, other.parts, other.line.machine) == (0, (), "greenhouse")


def test_nothing_is_open_in_a_book_of_one_machine(started: Program) -> None:
    assert found(started) == Open((), (), 0)
