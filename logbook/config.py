"""Where things live on this machine: the store, this writer's key file, the author's handle.

The key file is never beside the store, so that a copied or restored store is recognised: a copy
does not bring its writer along. `LOGBOOK_STORE`, `LOGBOOK_STATE`, `LOGBOOK_HANDBOOK`,
`LOGBOOK_PROFILES`, `LOGBOOK_MACHINE` and `LOGBOOK_BY` override.
"""

from __future__ import annotations

import json
import os
import re
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path

from logbook.errors import StoreError, UserMistake

APP = "amendment-trial-logbook"
_KEY = re.compile(r"[0-9a-f]{64}")
_MOVE_AWAY = "move it away: the next line will be written as a new writer"
# What a store is called where nobody names another file.
STORE_NAME = "logbook.db"


@dataclass(frozen=True)
class Replica:
    """This machine's file on one writer: its key, its store, and the last entry it wrote."""

    writer: str
    private_key: str
    public_key: str
    store: str
    seq: int
    id: str


def store_path(given: str | None, environment: Mapping[str, str] = os.environ) -> Path:
    """The store's file: as given, as `LOGBOOK_STORE` says, or in the platform's data folder."""
    named = given or environment.get("LOGBOOK_STORE")
    if named:
        return _expanded(named)
    from platformdirs import user_data_path

    return user_data_path(APP, appauthor=False) / STORE_NAME


def _expanded(named: str) -> Path:
    try:
        return Path(named).expanduser()
    except RuntimeError:
        raise UserMistake(f"{named}: there is no such home folder", "name a whole path") from None


def state_folder(environment: Mapping[str, str] = os.environ) -> Path:
    """The folder of the key files: `LOGBOOK_STATE`, or the platform's state folder."""
    named = environment.get("LOGBOOK_STATE")
    if named:
        return _expanded(named)
    from platformdirs import user_state_path

    # Not the data folder's name: on some platforms both kinds of folder have the same parent.
    return user_state_path(f"{APP}-keys", appauthor=False)


def handbook_folder(environment: Mapping[str, str] = os.environ) -> Path:
    """Where edited copies of tables are: `LOGBOOK_HANDBOOK`, or the platform's configuration."""
    named = environment.get("LOGBOOK_HANDBOOK")
    if named:
        return _expanded(named)
    from platformdirs import user_config_path

    return user_config_path(APP, appauthor=False) / "handbook"


def profiles_folder(environment: Mapping[str, str] = os.environ) -> Path:
    """Where the profiles of laboratories are: `LOGBOOK_PROFILES`, or the platform's folder."""
    named = environment.get("LOGBOOK_PROFILES")
    if named:
        return _expanded(named)
    from platformdirs import user_config_path

    return user_config_path(APP, appauthor=False) / "profiles"


def refuse_beside(state: Path, store: Path) -> None:
    """Refuse a folder of key files that is the store's own: a copy would bring the keys along."""
    if state.resolve() == store.resolve().parent:
        raise UserMistake(
            f"{state}: the key files may not lie beside the store",
            "name another folder with LOGBOOK_STATE",
        )


def author(given: str | None, environment: Mapping[str, str] = os.environ) -> str:
    """The handle that signs acts: as given, `LOGBOOK_BY`, or the account's name."""
    named = given or environment.get("LOGBOOK_BY")
    if not named:
        import getpass

        try:
            named = getpass.getuser()
        except (KeyError, OSError):
            raise UserMistake("this account has no name", "say who writes with --by") from None
    handle = named.strip()
    if not handle or len(handle) > 40 or any(not c.isprintable() for c in handle):
        raise UserMistake(f"{named!r} cannot be a handle", "use up to 40 printable characters")
    return handle


def machine_name(environment: Mapping[str, str] = os.environ) -> str:
    """The display name of this machine: `LOGBOOK_MACHINE`, or what its system calls it."""
    import platform

    named = environment.get("LOGBOOK_MACHINE", "").strip() or platform.node() or "this machine"
    return "".join(c for c in named if c.isprintable())[:40]


