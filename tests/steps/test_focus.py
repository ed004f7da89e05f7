"""Focus: edges blurred by a known amount."""

import cv2
import numpy as np
import pytest

from sporecount.steps.focus import blur_map
from tests.steps.drawn import as_flat, as_work, ellipse_cover

SHAPE = (420, 620)


def blurred_scales(um_per_px, sigma_um, seed=0):
    """Scales strewn over the picture, blurred by a Gaussian of known standard deviation."""
    rng = np.random.default_rng(seed)
    density = np.zeros(SHAPE)
    for x in np.arange(30, SHAPE[1], 70 / um_per_px):
        for y in np.arange(30, SHAPE[0], 70 / um_per_px):
            one = ellipse_cover(SHAPE, x, y, 90 / um_per_px, 45 / um_per_px, rng.uniform(0, 180))
            density = np.maximum(density, rng.uniform(0.4, 0.7) * one)
    return cv2.GaussianBlur(density, (0, 0), sigma_um / um_per_px)


def typical(um_per_px, sigma_um):
    density = blurred_scales(um_per_px, sigma_um)
    work = as_work(np.full((*SHAPE, 3), 128, np.uint8), um_per_px)
    return float(np.nanmedian(blur_map(work, as_flat(density))))


@pytest.mark.parametrize("sigma_um", [1.5, 2.5, 4.0, 6.0])
def test_blur_of_an_edge(sigma_um):
    """Rim of a scale: a straight edge to within its curvature; a quarter is what tells sharp from blurred."""
    assert typical(1.1, sigma_um) == pytest.approx(sigma_um, rel=0.25)


def test_more_blur_is_more():
    steps = [typical(1.1, sigma) for sigma in (0.8, 1.5, 2.5, 4.0, 6.0, 8.0)]
    assert steps == sorted(steps)


@pytest.mark.parametrize("sigma_um", [2.0, 4.0])
def test_um_do_not_depend_on_the_pixels(sigma_um):
    assert typical(0.8, sigma_um) == pytest.approx(typical(1.4, sigma_um), rel=0.2)


def test_sharp_and_blurred_halves_are_told_apart():
    sharp, soft = blurred_scales(1.1, 1.0), blurred_scales(1.1, 6.0)
    density = np.where(np.arange(SHAPE[1])[None, :] < SHAPE[1] // 2, sharp, soft)
    blur = blur_map(as_work(np.full((*SHAPE, 3), 128, np.uint8), 1.1), as_flat(density))
    middle = blur.shape[1] // 2
    assert np.median(blur[:, : middle - 1]) < 2.0
    assert np.median(blur[:, middle + 1 :]) > 4.0


@pytest.mark.parametrize("width_um", [307, 345, 620, 1285])
def test_tiles_cover_the_picture_evenly(width_um):
    """The share of a picture that is sharp, with the border on a border of tiles, is told to a fifth of a tile."""
    shape, tiles = (300, round(width_um / 1.5)), round(width_um / 75)
    stripes = np.tile((np.arange(shape[1]) // 12 % 2) * 0.6, (shape[0], 1))
    soft = cv2.GaussianBlur(stripes, (0, 0), 5.0)
    for sharp_tiles in (tiles // 2, tiles - 1):
        border = sharp_tiles / tiles * shape[1] - 8
        density = np.where(np.arange(shape[1]) < border, stripes, soft)
        blur = blur_map(as_work(np.full((*shape, 3), 128, np.uint8), 1.5), as_flat(density))
        told = cv2.resize(blur, shape[::-1], interpolation=cv2.INTER_NEAREST) < 2.5
        assert told.mean() == pytest.approx(sharp_tiles / tiles, abs=0.2 / tiles)


def test_empty_card_tells_nothing():
    density = np.random.default_rng(0).normal(0, 0.004, SHAPE)
    blur = blur_map(as_work(np.full((*SHAPE, 3), 128, np.uint8), 1.1), as_flat(density, 0.004))
    assert np.isnan(blur).all()


def test_inputs_are_left_as_they_were():
    density = blurred_scales(1.1, 2.0).astype(np.float32)
    before = density.copy()
    blur_map(as_work(np.full((*SHAPE, 3), 128, np.uint8), 1.1), as_flat(density))
    assert (density == before).all()
