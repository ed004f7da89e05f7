"""Whether probabilities mean what they say: of the objects called 0.8, 8 in 10 should be spores."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sporecount.stats.checks import require
from sporecount.stats.intervals import wilson


@dataclass(frozen=True)
class Reliability:
    """Said and seen, in bins of the said probability; columns of shape (bins,), empty bins left out.

    Parameters
    ----------
    said : ndarray
        Mean probability in the bin.
    seen, seen_low, seen_high : ndarray
        Share that was true, with Wilson's interval.
    n : ndarray of int
    """

    said: np.ndarray
    seen: np.ndarray
    seen_low: np.ndarray
    seen_high: np.ndarray
    n: np.ndarray


def reliability(probabilities: np.ndarray, truth: np.ndarray, bins: int = 10) -> Reliability:
    """Compare probabilities with the truth in bins of equal width.

    Parameters
    ----------
    probabilities : ndarray of shape (n,)
    truth : ndarray of shape (n,)
        Bool or 0 and 1.
    bins : int
        At least 1.
    """
    p = require("probabilities", probabilities, 0, 1).ravel()
    t = require("truth", truth, 0, 1).ravel()
    require("number of truth", t.size, p.size, p.size)
    count = int(require("bins", bins, 1))
    place = np.minimum((p * count).astype(int), count - 1)
    n = np.bincount(place, minlength=count)
    used = n > 0
    hits = np.bincount(place, weights=t, minlength=count)[used]
    said = np.bincount(place, weights=p, minlength=count)[used] / n[used]
    ends = [wilson(round(x), int(m)) for x, m in zip(hits, n[used], strict=True)]
    return Reliability(
        said=said,
        seen=hits / n[used],
        seen_low=np.array([one.low for one in ends]),
        seen_high=np.array([one.high for one in ends]),
        n=n[used],
    )


def expected_calibration_error(probabilities: np.ndarray, truth: np.ndarray, bins: int = 10) -> float:
    """Mean distance of said and seen over the bins, weighted by their objects: 0 is perfect.

    Sum of n_b / n |said_b - seen_b|. Depends on the bins and is biased upwards with few objects, by about
    0.4 sqrt(bins / n) at most; nan without any object.

    References
    ----------
    Naeini, Cooper & Hauskrecht 2015, Proc. AAAI 29:2901-2907.
    """
    table = reliability(probabilities, truth, bins)
    if table.n.size == 0:
        return float("nan")
    return float((table.n * np.abs(table.said - table.seen)).sum() / table.n.sum())
