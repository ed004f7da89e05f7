"""The photos of smooth fields and a computing phone: laws of every renderer, and of this one's own physics."""

from __future__ import annotations

from itertools import chain

import numpy as np
import pytest
from scipy.ndimage import binary_dilation

from sporecount.simulate.truth import SimulatedPhoto
from tests import renderer_laws as laws
from tests.recipes import rover
from tests.recipes.rover import phone as phones
from tests.recipes.rover.fields import coverage, distance_um, superellipse
from tests.recipes.rover.optics import blur_by_map
from tests.recipes.rover.spores import LENGTH_UM

SHAPE = (300, 380)


def draw(
    seed: int,
    preset: str,
    um_per_px: float | None = None,
    objective: float | None = None,
    shape: tuple[int, int] = SHAPE,
) -> SimulatedPhoto:
    rng = np.random.default_rng(seed)
    return rover.draw_photo(
        rng, width_px=shape[1], height_px=shape[0], um_per_px=um_per_px, objective=objective, preset=preset
    )


@pytest.fixture(scope="module")
def photos() -> dict[str, list[SimulatedPhoto]]:
    return {preset: [draw(seed, preset) for seed in range(3)] for preset in rover.PRESETS}


@pytest.fixture(scope="module")
def sharp() -> list[SimulatedPhoto]:
    return [draw(seed, "good_focus", um_per_px=0.6, shape=(400, 480)) for seed in range(100, 118)]


def test_truth_keeps_its_contract(photos: dict[str, list[SimulatedPhoto]]) -> None:
    for photo in chain(*photos.values()):
        laws.assert_truth_keeps_its_contract(photo, SHAPE, LENGTH_UM)


def test_presets_hold_what_they_promise(photos: dict[str, list[SimulatedPhoto]]) -> None:
    laws.assert_presets_hold_what_they_promise(draw, photos)
    assert laws.kinds_shown(list(chain(*photos.values()))) == 10


def test_one_state_gives_one_photo_and_none_of_the_program_helps() -> None:
    laws.assert_the_same_state_gives_the_same_photo(draw, "ordinary")
    laws.assert_stands_alone(rover)


def test_blur_has_the_variance_of_its_map() -> None:
    laws.assert_blur_has_the_variance_of_its_map(blur_by_map, rel=0.03)


def test_the_picture_shows_what_the_truth_says(sharp: list[SimulatedPhoto]) -> None:
    moved, turned, agrees = [], [], []
    for photo in sharp:
        if photo.notes["light"] not in ("white", "warm", "ring"):
            continue  # relief lights one flank
        for spore, box in laws.lone_spores(photo, lambda s: s.countable and s.contrast > 0.05, bare=0.97):
            mine = photo.kind_map[box] == laws.SPORE
            grey = photo.rgb[box].astype(float).sum(axis=2)
            lost = np.clip(np.median(grey[~mine]) - grey, 0, None)
            wide = binary_dilation(mine, iterations=2)
            moved_um, turned_deg = laws.moved_and_turned(photo, spore, box, lost * wide)
            moved.append(moved_um)
            turned.append(turned_deg)
            agrees.append(laws.light_lost(photo, box).mean() / spore.contrast)
    assert len(moved) > 20
    assert np.median(moved) < 0.5
    assert np.median(turned) < 8
    assert 0.6 < np.median(agrees) < 1.7


@pytest.mark.parametrize("power", [1.15, 1.5, 2.0])
def test_a_level_set_has_the_extents_and_the_area_of_its_outline(power: float) -> None:
    y, x = np.mgrid[-10:10:401j, -10:10:401j]
    share = coverage(distance_um(superellipse(x, y, 6.0, 4.0, 2.0, power), 0.05), 0.05)
    assert np.ptp(x[share > 0.5]) == pytest.approx(12, abs=0.2)
    assert np.ptp(y[share > 0.5]) == pytest.approx(8, abs=0.2)
    # half width 4 (1 - (x/6)²)^(1/power), integrated over the length
    along = np.linspace(-1, 1, 20001)
    wanted = 6 * 8 * np.trapezoid((1 - along**2) ** (1 / power), along)
    assert share.sum() * 0.05**2 == pytest.approx(wanted, rel=0.01)


@pytest.mark.parametrize("seed", range(4))
def test_the_phone_moves_nothing_and_keeps_the_hue_it_was_given(seed: int) -> None:
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[:200, :240].astype(np.float32)
    spot = np.exp(-((x - 100.3) ** 2 + (y - 90.6) ** 2) / (2 * 5.0**2))
    light = (1 - 0.5 * spot)[..., None] * np.array((1.0, 0.8, 0.5), np.float32)
    phone = phones.draw_phone(rng, "good_focus", 0.4)
    phone.zoom, phone.noise, phone.chroma_noise, phone.gains, phone.exposure = (
        1.9,
        0.002,
        0.0,
        (1.0,) * 3,
        0.4,
    )
    shown = phones.take(rng, light, phone).astype(float)
    lost = np.clip(np.median(shown[:40].mean(axis=2)) - shown[60:121, 70:131].mean(axis=2) - 3, 0, None)
    assert (lost * x[60:121, 70:131]).sum() / lost.sum() == pytest.approx(100.3, abs=0.4)
    assert (lost * y[60:121, 70:131]).sum() / lost.sum() == pytest.approx(90.6, abs=0.4)
    red, green, blue = np.median(shown[:40], axis=(0, 1))
    assert red > green + 5 > blue + 10
