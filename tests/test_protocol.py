"""The trial's file: reads, refuses with every problem at once, and always makes the same ids."""

from __future__ import annotations

import dataclasses
import tomllib
from datetime import date
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logbook import protocol
from logbook.errors import BadData, Problem, UserMistake
from logbook.protocol import measure
from logbook.protocol.lines import find_lines
from logbook.trial import records

D = Decimal

# An invented trial, as short as one can be: two blocks, a control and a compost.
SMALL = """\
format = 1
[trial]
name = "Small (invented)"
question = "Does it release anything?"
zone = "Europe/Lisbon"
[sampling]
depth = "10 cm"
cores = 8
[soil]
source = "heap"
texture = "loam"
bulk_density = "1.3 kg/L"
[sizes.bed]
area = "2.88 m2"
depth = "30 cm"
[application]
incorporated = "15 cm"
[amendments.c]
material = "compost"
lot = "heap 3"
density = "0.55 kg/L"
moisture = "40 % wet basis"
[treatments.none]
control = true
[treatments.C10]
amendment = "c"
rate = "10 % v/v of the mix"
[layout]
assigned = "drawn"
seed = 4711
beds = [
  { label = "B1", block = "1", treatment = "none" },
  { label = "B2", block = "1", treatment = "C10" },
  { label = "B3", block = 2, treatment = "C10" },
  { label = "B4", block = 2, treatment = "none" },
]
[nutrients]
nitrate-N = "1 M KCl"
ammonium-N = "1 M KCl"
"""


def read(text: str) -> protocol.Protocol:
    return protocol.read(text.encode(), "trial.toml")


def problems(text: str) -> tuple[Problem, ...]:
    with pytest.raises(BadData) as caught:
        read(text)
    return caught.value.problems


def said(found: tuple[Problem, ...]) -> list[str]:
    return [f"{one.where}: {one.what} {one.remedy}".rstrip() for one in found]


def changed(*swaps: tuple[str, str]) -> str:
    text = SMALL
    for old, new in swaps:
        assert old in text
        text = text.replace(old, new, 1)
    return text


