"""Quantiles of reference distributions, from scipy.special: a third of scipy.stats' load time."""

from __future__ import annotations

from logbook.errors import UserMistake


def t_quantile(probability: float, df: float) -> float:
    """Student's t quantile.

    Args:
        probability: lower-tail probability, strictly between 0 and 1; 0.975 for a 95 % interval.
        df: degrees of freedom, above 0; fractions allowed (Satterthwaite).

    Raises:
        UserMistake: probability or df out of range.
    """
    if not 0.0 < probability < 1.0:
        raise UserMistake(f"probability {probability} is not between 0 and 1")
    if not df > 0.0:
        raise UserMistake(f"{df} degrees of freedom: at least two beds are needed for an interval")
    from scipy.special import stdtrit

    return float(stdtrit(df, probability))


def f_tail(statistic: float, df_above: float, df_below: float) -> float:
    """The chance of an F ratio at least this large: upper tail of F(df_above, df_below)."""
    from scipy.special import fdtrc

    return float(fdtrc(df_above, df_below, statistic))


def chi2_tail(statistic: float, df: float) -> float:
    """The chance of a chi2 at least this large: upper tail of chi2(df)."""
    from scipy.special import chdtrc

    return float(chdtrc(df, statistic))
