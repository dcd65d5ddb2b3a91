"""The package as people get it: built, installed beside nothing of the checkout, and run there."""

from __future__ import annotations

import gzip
import os
import sqlite3
import subprocess
import sys
import sysconfig
import tarfile
import venv
import zipfile
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

import pytest

from logbook import __version__
from logbook.store.schemas import SCHEMA

ROOT = Path(__file__).resolve().parents[1]
GOLDEN = sorted((ROOT / "tests" / "golden").glob("store-*.db.gz"))
BIN = "Scripts" if os.name == "nt" else "bin"


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder with the sdist, and the wheel that was built from it."""
    folder = tmp_path_factory.mktemp("dist")
    # Without isolation, so that nothing is fetched: the build tool is a development dependency.
    command = [sys.executable, "-m", "build", "--no-isolation", "--outdir", str(folder), str(ROOT)]
    done = subprocess.run(command, capture_output=True, encoding="utf-8", check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    return folder


@dataclass(frozen=True)
class Installed:
    """The package in an environment of its own, with a scratch store."""

    folder: Path

    def run(self, *command: str) -> subprocess.CompletedProcess[str]:
        """Run a program of that environment, outside the checkout."""
        inherited = {k: v for k, v in os.environ.items() if k not in ("PYTHONPATH", "LOGBOOK_BY")}
        environment = inherited | {
            "LOGBOOK_STORE": str(self.folder / "logbook.db"),
            "LOGBOOK_STATE": str(self.folder / "state"),
            "PYTHONIOENCODING": "utf-8",
        }
        program = str(self.folder / "venv" / BIN / command[0])
        return subprocess.run(
            [program, *command[1:]], cwd=self.folder, env=environment, stdin=subprocess.DEVNULL,
            capture_output=True, encoding="utf-8", check=False,
        )  # fmt: skip

    def fine(self, *command: str) -> str:
        """What a program prints; it must end well and say nothing on stderr."""
        done = self.run(*command)
        assert (done.returncode, done.stderr) == (0, "")
        return done.stdout


def install(folder: Path, *what: str) -> Installed:
    """A fresh environment with the package; its dependencies are borrowed from the running one."""
    venv.create(folder / "venv", with_pip=False)
    (site,) = (folder / "venv").rglob("site-packages")
    # A path line is not followed further: an editable install of the checkout stays out.
    (site / "borrowed.pth").write_text(sysconfig.get_path("purelib") + "\n", encoding="utf-8")
    python = folder / "venv" / BIN / "python"
    # --ignore-installed: what is borrowed is not this environment's to replace.
    subprocess.run(
        [sys.executable, "-m", "pip", "--quiet", "--python", str(python), "install", "--no-deps",
         "--no-index", "--no-compile", "--no-build-isolation", "--ignore-installed", *what],
        check=True,
    )  # fmt: skip
    return Installed(folder)


@pytest.fixture(scope="module")
def installed(built: Path, tmp_path_factory: pytest.TempPathFactory) -> Installed:
    """The wheel, installed."""
    (wheel,) = built.glob("*.whl")
    return install(tmp_path_factory.mktemp("installed"), str(wheel))


@pytest.fixture(scope="module")
def from_source(built: Path, tmp_path_factory: pytest.TempPathFactory) -> Installed:
    """The source archive, built and installed by pip as on a machine without a wheel."""
    (archive,) = built.glob("*.tar.gz")
    return install(tmp_path_factory.mktemp("from_source"), str(archive))


@pytest.fixture(scope="module")
def editable(tmp_path_factory: pytest.TempPathFactory) -> Installed:
    """The checkout itself, as its developers run it."""
    return install(tmp_path_factory.mktemp("editable"), "--editable", str(ROOT))


def test_everything_of_the_wheel_lies_inside_the_package(built: Path) -> None:
    (wheel,) = built.glob("*.whl")
    names = zipfile.ZipFile(wheel).namelist()
    tops = {name.partition("/")[0] for name in names}
    assert tops == {"logbook", f"amendment_trial_logbook-{__version__}.dist-info"}
    assert "logbook/migrations/env.py" in names
    season = {path.name for path in (ROOT / "sample_logs").glob("*.*")}
    assert {"protocol.toml", "acts.csv", "report-08-reissued.csv", "report-15.csv"} <= season
    assert {f"logbook/sample_logs/{name}" for name in season} <= set(names)
    versions = {path.name for path in (ROOT / "migrations" / "versions").glob("*.py")}
    assert {f"logbook/migrations/versions/{name}" for name in versions} <= set(names)
    assert not [name for name in names if name.endswith((".pyc", ".db"))]


def test_the_tables_that_the_program_reads_are_in_the_wheel(built: Path) -> None:
    (wheel,) = built.glob("*.whl")
    names = set(zipfile.ZipFile(wheel).namelist())
    tables = {one.relative_to(ROOT).as_posix() for one in (ROOT / "logbook").rglob("*.toml")}
    assert {
        "logbook/report/labels/sheets.toml",
        "logbook/handbook/products.toml",
        "logbook/handbook/sufficiency.toml",
        "logbook/labs/profiles/example-fen.toml",
        "logbook/labs/profiles/example-harbour.toml",
        "logbook/labs/profiles/example-mill.toml",
    } <= tables
    assert (tables | {"logbook/py.typed"}) <= names


def test_the_source_archive_holds_the_project(built: Path) -> None:
    (archive,) = built.glob("*.tar.gz")
    with tarfile.open(archive) as opened:
        names = {name.partition("/")[2] for name in opened.getnames()}
    wanted = {"README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml", "tests/test_packaging.py"}
    assert wanted <= names


def test_the_installed_program_is_the_installed_one(installed: Installed) -> None:
    assert installed.fine("logbook", "--version") == f"logbook {__version__}\n"
    where = installed.fine("python", "-c", "import logbook; print(logbook.__file__)")
    assert Path(where.strip()).is_relative_to(installed.folder)


@pytest.mark.long
def test_a_first_trial_on_a_machine_that_never_saw_the_checkout(installed: Installed) -> None:
    """Template, check, start, a first act, the board: the migrations come out of the wheel."""
    protocol = installed.fine("logbook", "trial", "template")
    (installed.folder / "trial.toml").write_text(protocol, encoding="utf-8")
    installed.fine("logbook", "trial", "check", "trial.toml")
    started = installed.fine("logbook", "--by", "mira", "trial", "start", "trial.toml")
    assert "9 beds" in started
    filled = installed.fine("logbook", "--by", "mira", "fill", "all", "--mass", "1100 kg")
    assert "filled B1-B9 with 1100 kg each (how known: not said)" in filled
    assert "A compost and a meal" in installed.fine("logbook", "today")
    assert "no problems found" in installed.fine("logbook", "verify")


@pytest.mark.parametrize("packed", GOLDEN, ids=lambda path: path.name)
@pytest.mark.parametrize("how", ["installed", "from_source", "editable"])
@pytest.mark.long
def test_the_store_of_every_release_is_upgraded_by_every_kind_of_install(
    packed: Path, how: str, request: pytest.FixtureRequest
) -> None:
    """Reading upgrades it where its schema is older; then everything in it must hold."""
    program: Installed = request.getfixturevalue(how)
    store = program.folder / packed.stem
    store.write_bytes(gzip.decompress(packed.read_bytes()))
    before = _journal(store)
    at = ("logbook", "--store", str(store))
    older = _schema(store) != SCHEMA
    board = program.run(*at, "today", "--on", "2026-03-22")
    assert board.returncode == 0 and "Small house (invented)" in board.stdout
    kept = [one for one in program.folder.glob(f"{store.stem}-before-*") if older]
    assert len(board.stderr.splitlines()) == len(kept) == int(older)
    assert _schema(store) == SCHEMA
    assert [_journal(one) for one in (store, *kept)] == [before] * (1 + len(kept))
    assert "no problems found" in program.fine(*at, "verify")


def test_each_kind_of_install_runs_its_own_code(
    from_source: Installed, editable: Installed
) -> None:
    for program, root in ((from_source, from_source.folder), (editable, ROOT)):
        where = program.fine("python", "-c", "import logbook; print(logbook.__file__)")
        assert Path(where.strip()).is_relative_to(root)
        assert program.fine("logbook", "--version") == f"logbook {__version__}\n"


def _schema(store: Path) -> str:
    with closing(sqlite3.connect(store)) as connection:
        return str(connection.execute("SELECT version_num FROM alembic_version").fetchone()[0])


def _journal(store: Path) -> list[tuple[str, bytes]]:
    with closing(sqlite3.connect(store)) as connection:
        return connection.execute("SELECT id, body FROM entry ORDER BY id").fetchall()


def test_labels_tables_and_profiles_are_found_by_the_installed_program(
    installed: Installed,
) -> None:
    assert "a4-63x38" in installed.fine("logbook", "labels", "--sheets")
    shown = installed.fine("logbook", "lab", "profile", "show", "example-fen")
    assert shown.startswith("example-fen: Fen Soil Laboratory (invented)\n")


@pytest.mark.long
def test_the_demo_runs_from_the_wheel_and_leaves_the_store_alone(installed: Installed) -> None:
    own = installed.folder / "logbook.db"
    before = own.read_bytes() if own.exists() else None
    shown = installed.fine("logbook", "demo")
    assert "invented" in shown
    assert (own.read_bytes() if own.exists() else None) == before
