"""Mould and strands that are laid into photos: what covers how much, and where walls stand."""

from __future__ import annotations

import numpy as np
import pytest

from sporecount.simulate import panes
from sporecount.simulate.bodies import Mould, Strand, lay_bodies, mould_density, strand_density

STEP_UM = 0.1
X, Y = np.meshgrid(np.arange(-60, 60, STEP_UM), np.arange(-20, 20, STEP_UM))
FILL, WALL, SEPTUM = np.full(3, 0.2), np.zeros(3), np.full(3, 0.3)


def tube(**changed) -> Mould:
    kept = {
        "cells_um": (20.0, 20.0, 20.0),
        "width_um": 10.0,
        "taper": 1.0,
        "bulge": 0.0,
        "neck": 1.0,
        "bend": 0.0,
        "wall_um": 0.5,
        "septum_um": 1.0,
        "fill": FILL,
        "wall": WALL,
        "septum": SEPTUM,
        "core": 0.0,
        "lengthwise": 0.0,
        "stalk_um": 0.0,
    }
    return Mould(**{**kept, **changed})


@pytest.mark.parametrize("bend", [0.0, 0.6, -0.6])
def test_a_tube_covers_a_rectangle_with_two_round_ends(bend):
    """A band about an arc has the area of a straight one (Pappus), less the four corners of the round ends."""
    _, cover = mould_density(tube(bend=bend), X, Y, np.random.default_rng(1))
    area_um2 = cover.sum() * STEP_UM**2
    assert area_um2 == pytest.approx(60 * 10 - (4 - np.pi) * 5**2, rel=0.01)


def test_cross_walls_stand_between_the_cells():
    density, _ = mould_density(tube(), X, Y, np.random.default_rng(1))
    axis = density[np.argmin(np.abs(Y[:, 0])), :, 1]
    dark = X[0, axis > 0.4]
    assert np.abs(np.abs(dark) - 10).max() < 0.6  # walls at -10 and 10 um, 1 um thick
    assert {-10, 10} == set(np.round(dark / 10).astype(int) * 10)


def test_beads_are_narrow_between_cells():
    _, cover = mould_density(tube(neck=0.4), X, Y, np.random.default_rng(1))
    widths_um = cover.sum(axis=0) * STEP_UM
    assert widths_um[np.argmin(np.abs(X[0] - 10))] == pytest.approx(4, abs=0.6)
    assert widths_um[np.argmin(np.abs(X[0]))] == pytest.approx(10, abs=0.3)


def test_a_strand_covers_its_length_times_its_width_and_is_as_dense_as_its_fill_on_average():
    strand = Strand(80.0, 12.0, 0.0, 0.0, 100.0, 0.0, FILL, WALL, (4.0, 4.0), 0.5, 1.0)
    density, cover = strand_density(strand, X, Y, np.random.default_rng(2))
    assert cover.sum() * STEP_UM**2 == pytest.approx(80 * 12, rel=0.01)
    assert density[cover > 0].mean() == pytest.approx(0.2, rel=0.15)  # 120 blotches, their spread half of it
    assert density[cover > 0].std() > 0.03
    assert not density[cover == 0].any()


def test_a_photo_is_changed_where_bodies_lie_and_nowhere_else():
    photo = panes.draw_photo(np.random.default_rng(3), width_px=500, height_px=400, preset="good_focus")
    laid, mould, strand = lay_bodies(photo, np.random.default_rng(4), 5, 2)
    changed = np.abs(laid.rgb.astype(int) - photo.rgb).max(axis=2) > 0
    near = np.maximum(mould, strand) > 0
    assert near.any()
    assert laid.spores == photo.spores
    # seams and stalks reach some um beyond, and nothing beyond that
    import cv2

    reach_px = 2 * int(45 / photo.um_per_px) + 1
    around = cv2.dilate(near.astype(np.uint8), np.ones((reach_px, reach_px), np.uint8)) > 0
    assert not changed[~around].any()
    assert changed[near].mean() > 0.5
