"""The command `demo`: an invented season, played through the program's own commands.

The season lies in sample_logs/: acts.csv holds what people wrote down, by days since application,
and is played so that the day after its last act is today. It goes to a scratch store, never to
the user's, with a scratch folder for the writer's key.
"""

from __future__ import annotations

import csv
import io
import os
import shlex
import shutil
import tempfile
import tomllib
from collections.abc import Iterator
from contextlib import contextmanager, redirect_stderr, redirect_stdout
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import Annotated

import typer

from logbook.cli.app import command
from logbook.cli.session import Session, say
from logbook.errors import StoreError, UserMistake
from logbook.trial import codes, times

SHOWN = (("today",), ("curve", "mineral-N", "meal"), ("curve", "mineral-N", "straw"))
STORE = "demo.db"
MENDED_BED = "B14"  # a bed of the scenario with a spill and a corrected watering
REISSUED = "WJFQKXYL:K"  # a result of the scenario that a re-issued report changed


@dataclass(frozen=True)
class Act:
    """One line of acts.csv: `name`, if any, stands for its code in later commands."""

    day: int
    clock: time
    by: str
    name: str
    command: str


def demo(
    context: typer.Context,
    keep: Annotated[
        Path | None,
        typer.Option(help="Leave the store in this new file, to explore.", metavar="FILE"),
    ] = None,
) -> None:
    """Show an invented season: its daily board and two release curves.

    Nothing touches your own logbook.

    Examples: logbook demo
              logbook demo --keep demo.db
    """
    session: Session = context.obj
    if session.store_given:
        raise UserMistake("the demo makes a store of its own", "logbook demo --keep FILE")
    if keep is not None:
        _refuse_taken(keep)
    say("An invented season: garden, beds, bags, people and laboratory do not exist.")
    with scratch_folder() as folder:
        store = folder / STORE
        count = play(store, session.clock.now())
        if keep is not None:
            store = _kept(store, keep)
        say(f"{count} acts played through the program's own commands.")
        _show(store, session.clock.fixed)
    _say_next(keep)


@contextmanager
def scratch_folder() -> Iterator[Path]:
    """A folder for store and key, the key's made known to the program, all gone at the end."""
    before = os.environ.get("LOGBOOK_STATE")
    with tempfile.TemporaryDirectory(prefix="logbook-demo-", ignore_cleanup_errors=True) as name:
        os.environ["LOGBOOK_STATE"] = str(Path(name) / "state")
        try:
            yield Path(name)
        finally:
            os.environ.pop("LOGBOOK_STATE")
            if before is not None:
                os.environ["LOGBOOK_STATE"] = before


def scenario_folder() -> Path:
    """Where the season's files are: inside the installed package, or beside it in a checkout."""
    package = Path(__file__).resolve().parents[1]
    inside = package / "sample_logs"
    return inside if inside.is_dir() else package.parent / "sample_logs"


def play(store: Path, now: datetime) -> int:
    """Play the whole season into `store` so that it reaches up to the day of `now`.

    `now` is an aware instant; its day is taken in the trial's zone. Returns the number of acts.
    Raises StoreError with the program's own words if an act fails.
    """
    folder = scenario_folder()
    acts = read_acts(folder / "acts.csv")
    protocol = tomllib.loads((folder / "protocol.toml").read_text(encoding="utf-8"))
    zone = times.zone(protocol["trial"]["zone"])
    start = now.astimezone(zone).date() - timedelta(days=acts[-1].day + 1)
    named = {"folder": shlex.quote(str(folder))}
    for act in acts:
        at = datetime.combine(_day(start, act), act.clock, zone)
        words = shlex.split(act.command.format_map(named))
        said = _played(["--store", str(store), "--by", act.by, *words], at)
        if act.name:
            named[act.name] = _code(said)
    return len(acts)


def read_acts(file: Path) -> list[Act]:
    """The acts of a season, in order."""
    with file.open(encoding="utf-8", newline="") as lines:
        return [
            Act(
                int(row["day"]),
                time.fromisoformat(row["clock"]),
                row["by"],
                row["name"],
                row["command"],
            )
            for row in csv.DictReader(lines)
        ]


def _day(start: date, act: Act) -> date:
    return start + timedelta(days=act.day)


def _played(arguments: list[str], at: datetime) -> str:
    """Run one act at that instant; returns what it said, or raises with what went wrong."""
    from logbook.cli.run import run

    said, wrong = io.StringIO(), io.StringIO()
    with redirect_stdout(said), redirect_stderr(wrong):
        code = run(arguments, now=at)
    if code:
        line = shlex.join(["logbook", *arguments])
        raise StoreError(f"the demo stopped at: {line}\n{wrong.getvalue().strip()}")
    return said.getvalue()


def _code(said: str) -> str:
    """The code of the act that a command echoed."""
    return next(word for word in said.split() if len(word) == codes.LENGTH and codes.is_valid(word))


def _refuse_taken(keep: Path) -> None:
    """Nothing that exists is written over."""
    if keep.is_dir():
        raise UserMistake(f"{keep} is a folder", f"name a new file in it: {keep / STORE}")
    if keep.exists() and keep.stat().st_size:
        raise UserMistake(f"{keep} exists already; nothing was written", "name a new file")


def _kept(store: Path, keep: Path) -> Path:
    try:
        keep.parent.mkdir(parents=True, exist_ok=True)
        shutil.move(store, keep)
    except OSError as problem:
        raise UserMistake(
            f"{keep}: cannot be written ({problem.strerror})", "name another file"
        ) from None
    return keep


def _show(store: Path, now: datetime | None) -> None:
    """The board and the curves, each under the command that shows it."""
    from logbook.cli.run import run

    for words in SHOWN:
        say(f"\n$ logbook {' '.join(words)}\n")
        code = run(["--store", str(store), *words], now=now)
        if code:
            raise StoreError(f"the demo stopped at: logbook {' '.join(words)}")


def _say_next(keep: Path | None) -> None:
    folder = scenario_folder()
    if keep is None:
        say("\nThis season is gone again. Next:")
        _say_commands(
            ("demo --keep demo.db", "play it again and keep it, to explore"),
            ("trial template > trial.toml", "a protocol of your own to fill in"),
            (
                f"trial check {shlex.quote(str(folder / 'protocol.toml'))}",
                "the protocol of this season",
            ),
        )
        return
    say(f"\nThis season is kept in {keep}. Next:")
    store = f"--store {shlex.quote(str(keep))}"
    _say_commands(
        (f"{store} curve pH shell", "what the crushed shell does to pH"),
        (f"{store} curve Ca shell", "and to calcium"),
        (f"{store} curve mineral-N rock", "what joined in week 5, by its own day 0"),
        (f"{store} compare", "every treatment against the control, all nutrients"),
        (f"{store} week", "the coming seven days, with the codes for the bags"),
        (f"{store} pull 'block 2'", "take today's samples; then: today"),
        (f"{store} history {MENDED_BED}", "every line about a bed, the corrected ones too"),
        (f"{store} history {REISSUED}", "a value of a re-issued report, and the one before"),
        (f"{store} verify", "check that nothing was altered"),
    )


def _say_commands(*commands: tuple[str, str]) -> None:
    for line, why in commands:
        say(f"  # {why}\n  logbook {line}")


COMMANDS = {"demo": command(demo)}
