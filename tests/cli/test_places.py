"""Places that are not as they were: a stick that is out, an emptied folder, a store there."""

from __future__ import annotations

import json
import os
import shutil
from pathlib import Path

import pytest

from tests.cli.test_syncing import Bench, enrolled, two  # noqa: F401

SEGMENTS = "amendment-logbook-segments"


def put_out(bench: Bench) -> Path:
    """The stick is out, and the folder that it was seen in is left, empty."""
    stick = Path(bench.stick)
    stick.rename(stick.with_name("in the drawer"))
    stick.mkdir()
    return stick


@pytest.mark.parametrize("named", [True, False])
@pytest.mark.parametrize("dry", [(), ("--dry-run",)])
def test_a_stick_that_is_out_gets_nothing_on_this_disk(
    two: Bench,  # noqa: F811
    named: bool,
    dry: tuple[str, ...],
) -> None:
    place = two.stick
    if named:
        two.must("office", "sync", "add", "stick", two.stick)
        place = "stick"
    two.must("office", "sync", place)
    stick = put_out(two)
    said = two.at("office", "sync", place, *dry)
    assert (said.code, said.out) == (2, "")
    assert said.err == (
        f"Error: {stick}: nothing of a logbook lies there now, where lines were left before\n"
        "Try: is the stick in, is the drive connected? If somebody emptied the folder: "
        "logbook sync PLACE --refill\n"
    )
    assert list(stick.iterdir()) == []
    stick.rmdir()
    stick.with_name("in the drawer").rename(stick)
    assert "nothing new" in two.must("office", "sync", place).out


def test_a_round_leaves_it_out_and_says_what_to_do(two: Bench) -> None:  # noqa: F811
    (two.folder / "drive").mkdir()
    two.must("office", "sync", "add", "drive", str(two.folder / "drive"))
    two.must("office", "sync", "add", "stick", two.stick)
    two.must("office", "sync")
    put_out(two)
    two.must("office", "note", "one more line")
    said = two.must("office", "sync")
    assert said.out == "drive: sent 1 line\n"
    reached, hint = said.err.splitlines()
    assert reached.startswith("stick: not reached: ")
    assert hint.startswith("  Try: is the stick in, is the drive connected?")


def test_a_folder_that_was_emptied_is_filled_again_on_request(enrolled: Bench) -> None:  # noqa: F811
    enrolled.must("office", "sync", "add", "stick", enrolled.stick)
    enrolled.must("office", "sync")
    whole = enrolled.exported("office")
    shutil.rmtree(Path(enrolled.stick) / SEGMENTS)
    of_all = enrolled.at("office", "sync", "--refill")
    assert (of_all.code, of_all.err) == (
        2,
        "Error: --refill is for one place\nTry: logbook sync PLACE --refill\n",
    )
    office, bench = enrolled.short("office"), enrolled.short("bench")
    first, second = sorted([("office", office), ("bench", bench)], key=lambda one: one[1])
    named = f"{first[0]} ({first[1]}), {second[0]} ({second[1]})"
    less = f"  the place has less of {named} than the last time (an old backup put back, or files "
    dry = enrolled.must("office", "sync", "stick", "--refill", "--dry-run").out
    assert f"{less}taken away?); what it lacks would be sent again\n" in dry
    again = enrolled.must("office", "sync", "stick", "--refill").out
    assert f"{less}taken away?); what it lacked was sent again\n" in again
    assert again.count("the place has less") == 1
    enrolled.must("new", "join", enrolled.stick, "--yes")
    assert enrolled.exported("office") == whole
    assert enrolled.must("office", "sync").code == 0


def test_a_name_that_no_place_has_is_told_from_a_stick_that_is_out(two: Bench) -> None:  # noqa: F811
    two.must("office", "sync", "add", "stick", two.stick)
    said = two.at("office", "sync", "stikc")
    assert (said.code, said.err) == (
        2,
        "Error: stikc: no place is called that, and there is no such folder\n"
        "Try: logbook sync places lists those that are known\n",
    )
    assert "put the stick in" in two.at("office", "sync", "./stikc").err


def test_each_place_that_is_out_says_what_to_do(two: Bench) -> None:  # noqa: F811
    for name in ("one", "other"):
        (two.folder / name).mkdir()
        two.must("office", "sync", "add", name, str(two.folder / name))
        (two.folder / name).rmdir()
    said = two.at("office", "sync")
    assert said.code == 2
    hint = "  Try: put the stick in or connect the drive, then sync again"
    assert said.err.splitlines() == [
        f"one: not reached: {two.folder / 'one'}: there is no such folder now",
        hint,
        f"other: not reached: {two.folder / 'other'}: there is no such folder now",
        hint,
        "Error: no lines could be exchanged anywhere",
    ]


