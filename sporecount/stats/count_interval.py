"""The interval of a field's true count, from the objects that were found in it."""

from __future__ import annotations

import numpy as np

from sporecount.stats.checks import require
from sporecount.stats.intervals import Interval, cornish_fisher, poisson_binomial_pmf

SHARED_DOUBT = 1.4
"""Standard deviation, in units of the logit, by which the probabilities of one field or print are wrong together.
With 1.4 the interval held the truth in 0.952 of 335 usable fields of four simulated styles, each sorted by
networks and trees that had not seen it, with 1.1 in 0.937.
"""

_DOUBT, _DOUBT_WEIGHT = np.polynomial.hermite_e.hermegauss(5)
_DOUBT_WEIGHT = _DOUBT_WEIGHT / _DOUBT_WEIGHT.sum()

_MIDPOINTS = (np.arange(32) + 0.5) / 32

_EXACT_CELLS = 8_000
"""Largest table (found x true count) that is summed exactly; beyond it mean, variance and skewness decide."""


def field_count_interval(
    probabilities: np.ndarray,
    recall: float = 1.0,
    recall_u: float = 0.0,
    *,
    shared_doubt: float = SHARED_DOUBT,
    model_rel_u: float = 0.0,
    level: float = 0.95,
) -> Interval:
    """Interval of the true number of spores in a field.

    Three sources of error are joined. *Sorting*: an object is a spore with its probability p, and the
    errors of one field go together, so that all logits of the field share one unknown normal shift of
    standard deviation `shared_doubt` (sure objects hardly move, doubtful ones move together). *Missing*:
    of N spores s are found, Binomial(N, r); with every N equally likely beforehand the number missed is
    negative binomial of s + 1 and r, and r is Beta distributed with the stated mean and uncertainty.
    *Model*: everything else, a log-normal factor of relative width `model_rel_u`.

    Summed exactly for small fields; for large ones a quantile from mean, variance and skewness. Cost below
    2 ms for 2000 objects. Probabilities must be calibrated and `recall` must hold for this field's
    focus and crowding; spores that no one could see are no part of the count.

    Parameters
    ----------
    probabilities : ndarray of shape (n,)
        Probability of each object to be a spore; n may be 0, then `high` tells what could be missed.
    recall : float
        Share of the field's spores that are among the objects, in (0, 1].
    recall_u : float
        Its standard uncertainty.
    shared_doubt : float
        In units of the logit, 0 or more.
    model_rel_u : float
        Relative standard uncertainty, 0 or more.
    level : float
        Probability of the interval, in (0, 1).

    Returns
    -------
    Interval
        Expected true count (float), and whole-number ends (int).

    References
    ----------
    Poisson-binomial: Hong 2013, Comput. Stat. Data Anal. 59:41-51. The missed part with an even prior:
    Raftery 1988, Biometrika 75:223-228, with the chance of detection known from elsewhere.
    """
    p = require("probabilities", probabilities, 0, 1).ravel()
    r = min(float(require("recall", recall, 0, 1, above=True)), 1 - 1e-6)
    widest = np.sqrt(r * (1 - r))
    r_u = float(np.clip(require("recall_u", recall_u, 0), 1e-3 * widest, 0.7 * widest))
    model_u = float(require("model_rel_u", model_rel_u, 0))
    tail = (1 - float(require("level", level, 0, 1, above=True))) / 2
    sets = _shifted(p, float(require("shared_doubt", shared_doubt, 0)))

    mean, variance, third = _moments_of_true(sets, r, r_u, model_u)
    reach = int(cornish_fisher(mean, variance, third, 0.9999)) + 12
    if (p.size + 1) * reach <= _EXACT_CELLS:
        cumulative = _blur(_exact_cumulative(sets, r, r_u, 3 * reach if p.size < 3 else reach), model_u)
        low, high = (int(np.searchsorted(cumulative, q - 1e-12)) for q in (tail, 1 - tail))
    else:
        ends = (cornish_fisher(mean, variance, third, q) for q in (tail, 1 - tail))
        low, high = (max(0, int(np.ceil(end - 0.5))) for end in ends)
    return Interval(float(p.sum() / r), low, high)


def _shifted(p: np.ndarray, shared_doubt: float) -> np.ndarray:
    """Return the probabilities under each shared shift of the logit, shape (5, n)."""
    safe = np.clip(p, 1e-9, 1 - 1e-9)
    odds = safe / (1 - safe)
    factor = np.exp(shared_doubt * _DOUBT)[:, None]
    return odds * factor / (1 + odds * factor)


def _moments_of_true(sets: np.ndarray, r: float, r_u: float, model_u: float) -> tuple[float, float, float]:
    """Mean, variance and third central moment of the true count, over doubt and recall."""
    from scipy.special import betaincinv

    spread = sets * (1 - sets)
    size = r * (1 - r) / r_u**2 - 1
    recalls = betaincinv(r * size, (1 - r) * size, _MIDPOINTS)[None, :]
    found = sets.sum(axis=1)[:, None]
    found_var = spread.sum(axis=1)[:, None]
    found_third = (spread * (1 - 2 * sets)).sum(axis=1)[:, None]
    weight = _DOUBT_WEIGHT[:, None] / _MIDPOINTS.size
    means = (found + 1) / recalls - 1
    missed_var = (found + 1) * (1 - recalls) / recalls**2
    variances = found_var / recalls**2 + missed_var
    thirds = (
        found_third / recalls**3
        + missed_var * (2 - recalls) / recalls
        + 3 * found_var * (1 - recalls) / recalls**3
    )
    mean = float((weight * means).sum())
    off = means - mean
    variance = float((weight * (variances + off**2)).sum()) + (mean * model_u) ** 2
    return mean, variance, float((weight * (thirds + 3 * variances * off + off**3)).sum())


def _exact_cumulative(sets: np.ndarray, r: float, r_u: float, reach: int) -> np.ndarray:
    """P(N <= n) for n = 0 .. reach - 1: negative binomial with a Beta distributed recall, closed form."""
    from scipy.special import betaln, gammaln

    found_pmf = _DOUBT_WEIGHT @ poisson_binomial_pmf(sets)
    size = r * (1 - r) / r_u**2 - 1
    a, b = r * size, (1 - r) * size
    s = np.arange(found_pmf.size)[:, None]
    missed = np.arange(reach)[None, :] - s
    possible = missed >= 0
    m = np.where(possible, missed, 0)
    log_pmf = gammaln(m + s + 1) - gammaln(s + 1) - gammaln(m + 1) + betaln(a + s + 1, b + m) - betaln(a, b)
    pmf = found_pmf @ np.where(possible, np.exp(log_pmf), 0.0)
    return np.asarray(np.cumsum(pmf))


def _blur(cumulative: np.ndarray, model_u: float) -> np.ndarray:
    """Spread a distribution over whole numbers by a log-normal factor; 0 stays 0."""
    if model_u == 0:
        return cumulative
    n = np.arange(cumulative.size)
    factors = np.exp(model_u * _DOUBT)
    blurred = np.stack([np.interp((n + 0.5) / one - 0.5, n, cumulative) for one in factors])
    return np.asarray(_DOUBT_WEIGHT @ blurred)
