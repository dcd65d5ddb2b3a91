"""A protocol's text with another [layout]: all other text, and every remark, stays as it is.

Only values are replaced, where they stand: `assigned`, `seed`, and the entries of `beds` one by
one, so that a remark beside a bed stays beside the bed of that place. Entries that are too many
go and leave their remarks behind; further ones follow the last. What is missing is added. The
result is read again: it must say what it should, or the file is refused as it was.
"""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Mapping, Sequence
from typing import Any

from logbook.errors import BadData, Problem
from logbook.protocol.lines import find_spans

Entry = Mapping[str, str]
Edit = tuple[int, int, str]
_INDENT = "  "
_REMARKS = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")


def rewritten(text: str, seed: int, beds: Sequence[Entry], file: str) -> str:
    """The text with the layout drawn: `beds` entries (key -> text) in the order of the bench.

    `text` is a valid TOML text with its own line ends. Raises BadData where its layout is not a
    section [layout] with `beds` as a list, which is the one way it can be replaced in.
    """
    table = tomllib.loads(text)
    wanted = {"assigned": "drawn", "seed": seed, "beds": [dict(bed) for bed in beds]}
    new = _Layout(text, table.get("layout")).drawn(seed, beds)
    try:
        found = tomllib.loads(new)
    except tomllib.TOMLDecodeError:
        found = {}
    layout = {**_as_table(table.get("layout")), **wanted}
    if _plain(found) != _plain({**table, "layout": layout}):
        raise _not_a_section(text, file)
    return new


def remarks_among_beds(text: str) -> bool:
    """True if the list of beds has remarks in it, which belong to the bed beside them."""
    values = find_spans(text).values
    start, end = values.get(("layout", "beds"), (0, 0))
    between: list[str] = []
    entry = 0
    while ("layout", "beds", entry) in values:
        first, last = values[("layout", "beds", entry)]
        between.append(text[start:first])
        start, entry = last, entry + 1
    return any("#" in part for part in (*between, text[start:end]))


def _as_table(value: Any) -> dict[str, Any]:
    return value if isinstance(value, dict) else {}


def _plain(table: Mapping[str, Any]) -> dict[str, Any]:
    """A document to compare, where a bed's block 2 is the same as "2"; NaN equals itself."""
    layout = _as_table(table.get("layout"))
    beds = [_texts(bed) for bed in layout.get("beds", ())]
    others = {key: repr(value) for key, value in table.items() if key != "layout"}
    return {**others, "layout": {**layout, "beds": beds}}


def _texts(entry: Mapping[str, Any]) -> dict[str, str]:
    return {key: str(value) for key, value in entry.items()}


def _not_a_section(text: str, file: str) -> BadData:
    place = re.search(r"^[ \t]*\[*[ \t]*[\"']?layout\b", text, re.MULTILINE)
    line = text.count("\n", 0, place.end()) + 1 if place else 1
    what = "the layout is written in a way in which it cannot be replaced"
    remedy = "write it as a section [layout] with beds = [ ... ], as the template has it"
    return BadData(
        f"{file} cannot be rewritten: 1 problem", [Problem(f"{file}, line {line}", what, remedy)]
    )


