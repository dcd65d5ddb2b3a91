"""Findings as a page, free of format: headings with their lines, and the same for programs."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from logbook.study.findings.content import number, signed, span

if TYPE_CHECKING:
    from logbook.study.findings import Finding, Findings

HEADINGS = {
    "nitrogen": "Nitrogen",
    "make-up": "Make-up N",
    "supply": "What it supplied",
    "planting": "At planting",
    "nutrients": "Other nutrients",
}
OTHER_DAY = "Ammonium, pH and salt"  # of a date that is not the planting day
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
    usual = _usual(found)
    pages = [Section("How far this reaches", (*_reach(found), _declared(found, usual)))]
    for topic, heading in HEADINGS.items():
        of_topic = found.of(topic)
        lines = tuple(_lines(of_topic, usual))
        if lines:
            on = _on(of_topic)
            other = topic == "planting" and not found.endpoint.endswith(on.strip(","))
            pages.append(Section(f"{OTHER_DAY if other else heading}{on}", lines))
    if found.settle:
        pages.append(Section("What would settle what is open", _sentences(found.settle)))
    pages.append(Section("What limits this", _sentences(found.notes)))
    pages.append(Section("Care", (_sentence("; ".join(found.cautions)), NOT_ADVICE)))
    return pages


def _on(of_topic: Sequence[Finding]) -> str:
    """The one date of a topic, ", day 28", where it has one."""
    pulls = {one.pull for one in of_topic}
    (pull,) = pulls if len(pulls) == 1 else ("",)
    return f", {pull}" if pull else ""


def _reach(found: Findings) -> Iterator[str]:
    """Material and soil, beds, conditions, length: a line each."""
    yield from map(_sentence, filter(None, ("; ".join(found.reach[:2]), *found.reach[2:])))


def _usual(found: Findings) -> str:
    """The design that most of the comparisons of single dates have."""
    designs = Counter(one.design for one in found.findings if one.method and one.design)
    return designs.most_common(1)[0][0] if designs else ""


def _declared(found: Findings, usual: str) -> str:
    usual = usual.replace(" beds", "", 1)
    told = [
        f"Declared beforehand: {found.endpoint}; all else is exploratory.",
        "Brackets after a number hold its 95 % range, unless another is named.",
    ]
    if usual:
        told.append(f"Beds, treated + control: {usual}, where nothing else is said.")
    if any(map(_plain, found.findings)):
        told.append(_ABLE)
    return " ".join(told)


_ABLE = (
    "In square brackets where no difference is shown: what these beds show four times in five, by "
    'their spread, or "planned" by the error declared.'
)


def _plain(one: Finding) -> bool:
    """A nutrient on one date of which nothing was shown, and that the nutrients' lines hold."""
    return one.kind == "no difference shown" and bool(one.method)


def _lines(of_topic: Sequence[Finding], usual: str) -> Iterator[str]:
    """The lines of a topic; products, and nutrients of which nothing was shown, on one each."""
    products = [one for one in of_topic if one.kind == "product"]
    plain = [one for one in of_topic if _plain(one)]
    single = [one for one in of_topic if _single(one)]
    plain += single if len(single) > 1 else []
    costs = {one.pull: one for one in of_topic if one.kind == "cost"}
    for one in of_topic:
        if one.kind == "supply":
            yield _with_cost(one, costs.get(one.pull), usual)
        elif one not in products and one not in plain and one.kind != "cost":
            yield line(one, usual)
    for place, one in enumerate(products):
        yield _sentence(f"{'or' if place else 'that is,'} {one.sentence}")
    if len(single) > 1:
        told = "; ".join(map(_between_two, single))
        yield f"Cannot say: one bed on a side; between single beds, which is no finding: {told}."
        plain = [one for one in plain if one not in single]
    if plain:
        yield f"No difference shown; what fits: {'; '.join(map(_brief, plain))}."


def _with_cost(one: Finding, cost: Finding | None, usual: str) -> str:
    """What was supplied by a day, with what a kg of it cost."""
    if cost is None:
        return line(one, usual)
    price = _OF_THAT.sub("a kg of that N cost ", cost.sentence)
    return line(replace(one, sentence=f"{one.sentence}; {price}"), usual)


_OF_THAT = re.compile(r"^(a kg of N that was available .+? cost |what a kg of its N cost .+?: )")


def _single(one: Finding) -> bool:
    """Whether a line is of one bed on a side, on one date."""
    alone = one.design.endswith("one bed on a side")
    return alone and one.topic in ("planting", "nutrients") and one.value is not None


def _between_two(one: Finding) -> str:
    """ "pH (water 1:1) -0.05, 5.93 treated, 5.98 control, laboratory chance alone goes ..."."""
    unit = "" if one.unit == one.about else f" {one.unit}"
    value = "" if one.value is None else f"{signed(one.value)}{unit}"
    return f"{one.about} ({one.method}) {value}{_beside(one)}"


def _beside(one: Finding) -> str:
    """Both means at planting, where the untreated soil stands, what is to know of the scale."""
    found = ""
    if one.topic == "planting" and one.treated is not None and one.control is not None:
        found = f", {number(one.treated)} treated, {number(one.control)} control"
    found += f", untreated soil {one.standing}" if one.standing else ""
    return found + (f", {one.aside}" if one.aside else "")


def _brief(one: Finding) -> str:
    """ "P (Mehlich-3) -2.57 to 10.1 mg/kg [8.46], soil within its range"."""
    planned = "planned " if one.planned else ""
    able = "" if one.detectable is None else f" [{planned}{number(one.detectable)}]"
    unit = "" if one.unit == one.about else f" {one.unit}"
    fits = f"{span(one.low, one.high)}{unit}{able}"
    return f"{one.about} ({one.method}) {fits}{_beside(one)}"


def line(one: Finding, usual: str = "") -> str:
    """A finding as a line: its sentence, and what it rests on where that is not the usual."""
    marks = [one.design] if one.design and one.design != usual else []
    if one.declared:
        marks.insert(0, "declared beforehand")
    if one.topic == "nitrogen" and one.pull and one.kind != "below control":
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


FORMAT = 1


def document(found: Sequence[Findings]) -> dict[str, Any]:
    """The findings of some amendments for JSON, as docs/schema/findings.json describes them."""
    return {"format": FORMAT, "findings": [findings_document(one) for one in found]}


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
        "detectable_difference": one.detectable,
        "detectable_planned": one.planned if one.detectable is not None else None,
        "method": one.method or None,
        "untreated_soil": one.standing or None,
        "source": one.source or None,
        "treated_mean": one.treated,
        "control_mean": one.control,
        "beside_it": one.aside or None,
        "laboratory_chance": one.chance,
    }
