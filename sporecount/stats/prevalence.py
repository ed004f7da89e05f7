"""Share of infected animals in a group, with an imperfect test, and the difference of two groups."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sporecount.errors import SettingsError
from sporecount.stats.checks import require
from sporecount.stats.intervals import Interval, clopper_pearson, wilson
from sporecount.stats.spread import even_points

_POINTS = 1024


@dataclass(frozen=True)
class Prevalence:
    """Share of positive animals as they were tested.

    Parameters
    ----------
    positives, n : int
    share : float
    wilson, exact : Interval
        Wilson's interval (close to its level on average) and Clopper and Pearson's (never below it).
    says_little : bool
        The exact interval is wider than half of all that is possible, as with 3 of 4.
    """

    positives: int
    n: int
    share: float
    wilson: Interval
    exact: Interval
    says_little: bool


def prevalence(positives: int, n: int, level: float = 0.95) -> Prevalence:
    """Share of positives with both intervals, for independent animals, which those of one box are not.

    Parameters
    ----------
    positives, n : int
        0 <= positives <= n, n at least 1.
    level : float
        Confidence, in (0, 1).

    References
    ----------
    Newcombe 1998, Stat. Med. 17:857-872.
    """
    exact = clopper_pearson(positives, n, level)
    return Prevalence(
        positives=int(positives),
        n=int(n),
        share=exact.value,
        wilson=wilson(positives, n, level),
        exact=exact,
        says_little=exact.high - exact.low > 0.5,
    )


def true_prevalence(
    positives: int,
    n: int,
    sensitivity: float,
    specificity: float,
    sensitivity_u: float = 0.0,
    specificity_u: float = 0.0,
    level: float = 0.95,
) -> Interval:
    """Correct a prevalence for a test that misses animals and cries wolf.

    true = (apparent + Sp - 1) / (Se + Sp - 1), cut to [0, 1]. The interval takes the same of the beta
    distributions of Clopper and Pearson's ends and of beta distributed Se and Sp, and reads its tails; with a
    perfect test it is their interval. Sensitivity is that of a whole print: a light load counts as missed.

    Parameters
    ----------
    positives, n : int
        0 <= positives <= n, n at least 1.
    sensitivity, specificity : float
        In (0, 1]; their sum must exceed 1.
    sensitivity_u, specificity_u : float
        Standard uncertainties.
    level : float
        Confidence, in (0, 1).

    Raises
    ------
    SettingsError
        Se + Sp <= 1: such a test tells nothing.

    References
    ----------
    Rogan & Gladen 1978, Am. J. Epidemiol. 107:71-76; Clopper & Pearson 1934, Biometrika 26:404-413.
    """
    from scipy.special import betaincinv

    se = float(require("sensitivity", sensitivity, 0, 1, above=True))
    sp = float(require("specificity", specificity, 0, 1, above=True))
    tail = (1 - float(require("level", level, 0, 1, above=True))) / 2
    if se + sp <= 1:
        raise SettingsError(
            f"sensitivity and specificity must add up to more than 1, got {se:g} + {sp:g}",
            where="sensitivity",
            remedy="A test no better than chance cannot be corrected; check both figures",
        )
    exact = clopper_pearson(positives, n, level)
    x = float(positives)
    u, of_se, of_sp = even_points(_POINTS, 3).T
    ses = _beta_quantiles(se, float(require("sensitivity_u", sensitivity_u, 0)), of_se)
    sps = _beta_quantiles(sp, float(require("specificity_u", specificity_u, 0)), of_sp)
    # where the test is no better than chance, every prevalence is possible
    useful = np.maximum(ses + sps - 1, 1e-6)
    low_share = betaincinv(x, n - x + 1, u) if x > 0 else np.zeros(_POINTS)
    high_share = betaincinv(x + 1, n - x, u) if x < n else np.ones(_POINTS)
    low = np.quantile((low_share + sps - 1) / useful, tail)
    high = np.quantile((high_share + sps - 1) / useful, 1 - tail)
    value = float(np.clip((exact.value + sp - 1) / (se + sp - 1), 0, 1))
    return Interval(value, float(np.clip(low, 0, value)), float(np.clip(high, value, 1)))


def difference_of_groups(
    positives_1: int, n_1: int, positives_2: int, n_2: int, level: float = 0.95
) -> Interval:
    """Difference of two independent shares, first minus second, with the hybrid score interval.

    d - sqrt((p1 - l1)^2 + (u2 - p2)^2) to d + sqrt((u1 - p1)^2 + (p2 - l2)^2), with Wilson's ends l and u.

    Parameters
    ----------
    positives_1, n_1, positives_2, n_2 : int
    level : float
        Confidence, in (0, 1).

    References
    ----------
    Newcombe 1998, Stat. Med. 17:873-890, method 10.
    """
    first, second = wilson(positives_1, n_1, level), wilson(positives_2, n_2, level)
    d = first.value - second.value
    below = np.hypot(first.value - first.low, second.high - second.value)
    above = np.hypot(first.high - first.value, second.value - second.low)
    return Interval(d, float(d - below), float(d + above))


def _beta_quantiles(mean: float, u: float, q: np.ndarray) -> np.ndarray:
    """Quantiles of the beta distribution of that mean and standard deviation; the mean where u is near 0."""
    from scipy.special import betaincinv

    if u < 1e-6 or mean == 1:
        return np.full(q.size, mean)
    size = mean * (1 - mean) / min(u, 0.9 * np.sqrt(mean * (1 - mean))) ** 2 - 1
    return np.asarray(betaincinv(mean * size, (1 - mean) * size, q))


def prevalence_sentences(result: Prevalence) -> list[str]:
    """Say a prevalence in plain words."""
    lines = [
        f"{result.positives} of {result.n} ({_percent(result.share)}); 95 % interval {_span(result.wilson)} "
        f"(Wilson), {_span(result.exact)} (Clopper and Pearson, never too narrow)."
    ]
    if result.says_little:
        lines.append("So few animals say little: the interval covers more than half of all that is possible.")
    if result.positives == 0:
        lines.append(
            f"None of {result.n} is not none: up to {_percent(result.exact.high)} fits with it all the same."
        )
    return lines


def true_prevalence_sentence(result: Interval, sensitivity: float, specificity: float) -> str:
    """Say a prevalence corrected for its test in plain words."""
    return (
        f"By a test that finds {_percent(sensitivity)} of the infected and clears {_percent(specificity)} of "
        f"the others, the true share is {_percent(result.value)} (95 % interval {_span(result)})."
    )


def difference_sentence(result: Interval, first: str, second: str) -> str:
    """Say the difference of two groups in plain words."""
    more = "higher" if result.value >= 0 else "lower"
    low, high = 100 * result.low, 100 * result.high
    words = (
        f"In {first} the share is {abs(100 * result.value):.0f} points {more} than in {second} "
        f"(95 % interval of the difference {low:.0f} to {high:.0f} points)"
    )
    if result.low <= 0 <= result.high:
        return f"{words}: it may be chance."
    return f"{words}: hardly chance alone, if the animals are independent."


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %" if share >= 0.1 or share == 0 else f"{100 * share:.1f} %"


def _span(interval: Interval) -> str:
    return f"{_percent(interval.low).removesuffix(' %')} to {_percent(interval.high)}"
