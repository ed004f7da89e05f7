"""Middle of values that do not all count alike."""

from __future__ import annotations

import numpy as np


def weighted_median(values: np.ndarray, weight: np.ndarray) -> float:
    """Give the least value at which half of the weight is reached.

    Parameters
    ----------
    values : ndarray of shape (n,)
        At least one.
    weight : ndarray of shape (n,)
        0 and above, some above 0.
    """
    order = np.argsort(values, kind="stable")
    mass = np.cumsum(weight[order])
    return float(values[order][np.searchsorted(mass, mass[-1] / 2)])
