"""The variants of a photo hold the same things, and straying is told in what chance alone gives."""

from __future__ import annotations

import numpy as np
import pytest

from tests.benchmarks.steadiness import GAINS, TINTS, strays, variants


def test_variants_are_the_photo_in_its_eight_positions_then_other_lamps_and_exposures():
    rgb = np.random.default_rng(3).integers(20, 120, (5, 7, 3), dtype=np.uint8)
    shown = variants(rgb)
    assert len(shown) == 8 + len(TINTS) + len(GAINS)
    np.testing.assert_array_equal(shown[0], rgb)
    # the group of the square: the first pixel visits each corner twice, with the same pixels around
    assert len({(one.shape, one.tobytes()) for one in shown[:8]}) == 8
    corners = [(0, 0), (0, -1), (-1, 0), (-1, -1)]
    at = [next(k for k in corners if (one[k] == rgb[0, 0]).all()) for one in shown[:8]]
    assert sorted(at) == sorted(2 * corners)
    pixels = sorted(map(tuple, rgb.reshape(-1, 3).tolist()))
    assert all(sorted(map(tuple, one.reshape(-1, 3).tolist())) == pixels for one in shown[:8])
    # a lamp with less red, then one with less blue, leaves the other two as they were
    for one, channel in ((shown[8], 0), (shown[10], 2)):
        others = [k for k in range(3) if k != channel]
        np.testing.assert_array_equal(one[..., others], rgb[..., others])
        assert (one[..., channel] < rgb[..., channel]).all()


def test_exposure_acts_on_light():
    """IEC 61966-2-1: code 128 is 0.2159 of the light; 0.6 of that, 0.1295, is code 101."""
    grey = np.full((2, 3, 3), 128, np.uint8)
    np.testing.assert_array_equal(variants(grey)[-len(GAINS)], 101)


def test_poisson_counts_stray_by_one():
    """Variance of a Poisson count is its mean; 4000 draws tell its root to 1 % (common statistics)."""
    assert strays(np.random.default_rng(1).poisson(40, 4000)) == pytest.approx(1, abs=0.04)
    assert strays(np.full(9, 12)) == 0
