"""Writes the demo's files: protocol.toml, acts.csv and one laboratory report per sampling trip.

    python sample_logs/scenario.py [FOLDER]

FOLDER is this one if left out; the bytes are the same every time. EVERYTHING IS INVENTED.
`logbook demo` plays acts.csv: the day since application, the clock time, who writes, a name for
the act's code (used further down as {name}) and the command line, in which {folder} is where the
files are. The demo's "today" is the day after the last act.
"""

from __future__ import annotations

import csv
import io
import json
import shlex
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import bench_lab
import garden
from garden import BEDS, BEGAN, CODES, DAYS, LAST_TRIP, LATE, LATE_BEDS, LATE_DAYS, PARTS, Bed

from logbook.trial.ranges import compact

BENCH, OFFICE = "bench", "office"  # invented handles

PROTOCOL = """\
# Protocol of the demo. Garden, beds, bags and laboratory are INVENTED.

format = 1

[trial]
name = "Propagation house (invented)"
question = "Which amendment feeds the beds when, and what does each do to pH and calcium?"
zone = "Europe/Lisbon"
planting_day = 28
endpoint = "mineral-N"

[lab]
name = "{lab}"
cost_per_sample = "6.00 EUR"

[sampling]
depth = "15 cm"
cores = 6

[sampling.parts]
{parts}

[soil]
source = "one heap of garden topsoil, turned and sieved, stored dry (invented)"
texture = "sandy loam"
bulk_density = "1.1 kg/L"

[soil.start]
nitrate-N = {{ value = "7 mg/kg", method = "1 M KCl" }}
pH = {{ value = "5.9", method = "water 1:1" }}
P = {{ value = "39 mg/kg", method = "Mehlich-3" }}

[sizes.small]
length = "80 cm"
width = "50 cm"
depth = "20 cm"

[application]
incorporated = "15 cm"

[amendments.plant-meal]
name = "plant meal (invented)"
material = "meal"
lot = "sack 7"
density = "0.65 kg/L"
moisture = "8 % wet basis"
price = "1.10 EUR/kg"

[amendments.plant-meal.contents]
total-N = {{ value = "5.5 %", basis = "as is", method = "maker's label" }}

[amendments.straw-compost]
name = "straw-rich compost, C:N 28 (invented)"
material = "compost"
lot = "bay 2, turned three times"
density = "0.42 kg/L"
moisture = "55 % wet basis"
price = "0.03 EUR/L"

[amendments.straw-compost.contents]
total-N = {{ value = "1.35 %", basis = "dry", method = "dry combustion" }}
organic-C = {{ value = "38 %", basis = "dry", method = "dry combustion" }}

[amendments.crushed-shell]
name = "crushed shell (invented)"
material = "lime"
lot = "sack 2"
density = "1.3 kg/L"
moisture = "2 % wet basis"
price = "0.40 EUR/kg"

[amendments.crushed-shell.contents]
Ca = {{ value = "36 %", basis = "dry", method = "maker's label" }}

[amendments.yard-compost]
name = "mature yard compost (invented)"
material = "compost"
lot = "bay 5, a year old"
density = "not known yet"         # a pail of it is weighed on day 4
moisture = "42 % wet basis"
price = "0.04 EUR/L"

[amendments.yard-compost.contents]
total-N = {{ value = "1.5 %", basis = "dry", method = "dry combustion" }}

[treatments.none]
name = "untreated"
control = true

[treatments.meal]
name = "plant meal"
amendment = "plant-meal"
rate = "2.5 t/ha"

[treatments.straw]
name = "straw-rich compost, a fifth of the mix"
amendment = "straw-compost"
rate = "20 % v/v of the mix"

[treatments.shell]
name = "crushed shell"
amendment = "crushed-shell"
rate = "5 t/ha"

[treatments.yard]
name = "yard compost, 15 % of the mix"
amendment = "yard-compost"
rate = "15 % v/v of the mix"

[layout]
assigned = "drawn"
seed = {seed}
beds = [
{beds}
]

[calendar]
pulls = [
  {{ day = "before" }},
  {{ day = 0 }},
  {{ day = 3, tolerance = 1 }},
  {{ day = 7, tolerance = 1 }},
  {{ day = 14, tolerance = 1 }},
  {{ day = 21, tolerance = 2 }},
  {{ day = 28, tolerance = 2 }},
  {{ day = 35, tolerance = 2 }},
  {{ day = 42, tolerance = 3 }},
  {{ day = 56, tolerance = 3 }},
  {{ day = 70, tolerance = 3 }},
  {{ day = 84, tolerance = 7 }},
]

[watering]
every_days = 3
amount = "3 L/m2"

[nutrients]
{nutrients}
"""


class Act(NamedTuple):
    """One command of somebody: `name` stands for its code in later commands, if it is needed."""

    day: int
    clock: str
    by: str
    name: str
    command: str


