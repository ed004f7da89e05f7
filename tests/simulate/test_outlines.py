"""The style of outlines: truth agrees with pictures, and outlines and blur with what is known on paper."""

from __future__ import annotations

import numpy as np
import pytest

from sporecount.simulate import outlines
from sporecount.simulate.outlines import draw_photo
from sporecount.simulate.outlines.camera import blur_by_map
from sporecount.simulate.outlines.fields import LUMA, Sheet
from sporecount.simulate.outlines.spores import TABLE_REACH, TABLE_STEP, distance_table, draw_look
from sporecount.simulate.outlines.style import PRESETS, draw_style
from sporecount.simulate.truth import SimulatedPhoto
from tests.renderer_laws import (
    SPORE,
    assert_blur_has_the_variance_of_its_map,
    assert_presets_hold_what_they_promise,
    assert_stands_alone,
    assert_the_same_state_gives_the_same_photo,
    assert_truth_keeps_its_contract,
    kinds_shown,
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


def test_presets_hold_what_they_promise_and_the_same_state_the_same_photo():
    assert_the_same_state_gives_the_same_photo(draw, "ordinary")
    photos = {preset: [draw(seed, preset) for seed in range(4)] for preset in PRESETS}
    assert_presets_hold_what_they_promise(draw, photos)
    assert kinds_shown(photos["no_spores"]) >= 8
    assert all(5 <= len(photo.spores) <= 80 for photo in photos["good_focus"])
    assert all(len(photo.spores) >= 39 for photo in photos["heavy"])  # 300 per megapixel
    for photo in photos["scan_4x"]:
        assert 1.0 <= photo.um_per_px <= 2.2
        assert len(photo.spores) <= 8 or len(photo.spores) > 150
    # Well in focus: blur far below the spore's width.
    assert all(s.blur_um < 0.25 * s.width_um for photo in photos["good_focus"] for s in photo.spores)


def test_three_photos_of_four_are_everyday_prints():
    styles = [
        draw_style(np.random.default_rng(seed), (310, 420), None, None, "ordinary") for seed in range(400)
    ]
    # Four standard errors of a share of a quarter among 400.
    assert np.mean([style.unusual != "" for style in styles]) == pytest.approx(0.25, abs=0.087)
    assert {style.unusual for style in styles} == {"", "pale", "blue", "green", "faint", "grey"}


def test_picture_shows_each_lone_spore_where_truth_says():
    off_um, turned, agrees, redder = [], [], [], []
    for seed in range(10):
        photo = draw(60 + seed, "good_focus", 600, 440, um_per_px=0.55)
        if photo.notes["unusual"]:
            continue
        for s, box in lone_spores(photo, lambda s: s.countable and not s.on_scale):
            mine = photo.kind_map[box] == SPORE
            light = (photo.rgb[box].astype(float) / 255) ** 2.2
            lost = np.log10(np.median(light[~mine], axis=0)) - np.log10(light + 1e-3)
            agrees.append(lost[mine].mean(axis=0) @ LUMA / s.contrast)
            redder.append(lost[mine][:, 2].mean() > lost[mine][:, 0].mean())
            dark = np.clip(lost[..., 1], 0, None)
            dark[dark < 0.35 * dark.max()] = 0
            moved_um, turned_deg = moved_and_turned(photo, s, box, dark)
            off_um.append(moved_um)
            turned.append(turned_deg)
    assert len(off_um) >= 20
    assert np.median(off_um) < 0.3
    assert np.median(turned) < 6
    # The phone's tone curve and sharpening change contrast, but not by half.
    assert 0.65 < np.median(agrees) < 1.6
    # The wall is amber in transmitted light (McLaughlin & Myers 1970): blue loses more than red.
    assert np.mean(redder) > 0.95


def test_blend_of_blurred_copies_has_the_variance_of_the_map():
    assert_blur_has_the_variance_of_its_map(blur_by_map, rel=0.04)


def test_table_of_distances_is_that_of_an_ellipse_where_the_lemon_is_one():
    aspect = 1.5
    table = distance_table(aspect, 0.5)
    middle = round(TABLE_REACH / TABLE_STEP)
    axis = (np.arange(table.shape[0]) - middle) * TABLE_STEP
    # Along both axes outside an ellipse the nearest point is the vertex; off by less than the table's step.
    assert table[middle][axis > 1] == pytest.approx(axis[axis > 1] - 1, abs=1.1 * TABLE_STEP)
    assert table[:, middle][axis > 1] == pytest.approx(axis[axis > 1] - 1 / aspect, abs=1.1 * TABLE_STEP)
    assert (table < 0).sum() * TABLE_STEP**2 == pytest.approx(np.pi / aspect, rel=0.01)
    # More pointed ends leave less area: the integral of (1 - t^2) over the length is 4/3.
    lens = distance_table(aspect, 1.0)
    assert (lens < 0).sum() * TABLE_STEP**2 == pytest.approx(2 * 4 / 3 / aspect, rel=0.01)
    rng = np.random.default_rng(1)
    look = draw_look(rng, draw_style(rng, (99, 120), None, None, "heavy"))
    # The outline's half width at the share t of the half length is (1 - t^2) to the power of its point.
    t = np.linspace(0, 1, 2001)
    assert look.area_um2(12, 8) == pytest.approx(
        12 * 8 * np.trapezoid((1 - t * t) ** look.point, t), rel=0.02
    )


def test_layers_multiply_and_the_fine_points_keep_a_disc_s_area():
    for px_um in (0.3, 0.7, 1.6):
        sheet = Sheet(np.ones((90, 110, 3), np.float32), px_um, 0.2)
        patch = sheet.patch(50.3, 40.7, 12.0)
        cover = sheet.fill(patch, np.asarray(np.hypot(patch.x_um, patch.y_um) - 8, np.float32))
        assert patch.coarse(cover).sum() * px_um**2 == pytest.approx(np.pi * 64, rel=0.01)
        tint = np.array([0.5, 1.0, 1.5], np.float32)
        sheet.darken(patch, 0.3 * cover, tint)
        sheet.darken(patch, 0.2 * cover, tint)
        assert -np.log10(sheet.light[41, 50]) == pytest.approx(0.5 * tint, rel=1e-4)
        assert sheet.light[80, 100] == pytest.approx(1)


def test_recipe_stands_alone():
    assert_stands_alone(outlines)