def new_replica(store: Path) -> Replica:
    """A fresh writer: an Ed25519 key pair, and the id that follows from its public half."""
    import hashlib

    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    key = Ed25519PrivateKey.generate()
    public = key.public_key().public_bytes_raw()
    return Replica(
        writer=hashlib.sha256(public).hexdigest()[:32],
        private_key=key.private_bytes_raw().hex(),
        public_key=public.hex(),
        store=str(store.resolve()),
        seq=0,
        id="",
    )


def load(folder: Path, writer: str) -> Replica | None:
    """The replica file of a writer, or None if this machine has none."""
    path = _file(folder, writer)
    try:
        replica = Replica(**json.loads(path.read_text(encoding="utf-8")))
    except FileNotFoundError:
        return None
    except OSError as problem:
        raise StoreError(
            f"{path}: this writer's key file cannot be read ({problem.strerror})", _MOVE_AWAY
        ) from None
    except (ValueError, TypeError):
        raise _damaged(path, "it is not as it was written") from None
    if not _is_whole(replica, writer):
        raise _damaged(path)
    return replica


def _is_whole(replica: Replica, writer: str) -> bool:
    """True if the fields are what they must be, and the writer's id follows from its public key.

    That the private key belongs to it takes a library that no act loads: see `must_sign`.
    """
    import hashlib

    texts = (replica.writer, replica.private_key, replica.public_key, replica.store, replica.id)
    if not all(isinstance(text, str) for text in texts) or type(replica.seq) is not int:
        return False
    if not all(_KEY.fullmatch(key) for key in (replica.private_key, replica.public_key)):
        return False
    found = hashlib.sha256(bytes.fromhex(replica.public_key)).hexdigest()[:32]
    return found == writer == replica.writer


def must_sign(folder: Path, replica: Replica) -> None:
    """Raise StoreError if the writer's private key is not the one that its public key is of."""
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    key = Ed25519PrivateKey.from_private_bytes(bytes.fromhex(replica.private_key))
    if key.public_key().public_bytes_raw().hex() != replica.public_key:
        raise _damaged(_file(folder, replica.writer))


def _damaged(path: Path, how: str = "its keys and its id do not belong together") -> StoreError:
    return StoreError(f"{path}: this writer's key file is damaged: {how}", _MOVE_AWAY)


def has_key(folder: Path, writer: str) -> bool:
    """True if this machine has the file of a writer, readable or not."""
    return _file(folder, writer).exists()


def save(folder: Path, replica: Replica) -> None:
    """Write a replica file whole, readable by its owner alone.

    A file that is ahead already stays: another process of this writer has gone on since.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        kept = load(folder, replica.writer)
        if kept is None or kept.seq <= replica.seq:
            _write_whole(_file(folder, replica.writer), json.dumps(asdict(replica), indent=1))
    except OSError as problem:
        raise StoreError(
            f"{folder}: this writer's key file cannot be written ({problem.strerror})",
            "name another folder with LOGBOOK_STATE",
        ) from problem


def forget(folder: Path, replica: Replica) -> None:
    """Remove the file of a writer that wrote nothing."""
    _file(folder, replica.writer).unlink(missing_ok=True)


def _file(folder: Path, writer: str) -> Path:
    return folder / f"writer-{writer}.json"


def _write_whole(path: Path, text: str) -> None:
    temporary = path.with_suffix(f".{os.getpid()}.tmp")
    temporary.unlink(missing_ok=True)
    descriptor = os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    try:
        with os.fdopen(descriptor, "w", encoding="utf-8") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        temporary.replace(path)
    except OSError:
        temporary.unlink(missing_ok=True)
        raise
    # The new name itself is durable only where a folder can be synced.
    if hasattr(os, "O_DIRECTORY"):
        opened = os.open(path.parent, os.O_RDONLY | os.O_DIRECTORY)
        try:
            os.fsync(opened)
        finally:
            os.close(opened)
