"""How many of a print's spores its examined fields hold: the finite print behind load and detection limit."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sporecount.stats.checks import require
from sporecount.stats.evidence import Evidence, Scenarios


@dataclass(frozen=True)
class PrintArea:
    """Area of a whole print, with the range that holds it in 95 of 100 cases.

    Parameters
    ----------
    mm2 : float
        Best value, above 0.
    low, high : float
        Ends of the range; equal to `mm2` for a measured print.
    """

    mm2: float
    low: float
    high: float

    def __post_init__(self) -> None:
        require("print_area", self.low, 0, above=True)
        require("print_area", self.mm2, self.low, self.high)

    def quantile(self, q: np.ndarray) -> np.ndarray:
        """Areas at probabilities `q`: log-normal to each side of the best value."""
        from scipy.special import ndtri

        z = ndtri(q)
        reach = np.where(z < 0, np.log(self.mm2 / self.low), np.log(self.high / self.mm2))
        return np.asarray(self.mm2 * np.exp(z / 1.96 * reach))


@dataclass(frozen=True)
class Captured:
    """Beta distribution, per scenario, of the share of a print's spores that is found.

    Parameters
    ----------
    a, b : ndarray of shape (128,)
    share : ndarray of shape (128,)
        Its mean: examined share of the print times recall.
    """

    a: np.ndarray
    b: np.ndarray
    share: np.ndarray

    def log_chance(self, found: np.ndarray, load: np.ndarray) -> np.ndarray:
        """Log-probability to find `found` of `load` spores: beta-binomial; broadcasts, -inf if more."""
        from scipy.special import betaln, gammaln

        n, found = np.asarray(load, dtype=float), np.asarray(found, dtype=float)
        possible = (found >= 0) & (found <= n)
        t = np.where(possible, found, 0.0)
        log_ways = gammaln(n + 1) - gammaln(np.maximum(found, 0) + 1) - gammaln(n - t + 1)
        log_share = betaln(self.a + t, self.b + n - t) - betaln(self.a, self.b)
        return np.where(possible, log_ways + log_share, -np.inf)


def captured_share(evidence: Evidence, area: PrintArea, unknown: Scenarios) -> Captured:
    """Share of a print's spores that its fields hold and the search finds.

    The print is thought of as tiles of a field's size whose densities are gamma distributed with shape k. The
    share of all spores in the examined tiles is then Beta(K, K (1 - s) / s), with s the examined share of the
    area and K = k times the number of independent fields: for s near 0 the counts are negative binomial, at
    s = 1 clumping plays no part. Recall thins that share; the product is written as the Beta distribution
    of the same mean and variance.

    Parameters
    ----------
    evidence : Evidence
    area : PrintArea
    unknown : Scenarios
        Of `evidence.scenarios`.

    Returns
    -------
    Captured
    """
    s = np.minimum(evidence.examined_mm2 / area.quantile(unknown.print_area), 1 - 1e-6)
    recall = evidence.searched_mm2 / evidence.examined_mm2
    share = np.clip(recall * s * unknown.effort, 1e-12, 1 - 1e-6)
    r = np.minimum(share / s, 1.0)
    k_total = unknown.k * evidence.independent_fields
    size = np.clip((1 - r * s) * (k_total / s + 1) / (r * (1 - s)) - 1, 1e-6, 1e8)
    return Captured(a=share * size, b=(1 - share) * size, share=share)
