"""How many times as long as the least a program could do: run by hand, on a quiet machine.

    python tests/benchmarks/bench.py [today] [act] [import] [rebuild] [chain] [verify] [join] [sync]
        [science] [fits] [hub] [--runs N]

Ours and the other program take turns, each run a process of its own; printed are medians, their
ratio and the goal. Stores are built in a scratch folder from the demo's season (`seasons`).
"""

from __future__ import annotations

import argparse
import os
import shutil
import statistics
import subprocess
import sys
import sysconfig
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

HERE = Path(__file__).resolve().parent
LOGBOOK = str(Path(sysconfig.get_path("scripts")) / "logbook")
MOST_MEMORY_MB = 400


@dataclass(frozen=True)
class Run:
    """One run of a program: seconds, and the most memory it held where the platform says so."""

    seconds: float
    memory_mb: float | None


@dataclass(frozen=True)
class Contest:
    """Two programs that take turns; `before` restores the scene ahead of each turn.

    `inside` is true where the programs print their own seconds, without start and preparation;
    `memory` where the most memory that ours held is of interest.
    """

    name: str
    goal: float
    ours: Sequence[str]
    other: Sequence[str]
    before: Callable[[], None] = lambda: None
    inside: bool = False
    memory: bool = False

    def held(self, runs: int) -> str:
        """Take turns and say how it went; one more turn of each comes first, to warm the disk."""
        turns: tuple[list[Run], list[Run]] = ([], [])
        for number in range(runs + 1):
            for command, taken in zip((self.ours, self.other), turns, strict=True):
                self.before()
                run = timed(command, self.inside)
                if number:
                    taken.append(run)
        ours, other = (statistics.median(run.seconds for run in taken) for taken in turns)
        verdict = "met" if ours <= self.goal * other else "MISSED"
        peaks = [run.memory_mb for run in turns[0] if run.memory_mb is not None]
        memory = f", peak {max(peaks):.0f} MB" if peaks and self.memory else ""
        return (
            f"{self.name:<8} {ours:8.3f} s against {other:8.3f} s: {ours / other:5.2f} x "
            f"(goal {self.goal:g} x: {verdict}{memory})"
        )


def timed(command: Sequence[str], inside: bool) -> Run:
    """Run a program to its end; it must end well."""
    start = time.perf_counter()
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stdin=subprocess.DEVNULL)
    assert process.stdout is not None
    said = process.stdout.read()
    if hasattr(os, "wait4"):
        _, status, used = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
        memory = used.ru_maxrss / (2**20 if sys.platform == "darwin" else 2**10)
    else:
        process.wait()
        memory = None
    seconds = time.perf_counter() - start
    if process.returncode:
        raise SystemExit(f"{' '.join(command)} ended with {process.returncode}")
    return Run(float(said) if inside else seconds, memory)


@contextmanager
def scratch() -> Iterator[Path]:
    """A folder for stores and keys, known to the program, gone at the end."""
    with tempfile.TemporaryDirectory(prefix="logbook-bench-") as name:
        folder = Path(name)
        # An installed program finds its modules compiled; here the first turn compiles them.
        os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
        os.environ |= {
            "LOGBOOK_STORE": str(folder / "logbook.db"),
            "LOGBOOK_STATE": str(folder / "state"),
            "LOGBOOK_BY": "bench",
        }
        yield folder


def today(folder: Path) -> Contest:
    """The board of the realistic store (10,000 entries, 30,000 results, 13 trials of 14 over)."""
    build("realistic", folder)
    return Contest("today", 2, [LOGBOOK, "today"], python("one_table.py"))


def act(folder: Path) -> Contest:
    """One watering into the realistic store."""
    build("realistic", folder)
    other = python("one_row.py", str(folder / "other.db"), "watered B1")
    return Contest("act", 1.5, [LOGBOOK, "water", "B1"], other)


def lab_import(folder: Path) -> Contest:
    """100,000 results of samples that the store knows, as a laboratory would send them."""
    store, kept, other = folder / "logbook.db", folder / "kept", folder / "other.db"
    report = folder / "report.csv"
    build("samples", folder)
    kept.mkdir()
    shutil.copytree(folder / "state", kept / "state")
    shutil.copy(store, kept)

    def restored() -> None:
        other.unlink(missing_ok=True)
        shutil.copy(kept / store.name, store)
        shutil.copytree(kept / "state", folder / "state", dirs_exist_ok=True)

    ours = [LOGBOOK, "lab", "import", str(report), "--report", "bench"]
    raw = python("raw_import.py", str(report), str(other))
    return Contest("import", 15, ours, raw, restored, memory=True)


