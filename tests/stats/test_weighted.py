"""The weighted median against numpy's own quantile of weighted values."""

import numpy as np

from sporecount.stats.weighted import weighted_median


def test_as_the_inverse_of_the_distribution_function():
    """`numpy.quantile(..., weights=..., method="inverted_cdf")` is the reference."""
    rng = np.random.default_rng(3)
    for count in (1, 2, 3, 10, 101):
        values, weight = rng.normal(size=count), rng.uniform(0.01, 1, count)
        values[: count // 3] = values[0]  # ties
        wanted = np.quantile(values, 0.5, weights=weight, method="inverted_cdf")
        assert weighted_median(values, weight) == wanted


def test_one_that_weighs_more_than_all_others_decides():
    assert weighted_median(np.array([5.0, 1.0, 9.0]), np.array([0.2, 0.2, 0.6])) == 9.0
    assert weighted_median(np.array([5.0, 1.0, 9.0]), np.array([0.0, 0.0, 0.1])) == 9.0
