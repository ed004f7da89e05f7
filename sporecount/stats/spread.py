"""Evenly spread points, in place of random ones: always the same, and fewer do."""

from __future__ import annotations

import numpy as np


def even_points(count: int, dimensions: int) -> np.ndarray:
    """Spread points over the open unit cube, each column meeting every 1/count of (0, 1) once.

    An additive recurrence whose steps are the powers of 1/x, with x the root of x^(d+1) = x + 1, the
    generalisation of the golden ratio; then the columns are replaced by their ranks.

    Parameters
    ----------
    count : int
    dimensions : int

    Returns
    -------
    ndarray of shape (count, dimensions)

    References
    ----------
    Additive recurrences: Niederreiter 1992, Random Number Generation and Quasi-Monte Carlo Methods.
    """
    root = 1.5
    for _ in range(60):
        root = (1 + root) ** (1 / (dimensions + 1))
    steps = root ** -np.arange(1.0, dimensions + 1)
    points = (0.5 + np.outer(np.arange(count), steps)) % 1.0
    return np.asarray((points.argsort(axis=0).argsort(axis=0) + 0.5) / count)