def protocol() -> bytes:
    """The protocol's file."""
    beds = "\n".join(
        f'  {{ label = "{bed.label}", block = "{bed.block}", treatment = "{bed.treatment}" }},'
        for bed in BEDS
    )
    nutrients = "\n".join(f'{test.name} = "{test.method}"' for test in bench_lab.TESTS)
    parts = "\n".join(f"{part} = {json.dumps(tests)}" for part, tests in PARTS.items())
    text = PROTOCOL.format(
        lab=bench_lab.LAB, seed=garden.SEED, beds=beds, nutrients=nutrients, parts=parts
    )
    return text.encode()


class Report(NamedTuple):
    """A report: its number, its file's name and bytes, the day on which it came in."""

    number: str
    file: str
    data: bytes
    came: int
    again: bool = False


def reports() -> list[Report]:
    """Every report, the one that was issued again last."""
    found = [(day + after, bench_lab.report(day)) for day, after in garden.REPORTED_AFTER.items()]
    for day, after in garden.LATE_REPORTED_AFTER.items():
        found.append((BEGAN[LATE] + day + after, bench_lab.late_report(day)))
    listed = [
        Report(f"T-{100 + number}", f"report-{number:02d}.csv", data, came)
        for number, (came, data) in enumerate(found, start=1)
    ]
    day = garden.UNDILUTED[0]
    first = listed[DAYS.index(day)]
    name = first.file.replace(".csv", "-reissued.csv")
    came = day + garden.REISSUED_AFTER
    return [*listed, Report(first.number, name, bench_lab.report(day, reissued=True), came, True)]


def setting_up() -> Iterator[Act]:
    """The trial, the soil, the amendments."""
    yield Act(-8, "10:00", OFFICE, "", "trial start {folder}/protocol.toml")
    yield Act(-8, "10:05", OFFICE, "", "note 'everything in this logbook is invented'")
    yield Act(-7, "09:30", BENCH, "", "fill all --mass '102 kg' --moisture '16 %'")
    yield Act(4, "16:00", BENCH, "", "amendment set yard-compost --density '0.60 kg/L'")


HOW_APPLIED = {
    "none": ("09:10", ""),
    "meal": ("09:40", " --amount '100 g' --known weighed"),
    "shell": ("10:10", " --amount '200 g' --known weighed"),
    "straw": ("10:50", " --amount '12 L' --known metered"),
    "yard": ("11:30", ""),
}


def applying() -> Iterator[Act]:
    """Blocks 1 to 3 on day 0, block 4 a day later, controls forked like the others."""
    for began in (0, BEGAN["4"]):
        for treatment, (clock, how) in HOW_APPLIED.items():
            beds = [b for b in BEDS if (b.began, b.treatment) == (began, treatment)]
            yield Act(began, clock, BENCH, "", f"apply {named(beds)}{how}")
    yield Act(
        0, "16:30", BENCH, "", "note 'dark before block 4: it is forked tomorrow' --on 'block 4'"
    )


def joining() -> Iterator[Act]:
    """A rock powder joins in week 5, beside a spare control that is forked on the same day."""
    words = (
        "amendment add rock-powder --name 'rock powder (invented)' --material 'rock powder' "
        "--lot 'bag 3' --price '0.35 EUR/kg'",
        "amendment set rock-powder --density '1.5 kg/L' --moisture '2 % wet basis' "
        "--content 'K = 3.5 %' --method 'maker'",
        "treatment add rock --amendment rock-powder --rate '10 t/ha' --name 'rock powder'",
        *(
            f"bed add {bed.label} --treatment {bed.treatment} --block {bed.block} --from {bed.was}"
            for bed in LATE_BEDS
        ),
    )
    for minute, command in enumerate(words):
        yield Act(garden.JOINED, f"08:{30 + minute:02d}", BENCH, "", command)
    day, reason = BEGAN[LATE], "nobody will be here on that day"
    yield Act(day, "10:00", BENCH, "", "apply L1 --amount '400 g' --known weighed")
    yield Act(day, "10:20", BENCH, "", "apply L2")
    skipped = f"skip L1,L2 --for 'day {garden.LATE_SKIPPED}' --reason {shlex.quote(reason)}"
    yield Act(day, "16:00", BENCH, "", skipped)


def named(beds: list[Bed]) -> str:
    """Beds as one word of a command line."""
    return shlex.quote(compact([bed.label for bed in beds]))


def watering() -> Iterator[Act]:
    """Every third day from the filling on; day 20 was forgotten until day 22."""
    for day in (*range(-7, 18, 3), *range(22, 67, 3)):
        metered = " --amount '1.2 L' --known metered" if day % 2 else ""
        if day == 8:  # written down on the next morning
            yield Act(9, "08:05", BENCH, "", "water all --when 'yesterday 17:10'")
        else:
            yield Act(day, "17:15", BENCH, f"water{day}", f"water all{metered}")
    yield Act(67, "17:15", BENCH, "", "water 'block 1,block 2,block 3,late'")
    yield Act(67, "17:20", BENCH, "", "note 'the hose did not reach block 4' --on 'block 4'")