# What is changed in the small protocol, and the one problem it must give, word for word.
WRONG = [
    (
        ('bulk_density = "1.3 kg/L"', 'bulk_density = "1.3 kg"'),
        "trial.toml, line 12, soil.bulk_density: '1.3 kg' is not a density "
        'write it like "1.3 kg/L", or "not known yet"',
    ),
    (
        ('bulk_density = "1.3 kg/L"', 'bulk_density = "1300 kg/L"'),
        "trial.toml, line 12, soil.bulk_density: a bulk density of 1300 kg/L leaves no pores "
        "it lies between 0 and the density of the grains, 2.65 kg/L",
    ),
    (
        ('texture = "loam"', 'textur = "loam"\ntexture = "loam"'),
        'trial.toml, line 11, soil.textur: "textur" is not a key of this section '
        'did you mean "texture"?',
    ),
    (
        ("format = 1", "format = 2"),
        "trial.toml, line 1, format: format 2 is newer than this program, which reads format 1 "
        "use a newer program",
    ),
    (
        ("format = 1", ""),
        'trial.toml, line 1: "format" is missing write format = 1 as the first line',
    ),
    (
        ("Europe/Lisbon", "Europe/Atlantis"),
        "trial.toml, line 5, trial.zone: 'Europe/Atlantis' is not a time zone "
        "use an IANA name such as Europe/Lisbon",
    ),
    (
        ("Europe/Lisbon", "EST"),
        "trial.toml, line 5, trial.zone: 'EST' is not a time zone "
        "use an IANA name such as Europe/Lisbon",
    ),
    (
        ('question = "Does it release anything?"', 'question = " "'),
        'trial.toml, line 4, trial.question: "question" is empty '
        "write the question it is to answer",
    ),
    (
        ('"10 % v/v of the mix"', '"10 % v/v"'),
        "trial.toml, line 27, treatments.C10.rate: '10 % v/v' can be read in two ways "
        'write "10 % v/v of the mix" or "10 % v/v on top of the soil" (the second is 9.09 % of '
        "the mix)",
    ),
    (
        ('"10 % v/v of the mix"', '"120 % v/v of the mix"'),
        "trial.toml, line 27, treatments.C10.rate: '120 % v/v of the mix' leaves no soil in the "
        'mix give less than 100 %, or write "120 % v/v on top of the soil"',
    ),
    (
        ('material = "compost"', 'material = "tea"'),
        "trial.toml, line 19, amendments.c.material: 'tea' is not a class of material use one of: "
        "compost, manure, meal, guano, biochar, lime, ash, rock powder, gypsum, sulfur, straw, "
        "green manure, seaweed, mineral fertiliser, other",
    ),
    (
        ('"40 % wet basis"', '"40 %"'),
        "trial.toml, line 22, amendments.c.moisture: '40 %' can be read in two ways "
        'write "% wet basis" (water in the wet mass) or "% dry basis" (water per dry mass)',
    ),
    (
        ('lot = "heap 3"', 'lot = "heap 3"\nprice = "cheap"'),
        "trial.toml, line 21, amendments.c.price: 'cheap' is not a price of a material "
        'write it like "0.80 EUR/kg" or "12 EUR/40 L"',
    ),
    (
        ('block = 2, treatment = "none"', 'block = 3, treatment = "none"'),
        "trial.toml, line 34, layout.beds[3].block: block '2' has no control bed "
        "put one control bed in every block",
    ),
    (
        ('label = "B4"', 'label = "b1"'),
        "trial.toml, line 35, layout.beds[4].label: bed 'b1' is already on the list (as 'B1') "
        "give every bed its own label",
    ),
    (
        ('label = "B4"', 'label = "B-4"'),
        "trial.toml, line 35, layout.beds[4].label: 'B-4' cannot be used in a range such as "
        "B1-B6,B9 leave out blanks, hyphens, commas and colons",
    ),
    (
        ('label = "B4"', 'label = "All"'),
        "trial.toml, line 35, layout.beds[4].label: 'All' stands for every bed use another label",
    ),
    (
        ('label = "B4"', 'label = "control"'),
        "trial.toml, line 35, layout.beds[4].label: 'control' stands for the control beds "
        "use another label",
    ),
    (
        ('label = "B4"', 'label = "c10"'),
        "trial.toml, line 35, layout.beds[4].label: 'c10' is also the name of a treatment "
        "tell them apart",
    ),
    (
        ('label = "B3", block = 2, treatment = "C10"', 'label = "B3", block = 2, treatment = "X"'),
        "trial.toml, line 34, layout.beds[3].treatment: treatment 'X' is not described "
        "use one of: none, C10",
    ),
    (
        ("[layout]", '[treatments.C20]\namendment = "c"\nrate = "20 t/ha"\n[layout]'),
        "trial.toml, line 28, treatments.C20: treatment 'C20' has no bed "
        "give it a bed, or take it out",
    ),
    (
        ("seed = 4711\n", ""),
        "trial.toml, line 29, layout.assigned: beds were drawn, but the seed is missing "
        "write seed = 4711",
    ),
    (
        ('assigned = "drawn"', 'assigned = "by hand"'),
        "trial.toml, line 30, layout.seed: belongs to beds that were drawn "
        'take it out, or write "drawn"',
    ),
    (
        ('incorporated = "15 cm"', 'incorporated = "40 cm"'),
        "trial.toml, line 17, application.incorporated: incorporated to 40 cm, but 'bed' is "
        "filled 30 cm deep check both depths",
    ),
    (
        ('depth = "10 cm"', 'depth = "1 ft 2"'),
        "trial.toml, line 7, sampling.depth: 'ft 2' is not a unit of length "
        "use one of: cm, mm, m, in, ft",
    ),
    (
        ('depth = "10 cm"', 'depth = "35 cm"'),
        "trial.toml, line 7, sampling.depth: sampled to 35 cm, but 'bed' is filled 30 cm deep "
        "check both depths",
    ),
    (
        ("cores = 8", "cores = 0"),
        "trial.toml, line 8, sampling.cores: 0 is too small "
        "give 1 or more, up to 9223372036854775807",
    ),
    (
        ('area = "2.88 m2"', 'area = "2.88 m2"\nvolume = "864 L"'),
        "trial.toml, line 13, sizes.bed: says it twice: area and volume "
        "give area, or length and width, or volume, beside the depth",
    ),
    (
        ('ammonium-N = "1 M KCl"\n', ""),
        "trial.toml, line 37, nutrients: the endpoint mineral-N needs nitrate-N and ammonium-N; "
        "not followed: ammonium-N follow both, each with its method, or name another endpoint",
    ),
    (
        ('ammonium-N = "1 M KCl"', 'ammonium-N = "1 M KCl"\nmineral-N = "sum"'),
        "trial.toml, line 40, nutrients.mineral-N: mineral-N is the sum of nitrate-N and "
        "ammonium-N and has no method of its own follow nitrate-N and ammonium-N instead",
    ),
    (
        ('ammonium-N = "1 M KCl"', 'ammonium-N = "1 M KCl"\nunobtainium = "any"'),
        "trial.toml, line 40, nutrients.unobtainium: 'unobtainium' is not a nutrient this program "
        "knows use one of: nitrate-N, ammonium-N, mineral-N, total-N, organic-C, P, K, Ca, Mg, "
        "Na, Al, sulfate-S, S, Fe, Mn, Zn, Cu, B, OM, Cl, CaCO3, pH, EC, CEC",
    ),
    (
        ('ammonium-N = "1 M KCl"', 'ammonium-N = ""'),
        'trial.toml, line 39, nutrients.ammonium-N: "ammonium-N" is empty '
        "name the method, for example Mehlich-3",
    ),
    (
        ("[nutrients]", "[calendar]\npulls = [{ day = 28 }, { day = -7 }]\n[nutrients]"),
        "trial.toml, line 38, calendar.pulls[2].day: -7 is too small "
        "give 0 or more, up to 9223372036854775807",
    ),
    (
        ("[nutrients]", "[calendar]\npulls = [{ day = 28 }, { day = 28 }]\n[nutrients]"),
        "trial.toml, line 38, calendar.pulls[2].day: 'day 28' is in the calendar twice "
        "keep one of them",
    ),
    (
        (
            "[nutrients]",
            "[calendar]\npulls = [\n{ day = 21, tolerance = 3 },\n"
            "{ day = 28, tolerance = 4 },\n]\n[nutrients]",
        ),
        "trial.toml, line 40, calendar.pulls[2].tolerance: the windows of day 21 (to day 24) and "
        "day 28 (from day 24) overlap narrow a tolerance or move a day",
    ),
    (
        (
            "[nutrients]",
            "[calendar]\npulls = [{ day = 0, tolerance = 1 }, { day = 28 }]\n[nutrients]",
        ),
        "trial.toml, line 38, calendar.pulls[1].tolerance: the pull 'day 0' takes no tolerance "
        "write 0",
    ),
    (
        ('zone = "Europe/Lisbon"', 'zone = "Europe/Lisbon"\nplanting_day = 35'),
        "trial.toml, line 6, trial.planting_day: the endpoint is day 35, and no pull is planned "
        "then add a pull on day 35, or change endpoint_day",
    ),
    (
        ('incorporated = "15 cm"', 'incorporated = "15 cm"\nplanned = { 1 = 2026-03-02 }'),
        "trial.toml, line 18, application.planned: no planned date for block 2 "
        "give every block a date, or one for all",
    ),
    (
        ('incorporated = "15 cm"', 'incorporated = "15 cm"\nplanned = "soon"'),
        "trial.toml, line 18, application.planned: 'soon' is not a date write it like 2026-03-14",
    ),
    (
        ("[sizes.bed]", '[soil.start]\nP = { value = "30 mg/kg" }\n[sizes.bed]'),
        'trial.toml, line 14, soil.start.P: "method" is missing '
        "name the method that gave this value",
    ),
    (
        ("[sizes.bed]", '[soil.start]\nP = { value = "30 mg/L", method = "Olsen" }\n[sizes.bed]'),
        "trial.toml, line 14, soil.start.P.value: mg/L is a concentration in an extract (or per "
        "volume of soil), not a content of the dry soil ask the laboratory for mg/kg",
    ),
    (
        ("[nutrients]", '[watering]\nevery_days = 2\namount = "250 mL"\n[nutrients]'),
        "trial.toml, line 39, watering.amount: '250 mL' does not say per bed or per m2 "
        'write it like "250 mL per bed" or "3 L/m2"',
    ),
    (
        ("[layout]", "[lab]\ncost_per_sample = \"twenty\"\n[layout]"),
        "trial.toml, line 29, lab.cost_per_sample: 'twenty' is not a price "
        'write it like "18.50 EUR"',
    ),
]  # fmt: skip


