"""The chain check: each kind of damage with its own sentence, and where it is."""

from __future__ import annotations

from dataclasses import replace

import pytest

from logbook.journal.chain import Branch, Filed, Fork, Seen, check, forks
from logbook.journal.entry import Write, decode, encode, entry_id
from tests.store import made

RESTORE = "Restore a backup, or copy the book anew from another machine: logbook join."
FETCH = "Fetch it: logbook sync --thorough, with a place that has it; else restore a backup."


def _chain(length: int = 5, name: str = "ann") -> list[Filed]:
    acts = [[Write(f"note/K{n}/b1", {"text": f"remark {n}"})] for n in range(2, length + 1)]
    return [
        Filed(ident, entry.writer, entry.seq, body, entry.act)
        for ident, entry, body in made.chain_of(name, acts)
    ]


def _said(filed: list[Filed]) -> list[str]:
    problems = check(sorted(filed, key=lambda one: (one.writer, one.seq, one.id)))
    assert all(
        problem.remedy == (FETCH if "missing before it" in problem.what else RESTORE)
        for problem in problems
    )
    return [f"{problem.where}: {problem.what}" for problem in problems]


def _where(one: Filed) -> str:
    return f"writer {one.writer[:8]}, entry {one.seq} ({one.id[:12]})"


def test_sound_chains_of_several_writers_have_no_problem() -> None:
    assert check([]) == []
    assert _said([*_chain(), *_chain(3, "bea"), *_chain(1, "cyd")]) == []


def test_a_changed_byte() -> None:
    chain = _chain()
    chain[2] = replace(chain[2], body=chain[2].body.replace(b"remark 3", b"remark 8"))
    assert _said(chain) == [
        f"{_where(chain[2])}: its bytes do not match its id: it was changed or damaged"
    ]


def test_every_changed_byte_is_found() -> None:
    chain = _chain(3)
    body = chain[1].body
    for place in range(len(body)):
        flipped = body[:place] + bytes([body[place] ^ 1]) + body[place + 1 :]
        assert len(_said([chain[0], replace(chain[1], body=flipped), chain[2]])) == 1


def test_missing_numbers() -> None:
    chain = _chain(6)
    gap = f"{_where(chain[2])}: entry 2 of this writer is missing before it"
    assert _said([chain[0], *chain[2:]]) == [gap]
    gap = f"{_where(chain[4])}: entries 2 to 4 of this writer are missing before it"
    assert _said([chain[0], *chain[4:]]) == [gap]
    gap = f"{_where(chain[1])}: entry 1 of this writer is missing before it"
    assert _said(chain[1:]) == [gap]


def test_an_entry_that_follows_another_than_the_one_before_it() -> None:
    chain = _chain()
    entry = replace(decode(chain[3].body), prev="ab" * 32)
    body = encode(entry)
    wrong = Filed(entry_id(body), entry.writer, 4, body, entry.act)
    said = _said([*chain[:3], wrong, chain[4]])
    assert said == [
        f"{_where(wrong)}: it does not follow the entry before it",
        f"{_where(chain[4])}: it does not follow the entry before it",
    ]


def test_a_fork_breaks_no_rule_and_both_branches_are_named() -> None:
    chain = _chain(4)
    entry = replace(decode(chain[3].body), reason="written twice")
    body = encode(entry)
    other = Filed(entry_id(body), entry.writer, 4, body, entry.act)
    entry = replace(decode(chain[3].body), seq=5, prev=other.id)
    body = encode(entry)
    fifth = Filed(entry_id(body), entry.writer, 5, body, entry.act)
    assert _said([*chain, other, fifth]) == []

    links = {one.id: (one.seq, decode(one.body).prev) for one in [*chain, other, fifth]}
    short = Branch(chain[3].id, chain[3].id, 4, 1)
    long = Branch(other.id, fifth.id, 5, 2)
    both = tuple(sorted((short, long), key=lambda branch: branch.first))
    assert forks(links) == [Fork(4, both)]
    assert forks({one.id: links[one.id] for one in chain}) == []


def test_what_entries_saw_of_other_writers_is_told() -> None:
    chain = _chain(3)
    entry = replace(decode(chain[2].body), saw={"c" * 32: [7, "a" * 64]})
    body = encode(entry)
    seen: Seen = {}
    last = Filed(entry_id(body), entry.writer, 3, body, entry.act)
    assert check([*chain[:2], last], seen) == []
    assert seen == {("c" * 32, 7, "a" * 64): {entry.writer}}


@pytest.mark.parametrize(
    "changes", [{"seq": 6}, {"writer": made.writer_id("bea")}, {"act": "K7M3QX4R"}, {"act": None}]
)
def test_an_entry_filed_under_what_it_does_not_say(changes: dict[str, object]) -> None:
    chain = _chain()
    chain[4] = replace(chain[4], **changes)  # type: ignore[arg-type]
    wrong = "it is filed under another writer, number or act than it says"
    assert f"{_where(chain[4])}: {wrong}" in _said(chain)


def test_bytes_that_are_no_entry() -> None:
    body = b"not JSON"
    filed = Filed(entry_id(body), made.writer_id("ann"), 1, body, None)
    (said,) = _said([filed])
    assert said.startswith(f"{_where(filed)}: its bytes cannot be read (not an entry: ")


def test_a_first_entry_must_hold_the_key_that_its_writer_is_named_after() -> None:
    first = _chain(1)[0]
    entry = decode(first.body)
    wrong = "it does not introduce its writer, as a first entry must"
    value = entry.writes[0].value or {}
    for strange in ({**value, "public_key": made.public_key("bea")}, {**value, "public_key": 7},
                    {**value, "public_key": "zz"}, {}, None):  # fmt: skip
        body = encode(replace(entry, writes=(Write(entry.writes[0].key, strange),)))
        filed = Filed(entry_id(body), entry.writer, 1, body, None)
        assert _said([filed]) == [f"{_where(filed)}: {wrong}"]


def test_one_change_among_ten_thousand_entries() -> None:
    chain = _chain(10_000)
    assert check(chain) == []
    chain[7_654] = replace(chain[7_654], body=chain[7_654].body.replace(b"remark", b"Remark"))
    assert _said(chain) == [
        f"{_where(chain[7_654])}: its bytes do not match its id: it was changed or damaged"
    ]
