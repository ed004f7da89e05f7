"""Clutter and large objects: opaque discs, ellipses of scale size, bubbles, with their areas on paper."""

import numpy as np
import pytest

from sporecount.records import CLUTTER_KINDS
from sporecount.settings import CountSettings
from sporecount.steps.clutter import find_clutter
from sporecount.steps.field_tally import count_scales
from tests.steps.drawn import as_flat, as_work, disc_cover, ellipse_cover, picture

SHAPE = (420, 600)
UM_PER_PX = 1.1


def look(density, rgb=None, seen=None):
    rgb = picture(density, 0.5) if rgb is None else rgb
    return find_clutter(as_work(rgb, UM_PER_PX, seen), as_flat(density), CountSettings())


def um2(mask):
    return mask.sum() * UM_PER_PX**2


def of_kind(clutter, name):
    return clutter.kind == 1 + CLUTTER_KINDS.index(name)


def test_empty_card_is_all_examined():
    clutter, large = look(np.zeros(SHAPE))
    assert clutter.examined.all()
    assert clutter.kind.max() == 0
    assert len(large.area_um2) == 0
    assert count_scales(large) == 0


@pytest.mark.parametrize("diameter_um", [90.0, 180.0])
def test_an_opaque_disc_is_left_out_with_its_area(diameter_um):
    density = 1.5 * disc_cover(SHAPE, 311, 190, diameter_um / UM_PER_PX)
    clutter, _ = look(density)
    assert um2(of_kind(clutter, "dark")) == pytest.approx(np.pi / 4 * diameter_um**2, rel=0.1)
    assert um2(~clutter.examined) == um2(clutter.kind > 0)


@pytest.mark.parametrize("density", [0.2, 0.6])
def test_a_scale_that_lets_light_through_is_examined(density):
    """A spore on it can be seen: a scale takes no area."""
    clutter, _ = look(density * ellipse_cover(SHAPE, 311, 190, 110 / UM_PER_PX, 55 / UM_PER_PX, 30))
    assert clutter.examined.mean() > 0.995


@pytest.mark.parametrize("angle_deg", [0.0, 30.0, 75.0, 120.0])
def test_axes_and_area_of_an_ellipse(angle_deg):
    length, width = 120.0, 56.0
    x, y = 301.0, 207.0
    _, large = look(0.5 * ellipse_cover(SHAPE, x, y, length / UM_PER_PX, width / UM_PER_PX, angle_deg))
    assert len(large.area_um2) == 1
    area, grid_um = (
        np.pi / 4 * length * width,
        2 * 4.5,
    )  # one and a half blurred pixels of the coarse grid a side
    assert area < large.area_um2[0] < 1.02 * np.pi / 4 * (length + grid_um) * (width + grid_um)
    assert large.length_um[0] == pytest.approx(length, abs=grid_um)
    assert large.width_um[0] == pytest.approx(width, abs=grid_um)
    off = abs(large.angle_deg[0] - angle_deg) % 180
    assert min(off, 180 - off) < 8
    assert np.hypot(large.col[0] - x, large.row[0] - y) * UM_PER_PX < 2.0
    assert large.solidity[0] > 0.9
    # absorption is conserved: what the rim adds in area it takes from the mean
    assert large.density[0] * large.area_um2[0] == pytest.approx(0.5 * area, rel=0.03)
    assert count_scales(large) == 1


def test_spores_are_no_large_objects():
    density = sum(
        0.5 * ellipse_cover(SHAPE, 60 + 70 * i, 200, 12 / UM_PER_PX, 8 / UM_PER_PX, 20 * i) for i in range(8)
    )
    clutter, large = look(density)
    assert len(large.area_um2) == 0
    assert clutter.examined.all()


@pytest.mark.parametrize("number", [3, 9])
def test_scales_apart_are_counted_each(number):
    density = np.zeros(SHAPE)
    for i in range(number):
        x, y = 110 + 190 * (i % 3), 70 + 135 * (i // 3)
        density += 0.5 * ellipse_cover(SHAPE, x, y, 100 / UM_PER_PX, 50 / UM_PER_PX, 25 * i)
    _, large = look(density)
    assert count_scales(large) == number


def test_the_rim_of_a_bubble_is_left_out():
    """Refraction: a bright ring inside a dark one."""
    x, y, diameter = 300, 210, 110 / UM_PER_PX
    rows, cols = np.indices(SHAPE)
    from_rim = np.hypot(cols - x, rows - y) - diameter / 2
    density = 0.5 * np.exp(-((from_rim - 2) ** 2) / 8) - 0.35 * np.exp(-((from_rim + 3) ** 2) / 8)
    clutter, _ = look(density)
    rim = np.abs(from_rim) < 2
    assert of_kind(clutter, "bubble")[rim].mean() > 0.9
    assert clutter.examined[np.abs(from_rim) > 25].all()


def test_glare_is_left_out():
    rgb = picture(np.zeros(SHAPE), 0.5)
    spot = disc_cover(SHAPE, 200, 150, 100) > 0.5
    rgb[spot] = 255
    clutter, _ = look(np.zeros(SHAPE), rgb)
    assert um2(of_kind(clutter, "glare")) == pytest.approx(um2(spot), rel=0.1)


def test_nothing_beyond_the_view_is_examined():
    seen = disc_cover(SHAPE, 300, 210, 380) > 0.5
    clutter, large = look(0.5 * disc_cover(SHAPE, 20, 20, 60), seen=seen)
    assert not clutter.examined[~seen].any()
    assert len(large.area_um2) == 0


def test_inputs_are_left_as_they_were():
    density = (1.5 * disc_cover(SHAPE, 311, 190, 100)).astype(np.float32)
    rgb = picture(density, 0.5)
    before = density.copy(), rgb.copy()
    look(density, rgb)
    assert (density == before[0]).all()
    assert (rgb == before[1]).all()