def pulling() -> Iterator[Act]:
    """The samples of every trip, with the codes that stand on the bags; block 4 follows itself."""
    for day in (*DAYS, LAST_TRIP):
        for began in (0, BEGAN["4"]):
            beds = [bed for bed in garden.pulled_on(day) if bed.began == began]
            if beds:
                yield pull(day, beds)
    for day in LATE_DAYS:
        yield pull(day, list(LATE_BEDS))


def pull(day: int, beds: list[Bed]) -> Act:
    """A pull of beds that were applied on one day, `day` days after that."""
    bags = ",".join(CODES[day, bed.label, part] for bed in beds for part in PARTS)
    purpose = " --for before" if day < 0 else ""
    clock = "15:30" if day == 0 else "08:40"
    command = f"pull {named(beds)}{purpose} --code {bags}"
    return Act(beds[0].began + day, clock, BENCH, "", command)


def sending() -> Iterator[Act]:
    """The bags of each trip go to the laboratory once block 4 has been pulled, too."""
    days = {BEGAN["4"] + day for day in DAYS} | {BEGAN[LATE] + day for day in LATE_DAYS}
    for day in sorted(days):
        yield Act(day, "17:40", OFFICE, "", "lab send --all-waiting --by-what 'by hand'")


def reporting() -> Iterator[Act]:
    """The reports, in the order in which they came in."""
    for one in reports():
        again = " --reissued" if one.again else ""
        words = f"lab import {{folder}}/{one.file} --report {one.number}{again}"
        yield Act(one.came, "11:20", OFFICE, "", words)


SOIL_TEMPERATURES = {0: "20.8", 14: "21.6", 28: "22.3", 36: "22.1", 56: "22.9"}  # invented


def reading() -> Iterator[Act]:
    """What the thermometer showed, and the bags labelled for the week to come."""
    for day, degrees in SOIL_TEMPERATURES.items():
        words = f"measure 'soil temperature' '{degrees} C' --on control --depth '10 cm'"
        yield Act(day, "09:05", BENCH, "", words)
    yield Act(LAST_TRIP, "09:40", OFFICE, "", "week --reserve")


def mishaps() -> Iterator[Act]:
    """What went wrong, and how it was put right."""
    missed, lost = garden.NOT_PULLED[42], garden.LOST_BOX[56]
    day, label, test = garden.SWAPPED
    right = bench_lab.printed_of(label, test, day)
    yield Act(22, "17:25", BENCH, "", "note 'watered two days late: nobody had the key'")
    yield Act(25, "17:25", BENCH, "", "water control")
    yield Act(25, "17:26", BENCH, "", "undo")
    yield Act(33, "09:50", BENCH, "",
        f"event {garden.SPILLED} spilled --text 'knocked over, about a third of its soil lost'",
    )  # fmt: skip
    yield Act(34, "17:20", BENCH, "",
        f"strike {{water34}}:{garden.PASSED_OVER} --reason 'the can was empty: it got none'",
    )  # fmt: skip
    yield Act(37, "17:25", BENCH, "",
        f"correct {{water37}}:{garden.HALF_CAN} --amount '0.6 L' --reason 'the can was half full'",
    )  # fmt: skip
    yield Act(41, "09:15", OFFICE, "",
        f"correct {garden.code_of(day, label, test)}:{test} --value {right} "
        "--reason 'the laboratory rang: two digits swapped'",
    )  # fmt: skip
    yield Act(43, "08:30", BENCH, "", f"note 'not pulled yesterday: no bag left' --on {missed}")
    bags = ",".join(CODES[56, lost, part] for part in PARTS)
    yield Act(60, "14:00", OFFICE, "",
        f"lab mark lost {bags} --text 'the laboratory rang: they did not arrive'",
    )  # fmt: skip
    yield Act(LAST_TRIP, "09:30", BENCH, "",
        "note 'a day early, block 1 only, and its second control forgotten: the rest tomorrow'",
    )  # fmt: skip


def acts() -> bytes:
    """The season's acts in the order in which they were written down."""
    parts = (
        setting_up, applying, joining, watering, pulling, sending, reporting, reading, mishaps,
    )  # fmt: skip
    found = sorted((act for part in parts for act in part()), key=lambda act: (act.day, act.clock))
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(Act._fields)
    writer.writerows(found)
    return text.getvalue().encode()


def files() -> dict[str, bytes]:
    """Every file of the demo, by name."""
    sent = {one.file: one.data for one in reports()}
    return {"protocol.toml": protocol(), "acts.csv": acts(), **sent}


def write(folder: Path) -> None:
    """Write every file into `folder`."""
    for name, data in files().items():
        (folder / name).write_bytes(data)


if __name__ == "__main__":
    write(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).resolve().parent)