@pytest.mark.parametrize(("swap", "expected"), WRONG)
def test_a_wrong_protocol_gives_its_problem(swap: tuple[str, str], expected: str) -> None:
    assert said(problems(changed(swap))) == [expected]


def test_one_slip_may_be_two_problems() -> None:
    found = problems(changed(("control = true\n", "")))
    assert said(found) == [
        'trial.toml, line 23, treatments.none: "amendment" is missing '
        "name it, or write control = true",
        'trial.toml, line 23, treatments.none: "rate" is missing like "20 t/ha"',
        "trial.toml, line 23, treatments: no treatment is the control, and release is measured "
        "against one write control = true for the untreated one",
    ]
    found = problems(changed(('amendment = "c"', 'amendment = "d"')))
    assert said(found) == [
        "trial.toml, line 18, amendments.c: amendment 'c' is in no treatment "
        "use it, or take it out",
        "trial.toml, line 26, treatments.C10.amendment: 'd' is not described "
        "add [amendments.d], or use: c",
    ]


def test_all_problems_come_at_once_in_the_order_of_the_file() -> None:
    text = changed(
        ("Europe/Lisbon", "Mars/Base"),
        ("cores = 8", "cores = many"),
    )
    assert len(problems(text)) == 1  # not TOML: nothing else can be said
    text = changed(
        ("Europe/Lisbon", "Mars/Base"),
        ("cores = 8", "cores = 8.5"),
        ('density = "0.55 kg/L"', 'density = "0.55"'),
        ('rate = "10 % v/v of the mix"', 'rate = "some"'),
        ('label = "B2"', 'label = "B 2"'),
        ('nitrate-N = "1 M KCl"', "nitrate-N = true"),
    )
    assert [(one.where, one.what) for one in problems(text)] == [
        ("trial.toml, line 5, trial.zone", "'Mars/Base' is not a time zone"),
        ("trial.toml, line 8, sampling.cores", "8.5 is not a whole number"),
        ("trial.toml, line 21, amendments.c.density", "'0.55' is not a density"),
        ("trial.toml, line 27, treatments.C10.rate", "'some' is not a rate"),
        (
            "trial.toml, line 33, layout.beds[2].label",
            "'B 2' cannot be used in a range such as B1-B6,B9",
        ),
        ("trial.toml, line 38, nutrients.nitrate-N", "true is not a text"),
    ]


