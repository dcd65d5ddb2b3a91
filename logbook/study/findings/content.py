"""What findings are: sentences in a grower's words, each with its number, interval and design."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence


@dataclass(frozen=True)
class Finding:
    """One sentence and what it rests on.

    topic: "nitrogen", "make-up", "supply", "planting" or "nutrients"; about: the nutrient or the
    product; kind: what is said, one of KINDS. value, low, high: in `unit`, None where there is
    none; method: of the laboratory; design: beds and how the range was made; pull: the calendar's
    name of its date, "" over all; declared: the difference named beforehand, all others are
    exploratory; detectable: the difference that is shown four times in five, beside "no difference
    shown", and planned whether it follows from what was declared; standing: where the untreated
    soil stands in its table, source: of that table.
    """

    topic: str
    about: str
    kind: str
    sentence: str
    value: float | None = None
    low: float | None = None
    high: float | None = None
    unit: str = ""
    design: str = ""
    pull: str = ""
    declared: bool = False
    detectable: float | None = None
    planned: bool = False
    method: str = ""
    standing: str = ""
    source: str = ""
    treated: float | None = None
    control: float | None = None
    aside: str = ""
    chance: float | None = None


KINDS = (
    "more",
    "less",
    "perhaps more",
    "perhaps less",
    "no difference shown",
    "equivalent",
    "cannot say",
    "below control",
    "level with control again",
    "C:N",
    "make-up N",
    "product",
    "caution",
    "curve",
    "supply",
    "recovery",
    "cost",
)


@dataclass(frozen=True)
class Findings:
    """All that one trial says of one amendment.

    reach: how far any of it goes: lot, rate, soil, conditions, beds, days; endpoint: the comparison
    declared beforehand; settle: what would settle what is open; cautions: of the material; notes:
    what limits the whole.
    """

    trial: str
    treatment: str
    name: str
    material: str
    reach: tuple[str, ...]
    endpoint: str
    findings: tuple[Finding, ...]
    settle: tuple[str, ...]
    cautions: tuple[str, ...]
    notes: tuple[str, ...]

    def of(self, topic: str) -> list[Finding]:
        """The findings on one topic, in order."""
        return [one for one in self.findings if one.topic == topic]


def number(value: float) -> str:
    """Three significant digits, no exponent for what a trial gives, never "-0".

    Raises ValueError for what is no number: a finding without one says why instead.
    """
    if not math.isfinite(value):
        raise ValueError(f"{value} cannot stand in a finding")
    if abs(value) >= 999.5:
        return f"{value:,.0f}"
    text = f"{value:.3g}"
    if "e" in text:
        text = f"{value:.6f}".rstrip("0").rstrip(".")
    return "0" if float(text) == 0.0 else text


def signed(value: float) -> str:
    """The same with its sign: "+0.35", "-2.1", "0"."""
    text = number(value)
    return text if text == "0" or text.startswith("-") else f"+{text}"


def span(low: float | None, high: float | None) -> str:
    """ "7.5 to 13.7", "at least 7.5", "at most 13.7", "open at both ends"."""
    if low is not None and high is not None:
        return f"{number(low)} to {number(high)}"
    if low is not None:
        return f"at least {number(low)}"
    return f"at most {number(high)}" if high is not None else "open at both ends"


def size(low: float, high: float) -> str:
    """The ends of a difference without their sign, the smaller first: both lie on one side of 0."""
    return span(*sorted((abs(low), abs(high))))


def listed(names: Sequence[str]) -> str:
    """ "a", "a and b", "a, b and c"."""
    return " and ".join(filter(None, (", ".join(names[:-1]), *names[-1:])))


#: How a range was made, in a grower's words; what is not listed says so itself.
_MADE = {
    "within-block": "within blocks",
    "welch": "between beds",
    "one bed": "one bed on a side",
    "bounds": "from the reporting limits",
    "bounds + within-block": "within blocks, widened by the reporting limits",
    "bounds + welch": "between beds, widened by the reporting limits",
    "none": "",
    "bed scores": "",
    "profile": "",
}


def made(method: str) -> str:
    """ "within blocks; 2 beds with gaps left out" of "bed scores, within-block; gaps: ..."."""
    first, *rest = method.split("; ")
    rest = [one for one in rest if not one.startswith("these two beds only")]
    words = [_MADE.get(one, one) for one in first.split(", ")]
    return "; ".join(filter(None, (", ".join(filter(None, words)), *map(_gap, rest))))


def _gap(text: str) -> str:
    """What was left out because a result is missing."""
    gone = text.removeprefix("gaps: without ")
    return text if gone == text else f"{gone} left out: results missing"
