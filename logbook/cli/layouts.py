"""The command `trial layout`: draw treatments over beds, show the map, write a new protocol."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from logbook.cli.session import Session, as_json, say
from logbook.errors import UserMistake
from logbook.store import views
from logbook.trial.ranges import compact

if TYPE_CHECKING:
    from logbook.protocol.arranging import Draft, Plan
    from logbook.protocol.content import BedLine

WIDTH = 80
_LARGEST_SEED = 10**9  # what is drawn unasked: short enough to read out and type again


def _number(help_text: str) -> Any:
    return typer.Option(help=help_text, metavar="N")


File = Annotated[Path, typer.Argument(help="The protocol, a TOML file.", show_default=False)]
Out = Annotated[
    Path, typer.Option(help="The new protocol; never an existing file.", show_default=False)
]
Design = Annotated[
    str, typer.Option(help="blocks: every treatment once a block; or random.", metavar="DESIGN")
]
Blocks = Annotated[int | None, _number("Blocks [default: as in the file, else 4].")]
Repeats = Annotated[int | None, _number("With --design random: beds of each treatment.")]
Controls = Annotated[
    int | None,
    _number(
        "Control beds in a block, or in all if random [default: as in the file, else about the "
        "square root of the number of treatments to each bed of one]."
    ),
]
Beds = Annotated[int | None, _number("Beds in all: those left over are controls.")]
Seed = Annotated[int | None, _number("Draw this layout again [default: a new seed].")]
Prefix = Annotated[
    str | None,
    typer.Option(help="What stands before a bed's number [default: as in the file, else B]."),
]
Size = Annotated[str | None, typer.Option(help="The size of every bed, where there are several.")]
Json = Annotated[bool, typer.Option("--json", help="For programs.")]


def layout(
    context: typer.Context,
    file: File,
    out: Out,
    design: Design = "blocks",
    blocks: Blocks = None,
    repeats: Repeats = None,
    controls: Controls = None,
    beds: Beds = None,
    seed: Seed = None,
    prefix: Prefix = None,
    size: Size = None,
    json: Json = False,
) -> None:
    """Draw the treatments by lot over the beds and write a new protocol with that layout.

    Everything else in the file stays as it is, remarks too. It comes before day 0: nothing is
    written to the logbook.

    Examples: logbook trial layout trial.toml --out drawn.toml
              logbook trial layout trial.toml --out drawn.toml --blocks 5 --seed 4711
    """
    from logbook.protocol import arranging

    given = arranging.draft(_bytes(file, out), str(file))
    _before_day_zero(context.obj, given)
    wishes = arranging.Wishes(design, blocks, repeats, controls, beds, prefix, size)
    plan = arranging.plan(given, wishes)
    number = _seed(seed)
    drawn = arranging.arranged(given, plan, number)
    data, protocol = arranging.with_layout(given, drawn, number)
    notes = [*_notes(given, drawn), *protocol.warnings]
    _write(out, data)
    if json:
        as_json(_document(plan, number, drawn, notes, out))
        return
    _show(plan, number, drawn, given.control)
    say("")
    for note in notes:
        say(f"Note: {note}")
    say(f"Written: {out}. Look at the map, then: logbook trial check {out}")


def _bytes(file: Path, out: Path) -> bytes:
    """The protocol's bytes, once it is clear that the new one can be another file."""
    try:
        data = file.read_bytes()
    except OSError as problem:
        raise UserMistake(
            f"{file}: cannot be read ({problem.strerror})",
            "logbook trial template > trial.toml makes one",
        ) from None
    with suppress(OSError):  # a path that cannot even be looked at is refused on writing
        if out.exists() and out.samefile(file):
            raise UserMistake(f"{out}: the new protocol must be another file", "--out drawn.toml")
        if out.exists() or out.is_symlink():
            raise _exists(out)
    return data


def _exists(out: Path) -> UserMistake:
    return UserMistake(f"{out}: exists already and is left as it is", "name a new file with --out")