@pytest.mark.parametrize(
    ("data", "where", "what"),
    [
        (b'format = 1\n[trial]\nname = "x\n', 3, "the file is not valid TOML here"),
        (b"format = 1\n[trial]\n[trial]\n", 3, "Cannot declare ('trial',) twice"),
        (b'format = 1\n[trial]\nname = """x\n\n', 3, "Unterminated string"),
        (b'format = 1\nname = "caf\xe9"\n', 2, "byte 0xe9 is not UTF-8 text"),
        (b"a = " + b"[" * 3000 + b"]" * 3000, 1, "brackets too deep"),
        (b"#" * 1_100_000, 1, "1100000 bytes are too many for a protocol"),
    ],
)
def test_what_is_no_toml_is_refused_with_its_line(data: bytes, where: int, what: str) -> None:
    with pytest.raises(BadData) as caught:
        protocol.read(data, "trial.toml")
    assert caught.value.message == "trial.toml cannot be used: 1 problem"
    (problem,) = caught.value.problems
    assert problem.where == f"trial.toml, line {where}"
    assert what in problem.what


def test_an_empty_file_names_the_sections_it_needs() -> None:
    named = [problem.what for problem in problems("")]
    assert '"format" is missing' in named
    needed = ("trial", "sampling", "soil", "sizes", "application", "treatments", "layout")
    assert {f'"{one}" is missing' for one in (*needed, "nutrients")} < {*named}
    assert len(named) == len(set(named)) == 9


def test_too_many_beds() -> None:
    row = '  {{ label = "X{}", block = "1", treatment = "none" }},\n'
    rows = "".join(row.format(number) for number in range(500))
    found = problems(changed(("beds = [\n", "beds = [\n" + rows)))
    assert [one.what for one in found] == ["504 beds are more than 500"]


def test_the_template_reads_without_problems_and_is_marked_invented() -> None:
    text = protocol.template()
    found = read(text)
    assert "INVENTED" in text and "invented" in found.name
    assert found.warnings == ()
    assert found.pulls == read(SMALL).pulls  # its calendar is the default one, as it says
    assert all(line == line.rstrip() and len(line) <= 100 for line in text.splitlines())
    for caution in ("mask (P2)", "Legionella", "120 days", "ammonia gas", "peas or beans"):
        assert caution in text


def test_the_optional_lines_of_the_template_read_too() -> None:
    text = protocol.template()
    for line in ("# planned = { 1", "# endpoint_day = 28"):
        assert line in text
        text = text.replace(line, line[2:])
    found = read(text)
    assert found.planned == {
        "1": date(2026, 3, 2), "2": date(2026, 3, 9), "3": date(2026, 3, 9)
    }  # fmt: skip


def test_windows_files_read_the_same() -> None:
    """A byte order mark and CRLF change the bytes (so the id), not the content."""
    plain, windows = read(SMALL), protocol.read(
        b"\xef\xbb\xbf" + SMALL.replace("\n", "\r\n").encode(), "trial.toml"
    )  # fmt: skip
    assert dataclasses.replace(windows, sha256=plain.sha256) == plain
    assert windows.tid != plain.tid
    wrong = SMALL.replace("\n", "\r\n").replace("cores = 8", "cores = 0")
    assert problems(wrong)[0].where == "trial.toml, line 8, sampling.cores"


