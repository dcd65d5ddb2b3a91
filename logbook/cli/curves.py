"""The command `curve`: what was released, when, and how surely, date by date and as a curve."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from logbook.cli import completing
from logbook.cli.app import command
from logbook.cli.run import aside
from logbook.cli.session import Session, as_json, chosen, say
from logbook.errors import UserMistake
from logbook.trial.chemistry import named

if TYPE_CHECKING:
    from logbook.report.constants import Asked
    from logbook.study.series import Series
    from logbook.trial.records import Trial


def curve(
    context: typer.Context,
    nutrient: Annotated[
        str | None,
        typer.Argument(
            help="Such as mineral-N, P, pH [mineral-N]; with --from: a treatment of its beds.",
            autocompletion=completing.nutrients,
        ),
    ] = None,
    treatment: Annotated[
        str | None,
        typer.Argument(help="A treatment's code [all].", autocompletion=completing.treatments),
    ] = None,
    from_file: Annotated[
        Path | None,
        typer.Option("--from", help="Fit a plain CSV (columns day, value), without a logbook."),
    ] = None,
    free_start: Annotated[
        bool, typer.Option("--free-start", help="With --from: fit the start, not fixed at 0.")
    ] = False,
    control: Annotated[
        str | None,
        typer.Option(help="With --from: the untreated, where the file has beds.", metavar="NAME"),
    ] = None,
    without_flagged: Annotated[
        bool,
        typer.Option("--without-flagged", help="Leave out pulls made after a mishap on their bed."),
    ] = False,
    method: Annotated[
        str | None,
        typer.Option(help="Only methods with these letters in their name.", metavar="TEXT"),
    ] = None,
    every: Annotated[
        bool, typer.Option("--all", help="Every shape, and why it was or was not chosen.")
    ] = False,
    day: Annotated[
        list[float] | None,
        typer.Option(help="Also the difference on this day; more than once.", metavar="N"),
    ] = None,
    svg: Annotated[Path | None, typer.Option(help="Also draw the figure to this file.")] = None,
    png: Annotated[Path | None, typer.Option(help="Also draw the figure to this file.")] = None,
    json: Annotated[bool, typer.Option("--json", help="For programs.")] = False,
) -> None:
    """Show a nutrient's release curve: differences from the control, intervals, fits.

    Examples: logbook curve mineral-N
              logbook curve P A10 --svg phosphorus.svg
              logbook curve P --method olsen --png p.png
              logbook curve mineral-N A10 --all --day 10
              logbook curve --from old.csv --free-start
              logbook curve --from beds.csv meal --control none
    """
    session: Session = context.obj
    days = _days(day)
    if from_file is not None:
        if treatment:
            raise UserMistake(
                "--from reads a plain series, which names no nutrient",
                f"logbook curve --from {from_file} TREATMENT --control NAME",
            )
        if without_flagged:
            raise UserMistake("--from reads a plain series, which has no flags")
        if method is not None:
            raise UserMistake("--from reads a plain series, which has no method")
        found = _of_file(from_file, free_start, control, nutrient, days)
    else:
        if control is not None:
            raise UserMistake("--control goes with --from", "a trial's protocol names its control")
        if free_start:
            raise UserMistake("--free-start goes with --from", "a trial's curves always fit D0")
        found = _of_trial(session, nutrient or "mineral-N", treatment, without_flagged, days)
        found = _by_method(found, method)
    for path, ending in ((svg, ".svg"), (png, ".png")):
        if path is not None:
            _draw([one for one, _ in found], path, ending)
    if json:
        from logbook.report.documents import series_document

        as_json({"curves": [series_document(one, asked) for one, asked in found]})
        return
    _show(found, every)


Found = list[tuple["Series", "Asked"]]


def _days(given: list[float] | None) -> tuple[float, ...]:
    """The days asked for; a day before application has no release.

    Raises UserMistake for one below 0 or not a number.
    """
    days = tuple(given or ())
    for one in days:
        if not 0.0 <= one < math.inf:
            raise UserMistake(f"--day {one:g}: a day counts from application: 0 or more")
    return days


def _of_file(
    path: Path,
    free_start: bool,
    control: str | None,
    treatment: str | None,
    days: tuple[float, ...],
) -> Found:
    """The series of a plain file.

    Raises UserMistake where net values allow no shape: there is nothing else to tell of them.
    """
    from logbook.report.constants import NO_SHAPE, Asked, no_curve
    from logbook.study.plain import plain_series

    found = plain_series(path, free_start, control, treatment)
    for one in found:
        reason = no_curve(one)
        if one.plain and reason.startswith(NO_SHAPE):
            few = "too few pulls" in reason or "one day" in reason
            raise UserMistake(f"{path.name}: {reason}", "add values of other days" if few else "")
    return [(one, Asked(days)) for one in found]


def _of_trial(
    session: Session,
    nutrient: str,
    treatment: str | None,
    without_flagged: bool,
    days: tuple[float, ...],
) -> Found:
    """The series asked for, with the day that the trial named and what its beds lost."""
    from logbook.report.constants import Asked
    from logbook.study.losses import losses
    from logbook.study.series import series_of

    analyte = named(nutrient)

    def question(store: Any) -> Found:
        trial = chosen(store, session)
        series = series_of(store, trial.id, analyte, treatment, without_flagged=without_flagged)
        lost = {one.treatment: losses(store, trial.id, one.treatment) for one in series}
        declared = _named(trial.trial)
        return [(one, Asked(days, declared, lost[one.treatment])) for one in series]

    found = session.read(question)
    if not found:
        raise UserMistake(
            f"there are no results of {analyte} to compare with the control yet",
            "logbook lab import FILE brings them in",
        )
    return found


def _named(trial: Trial) -> tuple[float, str]:
    """The planting day; where nothing is planted, the day of the difference named beforehand."""
    if trial.planting_day is not None:
        return float(trial.planting_day), "the planting day"
    return float(trial.endpoint_day), "the day named beforehand"


def _by_method(found: Found, method: str | None) -> Found:
    """The series by methods that have these letters in their name; all without any."""
    if method is None:
        return found
    wanted = method.strip().casefold()
    fitting = [one for one in found if wanted in one[0].method.casefold()]
    if not fitting:
        methods = ", ".join(dict.fromkeys(one.method for one, _ in found))
        raise UserMistake(f"no result is by a method like {method!r}", f"there are: {methods}")
    return fitting


def _draw(found: list[Series], path: Path, ending: str) -> None:
    """A figure for each set of series that may be compared: name.png, name-2.png, ..."""
    from logbook.report.figures import curve_figure

    if path.suffix.lower() != ending:
        raise UserMistake(f"{path}: a --{ending[1:]} file ends in {ending}")
    sets: dict[tuple[str, ...], list[Series]] = {}
    for one in found:
        sets.setdefault((one.method, one.lab, one.basis, one.unit), []).append(one)
    for number, (what, some) in enumerate(sets.items(), start=1):
        own = path if number == 1 else path.with_name(f"{path.stem}-{number}{path.suffix}")
        curve_figure(some, own)
        about = f" ({', '.join(part for part in what if part)})" if len(sets) > 1 else ""
        aside(f"Drawn: {own}{about}")


def _show(found: Found, every: bool) -> None:
    from logbook.report.terminal.curves import show_curve

    for place, (one, asked) in enumerate(found):
        if place:
            say("")
        show_curve(one, None, every=every, asked=asked)


COMMANDS = {"curve": command(curve)}