@pytest.mark.skipif(os.name != "posix", reason="links need no rights there")
def test_a_link_that_leads_to_itself_ends_no_round(two: Bench) -> None:  # noqa: F811
    loop = two.folder / "loop"
    loop.mkdir()
    two.must("office", "sync", "add", "loop", str(loop))
    two.must("office", "sync", "add", "stick", two.stick)
    loop.rmdir()
    loop.symlink_to("loop")
    said = two.must("office", "sync")
    assert said.out.startswith("stick: sent ")
    assert f"loop: not reached: {loop}: there is no such folder now\n" in said.err
    for words in (("sync", str(loop)), ("sync", "add", "again", str(loop))):
        alone = two.at("office", *words)
        assert alone.code == 2
        assert "there is no such folder" in alone.err


def test_a_place_that_is_refused_in_a_round_ends_it_with_1(two: Bench) -> None:  # noqa: F811
    two.must("office", "sync", two.stick)
    two.must("shed", "trial", "start", "trial.toml", on="2026-03-01T09:00+01:00")
    (two.folder / "drive").mkdir()
    two.must("shed", "sync", "add", "drive", str(two.folder / "drive"))
    two.must("shed", "sync", "add", "stick", two.stick)
    said = two.at("shed", "sync")
    assert said.code == 1
    assert said.out.startswith("drive: sent ")
    assert "stick: nothing exchanged: " in said.err
    assert "\nError: 1 place was refused\nTry: name a place of this book; " in said.err


def test_a_folder_that_holds_the_store_is_not_even_remembered(two: Bench) -> None:  # noqa: F811
    said = two.at("office", "sync", "add", "all", str(two.folder))
    assert said.code == 2
    assert "lies in this folder\nTry: what syncs a folder would tear it: " in said.err
    assert two.must("office", "sync", "places").out.startswith("No place is known yet")


@pytest.mark.parametrize("lies", ["logbook.db", f"{SEGMENTS}/of the bench.db"])
def test_a_store_on_the_stick_is_named_as_one(two: Bench, lies: str) -> None:  # noqa: F811
    two.must("office", "sync", two.stick)
    two.must("office", "backup", str(Path(two.stick) / lies))
    for _ in range(2):
        said = two.at("office", "sync", two.stick)
        assert said.code == 1
        assert said.out == (
            f"{two.stick}: nothing new\n  {Path(lies).name}: a store lies here, or a copy of one: "
            "what syncs a folder would tear a store; move it elsewhere; "
            "give a backup another name\n"
        )


def test_a_backup_may_lie_on_the_stick(two: Bench) -> None:  # noqa: F811
    two.must("office", "sync", two.stick)
    two.must("office", "backup", str(Path(two.stick) / "logbook-2026-03-02.db"))
    assert two.must("office", "sync", two.stick).out == f"{two.stick}: nothing new\n"


def test_contact_is_by_the_name_of_a_place(enrolled: Bench) -> None:  # noqa: F811
    def through() -> list[str]:
        found = json.loads(enrolled.must("office", "machines", "--json").out)["machines"]
        return [one["last_contact"]["place"] for one in found if one["last_contact"]]

    assert through() == [enrolled.stick]
    enrolled.must("office", "sync", "add", "green stick", enrolled.stick)
    assert through() == ["green stick"]
    assert " through green stick\n" in enrolled.must("office", "machines").out


def test_two_founders_of_one_merged_book_are_not_called_several_books(two: Bench) -> None:  # noqa: F811
    two.must("office", "sync", two.stick)
    two.must("shed", "trial", "start", "trial.toml", on="2026-03-01T09:00+01:00")
    two.must("shed", "sync", two.stick, "--merge")
    said = two.at("new", "join", two.stick)
    assert said.code == 2
    assert "what lies there has several founders, " in said.err
    assert "it is several books, or one made of them\nTry: name one with --founder\n" in said.err


def test_a_chain_that_forks_is_said_by_sync_and_today_until_it_is_dealt_with(
    enrolled: Bench,  # noqa: F811
) -> None:
    """The bench's whole disk is copied, keys and all; both write, and the office hears of both."""
    for one in ("bench", "bench-keys"):
        shutil.copytree(enrolled.folder / one, enrolled.folder / "other disk" / one)
    enrolled.must("bench", "note", "on the bench")
    enrolled.must("bench", "sync", enrolled.stick)
    for one in ("bench", "bench-keys"):
        (enrolled.folder / one).rename(enrolled.folder / f"first {one}")
        shutil.copytree(enrolled.folder / "other disk" / one, enrolled.folder / one)
    enrolled.must("bench", "note", "on the copy")
    enrolled.must("bench", "sync", enrolled.stick)
    bench = enrolled.short("bench")
    forks = f"the chain of bench ({bench}) forks, as its store is in use in two places"
    assert f"  {forks}: logbook verify\n" in enrolled.must("office", "sync", enrolled.stick).out
    assert forks in " ".join(enrolled.must("office", "today").out.split())
    enrolled.must("bench", "note", "the next line, by a writer of its own")
    enrolled.must("bench", "sync", enrolled.stick)
    assert "forks, as" not in enrolled.must("office", "sync", enrolled.stick).out
    assert "forks, as" not in enrolled.must("office", "today").out
