"""What must hold between the sections of a protocol, and what a person should know beforehand.

A check takes the protocol as read (stand-ins where a value was wrong: "" or 0) and the findings,
and adds what it finds; all checks stand in one list. A warning takes the protocol and gives a
sentence.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import replace

from logbook.errors import UserMistake
from logbook.protocol import parts
from logbook.protocol.content import Protocol
from logbook.protocol.layout import address
from logbook.protocol.lines import Path
from logbook.protocol.section import Findings
from logbook.trial import units

MINERAL = ("nitrate-N", "ammonium-N")


def check(protocol: Protocol, findings: Findings) -> None:
    """Run every check; problems are added to `findings`."""
    for one in CHECKS:
        one(protocol, findings)


def _bed_path(number: int, key: str) -> Path:
    return ("layout", "beds", number, key)


def check_labels(protocol: Protocol, findings: Findings) -> None:
    """No two beds with the same label, whatever the capitals."""
    seen: dict[str, str] = {}
    for number, bed in enumerate(protocol.beds):
        first = seen.setdefault(bed.label.lower(), bed.label)
        if bed.label and sum(b.label.lower() == bed.label.lower() for b in protocol.beds[:number]):
            what = f"bed {bed.label!r} is already on the list (as {first!r})"
            findings.add(_bed_path(number, "label"), what, "give every bed its own label")


def check_addresses(protocol: Protocol, findings: Findings) -> None:
    """A word typed for beds means one thing: a bed, a block or a treatment."""
    taken = {treatment.code.lower(): "a treatment" for treatment in protocol.treatments}
    for number, bed in enumerate(protocol.beds):
        for key, word in (("label", bed.label), ("block", bed.block)):
            other = taken.setdefault(word.lower(), f"a {'bed' if key == 'label' else key}")
            if word and other != f"a {'bed' if key == 'label' else key}":
                what = f"{word!r} is also the name of {other}"
                findings.add(_bed_path(number, key), what, "tell them apart")
            elif word.lower() == "control" and key == "label":
                what = f"{word!r} stands for the control beds"
                findings.add(_bed_path(number, key), what, "use another label")


def check_treatment_codes(protocol: Protocol, findings: Findings) -> None:
    """Codes that people can type, no two alike, and "control" only for the control."""
    seen: set[str] = set()
    for treatment in protocol.treatments:
        path = ("treatments", treatment.code)
        try:
            address(treatment.code)
        except UserMistake as mistake:
            findings.add(path, mistake.message, mistake.hint)
        if treatment.code.lower() in seen:
            what = f"{treatment.code!r} differs from another code by capitals only"
            findings.add(path, what, "tell them apart")
        if treatment.code.lower() == "control" and not treatment.control:
            what = f"{treatment.code!r} is not marked as the control"
            findings.add(path, what, "write control = true, or use another code")
        seen.add(treatment.code.lower())


def check_treatments(protocol: Protocol, findings: Findings) -> None:
    """Beds name treatments that are described, and every treatment has a bed."""
    codes = [treatment.code for treatment in protocol.treatments]
    for number, bed in enumerate(protocol.beds):
        if bed.treatment and bed.treatment not in codes:
            what = f"treatment {bed.treatment!r} is not described"
            remedy = f"use one of: {', '.join(codes)}" if codes else "add [treatments.CODE]"
            findings.add(_bed_path(number, "treatment"), what, remedy)
    for code in codes:
        if protocol.beds and code not in {bed.treatment for bed in protocol.beds}:
            what = f"treatment {code!r} has no bed"
            findings.add(("treatments", code), what, "give it a bed, or take it out")


def check_control(protocol: Protocol, findings: Findings) -> None:
    """One control, with a bed in every block: release is measured against it."""
    controls = [treatment.code for treatment in protocol.treatments if treatment.control]
    if not protocol.treatments:
        return
    if not controls:
        what = "no treatment is the control, and release is measured against one"
        findings.add(("treatments",), what, "write control = true for the untreated one")
        return
    for code in controls[1:]:
        what = f"{controls[0]!r} is the control already"
        findings.add(("treatments", code, "control"), what, "mark only the untreated one")
    with_control = {bed.block for bed in protocol.beds if bed.treatment in controls}
    first = {bed.block: number for number, bed in reversed(list(enumerate(protocol.beds)))}
    for block, number in sorted(first.items(), key=lambda pair: pair[1]):
        if block and block not in with_control:
            what = f"block {block!r} has no control bed"
            findings.add(_bed_path(number, "block"), what, "put one control bed in every block")


def check_amendments_used(protocol: Protocol, findings: Findings) -> None:
    """An amendment that nobody gets is a slip of the pen."""
    used = {treatment.amendment for treatment in protocol.treatments}
    for material in protocol.materials:
        if material.code not in used:
            what = f"amendment {material.code!r} is in no treatment"
            findings.add(("amendments", material.code), what, "use it, or take it out")


def check_depths(protocol: Protocol, findings: Findings) -> None:
    """Nothing is mixed in or sampled deeper than a bed is filled."""
    paths = (
        (("application", "incorporated"), "incorporated", protocol.incorporated_cm),
        (("sampling", "depth"), "sampled", protocol.depth_cm),
    )
    for path, verb, depth in paths:
        shallow = [size for size in protocol.sizes if 0 < size.depth_cm < depth]
        for size in shallow:
            what = (
                f"{verb} to {units.short(depth)} cm, but {size.name!r} is filled "
                f"{units.short(size.depth_cm)} cm deep"
            )
            findings.add(path, what, "check both depths")


def check_sizes_used(protocol: Protocol, findings: Findings) -> None:
    """A bed size without a bed is a slip of the pen."""
    used = {bed.size for bed in protocol.beds}
    for size in protocol.sizes:
        if protocol.beds and size.name not in used:
            findings.add(("sizes", size.name), f"no bed has the size {size.name!r}", "take it out")


def check_nutrients(protocol: Protocol, findings: Findings) -> None:
    """Something is followed, and the endpoint is among it (mineral-N: both its forms)."""
    followed = protocol.followed
    if not followed and ("nutrients",) in findings.lines:
        findings.add(("nutrients",), "nothing is followed", "name what to follow, with its method")
    if protocol.endpoint == "mineral-N":
        lacking = [name for name in MINERAL if name not in followed]
        what = f"the endpoint mineral-N needs {' and '.join(MINERAL)}; not followed: "
        remedy = "follow both, each with its method, or name another endpoint"
    else:
        lacking = [protocol.endpoint] if protocol.endpoint not in followed else []
        what, remedy = "the endpoint is not followed: ", "add it, or name another endpoint"
    if lacking and followed:
        path: Path = ("trial", "endpoint")
        path = path if path in findings.lines else ("nutrients",)
        findings.add(path, what + ", ".join(lacking), remedy)


def check_sum(protocol: Protocol, findings: Findings) -> None:
    """A margin of mineral-N needs both its forms (as the endpoint, `check_nutrients` sees it)."""
    lacking = [name for name in MINERAL if name not in protocol.followed]
    declared = any(one.analyte == "mineral-N" for one in protocol.nutrients)
    if lacking and declared and protocol.endpoint != "mineral-N":
        what = f"mineral-N is the sum of {' and '.join(MINERAL)}; not followed: "
        findings.add(("nutrients", "mineral-N"), what + ", ".join(lacking), "follow both")


def check_endpoint_day(protocol: Protocol, findings: Findings) -> None:
    """A pull is planned for the day of the endpoint, else the main question has no answer."""
    day = protocol.endpoint_day
    covered = any(p.day is not None and abs(p.day - day) <= p.tolerance for p in protocol.pulls)
    if covered or findings.any_under("calendar"):
        return
    keys = ("endpoint_day", "planting_day")
    path: Path = next(
        (("trial", key) for key in keys if ("trial", key) in findings.lines), ("trial",)
    )
    what = f"the endpoint is day {day}, and no pull is planned then"
    findings.add(path, what, f"add a pull on day {day}, or change endpoint_day")


def check_planned(protocol: Protocol, findings: Findings) -> None:
    """Planned dates by block name every block, and only blocks that exist."""
    if not protocol.planned or "" in protocol.planned:
        return
    blocks = {bed.block for bed in protocol.beds}
    for block in protocol.planned:
        if block not in blocks:
            what = f"{block!r} is not a block of the layout"
            findings.add(
                ("application", "planned", block), what, f"use: {', '.join(sorted(blocks))}"
            )
    missing = sorted(block for block in blocks - set(protocol.planned) if block)
    if missing:
        what = f"no planned date for block {', '.join(missing)}"
        findings.add(("application", "planned"), what, "give every block a date, or one for all")


def check_parts(protocol: Protocol, findings: Findings) -> None:
    """The parts of a pull are for what is followed, each nutrient in one of them."""
    if not findings.any_under("nutrients"):
        parts.check_parts(protocol.parts, protocol.followed, findings)


Check = Callable[[Protocol, Findings], None]
CHECKS: tuple[Check, ...] = (
    check_labels,
    check_addresses,
    check_treatment_codes,
    check_treatments,
    check_control,
    check_amendments_used,
    check_depths,
    check_sizes_used,
    check_nutrients,
    check_sum,
    check_endpoint_day,
    check_planned,
    check_parts,
)


def with_warnings(protocol: Protocol) -> Protocol:
    """The protocol with what a person should know before starting."""
    found = (warn(protocol) for warn in WARNINGS)
    return replace(protocol, warnings=tuple(sentence for sentence in found if sentence))


def _single_beds(protocol: Protocol) -> str:
    counts = Counter(bed.treatment for bed in protocol.beds)
    single = [one.code for one in protocol.treatments if counts[one.code] == 1]
    if not single:
        return ""
    return (
        f"one bed per treatment ({', '.join(single)}): an interval covers laboratory and "
        "within-bed error for these two beds only; it cannot separate the amendment from a "
        "difference between the beds; no test is reported"
    )


def _by_hand(protocol: Protocol) -> str:
    if protocol.assigned != "by hand":
        return ""
    return "beds were assigned by hand: every finding will say that it is not randomised"


def _no_day_zero(protocol: Protocol) -> str:
    if any(pull.day == 0 for pull in protocol.pulls):
        return ""
    return (
        "no pull on day 0: what came in the bag cannot be told from what was released later, and "
        "no rate of release is given"
    )


def _deep_samples(protocol: Protocol) -> str:
    if protocol.depth_cm <= protocol.incorporated_cm:
        return ""
    return (
        f"samples reach {units.short(protocol.depth_cm)} cm, the amendment only "
        f"{units.short(protocol.incorporated_cm)} cm: soil from below the mixed layer thins out "
        "every difference"
    )


def _dried_nitrogen(protocol: Protocol) -> str:
    return parts.dried_nitrogen(protocol.parts)


def _without_part(protocol: Protocol) -> str:
    return parts.without_part(protocol.parts, protocol.followed)


WARNINGS: tuple[Callable[[Protocol], str], ...] = (
    _single_beds,
    _by_hand,
    _no_day_zero,
    _deep_samples,
    _dried_nitrogen,
    _without_part,
)
