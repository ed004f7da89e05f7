"""The style of primitives: truth agrees with pictures, blur and outlines with what is known on paper."""

from __future__ import annotations

import numpy as np
import pytest

from sporecount.simulate import primitives
from sporecount.simulate.primitives import draw_photo
from sporecount.simulate.primitives.camera import blur_by_map
from sporecount.simulate.primitives.spores import PAINTERS, Look, place_spores, touching
from sporecount.simulate.primitives.style import PRESETS, Plan
from sporecount.simulate.truth import SimulatedPhoto
from tests import renderer_laws as laws


def draw(seed: int, preset: str, width: int = 420, height: int = 310, **more: float) -> SimulatedPhoto:
    rng = np.random.default_rng(seed)
    return draw_photo(rng, width_px=width, height_px=height, preset=preset, **more)


def test_small_photos_of_all_presets_keep_the_contract():
    # Narrow photos, so that many things are cut by the edge of the view.
    for seed in range(42):
        preset = PRESETS[seed % len(PRESETS)]
        photo = draw(seed, preset, 151 + seed, 120)
        laws.assert_truth_keeps_its_contract(photo, (120, 151 + seed), (8.5, 17))
        assert all(s.contrast >= 0.05 for s in photo.spores if s.countable)


def test_presets_hold_what_they_promise_and_the_same_state_the_same_photo():
    photos = {preset: [draw(seed, preset) for seed in range(4)] for preset in PRESETS}
    laws.assert_presets_hold_what_they_promise(draw, photos)
    laws.assert_the_same_state_gives_the_same_photo(draw, "ordinary")
    assert laws.kinds_shown(photos["no_spores"]) == 9  # all but spores
    for photo in photos["good_focus"]:
        assert 5 <= len(photo.spores) <= 80
        assert all(s.blur_um < 0.12 * s.length_um for s in photo.spores)
    for photo in photos["heavy"]:
        assert 300 <= len(photo.spores) / (0.42 * 0.31) <= 2010  # per megapixel
    loads = [len(draw(seed, "scan_4x").spores) for seed in range(8)]
    assert all(n <= 8 or n > 150 for n in loads)
    assert {n > 150 for n in loads} == {False, True}


def test_photos_of_one_preset_differ_widely():
    photos = [draw(seed, "ordinary", 200, 150) for seed in range(24)]
    assert {photo.notes["painter"] for photo in photos} >= set(PAINTERS[:4])
    assert len({photo.notes["ground"] for photo in photos}) == 4
    brightness = [photo.rgb.mean() for photo in photos]
    warmth = [photo.rgb[..., 0].mean() / photo.rgb[..., 2].mean() for photo in photos]
    assert np.std(brightness) > 12
    assert np.std(warmth) > 0.1


def test_picture_shows_each_lone_spore_where_truth_says():
    off_um, turned, agrees, redder = [], [], [], []
    for seed in range(14):
        photo = draw(60 + seed, "good_focus", 600, 440, um_per_px=0.55)
        for s, box in laws.lone_spores(photo, lambda one: one.countable and one.clump == 1):
            mine = photo.kind_map[box] == laws.SPORE
            picture = photo.rgb[box].astype(float)
            lost = laws.light_lost(photo, box)
            agrees.append(lost @ [0.3, 0.59, 0.11] / s.contrast)
            redder.append(lost[2] > lost[0])
            dark = np.abs(np.median(picture[~mine], axis=0) - picture).sum(axis=2)
            dark[dark < 0.35 * dark.max()] = 0
            moved_um, turned_deg = laws.moved_and_turned(photo, s, box, dark)
            off_um.append(moved_um)
            turned.append(turned_deg)
    assert len(off_um) >= 25
    assert np.median(off_um) < 0.3
    assert np.percentile(off_um, 90) < 0.6
    assert np.median(turned) < 6
    # The phone's tone curve, halo and sharpening change contrast, but not by half.
    assert 0.6 < np.median(agrees) < 1.7
    # The wall is amber in transmitted light (McLaughlin & Myers 1970): blue loses more than red.
    assert np.mean(redder) > 0.95


def test_outline_has_the_area_and_reach_that_its_numbers_say():
    step = 0.05
    u = np.arange(-10, 10, step, dtype=np.float32)[None]
    v = np.arange(-7, 7, step, dtype=np.float32)[:, None]
    for seed in range(6):
        rng = np.random.default_rng(seed)
        look = Look(rng, Plan(rng, (300, 400), None, None, "heavy"))
        depth = look.depth(u, v, 6.0, 4.0)
        # The same area as the curve's own equation gives by slices across the long axis.
        slices = np.linspace(-1, 1, 20001)
        area = 12 * 8 * np.mean((1 - np.abs(slices) ** look.p) ** (1 / look.q))
        assert (depth > 0).sum() * step**2 == pytest.approx(area, rel=0.01)
        # Between a pointed lens (2/3 of length times width) and an ellipse (pi/4), nearly.
        assert 0.6 < area / 96 < np.pi / 4
        line = depth[:, u.size // 2]
        crossing = int(np.argmax(line > 0))
        assert abs(v[crossing, 0]) == pytest.approx(4, abs=2 * step)
        assert (line[crossing + 4] - line[crossing]) / (4 * step) == pytest.approx(1, rel=0.15)


def test_groups_touch_without_lying_on_one_another():
    sizes, depths = [], []
    for seed in range(6):
        rng = np.random.default_rng(seed)
        plan = Plan(rng, (600, 800), 0.6, 10, "good_focus")
        look = Look(rng, plan)
        spores = place_spores(rng, look, plan, (0, 0, 800, 600))
        sizes += list(touching(look, spores, 0.6))
        for k, outline in enumerate(spores.outlines(look, 0.6)):
            others = np.delete(np.arange(len(spores.x)), k)
            level = spores.level(look, others, np.repeat(outline[None], len(others), 0), 0.6)
            depths.append(level.min())
    assert {1, 2, 3} <= set(sizes)
    assert np.mean(np.array(sizes) > 1) > 0.15
    # The outline of one seldom reaches deep into another: 0 is the middle, 1 the outline.
    assert np.mean(np.array(depths) < 0.5) < 0.12


def test_blur_has_the_variance_of_its_map():
    laws.assert_blur_has_the_variance_of_its_map(blur_by_map, rel=0.04)
    laws.assert_blur_has_the_variance_of_its_map(lambda scene, wide: blur_by_map(scene, wide, True), rel=0.04)


def test_recipe_stands_alone():
    laws.assert_stands_alone(primitives)
