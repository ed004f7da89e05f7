"""Intervals of a count and of a share, from one observation."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from sporecount.stats.checks import require


class Interval(NamedTuple):
    """A value with the ends of its interval; same unit."""

    value: float
    low: float
    high: float


def poisson_interval(count: float, level: float = 0.95) -> Interval:
    """Exact interval of the mean of a Poisson count.

    low = G(alpha/2; x) and high = G(1 - alpha/2; x + 1), with G the quantile of the gamma distribution of
    unit scale. Covers at least `level` for every mean; with few counts clearly more.

    Parameters
    ----------
    count : float
        Observed number, 0 or more.
    level : float
        Confidence, in (0, 1).

    Returns
    -------
    Interval
        In units of the count.

    References
    ----------
    Garwood 1936, Biometrika 28:437-442.
    """
    from scipy.special import gammaincinv

    x = float(require("count", count, 0))
    alpha = 1 - float(require("level", level, 0, 1, above=True))
    low = float(gammaincinv(x, alpha / 2)) if x > 0 else 0.0
    return Interval(x, low, float(gammaincinv(x + 1, 1 - alpha / 2)))


def wilson(positives: int, n: int, level: float = 0.95) -> Interval:
    """Score interval of a share; on average close to its level, also near 0 and 1.

    (p + z2/2n -+ z sqrt(p(1-p)/n + z2/4n2)) / (1 + z2/n).

    Parameters
    ----------
    positives, n : int
        0 <= positives <= n, n at least 1.
    level : float
        Confidence, in (0, 1).

    References
    ----------
    Wilson 1927, J. Am. Stat. Assoc. 22:209-212; Newcombe 1998, Stat. Med. 17:857-872.
    """
    from scipy.special import ndtri

    x, total = _share(positives, n)
    z = float(ndtri(0.5 + float(require("level", level, 0, 1, above=True)) / 2))
    p = x / total
    centre = (p + z**2 / (2 * total)) / (1 + z**2 / total)
    half = z * np.sqrt(p * (1 - p) / total + z**2 / (4 * total**2)) / (1 + z**2 / total)
    low = 0.0 if x == 0 else float(centre - half)
    high = 1.0 if x == total else float(centre + half)
    return Interval(p, low, high)


def clopper_pearson(positives: int, n: int, level: float = 0.95) -> Interval:
    """Exact interval of a share; covers at least `level` for every true share, so it is the wider one.

    Parameters
    ----------
    positives, n : int
        0 <= positives <= n, n at least 1.
    level : float
        Confidence, in (0, 1).

    References
    ----------
    Clopper & Pearson 1934, Biometrika 26:404-413.
    """
    from scipy.special import betaincinv

    x, total = _share(positives, n)
    alpha = 1 - float(require("level", level, 0, 1, above=True))
    low = float(betaincinv(x, total - x + 1, alpha / 2)) if x > 0 else 0.0
    high = float(betaincinv(x + 1, total - x, 1 - alpha / 2)) if x < total else 1.0
    return Interval(x / total, low, high)


def poisson_binomial_pmf(probabilities: np.ndarray) -> np.ndarray:
    """Distribution of the number of successes among independent trials of unequal chance, exact.

    Parameters
    ----------
    probabilities : ndarray of shape (n,) or (sets, n)
        Chance of each trial; with two axes, several sets at once.

    Returns
    -------
    ndarray of shape (n + 1,) or (sets, n + 1)
        Probability of 0, 1, ... n successes. Cost n^2 / 2 per set.
    """
    p = np.asarray(probabilities, dtype=float)
    n = p.shape[-1]
    pmf = np.zeros((*p.shape[:-1], n + 1))
    pmf[..., 0] = 1.0
    for one in range(n):
        chance = p[..., one, None]
        gain = pmf[..., : one + 1] * chance
        pmf[..., : one + 1] -= gain
        pmf[..., 1 : one + 2] += gain
    return pmf


def cornish_fisher(mean: float, variance: float, third: float, q: float) -> float:
    """Quantile `q` from mean, variance and third central moment: m + s (z + skewness (z2 - 1) / 6).

    References
    ----------
    Cornish & Fisher 1938, Rev. Inst. Int. Stat. 5:307-320, first correction.
    """
    from scipy.special import ndtri

    if variance <= 0:
        return mean
    z = float(ndtri(q))
    sd = float(np.sqrt(variance))
    return mean + sd * (z + third / sd**3 * (z**2 - 1) / 6)


def _share(positives: int, n: int) -> tuple[float, float]:
    total = float(require("n", n, 1))
    return float(require("positives", positives, 0, total)), total