def test_bed_sizes_said_in_three_ways_agree() -> None:
    """1.2 m x 2.4 m is 2.88 m2; filled 30 cm it is 864 L."""
    by_length = changed(('area = "2.88 m2"', 'length = "2.4 m"\nwidth = "120 cm"'))
    by_volume = changed(('area = "2.88 m2"', 'volume = "864 L"'))
    sizes = {read(text).sizes for text in (SMALL, by_length, by_volume)}
    (only,) = sizes
    assert (only[0].area_m2, only[0].depth_cm, only[0].volume_l) == (D("2.88"), D(30), D(864))


def test_grams_of_a_432_litre_layer() -> None:
    """Worked example: 2.88 m2 x 15 cm, 10 % of the mix at 0.55 kg/L: 43.2 L, 23.76 kg a bed."""
    seen = protocol.overview(read(SMALL))
    (row,) = seen.amounts
    assert (row.treatment, row.size, row.beds) == ("C10", "bed", 2)
    assert (row.amount.volume_l, row.amount.mass_g) == (D("43.2"), D(23760))
    assert row.amount.dry_mass_g == 14256
    assert round(row.amount.dry_fraction or D(0), 6) == D("0.027431")
    assert (row.total_volume_l, row.total_mass_g) == (D("86.4"), D(47520))
    (total,) = seen.totals
    assert (total.amendment, total.volume_l, total.mass_g) == ("c", D("86.4"), D(47520))


def test_the_overview_counts_beds_samples_and_money() -> None:
    text = changed(("[layout]", '[lab]\nname = "L"\ncost_per_sample = "18.50 EUR"\n[layout]'))
    seen = protocol.overview(read(text))
    assert seen.beds == (("none", 2), ("C10", 2))
    assert seen.samples == 4 * 9  # four beds, the default calendar's nine pulls, controls included
    assert seen.lab_cost == (D("666.00"), "EUR")


def test_the_calendar_has_dates_by_block() -> None:
    planned = 'incorporated = "15 cm"\nplanned = { 1 = 2026-03-02, "2" = "2026-03-09" }'
    rows = protocol.overview(read(changed(('incorporated = "15 cm"', planned)))).calendar
    named = {row.name: row for row in rows}
    assert list(named)[:3] == ["before", "day 0", "day 3"]
    assert named["before"].day is None
    assert (named["day 0"].day, named["day 0"].tolerance) == (0, 0)
    assert named["day 28"].dates == (("1", date(2026, 3, 30)), ("2", date(2026, 4, 6)))
    assert protocol.overview(read(SMALL)).calendar[5].dates == ()


def test_what_is_not_known_yet_and_what_waits_on_it() -> None:
    text = changed(
        ('density = "0.55 kg/L"', 'density = "not known yet"'),
        ('moisture = "40 % wet basis"\n', ""),
        ('bulk_density = "1.3 kg/L"', 'bulk_density = "not known yet"'),
        ("[sizes.bed]", '[soil.start]\nK = "not known yet"\n[sizes.bed]'),
    )
    found = read(text)
    seen = protocol.overview(found)
    assert [str(one) for one in seen.not_known] == [
        "the soil's bulk density is not known yet: dilution of every amendment waits on it",
        "the soil's starting K is not known yet: its level before the trial waits on it",
        "the density of c is not known yet: grams per bed and dilution of c wait on it",
        "the moisture of c is not known yet: dry grams and dilution of c wait on it",
        "the analysis of c is not known yet: the share released of what c brings waits on it",
        "the laboratory is not known yet: lab send and lab import want --lab NAME, the same one "
        "each time, since only one laboratory's results can be compared",
    ]
    assert seen.amounts[0].amount.volume_l == D("43.2")
    assert seen.totals[0].mass_g is None
    kinds = {key.split("/")[0] for key, _ in protocol.planned_records(found)}
    assert not kinds & {"lot-density", "lot-moisture", "lot-content", "soil-value"}


def test_defaults_of_the_endpoint() -> None:
    """Mineral-N on the planting day, on day 28 if nothing is planted."""
    assert (read(SMALL).planting_day, read(SMALL).endpoint_day) == (None, 28)
    planted = read(changed(('zone = "Europe/Lisbon"', 'zone = "UTC"\nplanting_day = 14')))
    assert (planted.planting_day, planted.endpoint_day, planted.endpoint) == (14, 14, "mineral-N")


