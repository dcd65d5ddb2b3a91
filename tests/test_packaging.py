"""The package as people get it: built, installed beside nothing of the checkout, and run there."""

from __future__ import annotations

import gzip
import os
import subprocess
import sys
import sysconfig
import tarfile
import venv
import zipfile
from dataclasses import dataclass
from pathlib import Path

import pytest

from logbook import __version__

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
    """The wheel in an environment of its own, with a scratch store."""

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


@pytest.fixture(scope="module")
def installed(built: Path, tmp_path_factory: pytest.TempPathFactory) -> Installed:
    """A fresh environment with the wheel; its dependencies are borrowed from the running one."""
    folder = tmp_path_factory.mktemp("installed")
    venv.create(folder / "venv", with_pip=False)
    (wheel,) = built.glob("*.whl")
    python = folder / "venv" / BIN / "python"
    subprocess.run(
        [sys.executable, "-m", "pip", "--quiet", "--python", str(python), "install", "--no-deps",
         "--no-index", "--no-compile", str(wheel)],
        check=True,
    )  # fmt: skip
    (site,) = (folder / "venv").rglob("site-packages")
    # A path line is not followed further: an editable install of the checkout stays out.
    (site / "borrowed.pth").write_text(sysconfig.get_path("purelib") + "\n", encoding="utf-8")
    return Installed(folder)


def test_everything_of_the_wheel_lies_inside_the_package(built: Path) -> None:
    (wheel,) = built.glob("*.whl")
    names = zipfile.ZipFile(wheel).namelist()
    tops = {name.partition("/")[0] for name in names}
    assert tops == {"logbook", f"amendment_trial_logbook-{__version__}.dist-info"}
    assert {"logbook/migrations/env.py", "logbook/sample_logs/protocol.toml"} <= set(names)
    versions = {path.name for path in (ROOT / "migrations" / "versions").glob("*.py")}
    assert {f"logbook/migrations/versions/{name}" for name in versions} <= set(names)
    assert not [name for name in names if name.endswith((".pyc", ".db"))]


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


def test_a_first_trial_on_a_machine_that_never_saw_the_checkout(installed: Installed) -> None:
    """Template, check, start, a first act, the board: the migrations come out of the wheel."""
    protocol = installed.fine("logbook", "trial", "template")
    (installed.folder / "trial.toml").write_text(protocol, encoding="utf-8")
    installed.fine("logbook", "trial", "check", "trial.toml")
    started = installed.fine("logbook", "--by", "mira", "trial", "start", "trial.toml")
    assert "9 beds" in started
    filled = installed.fine("logbook", "--by", "mira", "fill", "all", "--mass", "300 kg")
    assert "filled B1-B9 with 300 kg each (weighed)" in filled
    assert "Two composts and a meal" in installed.fine("logbook", "today")
    assert "no problems found" in installed.fine("logbook", "verify")


@pytest.mark.parametrize("packed", GOLDEN, ids=lambda path: path.name)
def test_the_store_of_every_release_opens_and_is_sound(packed: Path, installed: Installed) -> None:
    """An act upgrades it first where the schema is older; then everything in it must hold."""
    store = installed.folder / packed.stem
    store.write_bytes(gzip.decompress(packed.read_bytes()))
    at = ("logbook", "--store", str(store), "--by", "mira")
    assert installed.run(*at, "note", "opened by a later release").returncode == 0
    assert "no problems found" in installed.fine(*at, "verify")


def test_the_demo_runs_from_the_wheel_and_leaves_the_store_alone(installed: Installed) -> None:
    own = installed.folder / "logbook.db"
    before = own.read_bytes() if own.exists() else None
    shown = installed.fine("logbook", "demo")
    assert "invented" in shown
    assert (own.read_bytes() if own.exists() else None) == before
