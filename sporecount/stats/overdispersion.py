"""Clumping between fields: how much more the counts of a print's fields differ than an even scatter's would.

Written as k of the negative binomial, variance = mean + mean^2 / k, or as the spread 1/sqrt(k): the standard
deviation of the true density between fields, as a share of its mean. k = inf (spread 0) is the Poisson
distribution: an even scatter, the optimistic case, in which a clean field says most about its neighbours.
"""

from __future__ import annotations

import numpy as np

PRIOR_SPREAD = 0.6
"""Scale of the Rayleigh prior of the spread between fields of one print.

Chosen, not measured: no published figure for tape prints is known to us. The median of the spread is then
0.71 (k = 2.0); one print in twenty is close to even (spread below 0.19, k above 27), and one in twenty has a
spread above 1.47 (k below 0.46), where a handful of fields holds nearly all spores. Known qualitatively:
spores sit in patches and most densely on the rear abdomen (Leong et al. 1992, Ecol. Entomol. 17:338-342).
Of the priors tried in simulation it held the coverage of `density` best, at equal width."""

_SPREAD_EDGES = 2.8 * np.linspace(0, 1, 49) ** 2
"""Cells on which the belief about the spread is held, finer near 0."""


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
