"""The wanderer recipe: truth agrees with pictures, and blur and outlines with what is known on paper."""

from __future__ import annotations

import numpy as np
import pytest

from sporecount.simulate.truth import SimulatedPhoto
from tests.recipes import wanderer
from tests.recipes.wanderer import draw_photo
from tests.recipes.wanderer.phone import blur_by_map
from tests.recipes.wanderer.plan import PRESETS, draw_plan
from tests.recipes.wanderer.spores import draw_look
from tests.renderer_laws import (
    SPORE,
    assert_blur_has_the_variance_of_its_map,
    assert_stands_alone,
    assert_truth_keeps_its_contract,
    light_lost,
    moved_and_turned,
)


def draw(seed: int, preset: str, width: int = 420, height: int = 310, **more: float) -> SimulatedPhoto:
    rng = np.random.default_rng(seed)
    return draw_photo(rng, width_px=width, height_px=height, preset=preset, **more)


def test_small_photos_of_all_presets_keep_the_contract():
    # Forty small photos, so that many things are cut by the edge of the view.
    for seed in range(42):
        preset = PRESETS[seed % len(PRESETS)]
        photo = draw(seed, preset, 151 + seed, 120)
        assert_truth_keeps_its_contract(photo, (120, 151 + seed), (8.5, 17))
        for s in photo.spores:
            assert s.contrast >= 0.05 or not s.countable


def test_presets_hold_what_they_promise_and_the_same_state_the_same_photo():
    one, again = draw(4, "ordinary"), draw(4, "ordinary")
    assert np.array_equal(one.rgb, again.rgb)
    assert (one.spores, one.notes) == (again.spores, again.notes)
    shown: set[int] = set()
    for seed in range(4):
        bare, good, heavy = draw(seed, "no_spores"), draw(seed, "good_focus"), draw(seed, "heavy")
        assert bare.spores == ()
        shown |= set(np.unique(bare.kind_map))
        assert SPORE not in shown
        assert 5 <= len(good.spores) <= 80
        assert good.objective == heavy.objective == 10
        # Well in focus: blur far below the spore's width, and a clear contrast.
        assert all(s.blur_um < 0.2 * s.width_um for s in good.spores)
        assert 0.1 < np.median([s.contrast for s in good.spores]) < 0.6
        assert max(s.clump for s in heavy.spores) >= 3
        assert len(heavy.spores) >= 39  # 300 per megapixel
        assert 1.0 <= draw(seed, "scan_4x").um_per_px <= 2.2
    assert len(shown) >= 8
    with pytest.raises(ValueError, match="preset must be one of"):
        draw(1, "easy")


def test_picture_shows_each_lone_spore_where_truth_says():
    off_um, turned, areas, agrees, redder = [], [], [], [], []
    for seed in range(8):
        photo = draw(60 + seed, "good_focus", 600, 440, um_per_px=0.55)
        px = photo.um_per_px
        for s in photo.spores:
            reach, x, y = int(s.length_um / px), round(s.x_px), round(s.y_px)
            if s.clump > 1 or not (reach < x < 599 - reach and reach < y < 439 - reach):
                continue
            box = (slice(y - reach, y + reach + 1), slice(x - reach, x + reach + 1))
            mine = photo.kind_map[box] == SPORE
            if (
                set(np.unique(photo.kind_map[box])) != {0, SPORE}
                or mine.sum() * px**2 > s.length_um * s.width_um
            ):
                continue
            picture = photo.rgb[box].astype(float)
            lost = light_lost(photo, box)
            agrees.append(lost @ [0.3, 0.59, 0.11] / s.contrast)
            redder.append(lost[2] > lost[0])
            dark = np.clip(np.median(picture[~mine][:, 1]) - picture[..., 1], 0, None)
            dark[dark < 0.35 * dark.max()] = 0
            moved_um, turned_deg = moved_and_turned(photo, s, box, dark)
            off_um.append(moved_um)
            turned.append(turned_deg)
            areas.append(mine.sum() * px**2 / (s.length_um * s.width_um))
    assert len(off_um) >= 25
    assert np.median(off_um) < 0.3
    assert np.median(turned) < 6
    # Between a rhombus (1/2 of length times width) and an ellipse (pi/4).
    assert 0.6 < np.median(areas) < np.pi / 4
    # The phone's tone curve and sharpening change contrast, but not by half.
    assert 0.65 < np.median(agrees) < 1.6
    # The wall is amber in transmitted light (McLaughlin & Myers 1970): blue loses more than red.
    assert np.mean(redder) > 0.95


def test_blend_of_blurred_copies_has_the_variance_of_the_map():
    assert_blur_has_the_variance_of_its_map(blur_by_map, rel=0.04)


def test_outline_has_the_area_and_reach_that_its_numbers_say():
    step = 0.05
    u = np.arange(-10, 10, step, dtype=np.float32)[None]
    v = np.arange(-7, 7, step, dtype=np.float32)[:, None]
    for seed in range(5):
        rng = np.random.default_rng(seed)
        look = draw_look(rng, draw_plan(rng, (300, 400), None, None, "heavy"))
        distance, _ = look.pattern(u, v, 6.0, 4.0)
        inside = distance < 0
        assert inside.sum() * step**2 == pytest.approx(look.area_um2(12, 8), rel=0.01)
        # Along the short axis the outline is crossed squarely: a distance grows by one per unit there.
        middle = distance[:, u.size // 2]
        crossing = int(np.argmax(middle < 0))
        assert abs(v[crossing, 0]) == pytest.approx(4, abs=2 * step)
        assert (middle[crossing - 4] - middle[crossing]) / (4 * step) == pytest.approx(1, rel=0.1)


def test_recipe_stands_alone():
    assert_stands_alone(wanderer)
