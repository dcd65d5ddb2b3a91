"""A profile as the text of its file, with what is still open as commented lines."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from logbook.labs.profiles.content import FORMAT

# How a line begins that says what is still to be completed.
OPEN = "# open: "
Value = str | bool | int | Sequence[str] | Sequence[int]


@dataclass
class Lines:
    """A section of the file: keys with values, and comments before some of them."""

    name: str
    several: bool = False
    keys: dict[str, Value] = field(default_factory=dict)
    comments: dict[str, str] = field(default_factory=dict)

    def put(self, key: str, value: Value | None) -> None:
        """Keep a key unless it says nothing."""
        if value:
            self.keys[key] = value

    def ask(self, key: str, question: str, example: str) -> None:
        """An open question, as a line to be completed."""
        self.comments[key] = f'{OPEN}{question}\n# {key} = "{example}"'


def text(lab: str | None, sections: Iterable[Lines], about: str) -> str:
    """The whole file; `about` is the comment at its top, `lab` None while it is not known."""
    head = "\n".join(f"# {line}" for line in about.splitlines())
    first = f"lab = {written(lab)}" if lab else f'{OPEN}which laboratory is it?\n# lab = "NAME"'
    body = "\n\n".join("\n".join(_section(one)) for one in sections if one.keys or one.comments)
    return f"{head}\nformat = {FORMAT}\n{first}\n\n{body}\n"


def _section(one: Lines) -> Iterator[str]:
    yield f"[[{one.name}]]" if one.several else f"[{one.name}]"
    for key, value in one.keys.items():
        yield f"{_key(key)} = {written(value)}"
    yield from one.comments.values()


def _key(key: str) -> str:
    bare = key and all(character.isascii() and (character.isalnum() or character in "_-")
                       for character in key)  # fmt: skip
    return key if bare else written(key)


def written(value: Value | Mapping[str, str]) -> str:
    """A value as TOML; a text as JSON writes it, which TOML reads alike."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int):
        return str(value)
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    return f"[{', '.join(written(one) for one in value)}]"
