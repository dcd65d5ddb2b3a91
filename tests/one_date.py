"""Results of one date in the small trial, chosen so that every range can be worked by hand."""

from __future__ import annotations

from tests.program import Program

DAY0 = "2026-03-02T09:00+01:00"
DAY7 = "2026-03-09T09:00+01:00"
DAY28 = "2026-03-30T09:00+02:00"
LATER = "2026-04-20T09:00+02:00"
BEDS = ("B1", "B2", "B3", "B4", "B5", "B6")

# Invented. B1, B5: control; B2, B6: M; B3, B4: C10. Blocks: B1-B3 and B4-B6.
VALUES = {
    ("nitrate-N", "mg/kg", "1 M KCl"): ("20", "40", "18", "22", "23", "45"),
    ("ammonium-N", "mg/kg", "1 M KCl"): ("1", "2", "1", "1", "1", "2"),
    ("P", "mg/kg", "Olsen"): ("12", "30", "<2", "9", "13", "31"),
    ("Zn", "mg/kg", "DTPA"): ("2", "8", "3", "3", "2", "32"),
    ("pH", "pH", "water 1:1"): ("6.50", "6.00", "6.6", "6.4", "6.60", "6.08"),
    ("EC", "dS/m", "water 1:5"): ("0.20", "0.70", "0.2", "0.3", "0.22", "0.73"),
}


def pulled(program: Program, beds: str, on: str) -> dict[str, str]:
    """Pull beds; sample codes by bed label."""
    said = program.must("pull", beds, on=on)
    lines = [line.split() for line in said.out.splitlines() if line.startswith("  ")]
    return {label: code for code, label, *_ in lines}


def report(program: Program, rows: list[tuple[str, ...]], number: str) -> None:
    """Import rows of sample, nutrient, value, unit, method as one report."""
    text = "sample,nutrient,value,unit,method\n" + "".join(",".join(row) + "\n" for row in rows)
    (program.folder / f"report-{number}.csv").write_text(text, encoding="utf-8")
    program.must("lab", "import", f"report-{number}.csv", "--report", number, on=LATER)


def day28(program: Program) -> Program:
    """All beds applied on one day, pulled on days 7 and 28; nearly all results are of day 28."""
    program.must("apply", "all", on=DAY0)
    early = pulled(program, "B1,B2,B5,B6", DAY7)
    report(program, [(early[bed], "K", "90", "mg/kg", "Mehlich-3") for bed in early], "1")
    codes = pulled(program, "all", DAY28)
    rows = [
        (codes[bed], nutrient, value, unit, method)
        for (nutrient, unit, method), values in VALUES.items()
        for bed, value in zip(BEDS, values, strict=True)
    ]
    report(program, rows, "2")
    return program
