"""The style of curves: truth agrees with pictures, and each photo has its own looks."""

from __future__ import annotations

import numpy as np
import pytest

from sporecount.simulate import curves
from sporecount.simulate.curves import draw_photo
from sporecount.simulate.curves.functions import draw_curve, draw_noise
from sporecount.simulate.curves.phone import blur_by_map
from sporecount.simulate.curves.plan import PRESETS, draw_plan
from sporecount.simulate.curves.spores import draw_look, outline
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


def draw(seed: int, preset: str, width: int = 420, height: int = 310, **more: float) -> SimulatedPhoto:
    rng = np.random.default_rng(seed)
    return draw_photo(rng, width_px=width, height_px=height, preset=preset, **more)


def test_small_photos_of_all_presets_keep_the_contract():
    # Many small photos, so that many things are cut by the edge of the view.
    for seed in range(36):
        photo = draw(seed, PRESETS[seed % len(PRESETS)], 151 + seed, 120)
        assert_truth_keeps_its_contract(photo, (120, 151 + seed), (8.5, 17))
        # A spore that can be counted takes light, on the whole.
        assert all(s.contrast > 0.03 for s in photo.spores if s.countable)


def test_presets_hold_what_they_promise_and_the_same_state_the_same_photo():
    assert_the_same_state_gives_the_same_photo(draw, "hard")
    photos = {preset: [draw(seed, preset) for seed in range(4)] for preset in PRESETS}
    assert_presets_hold_what_they_promise(draw, photos)
    assert kinds_shown([photo for several in photos.values() for photo in several]) >= 9
    for good, heavy, scan in zip(photos["good_focus"], photos["heavy"], photos["scan_4x"], strict=True):
        assert 5 <= len(good.spores) <= 80
        assert all(s.blur_um < 0.22 * s.length_um for s in good.spores)
        assert len(heavy.spores) >= 39  # 300 per megapixel
        assert 1.0 <= scan.um_per_px <= 2.2


def test_picture_shows_each_lone_spore_where_truth_says():
    off_um, turned, agrees, redder, areas = [], [], [], [], []
    for seed in range(13):
        photo = draw(60 + seed, "good_focus", 600, 440, um_per_px=0.5)
        for s, box in lone_spores(photo, lambda one: one.countable):
            mine = photo.kind_map[box] == SPORE
            light = (photo.rgb[box] / 255.0) ** 2.2 + 1e-3
            lost = light_lost(photo, box)
            agrees.append(lost @ [0.3, 0.59, 0.11] / s.contrast)
            redder.append(lost[2] > lost[0])
            areas.append(mine.sum() * photo.um_per_px**2 / (s.length_um * s.width_um))
            # Bright rings and dark rings show the outline alike.
            shown = np.abs(np.log10(light[..., 1] / np.median(light[~mine][:, 1])))
            shown[shown < 0.3 * shown.max()] = 0
            moved_um, turned_deg = moved_and_turned(photo, s, box, shown)
            off_um.append(moved_um)
            turned.append(turned_deg)
    assert len(off_um) >= 20
    assert np.median(off_um) < 0.35
    assert np.median(turned) < 7
    # Between a rhombus (1/2 of length times width) and an ellipse (pi/4).
    assert 0.5 < np.median(areas) < np.pi / 4
    # The phone's tone curve and sharpening change contrast, but not by half.
    assert 0.6 < np.median(agrees) < 1.7
    # The wall is amber in transmitted light (McLaughlin & Myers 1970): blue loses more than red.
    assert np.mean(redder) > 0.95


def test_looks_differ_between_photos_and_keep_their_mean_density():
    v, u = np.mgrid[-5:5:0.2, -7:7:0.2].astype(np.float32)
    seen = []
    for seed in range(30):
        rng = np.random.default_rng(seed)
        plan = draw_plan(rng, (300, 400), None, None, "heavy")
        shown, cover = draw_look(rng, plan).density(u, v, 6, 4, 0.0, 0.2)
        luma = shown @ [0.3, 0.59, 0.11]
        assert luma[cover > 0.5].mean() == pytest.approx(plan.strength, rel=0.15)
        assert shown[..., 2][cover > 0.5].mean() > shown[..., 0][cover > 0.5].mean()
        seen.append(luma[25] / luma[cover > 0.5].mean())
    # The same cut through any two looks differs clearly, at equal mean density.
    apart = [np.abs(a - b).max() for i, a in enumerate(seen) for b in seen[:i]]
    assert np.quantile(apart, 0.05) > 0.2


def test_outlines_have_their_length_and_width_and_agree_with_what_is_drawn():
    for seed in range(5):
        rng = np.random.default_rng(seed)
        look = draw_look(rng, draw_plan(rng, (300, 400), None, None, "heavy"))
        points = outline(look, np.array([12.0]), np.array([8.0]), np.array([0.0]))[0]
        assert np.ptp(points, axis=0) == pytest.approx([12, 8], rel=1e-6)
        v, u = np.mgrid[-5:5:0.05, -7:7:0.05].astype(np.float32)
        _, cover = look.density(u, v, 6, 4, 0.0, 0.05)
        drawn = cover.sum() * 0.05**2
        x, y = points.T
        polygon = 0.5 * abs(np.dot(x, np.roll(y, 1)) - np.dot(y, np.roll(x, 1)))
        assert drawn == pytest.approx(polygon, rel=0.02)


def test_functions_are_smooth_and_noise_has_unit_spread():
    rng = np.random.default_rng(1)
    curve = draw_curve(rng, [(0, 0), (1, 1), (-1, -1), (0.5, 0.5)])
    assert curve(np.array([-1.0, 0.0, 1.0, 2.0])) == pytest.approx([0, 0, 0.5, 0.5])
    assert np.abs(np.diff(curve.table)).max() < 0.03
    noise = draw_noise(rng, (200, 260), 1.0, 100, 20, 1.0, 6.0, 0.0)
    assert noise.shape == (200, 260)
    assert (noise.mean(), noise.std()) == (pytest.approx(0, abs=1e-4), pytest.approx(1, abs=1e-4))
    # Waves six times longer along x: slopes there are far smaller.
    assert np.abs(np.diff(noise, axis=1)).mean() < 0.4 * np.abs(np.diff(noise, axis=0)).mean()


def test_blend_of_blurred_copies_has_the_variance_of_the_map():
    assert_blur_has_the_variance_of_its_map(blur_by_map, rel=0.05)


def test_recipe_stands_alone():
    assert_stands_alone(curves)
