"""Where profiles are kept: the user's own files, and the examples that come with the program."""

from __future__ import annotations

import difflib
import os
import re
from importlib import resources
from pathlib import Path

from logbook.errors import UserMistake
from logbook.labs.grid import shown
from logbook.labs.profiles.content import SUFFIX, Profile
from logbook.labs.profiles.reading import read

_NAME = re.compile(r"[a-z0-9][a-z0-9-]{0,39}\Z")
# Names that some systems keep for devices.
_RESERVED = re.compile(r"(con|prn|aux|nul|com[0-9]|lpt[0-9])\Z")


def checked_name(text: str) -> str:
    """A profile's name, which is its file's; raises UserMistake."""
    name = text.strip().lower()
    if not _NAME.match(name) or _RESERVED.match(name):
        raise UserMistake(
            f"{shown(text)} cannot be the name of a profile",
            "use up to 40 small letters, digits and hyphens, such as fen-soil",
        )
    return name


def shipped() -> list[str]:
    """The names of the examples."""
    files = resources.files("logbook.labs.profiles").iterdir()
    return sorted(one.name.removesuffix(SUFFIX) for one in files if one.name.endswith(SUFFIX))


def own(folder: Path) -> list[str]:
    """The names of the user's profiles."""
    try:
        files = list(folder.iterdir())
    except OSError:
        return []
    names = (one.name.removesuffix(SUFFIX) for one in files if one.name.endswith(SUFFIX))
    return sorted(name for name in names if _NAME.match(name))


def contents(folder: Path, text: str) -> tuple[str, bytes, str]:
    """Name, bytes and path (its name, for an example) of a profile; raises UserMistake."""
    name = checked_name(text)
    path = folder / f"{name}{SUFFIX}"
    try:
        return name, path.read_bytes(), str(path)
    except FileNotFoundError:
        pass
    except OSError as problem:
        raise UserMistake(f"{path}: cannot be read ({problem.strerror})", "check it") from None
    if name in shipped():
        file = f"{name}{SUFFIX}"
        data = resources.files("logbook.labs.profiles").joinpath(file).read_bytes()
        return name, data, file
    known = [*own(folder), *shipped()]
    near = difflib.get_close_matches(name, known, 1)
    hint = f"did you mean {near[0]}?" if near else f"there are: {', '.join(known)}"
    raise UserMistake(f"there is no profile {shown(name)}", hint)


def load(folder: Path, text: str) -> Profile:
    """The profile of a name; raises UserMistake, and BadData with every problem of its file."""
    name, data, path = contents(folder, text)
    return read(data, path, name)


def save(folder: Path, name: str, text: str, replace: bool) -> Path:
    """Write a profile whole; raises UserMistake where one of that name is there already."""
    path = folder / f"{checked_name(name)}{SUFFIX}"
    if os.path.lexists(path) and not replace:
        raise UserMistake(
            f"{path}: already there; nothing was written",
            "edit it, take another --name, or --replace it",
        )
    temporary = path.with_suffix(f".{os.getpid()}.tmp")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        temporary.write_text(text, encoding="utf-8")
        temporary.replace(path)
    except UnicodeEncodeError:
        temporary.unlink(missing_ok=True)
        raise UserMistake("an answer has a character that is no text", "type it again") from None
    except OSError as problem:
        temporary.unlink(missing_ok=True)
        raise UserMistake(
            f"{path}: cannot be written ({problem.strerror})", "check the folder"
        ) from None
    return path
