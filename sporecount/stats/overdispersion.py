"""Clumping between fields: how much more the counts of a print's fields differ than an even scatter's would.

Written as k of the negative binomial, variance = mean + mean^2 / k, or as the spread 1/sqrt(k): the standard
deviation of the true density between fields, as a share of its mean. k = inf (spread 0) is the Poisson
distribution: an even scatter, the optimistic case, in which a clean field says most about its neighbours.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sporecount.stats.checks import require

ENOUGH_FIELDS = 20
"""Fields from which a maximum-likelihood k alone may be quoted; its interval spans a factor of about 3 to 5
there. Below, `clumping_belief` blends the fields' own evidence with `PRIOR_SPREAD`."""

PRIOR_SPREAD = 0.6
"""Scale of the Rayleigh prior of the spread between fields of one print.

Chosen, not measured: no published figure for tape prints is known to us. The median of the spread is then
0.71 (k = 2.0); one print in twenty is close to even (spread below 0.19, k above 27), and one in twenty has a
spread above 1.47 (k below 0.46), where a handful of fields holds nearly all spores. Known qualitatively:
spores sit in patches and most densely on the rear abdomen (Leong et al. 1992, Ecol. Entomol. 17:338-342).
Of the priors tried in simulation it held the coverage of `density` best, at equal width."""

_SPREAD_EDGES = 2.8 * np.linspace(0, 1, 49) ** 2
"""Cells on which the belief about the spread is held, finer near 0."""


@dataclass(frozen=True)
class NegativeBinomial:
    """Negative binomial fitted by maximum likelihood.

    Parameters
    ----------
    mean : float
        Per unit of exposure.
    k : float
        Clumping; inf when the counts scatter no more than Poisson counts.
    k_low, k_high : float
        Profile-likelihood interval of k; `k_high` may be inf.
    """

    mean: float
    k: float
    k_low: float
    k_high: float


def fit_negative_binomial(
    counts: np.ndarray, exposure: np.ndarray | float = 1.0, level: float = 0.95
) -> NegativeBinomial:
    """Fit mean and k by maximum likelihood.

    With few fields k is biased upwards and its interval is wide; below `ENOUGH_FIELDS` use
    `clumping_belief`. On the boundary (variance not above the mean) k is inf.

    Parameters
    ----------
    counts : ndarray of shape (m,)
        At least two, not all 0.
    exposure : float or ndarray of shape (m,)
        Examined area, or area times recall, of each field; same unit for all.
    level : float
        Confidence of the interval of k, in (0, 1).

    Raises
    ------
    SettingsError
        Fewer than two counts, or no spore at all: k cannot be told.

    References
    ----------
    Bliss & Fisher 1953, Biometrics 9:176-200; unequal exposure and profile interval: common practice.
    """
    from scipy.optimize import brentq, minimize_scalar
    from scipy.special import chdtri

    x = require("counts", counts, 0).ravel()
    w = np.broadcast_to(require("exposure", exposure, 0, above=True), x.shape).astype(float)
    require("number of counts", x.size, 2)
    require("sum of counts", x.sum(), 0, above=True)
    drop = float(chdtri(1, 1 - float(require("level", level, 0, 1, above=True)))) / 2
    poisson_mean = x.sum() / w.sum()

    def deviance(log_k: float) -> float:
        return -_profile(x, w, float(np.exp(log_k)))[0]

    best_log_k, best = np.inf, -_poisson_log_likelihood(x, w * poisson_mean)
    if ((x - w * poisson_mean) ** 2 - x).sum() > 0:  # the score at k = inf points to smaller k
        found = minimize_scalar(deviance, bounds=(-9.0, 12.0), method="bounded", options={"xatol": 1e-10})
        if found.fun < best:
            best_log_k, best = float(found.x), float(found.fun)
    edge = best + drop
    start = min(best_log_k, 12.0)
    low = brentq(lambda v: deviance(v) - edge, -14.0, start) if deviance(-14.0) > edge else -np.inf
    high = brentq(lambda v: deviance(v) - edge, start, 12.0) if deviance(12.0) > edge else np.inf
    k = float(np.exp(best_log_k))
    mean = float(poisson_mean) if np.isinf(k) else _profile(x, w, k)[1]
    return NegativeBinomial(mean, k, float(np.exp(low)), float(np.exp(high)))


def clumping_belief(counts: np.ndarray, weights: np.ndarray) -> np.ndarray:
    """Probability of each cell of the spread between fields, given how the print's own spores fell.

    Prior: Rayleigh of scale `PRIOR_SPREAD`. Evidence: the split of the total over the fields, which is
    Dirichlet-multinomial with shapes k w_i / mean(w) whatever the density (exact for equal weights). One
    field, or no spore, tells nothing and leaves the prior.

    Parameters
    ----------
    counts : ndarray of shape (m,)
        Spores per field; sums of probabilities will do.
    weights : ndarray of shape (m,)
        Examined area times recall, above 0.

    Returns
    -------
    ndarray of shape (48,)
        Sums to 1; the cells are those of `spread_quantile`.

    References
    ----------
    Dirichlet-multinomial: Mosimann 1962, Biometrika 49:65-82.
    """
    from scipy.special import gammaln

    prior = -np.diff(np.exp(-(_SPREAD_EDGES**2) / (2 * PRIOR_SPREAD**2)))
    x, w = np.asarray(counts, dtype=float), np.asarray(weights, dtype=float)
    shape = k_of_spread((_SPREAD_EDGES[1:] + _SPREAD_EDGES[:-1]) / 2)[:, None] * (w / w.mean())
    whole = shape.sum(axis=1)
    log_likelihood = (gammaln(shape + x) - gammaln(shape)).sum(axis=1)
    log_likelihood += gammaln(whole) - gammaln(whole + x.sum())
    belief = prior * np.exp(log_likelihood - log_likelihood.max())
    return np.asarray(belief / belief.sum())


def spread_quantile(belief: np.ndarray, q: np.ndarray) -> np.ndarray:
    """Quantiles of the spread 1/sqrt(k) under a belief of `clumping_belief`; `q` in [0, 1]."""
    return np.interp(q, np.concatenate([[0.0], np.cumsum(belief)]), _SPREAD_EDGES)


def k_of_spread(spread: np.ndarray) -> np.ndarray:
    """Return 1 / spread^2; a spread below 0.001 counts as 0.001, which no print could tell from 0."""
    return 1.0 / np.maximum(spread, 1e-3) ** 2


def _profile(x: np.ndarray, w: np.ndarray, k: float) -> tuple[float, float]:
    """Log-likelihood at `k` with its best mean per exposure, and that mean."""
    from scipy.optimize import brentq
    from scipy.special import gammaln

    rates = x / w

    def score(d: float) -> float:
        return float(((x - d * w) / (d * w + k)).sum())

    top = float(rates.max())
    d = top if np.ptp(rates) == 0 else float(brentq(score, 0.0, top, xtol=1e-14 * top, rtol=1e-14))
    mu = d * w
    each = gammaln(x + k) - gammaln(k) - gammaln(x + 1) - k * np.log1p(mu / k) + x * np.log(mu / (mu + k))
    return float(each.sum()), d


def _poisson_log_likelihood(x: np.ndarray, mu: np.ndarray) -> float:
    from scipy.special import gammaln

    return float((x * np.log(mu) - mu - gammaln(x + 1)).sum())
