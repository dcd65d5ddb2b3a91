"""Findings as a page, free of format: headings with their lines, and the same for programs."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from logbook.study.findings import Finding, Findings

HEADINGS = {
    "nitrogen": "Nitrogen",
    "supply": "What it supplied",
    "planting": "At planting",
    "nutrients": "Other nutrients",
}
NOT_ADVICE = (
    "A trial of this lot in this soil is no fertiliser recommendation and no food-safety "
    "clearance: the product's label, local rules and local advice come first."
)


@dataclass(frozen=True)
class Section:
    """A heading and its lines."""

    heading: str
    lines: tuple[str, ...]


def title(found: Findings) -> str:
    """ "Findings: straw (straw-rich compost, a fifth of the mix)"."""
    name = f" ({found.name})" if found.name not in ("", found.treatment) else ""
    return f"Findings: {found.treatment}{name}"


def sections(found: Findings) -> list[Section]:
    """The page of one amendment: reach first, then each topic, what is open, cautions."""
    pages = [Section("How far this reaches", (*map(_sentence, found.reach), _declared(found)))]
    for topic, heading in HEADINGS.items():
        of_topic = found.of(topic)
        if of_topic:
            lines = tuple(line(one) for one in of_topic)
            pages.append(Section(f"{heading}{_on(of_topic)}", lines))
    if found.settle:
        pages.append(Section("What would settle what is open", _sentences(found.settle)))
    pages.append(Section("What limits this", _sentences(found.notes)))
    pages.append(Section("Care", (*_sentences(found.cautions), NOT_ADVICE)))
    return pages


def _on(of_topic: Sequence[Finding]) -> str:
    """The one date of a topic, ", day 28", where it has one."""
    pulls = {one.pull for one in of_topic}
    (pull,) = pulls if len(pulls) == 1 else ("",)
    return f", {pull}" if pull else ""


def _declared(found: Findings) -> str:
    return f"Declared beforehand: {found.endpoint}. Everything else is exploratory."


def line(one: Finding) -> str:
    """A finding as a line: its sentence, and what it rests on."""
    marks = [one.design] if one.design else []
    if one.declared:
        marks.insert(0, "declared beforehand")
    if one.topic == "nitrogen" and one.pull and one.kind not in ("below control", "make-up N"):
        marks.insert(0, one.pull)
    told = _sentence(one.sentence).removesuffix(".")
    return f"{told} [{'; '.join(marks)}]." if marks else f"{told}."


def _sentences(texts: Sequence[str]) -> tuple[str, ...]:
    return tuple(map(_sentence, texts))


_LOWER = ("pH", "mineral-N", "nitrate-N", "ammonium-N", "sulfate-S")


def _sentence(text: str) -> str:
    """With a capital, unless it begins with a name that has none, and a full stop."""
    first = text if text.startswith(_LOWER) else text[:1].upper() + text[1:]
    return first if first.endswith((".", "?", "!")) else f"{first}."


def text_lines(found: Findings) -> Iterator[str]:
    """The page as plain lines without width, for a file."""
    yield title(found)
    yield found.trial
    for page in sections(found):
        yield ""
        yield page.heading
        for one in page.lines:
            yield f"- {one}"


def findings_document(found: Findings) -> dict[str, Any]:
    """The findings of one amendment for JSON; what is missing is null."""
    return {
        "trial": found.trial,
        "treatment": found.treatment,
        "treatment_name": found.name,
        "material": found.material,
        "reach": list(found.reach),
        "declared_endpoint": found.endpoint,
        "findings": [_finding(one) for one in found.findings],
        "what_would_settle": list(found.settle),
        "limits": list(found.notes),
        "cautions": [*found.cautions, NOT_ADVICE],
    }


def _finding(one: Finding) -> dict[str, Any]:
    return {
        "topic": one.topic,
        "about": one.about or None,
        "kind": one.kind,
        "sentence": one.sentence,
        "value": one.value,
        "low": one.low,
        "high": one.high,
        "unit": one.unit or None,
        "design": one.design or None,
        "pull": one.pull or None,
        "declared": one.declared,
        "planned_detectable_difference": one.detectable,
        "source": one.source or None,
    }