def test_contents_become_canonical() -> None:
    """1.5 % is 15,000 mg/kg; P2O5 x 0.4364268 is P (IUPAC weights); 67 % dry is 40.12 % wet."""
    extra = (
        'moisture = "67 % dry basis"\nprice = "12 EUR per 40 L"\n[amendments.c.contents]\n'
        'total-N = { value = "1.5 %", basis = "dry", method = "Dumas" }\n'
        'P2O5 = { value = "1 %", basis = "as is", method = "maker\'s label" }'
    )
    (material,) = read(changed(('moisture = "40 % wet basis"', extra))).materials
    assert material.moisture is not None and round(material.moisture, 2) == D("40.12")
    assert material.price == "12 EUR/40 L"
    nitrogen, phosphorus = material.contents
    assert (nitrogen.analyte, nitrogen.value, nitrogen.unit) == ("total-N", D(15000), "mg/kg")
    assert phosphorus.analyte == "P" and phosphorus.value is not None
    assert round(phosphorus.value, 2) == D("4364.27")


def test_warnings_do_not_refuse() -> None:
    """One bed per treatment, assigned by hand, no day-0 pull, samples below the mixed layer."""
    text = changed(
        ('  { label = "B3", block = 2, treatment = "C10" },\n', ""),
        ('  { label = "B4", block = 2, treatment = "none" },\n', ""),
        ('"drawn"\nseed = 4711', '"by hand"'),
        ('depth = "10 cm"', 'depth = "20 cm"'),
        ("[nutrients]", "[calendar]\npulls = [{ day = 28 }]\n[nutrients]"),
    )
    assert read(text).warnings == (
        "one bed per treatment (none, C10): an interval covers laboratory and within-bed error "
        "for these two beds only; it cannot separate the amendment from a difference between the "
        "beds; no test is reported",
        "beds were assigned by hand: every finding will say that it is not randomised",
        "no pull on day 0: what came in the bag cannot be told from what was released later, and "
        "no rate of release is given",
        "samples reach 20 cm, the amendment only 15 cm: soil from below the mixed layer thins out "
        "every difference",
    )


def test_records_and_ids_are_frozen() -> None:
    """Golden: two machines that start the same bytes make the same keys, in every release."""
    found = read(SMALL)
    pairs = dict(protocol.planned_records(found))
    assert found.tid == found.sha256[:12]
    trial = pairs[f"trial/{found.tid}"]
    assert isinstance(trial, records.Trial) and trial.protocol == found.sha256
    bed = pairs[f"bed/{found.id_of('bed', 'B3')}"]
    assert bed == records.Bed(
        trial=found.tid, label="B3", block="2", treatment=found.id_of("treatment", "C10"),
        place=3, area_m2=D("2.88"), depth_cm=D(30),
    )  # fmt: skip
    lot = found.id_of("lot", "c")
    assert pairs[f"lot-density/{lot}"] == records.LotDensity(lot, D("0.55"))
    assert pairs[f"treatment/{found.id_of('treatment', 'C10')}"] == records.Treatment(
        trial=found.tid, code="C10", name="C10", control=False, lot=lot, rate=D(10),
        rate_unit="% v/v of the mix", depth_cm=D(15),
    )  # fmt: skip
    assert found.tid == GOLDEN[0] and found.id_of("bed", "B3") == GOLDEN[1]


GOLDEN = ("d942c242990e", "f4c558cf45cf")


def test_every_id_is_unique_and_every_reference_has_its_record() -> None:
    found = read(protocol.template())
    pairs = protocol.planned_records(found)
    keys = [key for key, _ in pairs]
    assert len(keys) == len(set(keys)) == 40
    for _, record in pairs:
        for name, kind in (("lot", "lot"), ("amendment", "amendment"), ("treatment", "treatment")):
            value = getattr(record, name, None)
            assert value is None or f"{kind}/{value}" in keys
        assert getattr(record, "trial", found.tid) == found.tid


@given(st.lists(st.text(st.characters(codec="ascii", categories=["Lu", "Nd"]), min_size=1,
                        max_size=6), min_size=1, max_size=20))  # fmt: skip
@settings(max_examples=40)
def test_labels_once_each_or_refused(labels: list[str]) -> None:
    """Distinct labels give distinct ids; a repeated one, or one that means more, is a problem."""
    rows = "".join(f'{{ label = "Z{one}", block = "1", treatment = "none" }},' for one in labels)
    text = changed(("beds = [\n", f"beds = [\n{rows}\n"))
    if len(set(labels)) == len(labels):
        pairs = protocol.planned_records(read(text))
        assert len({key for key, _ in pairs if key.startswith("bed/")}) == len(labels) + 4
    else:
        repeated = len(labels) - len(set(labels))
        assert sum("already on the list" in one.what for one in problems(text)) == repeated