def _write(out: Path, data: bytes) -> None:
    """Make the new file; one that appeared meanwhile stays, and no half of ours is left."""
    made = False
    try:
        with out.open("xb") as target:
            made = True
            target.write(data)
    except FileExistsError:
        raise _exists(out) from None
    except OSError as problem:
        if made:
            with suppress(OSError):
                out.unlink()
        raise UserMistake(
            f"{out}: cannot be written ({problem.strerror})", "name another file with --out"
        ) from None


def _before_day_zero(session: Session, given: Draft) -> None:
    """Refuse the protocol of a trial that this logbook has started."""
    started: list[views.Found] = []
    with suppress(views.NoStore):
        started = session.read(lambda store: views.fetch(store, "trial"))
    for found in started:
        same = found.record.protocol == given.protocol.sha256
        if same or found.record.name.casefold() == given.protocol.name.casefold():
            raise UserMistake(
                f"{given.file}: {found.record.name!r} was started already, and a layout is drawn "
                "before that",
                "give a new trial another name in its protocol",
            )


def _seed(given: int | None) -> int:
    """The seed asked for, else a new one from the system's randomness."""
    from random import SystemRandom

    if given is None:
        return SystemRandom().randrange(_LARGEST_SEED)
    if not 0 <= given < 2**63:
        raise UserMistake(f"--seed {given} cannot be kept", "give a whole number from 0 up")
    return given


def _rows(drawn: tuple[BedLine, ...]) -> dict[str, list[BedLine]]:
    """The beds of each block, in the order of the bench."""
    rows: dict[str, list[BedLine]] = {}
    for bed in drawn:
        rows.setdefault(bed.block, []).append(bed)
    return rows


def _notes(given: Draft, drawn: tuple[BedLine, ...]) -> list[str]:
    """What to look at before the protocol is used."""
    from logbook.protocol.arranging import remarks_to_check
    from logbook.trial.randomise import concerns

    rows = [[bed.treatment for bed in row] for row in _rows(drawn).values()]
    notes = [
        f"{concern}, by chance; should light or an edge make that matter, draw again and write "
        "down why"
        for concern in concerns(rows)
    ]
    if remarks_to_check(given, drawn):
        notes.append("the list of beds has another form now: check the remarks in it")
    return notes


def _show(plan: Plan, seed: int, drawn: tuple[BedLine, ...], control: str) -> None:
    counts = [sum(bed.treatment == code for bed in drawn) for code, _ in plan.sizes]
    say(f"{_title(plan)}, seed {seed}: {len(drawn)} beds, {counts[0]} of them {control} (control)")
    say("")
    for line in bed_map(drawn):
        say(line)


def _title(plan: Plan) -> str:
    if plan.design == "random":
        return "Completely random"
    count = len(plan.blocks)
    return f"Randomised complete blocks, {count} block{'s' if count > 1 else ''}"


def bed_map(drawn: tuple[BedLine, ...], width: int = WIDTH) -> list[str]:
    """A line for each block with its beds and their treatments, side by side, in plain columns.

    A block too long for `width` columns goes on in further lines, each with its own beds.
    """
    cell = max(len(bed.treatment) for bed in drawn) + 2
    blocks = max(len("Block"), *(len(bed.block) for bed in drawn)) + 2
    longest = max(len(bed.label) for bed in drawn) * 2 + 3
    fitting = max(1, (width - blocks - longest) // cell)
    lines = [f"{'Block':{blocks}}{'Beds':{longest}}Treatments"]
    for block, row in _rows(drawn).items():
        for start in range(0, len(row), fitting):
            part = row[start : start + fitting]
            codes = "".join(f"{bed.treatment:{cell}}" for bed in part)
            labels = compact(bed.label for bed in part)
            lines.append(f"{'' if start else block:{blocks}}{labels:{longest}}{codes}".rstrip())
    return lines


def _document(
    plan: Plan, seed: int, drawn: tuple[BedLine, ...], notes: list[str], out: Path
) -> dict[str, Any]:
    """The layout for JSON."""
    return {
        "file": str(out),
        "design": plan.design,
        "seed": seed,
        "blocks": list(plan.blocks),
        "controls_per_block": plan.controls,
        "beds": [
            {"bed": b.label, "block": b.block, "treatment": b.treatment, "size": b.size}
            for b in drawn
        ],
        "notes": notes,
    }
