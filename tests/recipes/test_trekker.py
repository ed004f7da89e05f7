"""The trekker recipe: truth agrees with the pictures, and blur, bend and outlines with what is known on paper."""

from __future__ import annotations

import numpy as np
import pytest

from sporecount.simulate.truth import SimulatedPhoto
from tests.recipes import trekker
from tests.recipes.trekker import draw_photo
from tests.recipes.trekker.camera import blur_by_map, finished_place, source_place
from tests.recipes.trekker.spores import Spores, draw_look, group_sizes, outline_px
from tests.recipes.trekker.style import PRESETS, draw_style
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


def draw(seed: int, preset: str, width: int = 400, height: int = 290, **more: float) -> SimulatedPhoto:
    rng = np.random.default_rng(seed)
    return draw_photo(rng, width_px=width, height_px=height, preset=preset, **more)


def test_small_photos_of_all_presets_keep_the_contract():
    # Small photos of odd sizes, so that many things are cut by the edge of the view.
    for seed in range(36):
        photo = draw(seed, PRESETS[seed % len(PRESETS)], 141 + seed, 118)
        assert_truth_keeps_its_contract(photo, (118, 141 + seed), (8.5, 17))
        for s in photo.spores:
            assert s.contrast >= 0.04 or not s.countable


def test_presets_hold_what_they_promise_and_the_same_state_the_same_photo():
    assert_the_same_state_gives_the_same_photo(draw, "ordinary")
    photos = {preset: [draw(seed, preset) for seed in range(5)] for preset in PRESETS}
    assert_presets_hold_what_they_promise(draw, photos)
    assert kinds_shown(photos["no_spores"] + photos["hard"]) >= 8
    for good, heavy, scan in zip(photos["good_focus"], photos["heavy"], photos["scan_4x"], strict=True):
        assert 5 <= len(good.spores) <= 80
        assert all(s.blur_um < 0.25 * s.width_um for s in good.spores)
        assert len(heavy.spores) >= 34  # 300 per megapixel
        assert 1.0 <= scan.um_per_px <= 2.2
    # Most of what lies in a well focused view can be counted.
    spores = [s for photo in photos["good_focus"] for s in photo.spores if s.clump == 1]
    assert np.mean([s.countable for s in spores]) > 0.6


def test_picture_shows_each_lone_spore_where_truth_says():
    off_um, turned, agrees, redder = [], [], [], []
    for seed in range(9):
        photo = draw(60 + seed, "good_focus", 600, 440, um_per_px=0.5)
        for s, box in lone_spores(photo, lambda s: s.countable and s.clump == 1):
            mine = photo.kind_map[box] == SPORE
            light = (photo.rgb[box] / 255.0) ** 2.2
            lost = light_lost(photo, box)
            agrees.append(lost @ [0.3, 0.59, 0.11] / s.contrast)
            redder.append(lost[2] > lost[0])
            grey = light[..., 1]
            # The change of light is what shows the spore, be it darker or brighter.
            weight = np.abs(grey - np.median(grey[~mine]))
            weight[weight < 0.3 * weight.max()] = 0
            moved_um, turned_deg = moved_and_turned(photo, s, box, weight)
            off_um.append(moved_um)
            turned.append(turned_deg)
    assert len(off_um) >= 25
    assert np.median(off_um) < 0.4
    assert np.median(turned) < 6
    # The phone's tone curve and sharpening change contrast, but not by half.
    assert 0.6 < np.median(agrees) < 1.7
    # The wall is amber in transmitted light (McLaughlin & Myers 1970): blue loses more than red.
    assert np.mean(redder) > 0.9


def test_blend_of_blurred_copies_has_the_variance_of_the_map():
    assert_blur_has_the_variance_of_its_map(blur_by_map, rel=0.04)


def test_finished_place_undoes_the_bend_of_the_picture():
    inner, outer = (240, 330), (280, 370)
    for bend in (-0.03, 0.0, 0.04):
        spots = np.array([[0, 0], [300, 17], [165, 120], [329, 239]], float)
        source = source_place(spots, outer, inner, bend)
        assert finished_place(source, outer, inner, bend) == pytest.approx(spots, abs=0.01)
        # The corner lies half a diagonal from the middle, where the share is stated.
        reach = np.hypot(*(source[0] - np.array([184.5, 139.5])))
        assert reach == pytest.approx(np.hypot(164.5, 119.5) * (1 + bend), rel=1e-3)


def test_outline_has_the_area_and_the_points_that_its_numbers_say():
    step = 0.05
    u = np.arange(-10, 10, step, dtype=np.float32)[None]
    v = np.arange(-7, 7, step, dtype=np.float32)[:, None]
    for seed in range(5):
        rng = np.random.default_rng(seed)
        look = draw_look(rng, draw_style(rng, (300, 400), None, None, "heavy"))
        inside = look.distance(u, v, 6.0, 4.0) < 0
        assert inside.sum() * step**2 == pytest.approx(look.area_um2(12, 8), rel=0.01)
        # Between a rhombus (1/2 of length times width) and an ellipse (pi/4).
        assert 0.5 < look.area_um2(12, 8) / 96 < np.pi / 4
        one, some = np.ones(4), np.array([0.0, 7.0, 40.0, 47.9])
        row = Spores(look, some, 0 * one, one * np.pi / 2, 12 * one, 8 * one, one, 0 * one, one)
        assert list(group_sizes(row, 1.0)) == [2, 2, 2, 2]
        assert list(group_sizes(row, 2.0)) == [1, 1, 1, 1]
        rim = outline_px(row, 1.0)[0]
        edge = look.distance(rim[:, 1].astype(np.float32), -rim[:, 0].astype(np.float32), 6.0, 4.0)
        assert np.abs(edge).max() < 0.05


def test_recipe_stands_alone():
    assert_stands_alone(trekker)
