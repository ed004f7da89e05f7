"""Laws of the renderer of wide world draws, and two of its own physics."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
import pytest

from sporecount.simulate.truth import SimulatedPhoto
from tests import renderer_laws as laws
from tests.recipes import ranger
from tests.recipes.ranger.canvas import Canvas
from tests.recipes.ranger.optics import blur_by_map, smear
from tests.recipes.ranger.radial import from_corners, from_half_width, lumpy, patch_of
from tests.recipes.ranger.spores import Spore, groups, paint
from tests.recipes.ranger.world import KERNELS, draw_world

SHAPE = (380, 440)


def draw(seed: int, preset: str, **given: Any) -> SimulatedPhoto:
    return ranger.draw_photo(
        np.random.default_rng(seed), width_px=SHAPE[1], height_px=SHAPE[0], preset=preset, **given
    )


@pytest.fixture(scope="module")
def photos() -> dict[str, list[SimulatedPhoto]]:
    return {preset: [draw(seed, preset) for seed in range(4)] for preset in ranger.PRESETS}


def test_truth_keeps_its_contract(photos: dict[str, list[SimulatedPhoto]]) -> None:
    for of_preset in photos.values():
        for photo in of_preset:
            laws.assert_truth_keeps_its_contract(photo, SHAPE, (9.0, 17.0))
    assert laws.kinds_shown([p for some in photos.values() for p in some]) == len(laws.KIND_NAMES)


def test_presets_hold_what_they_promise(photos: dict[str, list[SimulatedPhoto]]) -> None:
    laws.assert_presets_hold_what_they_promise(draw, photos)


def test_the_same_state_gives_the_same_photo() -> None:
    laws.assert_the_same_state_gives_the_same_photo(draw, "hard")


def test_it_stands_alone() -> None:
    laws.assert_stands_alone(ranger)


def test_spores_lie_where_the_truth_says_and_are_as_dark() -> None:
    moved, turned, ratio = [], [], []
    for seed in range(24):
        photo = draw(seed + 40, "good_focus", um_per_px=0.5)
        for spore, box in laws.lone_spores(photo, lambda s: s.countable and s.visible > 0.95):
            lost = laws.light_lost(photo, box)
            grey = photo.rgb[box].astype(float).mean(2)
            near = cv2.dilate((photo.kind_map[box] == laws.SPORE).astype(np.uint8), np.ones((3, 3))) > 0
            shown = np.clip(np.median(grey[~near]) - grey, 0, None) * near
            one_moved, one_turned = laws.moved_and_turned(photo, spore, box, shown)
            moved.append(one_moved)
            turned.append(one_turned)
            ratio.append(lost.mean() / spore.contrast)
    assert len(moved) > 12
    assert np.median(moved) < 0.5
    assert np.median(turned) < 8
    assert 0.6 < np.median(ratio) < 1.7


@pytest.mark.parametrize("family", KERNELS)
def test_blur_has_the_variance_of_its_map(family: str) -> None:
    laws.assert_blur_has_the_variance_of_its_map(lambda scene, v: blur_by_map(scene, v, family), rel=0.03)


def test_a_smear_of_the_hand_keeps_the_light_and_adds_its_variance() -> None:
    scene = np.zeros((61, 61, 3), np.float32)
    scene[30, 30] = 1
    y, x = np.mgrid[:61, :61] - 30
    got = smear(np.random.default_rng(3), scene, 4.0)[..., 0]
    assert got.sum() == pytest.approx(1, abs=1e-3)
    assert (got * (x**2 + y**2)).sum() == pytest.approx(16, rel=0.08)


def test_a_body_covers_its_area_at_any_turn_and_place() -> None:
    """Pixels' shares add up to the outline's area, in any direction and at any shift."""
    rng = np.random.default_rng(5)
    leaf = from_corners(np.array([30.0, -30, -30, 30]), np.array([8.0, 12, -12, -8]))
    lemon = from_half_width(7, 4.5, 2.0, 0.9, 0.01, rng)
    for outline in (lemon, lumpy(8, 0.15, 1.5, rng), leaf):
        for _ in range(8):
            place, angle = rng.uniform(69, 71, 2), rng.uniform(0, 6)
            patch = patch_of(outline, place[0], place[1], angle, 0.5, (140, 140))
            assert patch is not None
            assert float(patch.cover.sum()) * 0.25 == pytest.approx(outline.area_um2, rel=0.025)
    assert leaf.area_um2 == pytest.approx(60 * 20, rel=0.01)  # trapezoid of heights 16 and 24, 60 long
    tips = lemon.radius_towards(np.array([0, np.pi / 2, np.pi]))
    assert tips == pytest.approx([7, 4.5, 7], rel=0.03)


def test_pigments_add_in_density_whatever_the_order() -> None:
    """Two spores over each other lose the product of their light, with a mean near what each was given."""
    world = draw_world(np.random.default_rng(2), 80, 80, 0.3, 10.0, "good_focus")
    outline = from_half_width(6, 4, 2.0, 0.5, 0, np.random.default_rng(0))
    spores = [Spore(outline, x, 40, 12, 8, 0.3, 0.3) for x in (36, 44)]
    both, sums = np.zeros((80, 80, 3), np.float32), np.zeros((80, 80, 3), np.float32)
    canvas = Canvas(both, 0.3, 0.0)
    for k, spore in enumerate(spores):
        alone = Canvas(np.zeros_like(both), 0.3, 0.0)
        paint(np.random.default_rng(k), alone, world, spore, 0)
        paint(np.random.default_rng(k), canvas, world, spore, k)
        sums += alone.density
        weighed = alone.density[alone.owner == 0].mean(0)
        assert weighed == pytest.approx(0.3 * world.spore.pigment, rel=0.12)
    assert np.allclose(canvas.density, sums, atol=1e-5)
    assert list(groups(spores, 0.3)) == [2, 2]
