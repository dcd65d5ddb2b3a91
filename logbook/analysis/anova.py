"""Analysis of variance by least squares, and differences from a control with blocks taken out.

Sums of squares are those of orthogonal parts, found term by term on values from which their mean,
summed exactly, was taken first: leading digits that all values share cost none of the result's.
A term's part is what it explains beyond the terms before it, so that the order matters where
cells are missing or unequal. Source: Fisher 1925, Statistical Methods for Research Workers,
chapters VII and VIII; the sequential form Searle 1971, Linear Models, section 6.3.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from logbook.analysis.tails import f_tail
from logbook.errors import UserMistake

Floats = NDArray[np.float64]
Labels = Sequence[Hashable]

ERROR = "error"
_DEPENDENT = 1e-9  # a column this short once the others are taken out is one of them


@dataclass(frozen=True)
class Source:
    """One line of the analysis; f and p against the error, None for the error itself.

    ss: sum of squares; ms: ss / df, None without degrees of freedom.
    """

    name: str
    df: int
    ss: float
    ms: float | None
    f: float | None
    p: float | None


@dataclass(frozen=True)
class Effects:
    """Treatments less the control, blocks taken out.

    differences: (k,) in the order of `treatments`; unscaled: (k, k), their covariance is this
    times the error mean square; ms, df: the error's, ms None without degrees of freedom;
    residuals, leverages: (n,) in the order of the values.
    """

    treatments: tuple[str, ...]
    differences: Floats
    unscaled: Floats
    ms: float | None
    df: int
    residuals: Floats
    leverages: Floats


def sequential(values: Sequence[float], terms: Sequence[tuple[str, Labels]]) -> list[Source]:
    """The analysis of variance of some values, a line for each term in order and for the error.

    Args:
        values: (n,) numbers. terms: a name and a label for each value; a crossing of factors is a
            term whose labels are pairs, put after its factors.

    Raises:
        UserMistake: no values, a value that is not a finite number, labels that do not fit.
    """
    centred = _centred(values)
    basis = np.full((len(centred), 1), 1.0 / math.sqrt(len(centred)))
    parts: list[tuple[str, int, float]] = []
    for name, labels in terms:
        if len(labels) != len(centred):
            raise UserMistake(f"{name}: {len(labels)} labels for {len(centred)} values")
        new = _beyond(_indicators(labels), basis)
        parts.append((name, new.shape[1], _squares(new.T @ centred)))
        basis = np.hstack([basis, new])
    rest = centred - basis @ (basis.T @ centred)
    rest -= basis @ (basis.T @ rest)
    return _lines(parts, len(centred) - basis.shape[1], _squares(rest))


def _lines(parts: Sequence[tuple[str, int, float]], df: int, left: float) -> list[Source]:
    """Mean squares and F ratios."""
    error = left / df if df else None
    found = []
    for name, own, ss in parts:
        ms = ss / own if own else None
        ratio = ms / error if ms is not None and error else None
        tail = None if ratio is None else f_tail(ratio, own, df)
        found.append(Source(name, own, ss, ms, ratio, tail))
    return [*found, Source(ERROR, df, left, error, None, None)]


def effects(
    values: Sequence[float], treatments: Sequence[str], blocks: Labels | None, control: str
) -> Effects | None:
    """Least-squares differences from the control, blocks (if any) adding to every value in them.

    With complete blocks these are the differences of means; where beds are missing, blocks are
    taken out by least squares. None where a treatment cannot be set against the control, since no
    chain of shared blocks leads from one to the other.

    Raises:
        UserMistake: as `sequential`, or no value of the control.
    """
    centred = _centred(values)
    codes = [code for code in dict.fromkeys(treatments) if code != control]
    if control not in treatments:
        raise UserMistake(f"there is no value of the control {control!r}")
    columns = np.column_stack([[one == code for one in treatments] for code in codes]).astype(float)
    ground = _beyond(
        np.ones((len(centred), 1)) if blocks is None else _indicators(blocks),
        np.empty((len(centred), 0)),
    )
    apart = columns - ground @ (ground.T @ columns)
    apart -= ground @ (ground.T @ apart)
    rotation, triangle = np.linalg.qr(apart)
    if (np.abs(np.diag(triangle)) < _DEPENDENT).any():
        return None
    inverse = np.linalg.solve(triangle, np.eye(len(codes)))
    whole = np.hstack([ground, rotation])
    rest = centred - whole @ (whole.T @ centred)
    rest -= whole @ (whole.T @ rest)
    df = len(centred) - whole.shape[1]
    return Effects(
        treatments=tuple(codes),
        differences=inverse @ (rotation.T @ centred),
        unscaled=inverse @ inverse.T,
        ms=_squares(rest) / df if df else None,
        df=df,
        residuals=rest,
        leverages=(whole**2).sum(1),
    )


def _centred(values: Sequence[float]) -> Floats:
    """Values less their mean, the mean summed exactly."""
    given = np.asarray(values, dtype=float)
    if given.ndim != 1 or not len(given):
        raise UserMistake("an analysis of variance needs a row of values")
    if not np.isfinite(given).all():
        raise UserMistake("a value is not a finite number: it cannot be compared")
    centred = given - math.fsum(given) / len(given)
    return np.asarray(centred - math.fsum(centred) / len(centred))


def _indicators(labels: Labels) -> Floats:
    """A column of 0 and 1 for each label."""
    columns = {label: place for place, label in enumerate(dict.fromkeys(labels))}
    found = np.zeros((len(labels), len(columns)))
    found[np.arange(len(labels)), [columns[label] for label in labels]] = 1.0
    return found


def _beyond(columns: Floats, basis: Floats) -> Floats:
    """An orthonormal basis of what some columns hold beyond another such basis."""
    left = columns - basis @ (basis.T @ columns)
    left -= basis @ (basis.T @ left)
    vectors, sizes, _ = np.linalg.svd(left, full_matrices=False)
    return np.asarray(vectors[:, sizes > _DEPENDENT * math.sqrt(len(columns))])


def _squares(numbers: Floats) -> float:
    """A sum of squares, summed exactly."""
    return math.fsum(float(one) ** 2 for one in numbers)
