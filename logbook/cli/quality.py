"""How well a laboratory measures: `lab chart`, `lab precision`, and what a user may set of it."""

from __future__ import annotations

import tomllib
from contextlib import suppress
from typing import TYPE_CHECKING, Annotated, Any

import typer

from logbook import config
from logbook.cli import completing
from logbook.cli.laboratory import tell
from logbook.cli.session import Session, as_json, chosen, say
from logbook.errors import LogbookError, UserMistake
from logbook.store import views
from logbook.trial import chemistry

if TYPE_CHECKING:
    import sqlite3

    from logbook.study.plausibility import Settings
    from logbook.study.quality import Kind, Precision
    from logbook.study.references import Chart, OverTime

_FILE = "laboratory.toml"


def settings() -> Settings:
    """What the user set of laboratories: days that they keep samples, largest RPD by nutrient.

    Read from `laboratory.toml` in the folder of edited tables; raises UserMistake if it is wrong.
    """
    from logbook.study.plausibility import USUAL, Settings

    path = config.handbook_folder() / _FILE
    try:
        said = tomllib.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        return USUAL
    except (OSError, ValueError) as problem:
        raise UserMistake(
            f"{path}: cannot be read ({problem})", "mend it or move it away"
        ) from None
    parts = [said.pop(name, {}) for name in ("keeps_days", "most_rpd")]
    if said or not all(
        isinstance(one, dict) and all(map(_positive, one.values())) for one in parts
    ):
        raise UserMistake(
            f"{path}: only [keeps_days] and [most_rpd], each with numbers above 0",
            "see docs/quality.md",
        )
    keeps, most = parts
    try:
        known = {chemistry.find_analyte(name)[0].name: float(one) for name, one in most.items()}
    except UserMistake as mistake:
        raise UserMistake(f"{path}: {mistake.message}", mistake.hint) from None
    return Settings(keeps, known)


def about_duplicates() -> str:
    """How far duplicates may differ before their result is out of curves, and where that is set."""
    from logbook.study.quality import MOST_PH, MOST_RPD

    return (
        f"Duplicates that differ by more than {MOST_RPD:g} % (pH: {MOST_PH:g}) put their result in "
        f"question, and out of curves and fits; [most_rpd] in {config.handbook_folder() / _FILE} "
        "sets another limit by nutrient, from the next import on."
    )


