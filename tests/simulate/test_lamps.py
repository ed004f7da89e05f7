"""The style of lamps: its truth agrees with its pictures, and light does what it must."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from sporecount.simulate import lamps
from sporecount.simulate.lamps import draw_photo
from sporecount.simulate.lamps.bench import Bench, Patch, light_up
from sporecount.simulate.lamps.phone import blur_by_map
from sporecount.simulate.lamps.spores import draw_build
from sporecount.simulate.lamps.style import PRESETS, Light, draw_light
from sporecount.simulate.truth import SimulatedPhoto
from tests.renderer_laws import (
    SPORE,
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

SHAPE = (310, 420)


def draw(seed: int, preset: str, **more: float) -> SimulatedPhoto:
    rng = np.random.default_rng(seed)
    return draw_photo(rng, width_px=SHAPE[1], height_px=SHAPE[0], preset=preset, **more)


def light(rng: np.random.Generator, below: float) -> Light:
    """A white lamp with neither relief nor lens effects."""
    white = np.ones(3, np.float32)
    return replace(
        draw_light(rng, "ordinary"), below=below, hue_below=white, hue_above=white, crisp=0, rim=0, gloss=0
    )


def test_photos_of_all_presets_keep_the_contract_and_show_many_kinds():
    photos = {preset: [draw(seed, preset) for seed in range(3)] for preset in PRESETS}
    for shown in photos.values():
        for photo in shown:
            assert_truth_keeps_its_contract(photo, SHAPE, (8.5, 17))
    assert_presets_hold_what_they_promise(draw, photos)
    assert kinds_shown(photos["no_spores"]) >= 8
    assert all(5 <= len(photo.spores) <= 80 for photo in photos["good_focus"])
    assert all(1.0 <= photo.um_per_px <= 2.2 for photo in photos["scan_4x"])


def test_the_same_state_gives_the_same_photo():
    assert_the_same_state_gives_the_same_photo(draw, "hard")


def test_picture_shows_each_lone_spore_where_truth_says():
    off_um, turned, agrees = [], [], []
    for seed in range(14):
        photo = draw(60 + seed, "good_focus", um_per_px=0.5)
        for s, box in lone_spores(photo, lambda s: s.countable and s.visible > 0.95 and s.contrast > 0.1):
            mine = photo.kind_map[box] == SPORE
            picture = photo.rgb[box].astype(float)
            lost = light_lost(photo, box)
            agrees.append(lost @ [0.3, 0.59, 0.11] / s.contrast)
            dark = np.clip(np.median(picture[~mine][:, 1]) - picture[..., 1], 0, None)
            dark[dark < 0.4 * dark.max()] = 0
            moved_um, turned_deg = moved_and_turned(photo, s, box, dark)
            off_um.append(moved_um)
            turned.append(turned_deg)
            # The map's own outline has neither blur nor shadow.
            assert moved_and_turned(photo, s, box, mine)[0] < 0.5
    assert len(off_um) >= 20
    assert np.median(off_um) < 0.5
    assert np.median(turned) < 8
    # The phone's tone curve and sharpening change contrast, but not by half.
    assert 0.65 < np.median(agrees) < 1.6


def test_blend_of_blurred_copies_has_the_variance_of_the_map():
    assert_blur_has_the_variance_of_its_map(blur_by_map, rel=0.04)


def test_outline_has_the_area_that_its_numbers_say():
    for seed in range(5):
        rng = np.random.default_rng(seed)
        build = draw_build(rng)
        patch, _, _ = build.draw(rng, 0.05, (300.3, 200.8), (12, 8), 0.7)
        assert patch.inside.sum() * 0.05**2 == pytest.approx(build.area_um2(12, 8), rel=0.01)


def test_light_passes_a_body_once_from_below_and_casts_its_shadow_aside_from_above():
    rng = np.random.default_rng(3)
    inside = np.zeros((41, 41), np.float32)
    inside[15:26, 15:26] = 1
    patch = Patch(0.3 * np.repeat(inside[..., None], 3, axis=2), 0 * inside, inside, white=0)
    ground, colour = np.zeros((120, 160, 3), np.float32), np.ones(3, np.float32)
    seen = {}
    for below in (1.0, 0.0):
        lamp = replace(light(rng, below), name="desk", shade_um=(20.0, 0.0), shade_soft_um=1.0)
        bench = Bench((120, 160), 1.0, lamp)
        assert bench.lay(patch, 40, 60, "dust")
        seen[below] = light_up(bench, colour, ground)[..., 1]
    # An optical density of 0.3 leaves half of the light.
    assert seen[1.0][60, 80] == pytest.approx(10**-0.3, rel=1e-3)
    assert seen[1.0][60, 100] == pytest.approx(1)
    # From above the body shows once, and its shadow 20 um to the right, never darker than the glow of the card.
    assert seen[0.0][60, 80] == pytest.approx(10**-0.3, rel=0.02)
    assert 10**-0.3 < seen[0.0][60, 100] < 0.8
    assert seen[0.0][60, 60] == pytest.approx(1, abs=0.01)


def test_recipe_stands_alone():
    assert_stands_alone(lamps)