class _Layout:
    """The layout section in its text; every method gives the edits for one key."""

    def __init__(self, text: str, layout: Any) -> None:
        self.text = text
        self.table = _as_table(layout)
        self.spans = find_spans(text)
        self.line_end = "\r\n" if "\r\n" in text else "\n"

    def drawn(self, seed: int, beds: Sequence[Entry]) -> str:
        """The whole text with seed and beds in their places."""
        header = self.spans.headers.get(("layout",))
        if header is None:
            return self.with_new_section(seed, beds)
        edits: list[Edit] = []
        anchor = header[1]
        lines = {"assigned": _quoted("drawn"), "seed": str(seed), "beds": self.listed(beds)}
        for key, value in lines.items():
            span = self.spans.values.get(("layout", key))
            if span is None:
                edits.append(self.new_line(anchor, f"{key} = {value}"))
                continue
            anchor = span[1]
            if key == "beds":
                edits += self.bed_edits(span, beds)
            elif self.table.get(key) != (seed if key == "seed" else "drawn"):
                edits.append((*span, value))
        return _edited(self.text, edits)

    def with_new_section(self, seed: int, beds: Sequence[Entry]) -> str:
        """The text with the section at its end."""
        end = self.line_end
        gap = "" if not self.text else end if self.text.endswith("\n") else end * 2
        lines = ("[layout]", f"assigned = {_quoted('drawn')}", f"seed = {seed}")
        return self.text + gap + end.join((*lines, f"beds = {self.listed(beds)}", ""))

    def listed(self, beds: Sequence[Entry]) -> str:
        """The list of beds, one a line."""
        return self.line_end.join(("[", *(f"{_INDENT}{_inline(bed)}," for bed in beds), "]"))

    def new_line(self, after: int, line: str) -> Edit:
        """A line of its own below the one on which `after` stands."""
        at = self.text.find("\n", after)
        if at < 0:
            return len(self.text), len(self.text), self.line_end + line
        return at + 1, at + 1, line + self.line_end

    def bed_edits(self, span: tuple[int, int], beds: Sequence[Entry]) -> list[Edit]:
        """The list entry by entry: changed, taken out, added."""
        old = self.table["beds"]
        entries = [self.spans.values[("layout", "beds", at)] for at in range(len(old))]
        edits = [
            (*place, _inline(bed))
            for place, before, bed in zip(entries, old, beds, strict=False)
            if _texts(before) != bed
        ]
        for place in entries[len(beds) :]:
            edits.append(self.taken_out(place))
        more = beds[len(entries) :]
        if more:
            edits += self.added(entries[-1], span, more) if entries else [self.first(span, more)]
        return edits

    def taken_out(self, place: tuple[int, int]) -> Edit:
        """An entry and its comma away, with its line if nothing else stands there."""
        start, end = place
        between = _REMARKS.match(self.text, end)
        after = between.end() if between else end
        kept = ""
        if self.text.startswith(",", after):
            kept, end = self.text[end:after].strip(), after + 1
        line = self.text.rfind("\n", 0, start) + 1
        newline = self.text.find("\n", end)
        if newline >= 0 and not (self.text[line:start] + kept + self.text[end:newline]).strip():
            return line, newline + 1, ""
        return start, end, kept + (self.line_end if kept else "")

    def added(
        self, last: tuple[int, int], span: tuple[int, int], beds: Sequence[Entry]
    ) -> list[Edit]:
        """Entries below the last one and its remark, or behind it where the list is one line."""
        end = last[1]
        between = _REMARKS.match(self.text, end)
        after = between.end() if between else end
        comma = self.text.startswith(",", after)
        line = self.text.rfind("\n", 0, last[0]) + 1
        ahead = self.text[line : last[0]]
        indent = ahead if not ahead.strip() else _INDENT
        below = self.text.find("\n", after if comma else end, span[1])
        if below < 0:
            behind = "".join(f", {_inline(bed)}" for bed in beds)
            return [(end, end, behind)]
        lines = "".join(f"{indent}{_inline(bed)},{self.line_end}" for bed in beds)
        edits = [(below + 1, below + 1, lines)]
        return edits if comma else [(end, end, ","), *edits]

    def first(self, span: tuple[int, int], beds: Sequence[Entry]) -> Edit:
        """The entries of a list that had none, ahead of whatever remarks it has."""
        at = span[0] + 1
        lines = "".join(f"{self.line_end}{_INDENT}{_inline(bed)}," for bed in beds)
        return (
            at,
            at,
            lines + (self.line_end if self.text[at : span[1]].lstrip(" \t") == "]" else ""),
        )


def _edited(text: str, edits: Sequence[Edit]) -> str:
    """The text with every (start, end, replacement) made; edits at one place keep their order."""
    parts: list[str] = []
    done = 0
    for start, end, replacement in sorted(edits, key=lambda edit: edit[0]):
        parts += (text[done:start], replacement)
        done = end
    return "".join((*parts, text[done:]))


def _inline(bed: Entry) -> str:
    pairs = ", ".join(f"{key} = {_quoted(value)}" for key, value in bed.items())
    return f"{{ {pairs} }}"


def _quoted(text: str) -> str:
    """A TOML string: JSON's escapes are among TOML's, but JSON leaves DEL bare."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