def rebuild(folder: Path) -> Contest:
    """The fold of the stress store: 200,000 writes in the demo's mix of acts."""
    other = folder / "other.db"
    build("stress", folder)

    def emptied() -> None:
        other.unlink(missing_ok=True)

    ours = python("rebuild.py", str(folder / "logbook.db"))
    return Contest("rebuild", 6, ours, [*ours, str(other)], emptied, inside=True, memory=True)


def chain(folder: Path) -> Contest:
    """`verify --chain` of the stress store, at 0.6 of the rate of a bare loop or more."""
    store = str(folder / "logbook.db")
    build("stress", folder)
    ours, loop = python("inside.py", "verify", "--chain"), python("checks.py", "loop", store)
    return Contest("chain", 1 / 0.6, ours, loop, inside=True)


def verify(folder: Path) -> Contest:
    """`verify` of the stress store against what it has to do: its chains, and a rebuild."""
    build("stress", folder)
    both = python("checks.py", "both", str(folder / "logbook.db"))
    return Contest("verify", 1.3, python("inside.py", "verify"), both, inside=True)


def join(folder: Path) -> Contest:
    """A new machine fetches the stress store from a folder, against its journal and rows raw."""
    store, new, other = folder / "logbook.db", folder / "new.db", folder / "other.db"
    stick = folder / "stick"
    build("stress", folder)
    stick.mkdir()
    subprocess.run([LOGBOOK, "sync", str(stick)], check=True, stdout=subprocess.DEVNULL)

    def emptied() -> None:
        new.unlink(missing_ok=True)
        other.unlink(missing_ok=True)

    ours = python("inside.py", "--store", str(new), "join", str(stick), "--yes")
    raw = python("rebuild.py", str(store), str(other))
    return Contest("join", 8, ours, raw, emptied, inside=True, memory=True)


def sync(folder: Path) -> Contest:
    """`sync` with a folder of twenty writers that has nothing new, from the realistic store."""
    build("realistic", folder)
    subprocess.run(python("machines.py", str(folder)), check=True)
    other = python("one_query.py", str(folder / "logbook.db"))
    return Contest("sync", 2, [LOGBOOK, "sync"], other)


def science(folder: Path) -> Contest:
    """Five shapes with ranges for 6,000 series, against reading their million results."""
    file = str(folder / "results.db")
    subprocess.run(python("science.py", file, "make"), check=True)
    ours, read = python("science.py", file), python("science.py", file, "read")
    return Contest("science", 3, ours, read, inside=True)


def fits() -> None:
    """Fits against scipy's curve_fit in a loop, on one thread: a script that prints its ratios."""
    one = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    subprocess.run(python("fit_speed.py"), check=True, env=os.environ | one)


def hub() -> None:
    """Sending to a real PostgreSQL and fetching from it: a script that prints its ratios."""
    subprocess.run(python("hub_speed.py"), check=True)


def build(which: str, folder: Path) -> None:
    """Build a store, in a process of its own: a child's peak memory begins at its parent's."""
    subprocess.run(python("seasons.py", which, str(folder)), check=True)


def python(script: str, *arguments: str) -> list[str]:
    """The command line of one of the scripts beside this one."""
    return [sys.executable, str(HERE / script), *arguments]


CONTESTS = {
    "today": today,
    "act": act,
    "import": lab_import,
    "rebuild": rebuild,
    "chain": chain,
    "verify": verify,
    "join": join,
    "sync": sync,
    "science": science,
}
SCRIPTS = {"fits": fits, "hub": hub}


def main() -> None:
    """Hold the contests that were asked for, or all of them."""
    names = ", ".join([*CONTESTS, *SCRIPTS])
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("names", nargs="*", metavar="NAME", help=f"of {names} [all]")
    parser.add_argument("--runs", type=int, help="turns of each [15 of what is quick, else 3]")
    asked = parser.parse_args()
    for name in asked.names or [*CONTESTS, *SCRIPTS]:
        if name in SCRIPTS:
            SCRIPTS[name]()
            continue
        with scratch() as folder:
            contest = CONTESTS[name](folder)
            runs = asked.runs or (15 if name in ("today", "act", "sync") else 3)
            print(contest.held(runs), flush=True)
            if name == "import":
                print(f"{'':8} (memory goal: under {MOST_MEMORY_MB} MB)")


if __name__ == "__main__":
    main()
