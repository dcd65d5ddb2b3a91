"""A laboratory of another name than before is told of: a slip of the pen would part the season."""

from __future__ import annotations

from tests.cli.parted import HEADER, begun
from tests.program import PROTOCOL, Program

ON = "2026-03-17T10:00+01:00"
WITHOUT = PROTOCOL.replace('[lab]\nname = "Invented Soil Lab"\n\n', "")


def said(program: Program, *words: str) -> str:
    """What a command says, in one line."""
    return " ".join(program.must(*words, on=ON).out.split())


def pulled(program: Program, protocol: str) -> tuple[Program, list[str]]:
    trial = begun(program, protocol)
    return trial, trial.must("pull", "B1-B4", on="2026-03-16T09:00+01:00").samples


def imported(program: Program, codes: list[str], lab: str, number: str) -> str:
    rows = "".join(f"{code},NO3-N,12,mg/kg,1 M KCl\n" for code in codes)
    (program.folder / f"{number}.csv").write_text(HEADER + rows)
    return said(program, "lab", "import", f"{number}.csv", "--report", number, "--lab", lab)


def test_a_shipment_to_a_misspelt_laboratory(program: Program) -> None:
    trial, _ = pulled(program, PROTOCOL)
    assert "another laboratory" not in said(trial, "lab", "send", "B1")
    assert (
        "Note: Invented Soil Lba is another laboratory than before (Invented Soil Lab): results "
        "will not be comparable; if it is the same one, logbook undo, and send with the name as it "
        "was"
    ) in said(trial, "lab", "send", "B2", "--lab", "Invented Soil Lba")
    told = said(trial, "lab", "send", "B3", "--lab", "invented SOIL lab")
    assert "'invented SOIL lab' is taken as 'Invented Soil Lab', as it is written here" in told
    assert "to Invented Soil Lab: 1 sample" in told


def test_where_the_trial_names_none_the_reports_do(program: Program) -> None:
    trial, _ = pulled(program, WITHOUT)
    assert "another laboratory" not in said(trial, "lab", "send", "B1", "--lab", "Fen Lab")
    assert "another laboratory" not in said(trial, "lab", "send", "B2", "--lab", "Fen Lab")
    assert "another laboratory than before (Fen Lab)" in said(
        trial, "lab", "send", "B3", "--lab", "Fne Lab"
    )


def test_a_report_of_another_laboratory_than_the_shipment_went_to(program: Program) -> None:
    trial, codes = pulled(program, WITHOUT)
    trial.must("lab", "send", "B1,B2", "--lab", "Fen Lab", on=ON)
    assert "is not the laboratory" not in imported(trial, codes[:1], "Fen Lab", "1")
    told = imported(trial, codes[1:], "Fne Lab", "2")
    assert (
        f"Note: Fne Lab is not the laboratory to which {codes[1]} went (Fen Lab): results of two "
        "laboratories stand in two series; if it is the same one, logbook undo, and write it "
        "under that name"
    ) in told
    assert told.count("is not the") == 1


def test_the_trials_own_laboratory_is_named_once(program: Program) -> None:
    trial, codes = pulled(program, PROTOCOL)
    trial.must("lab", "send", "B1", on=ON)
    told = imported(trial, codes[:1], "Invented Soil Lba", "1")
    assert "Invented Soil Lba is not the trial's laboratory (Invented Soil Lab)" in told
    assert told.count("is not the") == 1


def test_a_typed_result_of_another_laboratory(program: Program) -> None:
    trial, codes = pulled(program, WITHOUT)
    trial.must("lab", "send", "B1", "--lab", "Fen Lab", on=ON)
    words = ("lab", "add", codes[0], "P", "4 mg/kg", "--method", "Olsen", "--lab", "Fne Lab")
    assert "is not the laboratory to which" in said(trial, *words)