def _positive(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and value > 0


def chart(
    context: typer.Context,
    name: Annotated[
        str | None, typer.Argument(help="The reference material.", show_default=False)
    ] = None,
    nutrient: Annotated[
        str | None,
        typer.Argument(help="Only this nutrient.", autocompletion=completing.nutrients),
    ] = None,
    json: Annotated[bool, typer.Option("--json", help="For programs.")] = False,
) -> None:
    """Show control charts of reference materials: each report's result, between 3 s lines.

    Examples: logbook lab chart 'house soil' P
              logbook lab chart --json
    """
    from logbook.study import references

    session: Session = context.obj
    analyte = None if nutrient is None else chemistry.find_analyte(nutrient)[0].name
    found = session.read(lambda store: references.charts(store, _material(store, name), analyte))
    if json:
        as_json({"charts": [_chart_document(one) for one in found]})
        return
    if not found:
        say("No results of such a reference material yet: lab send --reference NAME slips one in.")
    from logbook.report.terminal.quality import show_chart

    for place, one in enumerate(found):
        if place:
            say("")
        show_chart(one)


def _material(store: sqlite3.Connection, said: str | None) -> str | None:
    """The name of a reference material as it is written down, whatever the capitals."""
    if said is None:
        return None
    known = {one.record.of for one in views.fetch(store, "blind", "kind = ?", ("reference",))}
    known |= {one.record.name for one in views.fetch(store, "reference")}
    alike = [one for one in sorted(known) if one.casefold() == said.strip().casefold()]
    if not alike:
        way = f"name one of: {', '.join(sorted(known))}" if known else "lab send --reference NAME"
        with suppress(UserMistake):
            nutrient = chemistry.find_analyte(said)[0].name
            way += f"; a nutrient comes after it: logbook lab chart NAME {nutrient}"
        raise UserMistake(f"there is no reference material called {said!r}", way)
    return said if said in alike else alike[0]


def _kind_document(kind: Kind) -> dict[str, str]:
    """What makes numbers comparable: laboratory, nutrient, method and basis."""
    return dict(zip(("laboratory", "nutrient", "method", "basis"), kind, strict=True))


def _chart_document(one: Chart) -> dict[str, Any]:
    out = {id(point): why for point, why in one.out()}
    return {
        "material": one.name,
        **_kind_document(one.kind),
        "unit": one.unit,
        "assigned": one.assigned,
        "sd": one.sd,
        "trial": one.trial or None,
        "results": [
            {
                "sample": each.code,
                "report": each.report,
                "received": each.day,
                "value": each.shown,
                "centre": each.point.limits.centre if each.point and each.point.limits else None,
                "s": each.point.limits.sd if each.point and each.point.limits else None,
                "z": each.point.z if each.point else None,
                "rules": list(each.point.rules) if each.point else [],
                "out_of_control": out.get(id(each)),
            }
            for each in one.results
        ],
    }


def precision(
    context: typer.Context,
    json: Annotated[bool, typer.Option("--json", help="For programs.")] = False,
) -> None:
    """Show how well the laboratory repeats itself: s_r and r, from duplicates and repeats.

    Beside it stands the intermediate precision, from reference materials in several reports: it
    holds what changes from day to day, too, and is no s_r.

    Examples: logbook lab precision
              logbook lab precision --json
    """
    from logbook.study import quality, references

    session: Session = context.obj
    usual = settings()

    def question(
        store: sqlite3.Connection,
    ) -> tuple[list[Precision], list[quality.Pair], list[OverTime]]:
        try:
            trial = chosen(store, session).id
        except LogbookError:
            trial = None
        return (
            quality.precision(store, trial),
            quality.pairs(store, usual.most_rpd),
            references.over_time(store),
        )

    found, pairs, over_time = session.read(question)
    if json:
        as_json({"precision": [_precision_document(one) for one in found],
                 "intermediate": [_over_time_document(one) for one in over_time],
                 "pairs": [_pair_document(one) for one in pairs]})  # fmt: skip
        return
    from logbook.report.terminal.quality import show_over_time, show_precision

    beyond = [one for one in pairs if one.compared.within is False]
    if found:
        show_precision(found, beyond)
    else:
        say("No duplicates and no repeats yet: lab send --duplicate slips one in.")
    if over_time:
        say("")
        show_over_time(over_time)
    if any(one.compared.by_share for one in beyond):
        tell(about_duplicates())


def _over_time_document(one: OverTime) -> dict[str, Any]:
    return {
        "material": one.name,
        **_kind_document(one.kind),
        "unit": one.unit,
        "trial": one.trial or None,
        "reports": one.measured.reports,
        "results": one.measured.results,
        "df": one.measured.df,
        "sd": one.measured.sd,
        "level": one.measured.level,
    }


def _precision_document(one: Precision) -> dict[str, Any]:
    return {
        **_kind_document(one.kind),
        "unit": one.unit,
        "pairs": one.pairs,
        "df": one.measured.df,
        "sd": one.measured.sd,
        "sd_df": one.measured.sd_df,
        "cv": one.measured.cv,
        "cv_df": one.measured.cv_df,
        "level": one.measured.level,
        "declared_cv": one.cv,
        "declared_sd": one.sd,
        "used": "measured" if one.counts else "declared",
    }


def _pair_document(one: Any) -> dict[str, Any]:
    return {
        **_kind_document(one.kind),
        "report": one.report,
        "how": one.how,
        "samples": list(one.samples),
        "values": list(one.values),
        "rpd": one.compared.rpd,
        "difference": one.compared.difference,
        "within": one.compared.within,
        "words": one.compared.words,
    }
