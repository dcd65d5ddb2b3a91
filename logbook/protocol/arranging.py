"""From a protocol whose beds are not drawn yet to one with a drawn layout.

`draft` reads everything but the layout; `plan` settles how many beds of what; `arranged` draws
them; `with_layout` writes them into the protocol's text and reads it again as a whole.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from logbook.errors import UserMistake
from logbook.protocol import checks, reading
from logbook.protocol.content import MOST_BEDS, BedLine, Protocol
from logbook.protocol.layout import address
from logbook.protocol.lines import Path
from logbook.protocol.rewriting import remarks_among_beds, rewritten
from logbook.protocol.section import Findings
from logbook.trial import randomise

BLOCKS = "blocks"
RANDOM = "random"
USUAL_BLOCKS = 4
"""Four to six complete blocks do for most trials (Mississippi State Extension, P3930)."""
USUAL_PREFIX = "B"
ONE_BLOCK = "1"
"""The block of every bed of a completely random layout. Beds of one block are not paired: curves
compare the two groups of beds, and the controls are pulled whenever any treated bed is."""
_BOM = b"\xef\xbb\xbf"


@dataclass(frozen=True)
class Draft:
    """A protocol apart from its layout; `beds` are those it has now, as far as they can be read."""

    file: str
    data: bytes
    table: dict[str, Any]
    lines: dict[Path, int]
    protocol: Protocol
    beds: tuple[BedLine, ...]

    @property
    def text(self) -> str:
        """The file as text, with its own line ends, without a byte order mark."""
        return self.data.decode("utf-8-sig")

    @property
    def control(self) -> str:
        """The control's code."""
        return next(one.code for one in self.protocol.treatments if one.control)

    @property
    def treated(self) -> tuple[str, ...]:
        """The codes of the other treatments, in the order of the file."""
        return tuple(one.code for one in self.protocol.treatments if not one.control)

    @property
    def blocks(self) -> tuple[str, ...]:
        """The names of the blocks it has now."""
        return tuple(dict.fromkeys(bed.block for bed in self.beds if bed.block))


@dataclass(frozen=True)
class Wishes:
    """What somebody asked for; None: as the protocol has it, else the usual."""

    design: str = BLOCKS
    blocks: int | None = None
    repeats: int | None = None
    controls: int | None = None
    beds: int | None = None
    prefix: str | None = None
    size: str | None = None


@dataclass(frozen=True)
class Plan:
    """How many beds of what: `controls` in each block, `repeats` of a treatment in each block.

    A randomised block holds every treatment once; a completely random layout is one block.
    """

    design: str
    blocks: tuple[str, ...]
    repeats: int
    controls: int
    prefix: str
    sizes: tuple[tuple[str, str], ...]


def draft(data: bytes, file: str) -> Draft:
    """Read a protocol without judging its layout.

    Raises BadData with every problem that lies elsewhere, with its place in the file.
    """
    table, lines = reading.parsed(data, file)
    findings = Findings(file, lines)
    rest = {**table, "layout": {"assigned": "by hand", "beds": []}}
    protocol = reading.sections(rest, findings, hashlib.sha256(data).hexdigest())
    for check in checks.CHECKS:
        if check is not checks.check_planned:  # dates by block wait until there are blocks
            check(protocol, findings)
    findings.problems[:] = [one for one in findings.problems if one[1][:1] != ("layout",)]
    beds = _present_beds(table, findings)
    reading.refuse(findings)
    made = Draft(file, data, table, lines, protocol, beds)
    if not made.treated:
        raise UserMistake(f"{file}: there is no treatment besides the control", "describe one")
    return made


def _present_beds(table: dict[str, Any], findings: Findings) -> tuple[BedLine, ...]:
    """The beds as they stand; only their form is judged, since they are drawn anew."""
    layout = table.get("layout", {})
    beds = layout.get("beds", []) if isinstance(layout, dict) else None
    if not isinstance(beds, list) or not all(isinstance(bed, dict) for bed in beds):
        what = "the beds are not a list of entries"
        findings.add(("layout", "beds"), what, "write beds = [], or leave the key out")
        return ()
    keys = ("label", "block", "treatment", "size")
    return tuple(BedLine(*(str(bed.get(key, "")).strip() for key in keys)) for bed in beds)


