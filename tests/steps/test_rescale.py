"""To the working grid and back: places, sizes and light stay what they are."""

import numpy as np
import pytest

from sporecount.records import RoundView
from sporecount.settings import CountSettings
from sporecount.steps.rescale import (
    COARSEST_UM_PER_PX,
    PIXELS_PER_SPORE,
    from_photo,
    to_photo,
    to_working_grid,
)
from tests.steps.drawn import as_photo, disc_cover, given_scale, picture, whole_view

WITHIN_UM = 0.5
"""A picture that is halved loses an odd last row or column, so places far out move by up to a pixel of the close
grid: a twentieth of a spore."""


def brightness_centre(rgb, box):
    """Centre of the darkness inside a box, sub-pixel."""
    part = 255.0 - rgb[box].astype(float).mean(axis=2)
    part -= np.median(part)
    part[part < 0.1 * part.max()] = 0
    rows, cols = np.indices(part.shape)
    return (
        box[0].start + (rows * part).sum() / part.sum(),
        box[1].start + (cols * part).sum() / part.sum(),
    )


@pytest.mark.parametrize(("height", "um_per_px"), [(690, 0.5), (650, 0.9)])
def test_a_dot_near_the_last_row_comes_back_though_the_grid_is_a_little_taller_than_wide(height, um_per_px):
    x, y, diameter = 251.6, height - 28.7, 26
    rgb = picture(0.6 * disc_cover((height, 500), x, y, diameter))
    work = to_working_grid(as_photo(rgb), whole_view(rgb), given_scale(um_per_px), CountSettings())
    assert abs(work.zoom / work.zoom_down - 1) * height * um_per_px > 0.7  # um, were both taken for the same
    near_row, near_col = (round(float(place)) for place in from_photo(work, x, y))
    half_wide = round(diameter * work.zoom)
    row, col = brightness_centre(
        work.rgb,
        (
            slice(near_row - half_wide, work.rgb.shape[0]),
            slice(near_col - half_wide, near_col + half_wide),
        ),
    )
    back_x, back_y = to_photo(work, np.array([row]), np.array([col]))
    assert from_photo(work, back_x, back_y) == (pytest.approx(row), pytest.approx(col))
    assert abs(back_x[0] - x) * um_per_px < WITHIN_UM
    assert abs(back_y[0] - y) * um_per_px < WITHIN_UM


@pytest.mark.parametrize("um_per_px", [0.15, 0.3, 0.5, 0.66, 0.9, 1.5])
@pytest.mark.parametrize("cut", [False, True], ids=["whole", "round"])
def test_a_dot_comes_back_to_its_place(um_per_px, cut):
    shape, x, y = (700, 1000), 612.4, 288.7
    diameter = 24 / min(um_per_px, 0.9)
    rgb = picture(0.6 * disc_cover(shape, x, y, diameter))
    view = RoundView(520, 340, 330, True) if cut else whole_view(rgb)
    work = to_working_grid(as_photo(rgb), view, given_scale(um_per_px), CountSettings())
    near_row = round((y - work.top_px) * work.zoom)
    near_col = round((x - work.left_px) * work.zoom)
    reach = round(0.8 * diameter * work.zoom) + 3
    box = (
        slice(max(0, near_row - reach), near_row + reach),
        slice(max(0, near_col - reach), near_col + reach),
    )
    row, col = brightness_centre(work.rgb, box)
    back_x, back_y = to_photo(work, np.array([row]), np.array([col]))
    assert abs(back_x[0] - x) * um_per_px < WITHIN_UM
    assert abs(back_y[0] - y) * um_per_px < WITHIN_UM


@pytest.mark.parametrize("least_um", [6.0, 8.0, 12.0])
@pytest.mark.parametrize("um_per_px", [0.1, 0.25, 0.66, 1.0, 2.0])
def test_scale_of_the_working_grid(um_per_px, least_um):
    settings = CountSettings(spore_length_min_um=least_um)
    rgb = np.full((500, 801, 3), 180, np.uint8)
    work = to_working_grid(as_photo(rgb), whole_view(rgb), given_scale(um_per_px), settings)
    assert work.um_per_px * work.zoom == pytest.approx(um_per_px)
    assert work.zoom <= 1
    assert work.close_zoom >= work.zoom
    assert work.rgb.shape[:2] == work.seen.shape
    wished = min(least_um / PIXELS_PER_SPORE, COARSEST_UM_PER_PX)
    assert work.um_per_px == pytest.approx(max(um_per_px, wished), rel=0.02)


def test_a_coarse_photo_stays_as_it_is():
    rgb = np.random.default_rng(1).integers(0, 256, (90, 130, 3), np.uint8)
    work = to_working_grid(as_photo(rgb), whole_view(rgb), given_scale(2.5), CountSettings())
    assert work.zoom == 1
    assert (work.rgb == rgb).all()


@pytest.mark.parametrize("um_per_px", [0.2, 0.45, 0.66])
def test_light_is_kept(um_per_px):
    rgb = np.random.default_rng(2).integers(60, 200, (480, 640, 3), np.uint8)
    work = to_working_grid(as_photo(rgb), whole_view(rgb), given_scale(um_per_px), CountSettings())
    # rounding to whole code values, twice
    assert work.rgb.mean((0, 1)) == pytest.approx(rgb.mean((0, 1)), abs=1.0)
    assert work.close.mean((0, 1)) == pytest.approx(rgb.mean((0, 1)), abs=1.0)


@pytest.mark.parametrize("um_per_px", [0.3, 0.66, 1.4])
def test_seen_area_is_that_of_the_view_in_um(um_per_px):
    rgb = np.full((900, 1200, 3), 170, np.uint8)
    view = RoundView(590.0, 460.0, 380.0, True)
    work = to_working_grid(as_photo(rgb), view, given_scale(um_per_px), CountSettings())
    um2 = work.seen.sum() * work.um_per_px**2
    assert um2 == pytest.approx(np.pi * (0.985 * 380 * um_per_px) ** 2, rel=0.01)


def test_photo_is_left_as_it_was():
    rgb = np.random.default_rng(4).integers(0, 256, (200, 300, 3), np.uint8)
    before = rgb.copy()
    to_working_grid(as_photo(rgb), whole_view(rgb), given_scale(0.3), CountSettings())
    assert (rgb == before).all()
