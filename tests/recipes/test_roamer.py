"""The laws of the roamer's photos: truth, place, contrast, and what lenses and stacked absorbers do."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from sporecount.simulate.truth import SimulatedPhoto
from tests import renderer_laws as laws
from tests.recipes import roamer
from tests.recipes.roamer.optics import blur_by_map, lens_gain, oblique_gain
from tests.recipes.roamer.shapes import lemon
from tests.recipes.roamer.sheets import Matter, Stack
from tests.recipes.roamer.spores import LENGTH_UM

SHAPE = (210, 260)


def draw(seed: int, preset: str, shape: tuple[int, int] = SHAPE, **given: float) -> SimulatedPhoto:
    rng = np.random.default_rng(seed)
    return roamer.draw_photo(rng, width_px=shape[1], height_px=shape[0], preset=preset, **given)


@cache
def photos() -> dict[str, list[SimulatedPhoto]]:
    return {preset: [draw(seed, preset) for seed in range(3)] for preset in roamer.PRESETS}


def test_truth_keeps_its_contract() -> None:
    for photo in (photo for some in photos().values() for photo in some):
        laws.assert_truth_keeps_its_contract(photo, SHAPE, LENGTH_UM)


def test_presets_hold_what_they_promise() -> None:
    laws.assert_presets_hold_what_they_promise(draw, photos())
    assert laws.kinds_shown([photo for some in photos().values() for photo in some]) >= 8


def test_the_same_state_gives_the_same_photo() -> None:
    laws.assert_the_same_state_gives_the_same_photo(draw, "ordinary")


def test_it_stands_alone() -> None:
    laws.assert_stands_alone(roamer)


def test_blur_has_the_variance_of_its_map() -> None:
    laws.assert_blur_has_the_variance_of_its_map(blur_by_map, rel=0.03)


def test_lone_spores_lie_where_truth_says_and_lose_the_light_it_says() -> None:
    moved, turned, ratio = [], [], []
    for seed in range(12):
        photo = draw(seed, "good_focus", (400, 480), um_per_px=0.6)
        if photo.notes["light"] not in ("through", "oblique") or photo.notes["round_view"]:
            continue
        for spore, box in laws.lone_spores(photo, lambda s: s.countable and s.contrast > 0.08, bare=0.97):
            light = ((photo.rgb[box] / 255.0) ** 2.2).mean(2)
            lost = np.clip(np.median(light[photo.kind_map[box] == 0]) - light, 0, None)
            lost[(photo.kind_map[box] != laws.SPORE) | (lost < 0.25 * lost.max())] = 0
            shift_um, turn_deg = laws.moved_and_turned(photo, spore, box, lost)
            moved.append(shift_um)
            turned.append(turn_deg)
            ratio.append(laws.light_lost(photo, box).mean() / spore.contrast)
    assert len(moved) >= 10
    assert np.median(moved) < 0.5
    assert np.median(turned) < 8
    assert 0.6 < np.median(ratio) < 1.7


def test_a_lens_flips_its_heart_with_the_sign_of_defocus_and_keeps_the_light() -> None:
    y, x = np.mgrid[-20:21, -20:21] * 0.4
    dome = (0.3 * np.exp(-(x**2 + y**2) / 18)).astype(np.float32)
    behind, before = (lens_gain(dome, far, 0.4, 1.0) for far in (2.0, -2.0))
    assert behind[20, 20] > 1.04
    assert before[20, 20] == pytest.approx(1 / behind[20, 20], rel=1e-3)
    assert lens_gain(dome, 2.0, 0.4, 0.5)[20, 20] < behind[20, 20]  # a wide cone of light weakens it
    assert behind.mean() == pytest.approx(1, abs=2e-3)  # gathered here, missing beside
    # Focal length of a thin lens of path p(1 - r²/2R²): R²/p; at a hundredth of it light gains 2 %.
    bowl = (0.5 * (1 - (x**2 + y**2) / 200)).astype(np.float32)
    assert lens_gain(bowl, 2.0, 0.4, 1.0)[20, 20] == pytest.approx(1.02, abs=2e-3)


def test_oblique_light_darkens_the_far_side_only_as_it_leans() -> None:
    y, x = np.mgrid[-20:21, -20:21] * 0.4
    dome = (0.3 * np.exp(-(x**2 + y**2) / 18)).astype(np.float32)
    side = oblique_gain(dome, 0.4, (1.0, 0.0), 1.0)
    assert side[20, 12] > 1.02 > 0.98 > side[20, 28]
    assert side[12, 20] == pytest.approx(1, abs=1e-3)


def test_stacked_absorbers_add_their_densities_and_the_upper_hides_the_lower() -> None:
    stack = Stack((60, 60), 0.5)
    matter = Matter(np.array([0.1, 0.3, 0.6]), 0.1, np.full(3, 0.3), 0.9)
    body = lemon(30, 30, 0.4, (14, 9), 0.7)
    area = [stack.lay(stack.grains, body, matter, "spore", 1.0, owner) for owner in (0, 1)]
    assert stack.grains.density[30, 30] == pytest.approx(2 * matter.pigment, rel=0.02)
    assert area[0] == area[1] == (stack.owner == 1).sum()
    assert not (stack.owner == 0).any()