def plan(given: Draft, wishes: Wishes) -> Plan:
    """Settle what was left open, from the layout the protocol has, else from the usual.

    Raises UserMistake where wishes contradict each other or the protocol.
    """
    if wishes.design not in (BLOCKS, RANDOM):
        raise UserMistake(f"{wishes.design!r} is not a design", f"use {BLOCKS} or {RANDOM}")
    for name in ("blocks", "repeats", "controls", "beds"):
        number = getattr(wishes, name)
        if number is not None and not 1 <= number <= MOST_BEDS:
            raise UserMistake(f"--{name} {number} is not from 1 to {MOST_BEDS}", "")
    if wishes.beds is not None and wishes.controls is not None:
        raise UserMistake("--beds and --controls say the same thing twice", "leave one of them out")
    in_blocks = wishes.design == BLOCKS
    blocks = _blocks(given, wishes) if in_blocks else _one_block(wishes)
    repeats = 1 if in_blocks else wishes.repeats or _present_repeats(given)
    controls = wishes.controls or _controls(given, wishes, len(blocks), repeats)
    total = len(blocks) * (controls + repeats * len(given.treated))
    if total > MOST_BEDS:
        raise UserMistake(f"{total} beds are more than {MOST_BEDS}", "ask for fewer")
    prefix = _prefix(given, wishes.prefix)
    return Plan(wishes.design, blocks, repeats, controls, prefix, _sizes(given, wishes.size))


def _blocks(given: Draft, wishes: Wishes) -> tuple[str, ...]:
    """The protocol's own names where their number stays, else 1, 2, 3 ..."""
    if wishes.repeats is not None:
        raise UserMistake(
            "--repeats is for --design random: a block holds every treatment once",
            f"--blocks {wishes.repeats}",
        )
    own = given.blocks
    count = wishes.blocks or (len(own) if len(own) > 1 else USUAL_BLOCKS)
    return own if len(own) == count else tuple(str(one + 1) for one in range(count))


def _one_block(wishes: Wishes) -> tuple[str, ...]:
    if wishes.blocks is not None:
        raise UserMistake(
            "--blocks is for --design blocks: a random layout has none",
            f"--repeats {wishes.blocks}",
        )
    return (ONE_BLOCK,)


def _present_repeats(given: Draft) -> int:
    counts = [sum(bed.treatment == code for bed in given.beds) for code in given.treated]
    return min(counts) or USUAL_BLOCKS


def _controls(given: Draft, wishes: Wishes, blocks: int, repeats: int) -> int:
    """Control beds of a block: from --beds, else as in the protocol, else by the square root."""
    treated = repeats * len(given.treated)
    if wishes.beds is not None:
        left, over = divmod(wishes.beds, blocks)
        if over or left <= treated:
            least = blocks * (treated + 1)
            step = f", {least + blocks}, {least + 2 * blocks} ..." if blocks > 1 else " or more"
            controls = "the same number of controls in every block" if blocks > 1 else "a control"
            raise UserMistake(
                f"{wishes.beds} beds cannot hold {blocks * repeats} beds of each treatment and "
                f"{controls}",
                f"--beds {least}{step}",
            )
        return left - treated
    counts = {
        sum(bed.treatment == given.control for bed in given.beds if bed.block == block)
        for block in given.blocks
    }
    if wishes.design == RANDOM:
        counts = {sum(bed.treatment == given.control for bed in given.beds)}
        counts = counts if wishes.repeats is None else set()
    if len(counts) == 1 and min(counts) > 0:
        return counts.pop()
    return repeats * randomise.control_beds(len(given.treated))


