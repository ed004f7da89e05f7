"""Laws of the pilgrim renderer: grown, cracked and layered things."""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
import pytest
from scipy import ndimage

from sporecount.simulate.truth import SimulatedPhoto
from tests import renderer_laws as laws
from tests.recipes import pilgrim
from tests.recipes.pilgrim.lamps import blur, from_below
from tests.recipes.pilgrim.palette import SCALE
from tests.recipes.pilgrim.scales import crack, grow_scale
from tests.recipes.pilgrim.scene import KIND, Patch, Scene, own_grid

SHAPE = (300, 360)


def draw(seed: int, preset: str, **given: Any) -> SimulatedPhoto:
    rng = np.random.default_rng(seed)
    return pilgrim.draw_photo(rng, width_px=SHAPE[1], height_px=SHAPE[0], preset=preset, **given)


@cache
def photos() -> dict[str, list[SimulatedPhoto]]:
    return {preset: [draw(seed, preset) for seed in range(2)] for preset in pilgrim.PRESETS}


@cache
def clear_views() -> list[SimulatedPhoto]:
    rngs = [np.random.default_rng(seed) for seed in range(30, 36)]
    return [
        pilgrim.draw_photo(rng, width_px=900, height_px=700, um_per_px=0.5, preset="good_focus")
        for rng in rngs
    ]


@pytest.mark.parametrize("preset", pilgrim.PRESETS)
def test_truth_keeps_its_contract(preset: str) -> None:
    for photo in photos()[preset]:
        laws.assert_truth_keeps_its_contract(photo, SHAPE, (9, 17))


def test_presets_hold_what_they_promise() -> None:
    laws.assert_presets_hold_what_they_promise(draw, photos())
    assert laws.kinds_shown([photo for some in photos().values() for photo in some]) == len(KIND)


def test_the_same_state_gives_the_same_photo() -> None:
    laws.assert_the_same_state_gives_the_same_photo(draw, "ordinary")


def test_it_stands_alone() -> None:
    laws.assert_stands_alone(pilgrim)


def test_the_picture_shows_what_the_truth_says() -> None:
    moved, turned, ratio = [], [], []
    for photo in clear_views():
        if photo.notes["light"] != "below":
            continue  # from above, the shadow lies beside the spore
        for spore, box in laws.lone_spores(photo, lambda s: s.countable and s.visible > 0.99):
            light = (photo.rgb[box] / 255.0) ** 2.2
            density = -np.log10(light.mean(axis=2) + 1e-3)
            above = density - np.median(density[photo.kind_map[box] != laws.SPORE])
            near = ndimage.binary_dilation(photo.kind_map[box] == laws.SPORE, iterations=2)
            off = laws.moved_and_turned(photo, spore, box, np.clip(above, 0, None) * near)
            moved.append(off[0])
            turned.append(off[1])
            ratio.append(laws.light_lost(photo, box).mean() / spore.contrast)
    assert len(moved) > 15
    assert np.median(moved) < 0.5
    assert np.median(turned) < 8
    assert 0.6 < np.median(ratio) < 1.7


def test_the_blur_has_the_variance_of_its_map() -> None:
    laws.assert_blur_has_the_variance_of_its_map(blur, 0.04)


def test_two_films_pass_the_product_of_what_each_passes() -> None:
    """Beer and Lambert: densities add, whatever the order and the turn of the films."""
    x, _ = own_grid(40, 40, 0.5)
    flat = np.ones_like(x)
    films = [
        Patch(flat, tone * flat, 0 * flat, 0.5, SCALE[hue], "scale")
        for tone, hue in ((0.3, "orange"), (0.2, "black"))
    ]
    seen = []
    for order in ([0], [1], [0, 1], [1, 0]):
        scene = Scene((41, 41), 0.5, 0.0)
        for number in order:
            scene.lay(films[number], 20.0, 20.0, 35.0)
        seen.append(from_below(scene, 0.2)[20, 20])
    assert seen[2] == pytest.approx(seen[0] * seen[1], rel=1e-3)
    assert seen[3] == pytest.approx(seen[2], rel=1e-3)
    assert -np.log10(seen[0]).mean() == pytest.approx(0.3, rel=1e-3)


def test_shards_of_a_scale_are_its_parts() -> None:
    """Cracking makes no matter: no shard is of a piece with more than the scale, together they fit into it."""
    sizes = []
    for seed in range(12):
        rng = np.random.default_rng(seed)
        scale = grow_scale(rng, 0.5)
        shards = crack(scale, rng)
        areas = [float(shard.cover.sum()) * shard.pitch_um**2 for shard in shards]
        assert sum(areas) <= 1.02 * float(scale.cover.sum()) * scale.pitch_um**2
        sizes += [2 * np.sqrt(area / np.pi) for area in areas]
    assert np.percentile(sizes, 5) < 9 < 17 < np.percentile(sizes, 95)