TEMPLATE = protocol.template().splitlines()


@given(
    number=st.integers(0, len(TEMPLATE) - 1),
    new=st.sampled_from(["", "[", "x = 1", 'lot = "z"', "[layout]", "= 3", "beds = []", "P = {}"]),
    keep=st.booleans(),
)
@settings(max_examples=120)
def test_a_damaged_template_is_refused_or_usable(number: int, new: str, keep: bool) -> None:
    """Whatever line is lost or added: BadData with lines, or a protocol that works to the end."""
    lines = [*TEMPLATE[:number], new, *TEMPLATE[number if keep else number + 1 :]]
    try:
        found = read("\n".join(lines))
    except BadData as error:
        assert error.problems
        assert all(one.where.startswith("trial.toml, line ") for one in error.problems)
    else:
        protocol.overview(found)
        assert protocol.planned_records(found)


def test_lines_of_every_kind_of_key() -> None:
    text = (
        'a = 1 # [not.a.header]\n"b c".d = """\n[x]\ny = 2\n"""\n[t]\nk = [\n  1, # one\n'
        "  [2,\n 3],\n]\nin = { p = 'q, }', r.s = [4] }\n[[u]]\nv = 1\n[[u]]\nv = 2\n"
        "[u.w]\nz = 1979-05-27 07:32:07\n[[u.n]]\no = '''\n'''\n"
    )
    assert find_lines(text) == {
        ("a",): 1, ("b c",): 2, ("b c", "d"): 2, ("t",): 6, ("t", "k"): 7, ("t", "k", 0): 8,
        ("t", "k", 1): 9, ("t", "k", 1, 0): 9, ("t", "k", 1, 1): 10, ("t", "in"): 12,
        ("t", "in", "p"): 12, ("t", "in", "r"): 12, ("t", "in", "r", "s"): 12,
        ("t", "in", "r", "s", 0): 12, ("u",): 13, ("u", 0): 13, ("u", 0, "v"): 14,
        ("u", 1): 15, ("u", 1, "v"): 16, ("u", 1, "w"): 17, ("u", 1, "w", "z"): 18,
        ("u", 1, "n"): 19, ("u", 1, "n", 0): 19, ("u", 1, "n", 0, "o"): 20,
    }  # fmt: skip


def _paths(value: Any, path: tuple[str | int, ...] = ()) -> list[tuple[str | int, ...]]:
    inner: list[tuple[str | int, Any]] = []
    if isinstance(value, dict):
        inner = list(value.items())
    elif isinstance(value, list):
        inner = list(enumerate(value))
    return [path, *(deep for key, one in inner for deep in _paths(one, (*path, key)))]


def test_the_line_of_every_key_of_the_template_shows_the_key() -> None:
    """The standard library's parser is the judge of which keys there are."""
    text = protocol.template()
    lines, shown = find_lines(text), text.splitlines()
    for path in _paths(tomllib.loads(text))[1:]:
        assert path in lines
        if isinstance(path[-1], str):
            assert path[-1] in shown[lines[path] - 1]


# What is declared of a nutrient beforehand: in the protocol's words, as it is kept.
LONG = {
    "all of it": (
        'nitrate-N = { method = "1 M KCl", cv = "8 %", sd = "0.5 mg/kg", margin = "10 mg/kg" }',
        records.Followed("", "nitrate-N", "1 M KCl", D(8), D("0.5"), D(10)),
    ),
    "the method alone": (
        'nitrate-N = { method = "1M KCl" }',
        records.Followed("", "nitrate-N", "1 M KCl"),
    ),
    "another unit": (
        'P = { method = "Mehlich-3", sd = "0.002 g/kg", margin = "20 ppm" }',
        records.Followed("", "P", "Mehlich-3", None, D(2), D(20)),
    ),
    "pH in units": (
        'pH = { method = "water 1:1", sd = "0.05", margin = "0.3 units" }',
        records.Followed("", "pH", "water 1:1", None, D("0.05"), D("0.3")),
    ),
    "the sum": (
        'mineral-N = { margin = "15 mg/kg" }',
        records.Followed("", "mineral-N", "", None, None, D(15)),
    ),
}


