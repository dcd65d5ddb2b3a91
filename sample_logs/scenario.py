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
import shlex
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import garden
from garden import BEDS, CODES, DAYS, LAST_TRIP

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
    nutrients = "\n".join(f'{test.name} = "{test.method}"' for test in garden.TESTS)
    text = PROTOCOL.format(lab=garden.LAB, seed=garden.SEED, beds=beds, nutrients=nutrients)
    return text.encode()


def report_file(day: int) -> str:
    """The name of a day's report file."""
    return f"report-{DAYS.index(day) + 1:02d}.csv"


def setting_up() -> Iterator[Act]:
    """The trial, the soil, the amendments."""
    yield Act(-8, "10:00", OFFICE, "", "trial start {folder}/protocol.toml")
    yield Act(-8, "10:05", OFFICE, "", "note 'everything in this logbook is invented'")
    yield Act(-7, "09:30", BENCH, "", "fill all --mass '102 kg' --moisture '16 %'")
    yield Act(0, "09:10", BENCH, "", "apply control")
    yield Act(0, "09:40", BENCH, "", "apply meal --amount '100 g'")
    yield Act(0, "10:10", BENCH, "", "apply shell --amount '200 g'")
    yield Act(0, "10:50", BENCH, "", "apply straw --amount '12 L' --known metered")
    yield Act(0, "11:30", BENCH, "", "apply yard")
    yield Act(4, "16:00", BENCH, "", "amendment set yard-compost --density '0.60 kg/L'")


def watering() -> Iterator[Act]:
    """Every third day from the filling on; day 20 was forgotten until day 22."""
    for day in (*range(-7, 18, 3), *range(22, 67, 3)):
        metered = " --amount '1.2 L' --known metered" if day % 2 else ""
        if day == 8:  # written down on the next morning
            yield Act(9, "08:05", BENCH, "", "water all --when 'yesterday 17:10'")
        else:
            yield Act(day, "17:15", BENCH, f"water{day}", f"water all{metered}")
    yield Act(67, "17:15", BENCH, "", "water 'block 1,block 2,block 3'")
    yield Act(67, "17:20", BENCH, "", "note 'the hose did not reach block 4' --on 'block 4'")


def pulling() -> Iterator[Act]:
    """The samples of every trip, with the codes that stand on the bags."""
    for day in (*DAYS, LAST_TRIP):
        labels = [bed.label for bed in garden.pulled_on(day)]
        beds = "all" if len(labels) == len(BEDS) else shlex.quote(compact(labels))
        named = " --for before" if day < 0 else ""
        bags = ",".join(CODES[day, label] for label in labels)
        clock = "15:30" if day == 0 else "08:40"
        yield Act(day, clock, BENCH, "", f"pull {beds}{named} --code {bags}")


def reporting() -> Iterator[Act]:
    """The reports, in the order in which they came in."""
    for day, after in garden.REPORTED_AFTER.items():
        number = garden.report_number(day)
        words = f"lab import {{folder}}/{report_file(day)} --report {number}"
        yield Act(day + after, "11:20", OFFICE, "", words)


def mishaps() -> Iterator[Act]:
    """What went wrong, and how it was put right."""
    missed, broken = garden.NOT_PULLED[42], garden.BROKEN_JAR[56]
    day, label, test = garden.SWAPPED
    right = garden.printed_of(label, test, day)
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
        f"correct {CODES[day, label]}:{test} --value {right} "
        "--reason 'the laboratory rang: two digits swapped'",
    )  # fmt: skip
    yield Act(43, "08:30", BENCH, "", f"note 'not pulled yesterday: no bag left' --on {missed}")
    yield Act(60, "14:00", OFFICE, "",
        f"note 'the laboratory rang: the jar of day 56 came broken' --on {broken}",
    )  # fmt: skip
    yield Act(LAST_TRIP, "09:30", BENCH, "",
        "note 'a day early, block 1 only, and its second control forgotten: the rest tomorrow'",
    )  # fmt: skip


def acts() -> bytes:
    """The season's acts in the order in which they were written down."""
    parts = (setting_up, watering, pulling, reporting, mishaps)
    found = sorted((act for part in parts for act in part()), key=lambda act: (act.day, act.clock))
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(Act._fields)
    writer.writerows(found)
    return text.getvalue().encode()


def files() -> dict[str, bytes]:
    """Every file of the demo, by name."""
    reports = {report_file(day): garden.report(day) for day in DAYS}
    return {"protocol.toml": protocol(), "acts.csv": acts(), **reports}


def write(folder: Path) -> None:
    """Write every file into `folder`."""
    for name, data in files().items():
        (folder / name).write_bytes(data)


if __name__ == "__main__":
    write(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).resolve().parent)
