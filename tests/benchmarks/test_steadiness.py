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
    # the group of the square: no two alike, each with the same pixels
    assert len({(one.shape, one.tobytes()) for one in shown[:8]}) == 8
    for one in shown[:8]:
        np.testing.assert_array_equal(
            np.sort(one.reshape(-1, 3), axis=0), np.sort(rgb.reshape(-1, 3), axis=0)
        )
    # a lamp with less red leaves green and blue as they were
    np.testing.assert_array_equal(shown[8][..., 1:], rgb[..., 1:])
    assert (shown[8][..., 0] < rgb[..., 0]).all()
    assert (shown[-1] > rgb).all()


def test_poisson_counts_stray_by_one():
    """Variance of a Poisson count is its mean; 4000 draws tell the ratio to 2 % (common statistics)."""
    assert strays(np.random.default_rng(1).poisson(40, 4000)) == pytest.approx(1, abs=0.06)
    assert strays(np.full(9, 12)) == 0