@pytest.mark.parametrize("name", LONG)
def test_what_is_declared_of_a_nutrient(name: str) -> None:
    line, expected = LONG[name]
    text = SMALL
    if line.startswith("nitrate-N"):
        text = changed(('nitrate-N = "1 M KCl"', line))
    else:
        text += line + "\n"
    found = read(text)
    kept = {
        record.analyte: record
        for _, record in protocol.planned_records(found)
        if isinstance(record, records.Followed)
    }
    assert kept[expected.analyte] == dataclasses.replace(expected, trial=found.tid)
    assert found.warnings == ()


@pytest.mark.parametrize(
    ("line", "problem"),
    [
        (
            'pH = { method = "water 1:1", cv = "2 %" }',
            'nutrients.pH.cv: a pH is a logarithm: a percentage of it means nothing '
            'declare the error in units: sd = "0.05"',
        ),
        (
            'mineral-N = { method = "1 M KCl", margin = "15 mg/kg" }',
            "nutrients.mineral-N.method: mineral-N is a sum: its method follows from nitrate-N and "
            "ammonium-N write it there, and only margin here",
        ),
        (
            "mineral-N = {}",
            'nutrients.mineral-N: "margin" is missing say how much matters: margin = "15 mg/kg"',
        ),
        (
            'P = { cv = "8 %" }',
            'nutrients.P: "method" is missing name the method, for example Mehlich-3',
        ),
        (
            'P = { method = "Mehlich-3", cv = "8" }',
            "nutrients.P.cv: '8' has no unit add one of: %",
        ),
        (
            'P = { method = "Mehlich-3", cv = "120 %" }',
            "nutrients.P.cv: a laboratory whose results are off by 120 % measures nothing "
            'write it like "8 %"',
        ),
        (
            'P = { method = "Mehlich-3", sd = "0.05" }',
            "nutrients.P.sd: '0.05' has no unit "
            'write it like "12 mg/kg", or "not known yet"',
        ),
        (
            'P = { method = "Mehlich-3", margin = "0 mg/kg" }',
            "nutrients.P.margin: '0 mg/kg' must be more than nothing "
            "leave the key out if none is known",
        ),
        (
            'P = { method = "Mehlich-3", margins = "9 mg/kg" }',
            'nutrients.P.margins: "margins" is not a key of this section did you mean "margin"?',
        ),
    ],
)  # fmt: skip
def test_what_cannot_be_declared_of_a_nutrient(line: str, problem: str) -> None:
    assert said(problems(f"{SMALL}{line}\n")) == [f"trial.toml, line 40, {problem}"]


def test_a_margin_of_the_sum_needs_both_its_parts() -> None:
    text = changed(
        ('ammonium-N = "1 M KCl"', 'mineral-N = { margin = "15 mg/kg" }'),
        ('zone = "Europe/Lisbon"', 'zone = "Europe/Lisbon"\nendpoint = "nitrate-N"'),
    )
    assert said(problems(text)) == [
        "trial.toml, line 40, nutrients.mineral-N: mineral-N is the sum of nitrate-N and "
        "ammonium-N; not followed: ammonium-N follow both"
    ]


def test_the_error_of_a_lots_analysis_is_kept_in_the_form_of_its_value() -> None:
    # P2O5 is 43.64 % P (IUPAC weights), its value and its error alike.
    text = SMALL + (
        '[amendments.c.contents]\nP2O5 = { value = "1 %", basis = "dry", '
        'method = "maker\'s label", sd = "0.1 %" }\n'
    )
    (content,) = (
        record
        for _, record in protocol.planned_records(read(text))
        if isinstance(record, records.LotContent)
    )
    assert content.sd is not None
    assert round(content.value) == 4364
    assert content.sd * 10 == pytest.approx(content.value)
    (problem,) = problems(text.replace('"0.1 %"', '"0 %"'))
    assert problem.what == "'0 %' must be more than nothing"


@pytest.mark.parametrize(
    ("text", "each", "unit"),
    [
        ("1.10 EUR/kg", "1.10", "kg"),
        ("0.03 EUR/L", "0.03", "L"),
        ("12 EUR per 40 L", "0.3", "L"),
        # 25 lb are 11.33980925 kg, a cubic yard 764.554857984 L (exact definitions).
        ("5 USD/25 lb", "0.440924524", "kg"),
        ("12 EUR/yd3", "0.015695407", "L"),
    ],
)
def test_a_price_in_numbers(text: str, each: str, unit: str) -> None:
    found = measure.price_parts(text)
    assert (found.unit, found.currency) == (unit, text.split()[1].partition("/")[0])
    assert round(found.each, 9) == D(each)


def test_a_price_of_nothing_is_none() -> None:
    with pytest.raises(UserMistake, match="price of nothing"):
        measure.price_parts("3 EUR/0 L")
