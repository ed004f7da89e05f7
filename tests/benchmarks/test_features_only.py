"""The measured features are right on a drawn ellipse, and doubled candidates count once."""

from __future__ import annotations

import numpy as np
import pytest

from sporecount.steps.classify.crops import FINE_PX, FINE_UM_PER_PX
from tests.benchmarks.features_only import Measured, answer, features
from tests.steps.drawn import ellipse_cover


@pytest.mark.parametrize(
    ("length", "width", "angle"), [(12.0, 8.0, 0.0), (14.0, 7.5, 50.0), (10.0, 9.9, 20.0)]
)
def test_axes_area_and_amber_of_an_ellipse(length, width, angle):
    middle = (FINE_PX - 1) / 2
    cover = ellipse_cover(
        (FINE_PX, FINE_PX), middle, middle, length / FINE_UM_PER_PX, width / FINE_UM_PER_PX, angle
    )
    crops = np.stack([0.1 + cover * density for density in (0.2, 0.4, 0.6)]).astype(np.float32)[None]
    (row,) = features(crops)
    assert row[:3] == pytest.approx([0.2, 0.4, 0.6], abs=0.01)
    assert row[3:6] == pytest.approx([0.1, 0.1, 0.1], abs=0.01)
    assert row[6] == pytest.approx(3.0, rel=0.03)
    # a mask of whole pixels of 0.75 um
    assert row[8] == pytest.approx(length, rel=0.05)
    assert row[9] == pytest.approx(width, rel=0.06)
    assert row[11] == pytest.approx(np.pi / 4 * length * width, rel=0.06)


def test_two_candidates_on_one_spore_count_once():
    got = Measured(
        np.array([10.0, 13.0, 90.0]), np.array([20.0, 20.0, 50.0]), np.zeros((3, 1), np.float32), 0.0
    )
    said = answer(got, np.array([0.7, 0.9, 0.6]), um_per_px=1.0)
    assert said["count"] == 2
    assert sorted(said["x_px"]) == [13.0, 90.0]
    assert answer(got, np.array([0.2, 0.3, 0.1]), um_per_px=1.0)["count"] == 0
