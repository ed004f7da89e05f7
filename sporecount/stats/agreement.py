"""Agreement of two readers, or of a reader and the machine: on classes by kappa, on counts by limits."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from sporecount.errors import SettingsError
from sporecount.stats.checks import require
from sporecount.stats.intervals import Interval, wilson

Weights = Literal["none", "linear", "quadratic"]


@dataclass(frozen=True)
class Kappa:
    """Agreement beyond chance.

    Parameters
    ----------
    value, low, high : float
        1 is perfect, 0 what chance alone would give, with its interval.
    observed, expected : float
        (Weighted) share of agreement seen, and that of chance.
    n : int
        Things read twice.
    """

    value: float
    low: float
    high: float
    observed: float
    expected: float
    n: int


@dataclass(frozen=True)
class Limits:
    """Limits of agreement of two counts: about 95 of 100 differences lie between `lower` and `upper`.

    Parameters
    ----------
    bias : Interval
        Mean difference, first minus second; of ratios: geometric mean of first over second.
    lower, upper : Interval
        The limits, each with its own interval.
    sd : float
        Standard deviation of the differences (of the natural logarithms of the ratios).
    n : int
        Pairs.
    as_ratio : bool
    """

    bias: Interval
    lower: Interval
    upper: Interval
    sd: float
    n: int
    as_ratio: bool


def cross_table(first: Sequence[int], second: Sequence[int], categories: int) -> np.ndarray:
    """Count pairs of readings 0 .. categories - 1: table[i, j] = first said i, second said j.

    Raises
    ------
    SettingsError
        Lists of unequal length, or a reading that is no category.
    """
    one = require("first", first, 0, categories - 1).astype(int)
    two = require("second", second, 0, categories - 1).astype(int)
    require("number of second readings", two.size, one.size, one.size)
    table = np.zeros((categories, categories))
    np.add.at(table, (one, two), 1)
    return table


def kappa(table: np.ndarray, weights: Weights = "none", level: float = 0.95) -> Kappa:
    """Cohen's kappa, plain or weighted, with its large-sample interval.

    (observed - expected) / (1 - expected). Linear weights credit a neighbouring class with
    1 - |i - j| / (c - 1), quadratic ones with 1 - (i - j)^2 / (c - 1)^2. The interval is good from some 30
    readings on; where all agree, it is taken from Wilson's bound of the share of agreement, for the
    large-sample one would be of no width. Kappa falls when nearly all readings are of one class, however
    well the readers agree: give the table with it.

    Parameters
    ----------
    table : ndarray of shape (c, c)
        Numbers of readings, c at least 2.
    weights : {"none", "linear", "quadratic"}
        Weighted kappa needs categories in order, such as load classes.
    level : float
        Confidence, in (0, 1).

    Raises
    ------
    SettingsError
        A table that is not square, empty, or with one category only: chance agreement is then complete.

    References
    ----------
    Cohen 1960, Educ. Psychol. Meas. 20:37-46; Cohen 1968, Psychol. Bull. 70:213-220; standard error:
    Fleiss, Cohen & Everitt 1969, Psychol. Bull. 72:323-327.
    """
    from scipy.special import ndtri

    counts = require("table", table, 0)
    if counts.ndim != 2 or counts.shape[0] != counts.shape[1] or counts.shape[0] < 2:
        raise SettingsError(
            f"table must be square with 2 classes or more, got shape {counts.shape}",
            where="table",
            remedy="Make it with cross_table",
        )
    n = round(float(require("sum of table", counts.sum(), 0, above=True)))
    p = counts / n
    apart = np.abs(np.subtract.outer(np.arange(len(p)), np.arange(len(p)))) / (len(p) - 1)
    credit = {"none": (apart == 0).astype(float), "linear": 1 - apart, "quadratic": 1 - apart**2}[weights]
    rows, cols = p.sum(axis=1), p.sum(axis=0)
    observed = float((credit * p).sum())
    expected = float(rows @ credit @ cols)
    if expected > 1 - 1e-12:
        raise SettingsError(
            "both readers used one and the same class only, so kappa cannot be told",
            where="table",
            remedy="Report the share of agreement instead, or read more prints",
        )
    value = (observed - expected) / (1 - expected)
    row_credit, col_credit = credit @ cols, credit.T @ rows
    pull = credit - np.add.outer(row_credit, col_credit) * (1 - value)
    variance = ((p * pull**2).sum() - (value - expected * (1 - value)) ** 2) / (n * (1 - expected) ** 2)
    if observed > 1 - 1e-12:
        low = (wilson(n, n, level).low - expected) / (1 - expected)
        return Kappa(value, float(low), 1.0, observed, expected, n)
    half = float(ndtri(0.5 + level / 2) * np.sqrt(max(variance, 0.0)))
    return Kappa(value, max(-1.0, value - half), min(1.0, value + half), observed, expected, n)


def limits_of_agreement(
    first: Sequence[float], second: Sequence[float], *, as_ratio: bool = False, level: float = 0.95
) -> Limits:
    """Limits of agreement of paired counts: mean difference -+ 1.96 standard deviations.

    Counts that span a wide range differ more where they are large; then ask for ratios, of counts plus a
    half. Standard errors: sd / sqrt(n) of the bias, sd sqrt(1/n + 1.96^2 / (2 (n - 1))) of a limit, with
    Student's t.

    Parameters
    ----------
    first, second : sequence of float
        Counts of the same fields by two readers, at least 3.
    as_ratio : bool
        Work on ln((a + 0.5) / (b + 0.5)) and give the limits as ratios.
    level : float
        Confidence of the intervals of bias and limits; the limits themselves are those of 95 %.

    References
    ----------
    Bland & Altman 1986, Lancet 327:307-310 (there with 2 for 1.96); 1999, Stat. Methods Med. Res. 8:135-160.
    """
    from scipy.special import stdtrit

    a, b = require("first", first, 0).ravel(), require("second", second, 0).ravel()
    require("number of pairs", a.size, 3)
    require("number of second counts", b.size, a.size, a.size)
    apart = np.log((a + 0.5) / (b + 0.5)) if as_ratio else a - b
    n = a.size
    mean, sd = float(apart.mean()), float(apart.std(ddof=1))
    t = float(stdtrit(n - 1, 0.5 + level / 2))
    of_bias = t * sd / np.sqrt(n)
    of_limit = t * sd * np.sqrt(1 / n + 1.96**2 / (2 * (n - 1)))

    def interval(centre: float, half: float) -> Interval:
        ends = np.array([centre, centre - half, centre + half])
        return Interval(*(float(one) for one in (np.exp(ends) if as_ratio else ends)))

    return Limits(
        bias=interval(mean, of_bias),
        lower=interval(mean - 1.96 * sd, of_limit),
        upper=interval(mean + 1.96 * sd, of_limit),
        sd=sd,
        n=n,
        as_ratio=as_ratio,
    )


def kappa_sentence(result: Kappa) -> str:
    """Say a kappa in plain words."""
    return (
        f"Of {result.n} read twice, {100 * result.observed:.0f} % agree where chance alone would give "
        f"{100 * result.expected:.0f} %: {100 * result.value:.0f} % of the agreement that chance leaves open "
        f"(kappa {result.value:.2f}, 95 % interval {result.low:.2f} to {result.high:.2f})."
    )


def limits_sentence(result: Limits, first: str = "the first reader", second: str = "the second") -> str:
    """Say limits of agreement in plain words."""
    bias, lower, upper = result.bias, result.lower, result.upper
    if result.as_ratio:
        return (
            f"Over {result.n} pairs {first} counts {bias.value:.2f} times what {second} counts "
            f"(95 % interval {bias.low:.2f} to {bias.high:.2f}); in 95 of 100 pairs the ratio lies between "
            f"about {lower.value:.2f} and {upper.value:.2f}."
        )
    more = "more" if bias.value >= 0 else "fewer"
    return (
        f"Over {result.n} pairs {first} counts {abs(bias.value):.1f} {more} than {second} "
        f"(95 % interval of the difference {bias.low:.1f} to {bias.high:.1f}); in 95 of 100 pairs the "
        f"difference lies between about {lower.value:.1f} and {upper.value:.1f}."
    )
