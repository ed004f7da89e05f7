"""Flattening: a known light times a known density comes back as that density."""

import numpy as np
import pytest

from sporecount.steps.flatten import CHANNEL_WEIGHTS, flatten
from sporecount.steps.light import lit_from_above, poorly_lit
from tests.steps.drawn import AMBER, as_work, disc_cover, ellipse_cover, picture

SHAPE = (360, 520)
UM_PER_PX = 1.1
WITHIN = 0.02
"""Density: 8 bits of sRGB at the darker of the lights resolve 0.004, twice; the rest is the fit's."""


def light_of(name):
    y, x = np.mgrid[-1 : 1 : SHAPE[0] * 1j, -1 : 1 : SHAPE[1] * 1j]
    return {
        "even": np.full(SHAPE, 0.6),
        "planar": 0.6 * (1 + 0.35 * x - 0.2 * y),
        "quadratic": 0.7 * (1 - 0.3 * x**2 - 0.25 * y**2 + 0.1 * x * y),
    }[name]


def discs(density, diameter_um=60.0):
    total = np.zeros(SHAPE)
    places = [(80, 70), (260, 90), (430, 250), (150, 270), (330, 200)]
    for x, y in places:
        total = np.maximum(total, density * disc_cover(SHAPE, x, y, diameter_um / UM_PER_PX))
    return total


@pytest.mark.parametrize("name", ["even", "planar", "quadratic"])
@pytest.mark.parametrize("density", [0.05, 0.3, 0.9])
def test_known_light_times_known_density(name, density):
    truth = discs(density)
    flat = flatten(as_work(picture(truth, light_of(name)), UM_PER_PX))
    inner, empty = truth > 0.999 * density, truth == 0
    assert np.median(flat.density[inner]) == pytest.approx(density, abs=WITHIN + 0.02 * density)
    assert np.abs(np.quantile(flat.density[empty], [0.02, 0.98])).max() < WITHIN


@pytest.mark.parametrize("tint", [(1.0, 1.0, 1.0), (1.0, 0.8, 0.55), (0.7, 0.9, 1.0)])
def test_tint_divides_out_and_amber_stays(tint):
    truth = discs(0.5)
    flat = flatten(as_work(picture(truth, light_of("planar"), tint=tint, absorbs=AMBER), UM_PER_PX))
    expected = 0.5 * np.dot(CHANNEL_WEIGHTS, AMBER)
    assert np.median(flat.density[truth == 0.5]) == pytest.approx(expected, abs=WITHIN)
    empty = np.log10(np.median(light_of("planar")) * np.array(tint))
    assert np.median(flat.log_light, axis=(0, 1)) == pytest.approx(empty, abs=0.03)


@pytest.mark.parametrize("name", ["even", "quadratic"])
def test_half_the_view_under_scales(name):
    """Dark things over 45 % of the view: the empty light is still found between them."""
    rng = np.random.default_rng(7)
    truth = np.zeros(SHAPE)
    while (truth > 0).mean() < 0.45:
        x, y = rng.uniform(0, SHAPE[1]), rng.uniform(0, SHAPE[0])
        scale = ellipse_cover(SHAPE, x, y, 100 / UM_PER_PX, 50 / UM_PER_PX, rng.uniform(0, 180))
        truth = np.maximum(truth, rng.uniform(0.2, 0.8) * scale)
    flat = flatten(as_work(picture(truth, light_of(name)), UM_PER_PX))
    miss = (flat.density - truth)[truth == 0]
    assert abs(np.median(miss)) < 0.03
    assert np.quantile(np.abs(miss), 0.9) < 0.06


def test_doubling_the_light_changes_nothing():
    truth = discs(0.4)
    dim = flatten(as_work(picture(truth, 0.5 * light_of("planar")), UM_PER_PX)).density
    bright = flatten(as_work(picture(truth, light_of("planar")), UM_PER_PX)).density
    assert np.abs(dim - bright).mean() < 0.01


@pytest.mark.parametrize("sigma", [0.01, 0.03])
def test_noise_of_empty_card(sigma):
    """White noise of a known density comes back as such: independent channels, weighted."""
    rng = np.random.default_rng(3)
    channels = rng.normal(0, sigma, (*SHAPE, 3))
    rgb = np.stack([picture(channels[..., i], 0.5)[..., i] for i in range(3)], axis=-1)
    flat = flatten(as_work(rgb, UM_PER_PX))
    expected = sigma * np.sqrt(np.sum(np.square(CHANNEL_WEIGHTS)))
    assert flat.noise == pytest.approx(expected, rel=0.1)


def test_outside_the_view_is_nothing():
    seen = disc_cover(SHAPE, 250, 180, 300) > 0.5
    flat = flatten(as_work(picture(discs(0.5), light_of("even")), UM_PER_PX, seen))
    assert (flat.density[~seen] == 0).all()


@pytest.mark.parametrize("level", [0.0, 1.0])
def test_black_and_white_frames_give_numbers(level):
    flat = flatten(as_work(picture(np.zeros(SHAPE), level), UM_PER_PX))
    assert np.isfinite(flat.density).all()
    assert np.abs(flat.density).max() < WITHIN


def test_how_it_was_lit():
    below = as_work(picture(discs(0.5), 0.5), UM_PER_PX)
    assert not lit_from_above(flatten(below), below.seen)
    assert not poorly_lit(below, flatten(below))
    above = as_work(picture(-discs(0.3), 0.3), UM_PER_PX)  # scales brighter than the card
    assert lit_from_above(flatten(above), above.seen)
    for level in (0.002, 1.0):
        badly = as_work(picture(np.zeros(SHAPE), level), UM_PER_PX)
        assert poorly_lit(badly, flatten(badly))


def test_grain_is_poor_light():
    """Noise of 0.035 and 0.055 of the light is 0.015 and 0.024 in log10, whatever each channel's share of it."""
    for grain, poor in ((0.035, False), (0.055, True)):
        rng = np.random.default_rng(5)
        grey = 0.4 * (1 + rng.normal(0, grain, SHAPE))
        grainy = as_work(picture(np.zeros(SHAPE), grey), UM_PER_PX)
        assert poorly_lit(grainy, flatten(grainy)) is poor


def test_picture_is_left_as_it_was():
    work = as_work(picture(discs(0.3), 0.5), UM_PER_PX)
    before = work.rgb.copy()
    flatten(work)
    assert (work.rgb == before).all()