def _prefix(given: Draft, wished: str | None) -> str:
    """What stands before a bed's number: as wished, else as in the protocol, else B."""
    if wished is None:
        heads = {bed.label.rstrip("0123456789") for bed in given.beds}
        return heads.pop() if len(heads) == 1 and heads != {""} else USUAL_PREFIX
    if not wished or wished[-1].isdigit() or not wished.isprintable():
        raise UserMistake(f"--prefix {wished!r} cannot stand before a number", "--prefix B")
    address(f"{wished}{MOST_BEDS}")
    return wished


def _sizes(given: Draft, wished: str | None) -> tuple[tuple[str, str], ...]:
    """The size of each treatment's beds: one for all, else as the protocol has it."""
    known = [size.name for size in given.protocol.sizes]
    codes = (given.control, *given.treated)
    if wished is not None and wished not in known:
        raise UserMistake(
            f"--size {wished!r} is not described in {given.file}", f"use: {', '.join(known)}"
        )
    only = wished or (known[0] if len(known) == 1 else None)
    if only is not None:
        return tuple((code, only) for code in codes)
    found = {code: {bed.size for bed in given.beds if bed.treatment == code} for code in codes}
    open_ = [code for code in codes if len(found[code]) != 1 or not found[code] <= set(known)]
    if open_:
        raise UserMistake(
            f"{given.file} has several bed sizes and does not say which one goes with "
            f"{', '.join(open_)}",
            f"--size with one of: {', '.join(known)}",
        )
    return tuple((code, found[code].pop()) for code in codes)


def arranged(given: Draft, settled: Plan, seed: int) -> tuple[BedLine, ...]:
    """The beds in the order of the bench, block after block, drawn with that seed."""
    if settled.design == BLOCKS:
        rows = randomise.complete_blocks(
            seed, len(settled.blocks), given.control, settled.controls, given.treated
        )
    else:
        rows = [
            randomise.completely_random(
                seed, settled.repeats, given.control, settled.controls, given.treated
            )
        ]
    size = dict(settled.sizes)
    placed = [
        (block, code) for block, row in zip(settled.blocks, rows, strict=True) for code in row
    ]
    beds = tuple(
        BedLine(f"{settled.prefix}{number}", block, code, size[code])
        for number, (block, code) in enumerate(placed, start=1)
    )
    _check_labels(beds)
    return beds


def _check_labels(beds: Sequence[BedLine]) -> None:
    """No label may also be the name of a treatment or a block: a typed word means one thing."""
    taken = {bed.treatment.lower(): "a treatment" for bed in beds}
    taken |= {bed.block.lower(): "a block" for bed in beds}
    for bed in beds:
        if bed.label.lower() in taken:
            what = f"bed {bed.label} would have the name of {taken[bed.label.lower()]}"
            raise UserMistake(what, "choose other labels with --prefix")


def with_layout(given: Draft, beds: Sequence[BedLine], seed: int) -> tuple[bytes, Protocol]:
    """The new file and what it says. Raises BadData with every problem, placed in the old file."""
    explicit = len(given.protocol.sizes) > 1 or any(bed.size for bed in given.beds)
    entries = [_entry(bed, explicit) for bed in beds]
    layout = given.table.get("layout", {})
    table = {
        **given.table,
        "layout": {**layout, "assigned": "drawn", "seed": seed, "beds": entries},
    }
    findings = Findings(given.file, given.lines)
    checks.check(reading.sections(table, findings, given.protocol.sha256), findings)
    reading.refuse(findings)
    mark = _BOM if given.data.startswith(_BOM) else b""
    data = mark + rewritten(given.text, seed, entries, given.file).encode("utf-8")
    return data, reading.read(data, given.file)


def _entry(bed: BedLine, explicit: bool) -> dict[str, str]:
    entry = {"label": bed.label, "block": bed.block, "treatment": bed.treatment}
    return {**entry, "size": bed.size} if explicit else entry


def remarks_to_check(given: Draft, beds: Sequence[BedLine]) -> bool:
    """True if remarks in the list of beds may stand beside another bed than before."""
    before = [(bed.label, bed.block) for bed in given.beds]
    return before != [(bed.label, bed.block) for bed in beds] and remarks_among_beds(given.text)
