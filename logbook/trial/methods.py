"""A method with what else makes its numbers comparable: extraction ratio and way of detection.

Mehlich-3 P read by ICP lies above the same extract read by colour, and EC in 1:5 is another scale
than in 1:1: where a report states them they belong to the method's name, and start a series of
their own.
"""

from __future__ import annotations

import re

from logbook.errors import UserMistake
from logbook.trial import chemistry, contents

_DETECTIONS = {
    "ICP": ("icp", "icp oes", "icp aes", "inductively coupled plasma"),
    "ICP-MS": ("icp ms",),
    "colorimetric": (
        "colorimetric", "colorimetry", "colorimetrically", "colourimetric", "spectrophotometric",
        "spectrophotometry", "molybdenum blue",
    ),
    "AAS": ("aas", "atomic absorption"),
    "flame photometry": ("flame photometry", "flame photometer"),
    "flow injection": ("flow injection", "fia"),
    "ion chromatography": ("ion chromatography",),
    "ion-selective electrode": ("ion selective electrode", "ise"),
    "turbidimetric": ("turbidimetric", "turbidimetry"),
}  # fmt: skip
_DETECTED = {key: name for name, keys in _DETECTIONS.items() for key in keys}
_RATIO_WORD = re.compile(r"1:[0-9]+(?:\.[0-9]+)?\Z")
# Methods whose own name says the ratio, or that have none.
_WITHOUT_RATIO = frozenset({"saturated paste", "loss on ignition", "dry combustion", "Kjeldahl"})


def detection(text: str) -> str:
    """A way of detection by its usual name, or its text with single blanks."""
    return _DETECTED.get(_key(text), " ".join(text.split()))


def is_detection(text: str) -> bool:
    """True for a way of detection under one of its usual names."""
    return _key(text) in _DETECTED


def full_name(method: str, ratio: str = "", detected: str = "", analyte: str = "") -> str:
    """`Mehlich-3 1:10 ICP`: the method's usual name, then ratio and detection where stated.

    Both are also found inside the method's own text ("M3-ICP"). Raises UserMistake for a ratio
    that is none or is stated twice differently, and for a value converted from another extractant.
    """
    contents.refuse_converted(method, analyte)
    base, own_ratio, own_detected = _taken_apart(method)
    stated = contents.ratio_text(contents.read_ratio(ratio)) if ratio else ""
    inside = own_ratio or next((word for word in base.split() if _RATIO_WORD.match(word)), "")
    if stated and inside and inside != stated:
        raise UserMistake(f"the method says {inside}, the ratio {stated}", "ask the laboratory")
    if stated and base in _WITHOUT_RATIO:
        raise UserMistake(f"{base} has no extraction ratio", "leave the ratio out")
    found = detection(detected) if detected else ""
    if found and own_detected and found != own_detected:
        raise UserMistake(
            f"the method says {own_detected}, the detection {found}", "ask the laboratory"
        )
    shown = "" if inside and inside in base.split() else (stated or own_ratio)
    return " ".join(part for part in (base, shown, found or own_detected) if part)


def _taken_apart(method: str) -> tuple[str, str, str]:
    """Usual name, ratio and detection of a method's text; whole if its name is not known."""
    whole = chemistry.method_name(method)
    if chemistry.is_method(method):
        return whole, "", ""
    words = re.sub(r"[()\[\],;-]", " ", method).split()
    ratio = detected = ""
    for count in (3, 2, 1):
        tail = " ".join(words[-count:])
        if len(words) > count and is_detection(tail):
            detected, words = detection(tail), words[:-count]
            break
    if len(words) > 1 and not chemistry.is_method(" ".join(words)) and _RATIO_WORD.match(words[-1]):
        ratio, words = words[-1], words[:-1]
    if (ratio or detected) and chemistry.is_method(" ".join(words)):
        return chemistry.method_name(" ".join(words)), ratio, detected
    return whole, "", ""


def _key(text: str) -> str:
    return " ".join(re.sub(r"[-_,]", " ", text.lower()).split())
