"""Laws of the renderer that keeps its world as spectral absorbances behind a lens."""

from __future__ import annotations

from functools import cache
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from sporecount.simulate.truth import SimulatedPhoto
from tests.recipes import drifter
from tests.recipes.drifter import optics
from tests.recipes.drifter.phone import WHITE_LEVEL, _demosaic, _mosaic
from tests.recipes.drifter.style import PRESETS, WAVELENGTHS_NM, Lens
from tests.renderer_laws import (
    assert_blur_has_the_variance_of_its_map,
    assert_presets_hold_what_they_promise,
    assert_stands_alone,
    assert_the_same_state_gives_the_same_photo,
    assert_truth_keeps_its_contract,
    kinds_shown,
    light_lost,
    lone_spores,
    moved_and_turned,
)

HEIGHT, WIDTH = 240, 300


def draw(seed: int, preset: str, **given: Any) -> SimulatedPhoto:
    return drifter.draw_photo(
        np.random.default_rng(seed), width_px=WIDTH, height_px=HEIGHT, preset=preset, **given
    )


@cache
def photos(preset: str) -> tuple[SimulatedPhoto, ...]:
    return tuple(draw(seed, preset) for seed in range(4))


@cache
def clear() -> tuple[SimulatedPhoto, ...]:
    return tuple(draw(seed, "good_focus", um_per_px=0.5) for seed in range(40, 60))


@pytest.mark.parametrize("preset", PRESETS)
def test_truth_keeps_its_contract(preset: str) -> None:
    for photo in photos(preset):
        assert_truth_keeps_its_contract(photo, (HEIGHT, WIDTH), (9, 17))


def test_presets_hold_what_they_promise() -> None:
    assert_presets_hold_what_they_promise(draw, {preset: photos(preset) for preset in PRESETS})
    assert kinds_shown([p for preset in PRESETS for p in photos(preset)]) == 10


def test_the_same_state_gives_the_same_photo() -> None:
    assert_the_same_state_gives_the_same_photo(draw, "hard")


def test_stands_alone() -> None:
    assert_stands_alone(drifter)


def test_the_picture_shows_what_the_truth_says() -> None:
    moved, turned, ratio = [], [], []
    for photo in clear():
        for s, box in lone_spores(photo, lambda s: s.countable and s.visible > 0.95, bare=0.93):
            grey = photo.rgb[box].astype(float).mean(axis=2)
            mine = photo.kind_map[box] == 1
            dark = np.median(grey[~mine]) - grey
            shift_um, turn_deg = moved_and_turned(
                photo, s, box, np.where(dark > 0.4 * dark[mine].mean(), dark, 0)
            )
            moved.append(shift_um)
            turned.append(turn_deg)
            ratio.append(light_lost(photo, box).mean() / s.contrast)
    assert len(moved) > 20
    assert np.median(moved) < 0.5
    assert np.median(turned) < 8
    assert 0.6 < np.median(ratio) < 1.7


def test_a_disc_has_the_variance_of_its_map() -> None:
    assert_blur_has_the_variance_of_its_map(optics.blur_by_map, rel=0.04)


def test_each_wavelength_is_sharpest_at_its_own_height() -> None:
    """A line of no width, at the height where one wavelength is focused, is darkest at that one (axial colour)."""
    lens = Lens(0.25, 0.48, 3.0, (0.0, 0.0), (12.0, 4.0, -4.0, -12.0), 0.0, 2.0, -9.0)
    for number, axial_um in enumerate(lens.axial_um):
        absorbance = np.zeros((2, len(WAVELENGTHS_NM), 60, 80), np.float32)
        absorbance[0, :, :, 40] = 1
        canvas: Any = SimpleNamespace(absorbance=absorbance, shape=(60, 80), fine=1, grain_um=0.5)
        passed = optics.through_lens(canvas, lens, 0, lens.focus_um + axial_um)
        assert passed[:, 30, 40].argmin() == number
        # By geometry a disc's radius is the aperture times the way out of focus: 8 um out is 2 um, or 4 px.
        light_lost_here = (1 - passed).sum(axis=2)[:, 30]
        assert np.ptp(light_lost_here) < 0.02 * light_lost_here.mean()
        off_um = lens.focus_um + axial_um - lens.focus_um - np.array(lens.axial_um)
        x = np.arange(80) - 40
        spread = ((1 - passed[:, 30]) * x**2).sum(axis=1) / light_lost_here
        assert spread == pytest.approx(((0.25 * off_um / 2) ** 2 + 0.48**2) / 0.25, rel=0.05, abs=0.1)


def test_the_mosaic_keeps_the_colour_of_an_even_view() -> None:
    """A red, a green and a blue view come back: the filters are read in the order that they were laid in."""
    for wanted in ((0.6, 0.2, 0.1), (0.1, 0.6, 0.2), (0.2, 0.1, 0.6)):
        raw = np.ones((3, 40, 40), np.float32) * np.array(wanted, np.float32)[:, None, None]
        mosaic = _mosaic(np.random.default_rng(1), raw, 1e7)
        seen = _demosaic(mosaic, np.ones(3, np.float32))
        assert seen[4:-4, 4:-4].mean(axis=(0, 1)) == pytest.approx(wanted, abs=20 / WHITE_LEVEL)
