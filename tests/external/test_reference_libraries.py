"""Agreement with general libraries on plain scenes, where both know the answer."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial import cKDTree
from skimage.feature import blob_log
from skimage.measure import label, regionprops

from sporecount.records import Photo, RoundView
from sporecount.settings import CountSettings
from sporecount.simulate.optics import WAVE_UM, aperture
from sporecount.steps.candidates import find_candidates
from sporecount.steps.clutter import find_clutter
from sporecount.steps.round_view import find_round_view
from tests.steps.drawn import as_flat, as_work, disc_cover, ellipse_cover, picture

UM_PER_PX = 1.1
SHAPE = (240, 330)


def scattered(rng, number, apart, margin=22):
    """Places no nearer to each other than `apart` pixels."""
    places: list[np.ndarray] = []
    while len(places) < number:
        one = rng.uniform((margin, margin), (SHAPE[1] - margin, SHAPE[0] - margin))
        if all(np.hypot(*(one - other)) > apart for other in places):
            places.append(one)
    return np.array(places)


@pytest.mark.parametrize("seed", [1, 2])
def test_candidates_agree_with_blob_log(seed):
    """skimage.feature.blob_log (Laplacian of Gaussian, Lindeberg 1998) on discs of spore size."""
    rng = np.random.default_rng(seed)
    places = scattered(rng, 25, 24)
    density = np.zeros(SHAPE)
    for x, y in places:
        density += rng.uniform(0.3, 0.6) * disc_cover(SHAPE, x, y, rng.uniform(8, 12) / UM_PER_PX)
    theirs = blob_log(density, min_sigma=2, max_sigma=5, num_sigma=7, threshold=0.08)
    ours = find_candidates(
        as_work(np.full((*SHAPE, 3), 200, np.uint8), UM_PER_PX), as_flat(density), CountSettings()
    )
    at = np.column_stack((ours.row, ours.col))
    assert len(theirs) == 25
    far, near = cKDTree(at).query(theirs[:, :2])
    assert len(set(near)) == 25
    assert far.max() < 1.0  # theirs are whole pixels
    # ours are generous (a sharp rim answers at the finest size), but only where they see something too
    away, _ = cKDTree(theirs[:, :2]).query(at)
    assert away.max() * UM_PER_PX < 6.5  # the largest radius, and half a micrometre
    # a disc of diameter d answers at sigma = d / (2 sqrt 2); both try sizes in steps
    ratio = ours.size_um[near] / (2 * np.sqrt(2) * theirs[:, 2] * UM_PER_PX)
    assert np.median(ratio) == pytest.approx(1.0, rel=0.3)


def test_large_objects_agree_with_regionprops():
    """skimage.measure.regionprops: centre, area, angle and solidity of ellipses of scale size."""
    rng = np.random.default_rng(4)
    shape = (420, 600)
    density = np.zeros(shape)
    for i in range(9):
        x, y = 100 + 195 * (i % 3), 75 + 135 * (i // 3)
        density += 0.6 * ellipse_cover(shape, x, y, 95 / UM_PER_PX, 45 / UM_PER_PX, rng.uniform(0, 180))
    _, large = find_clutter(as_work(picture(density, 0.5), UM_PER_PX), as_flat(density), CountSettings())
    theirs = regionprops(label(density > 0.07))
    assert len(theirs) == len(large.area_um2) == 9
    far, near = cKDTree(np.column_stack((large.row, large.col))).query([one.centroid for one in theirs])
    assert len(set(near)) == 9
    assert far.max() * UM_PER_PX < 2.0
    for one, row in zip(theirs, near, strict=True):
        # our grid for large things is 3 um and a little blurred: one pixel on each side of the outline at most
        grown = np.pi / 4 * (one.axis_major_length * UM_PER_PX + 6) * (one.axis_minor_length * UM_PER_PX + 6)
        assert 0.97 * one.area * UM_PER_PX**2 < large.area_um2[row] < grown
        assert large.solidity[row] == pytest.approx(one.solidity, abs=0.08)
        # skimage's orientation is from the row axis, counter-clockwise; ours from +x towards +y
        turn = (large.angle_deg[row] - (90 - np.degrees(one.orientation)) + 90) % 180 - 90
        # ours is that of the smallest rectangle around an outline of 3 um pixels
        assert abs(turn) < 12


@pytest.mark.parametrize(("objective", "resolved_um"), [(4, 3.4), (10, 1.3), (40, 0.52)])
def test_simulated_optics_have_the_resolution_of_their_aperture(objective, resolved_um):
    """Rayleigh: d = 0.61 lambda / NA; NA 0.10, 0.25, 0.65 at 4x, 10x, 40x (common practice)."""
    assert 0.61 * WAVE_UM / aperture(objective) == pytest.approx(resolved_um, rel=0.04)  # given to two digits


@pytest.mark.parametrize(("objective", "view_mm"), [(4, 4.5), (10, 1.8), (40, 0.45)])
def test_round_view_has_the_size_of_the_textbook(objective, view_mm):
    """Diameter on the specimen = field number / magnification, field number 18 (textbook relation)."""
    um_per_px = 18_000 / objective / 480
    rgb = np.full((600, 800, 3), 4, np.uint8)
    rgb[disc_cover((600, 800), 400, 300, 480) > 0.5] = 190
    view = find_round_view(Photo(rgb, "view.jpg"))
    assert isinstance(view, RoundView)
    assert view.found
    assert 2 * view.radius_px * um_per_px / 1000 == pytest.approx(view_mm, rel=0.015)
