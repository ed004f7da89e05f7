"""The stamps style: truth agrees with pictures; stamps, lens and clumps with what is known on paper."""

from __future__ import annotations

import numpy as np
import pytest

from sporecount.simulate import stamps
from sporecount.simulate.stamps import draw_photo
from sporecount.simulate.stamps.plan import PRESETS, clump_sizes
from sporecount.simulate.stamps.portraits import polar_body, to_sprite
from sporecount.simulate.stamps.sheet import MARGIN_PX, Lens, Sheet
from sporecount.simulate.truth import KIND_NAMES, SimulatedPhoto, SporeTruth
from tests.renderer_laws import (
    SPORE,
    assert_presets_hold_what_they_promise,
    assert_stands_alone,
    assert_the_same_state_gives_the_same_photo,
    assert_truth_keeps_its_contract,
    kinds_shown,
    lone_spores,
)


def draw(seed: int, preset: str, **more: float) -> SimulatedPhoto:
    return draw_photo(np.random.default_rng(seed), width_px=460, height_px=340, preset=preset, **more)


@pytest.fixture(scope="module")
def photos() -> dict[str, list[SimulatedPhoto]]:
    return {preset: [draw(seed, preset) for seed in (1, 2)] for preset in PRESETS}


def test_the_same_state_gives_the_same_photo():
    assert_the_same_state_gives_the_same_photo(draw, "ordinary")


@pytest.mark.parametrize("preset", PRESETS)
def test_truth_keeps_its_contract(photos, preset):
    for photo in photos[preset]:
        assert_truth_keeps_its_contract(photo, (340, 460), (8.3, 17.3), aspect=(1.3, 1.8))
        for s in photo.spores:
            # 0.21 wavelength over aperture; an aperture is at most 0.0263 of the magnification here.
            assert s.blur_um > 0.21 * 0.55 / (0.0263 * photo.objective)
            assert (0 <= s.x_px <= 459 and 0 <= s.y_px <= 339) or not s.countable


def test_presets_hold_what_they_promise(photos):
    assert_presets_hold_what_they_promise(draw, photos)
    assert kinds_shown(photos["no_spores"]) >= 7
    for photo in photos["heavy"]:
        assert len(photo.spores) >= 60


def _clear_and_single(s: SporeTruth) -> bool:
    return s.countable and s.clump == 1 and s.visible > 0.95 and s.contrast > 0.08


def test_map_and_picture_show_each_spore_where_truth_says():
    areas, map_off_um, off_um, dark_share = [], [], [], []
    for seed in range(6):
        rng = np.random.default_rng(70 + seed)
        photo = draw_photo(rng, width_px=640, height_px=480, preset="good_focus", um_per_px=0.6)
        px = photo.um_per_px
        for s, box in lone_spores(photo, _clear_and_single):
            mine = photo.kind_map[box] == SPORE
            areas.append(mine.sum() * px**2 / (s.length_um * s.width_um))
            y, x = np.mgrid[box[0], box[1]]
            map_off_um.append(np.hypot(x[mine].mean() - s.x_px, y[mine].mean() - s.y_px) * px)
            green = photo.rgb[box][..., 1].astype(float)
            ground = np.median(green[~mine])
            dark_share.append(np.log10((ground + 1) / (green[mine].mean() + 1)))
            # A rim is dark and a middle may be bright, so any change from the ground counts.
            change = np.abs(green - ground)
            change[change < 0.3 * change.max()] = 0
            cx, cy = (change * x).sum() / change.sum(), (change * y).sum() / change.sum()
            off_um.append(np.hypot(cx - s.x_px, cy - s.y_px) * px)
    assert len(areas) >= 8
    # Between a rhombus (1/2) and an ellipse (pi/4), less drawn-out tips.
    assert 0.64 < np.median(areas) < 0.8
    assert np.median(map_off_um) < 0.15
    assert np.median(off_um) < 0.35
    assert np.mean(np.array(dark_share) > 0) > 0.95


def test_a_stamp_keeps_area_place_and_direction():
    # The area of a turned, shifted, scaled stamp is that of the ellipse, and so are its moments.
    cover, *_ = polar_body(lambda t: 1 / np.hypot(np.cos(t) / 12, np.sin(t) / 7), 14, 0.2)
    light = np.repeat(1 - 0.5 * cover[..., None], 3, axis=2)
    sprite = to_sprite(light, cover, 0.2, 24, 14, 3)
    for at, angle, size in (((50.3, 40.8), 30.0, 1.0), ((61.7, 30.1), 117.0, 1.1)):
        sheet = Sheet((80, 110), 0.6, None)
        area = sheet.stamp(2, sprite, at, angle, SPORE, size, owner=1)
        taken = 1 - sheet.through[2][..., 1].astype(float)
        expected = np.pi * 12 * 7 / 0.36 * size**2
        assert area == pytest.approx(expected, rel=0.01)
        assert taken.sum() == pytest.approx(0.5 * expected, rel=0.01)
        y, x = np.mgrid[: taken.shape[0], : taken.shape[1]] - MARGIN_PX
        cx, cy = (taken * x).sum() / taken.sum(), (taken * y).sum() / taken.sum()
        assert (cx, cy) == (pytest.approx(at[0], abs=0.02), pytest.approx(at[1], abs=0.02))
        xx, yy, xy = (
            (taken * a * b).sum() for a, b in ((x - cx, x - cx), (y - cy, y - cy), (x - cx, y - cy))
        )
        assert np.degrees(0.5 * np.arctan2(2 * xy, xx - yy)) % 180 == pytest.approx(angle, abs=0.5)
        assert (sheet.owner == 1).sum() == pytest.approx(expected, rel=0.02)


def test_a_veil_hides_only_when_it_is_dark():
    sheet = Sheet((60, 80), 0.5, None)
    at = (slice(20, 60), slice(30, 80))
    patch = np.ones((40, 50, 4), np.float32)
    sheet.lay(2, patch * [0.4, 0.4, 0.4, 1], at, SPORE, owner=1)
    sheet.lay(3, patch * [0.3, 0.3, 0.3, 1], at, KIND_NAMES.index("scale"))
    assert (sheet.kinds[at] == SPORE).all()
    assert sheet.wing[at].all()
    sheet.lay(3, patch * [0.5, 0.5, 0.5, 1], at, KIND_NAMES.index("scale"))
    # 0.7 of the light, then half of that: less than 0.45 is left.
    assert (sheet.kinds[at] == KIND_NAMES.index("scale")).all()
    assert not sheet.owner.any()


def test_a_thing_of_which_one_column_shows_is_laid_in_slanted_light():
    sheet = Sheet((60, 80), 0.5, (0.7, -0.7))
    at = (slice(20, 60), slice(30, 31))
    sheet.lay(2, np.full((40, 1, 4), [0.4, 0.4, 0.4, 1], np.float32), at, SPORE, owner=1)
    assert (sheet.kinds[at] == SPORE).all()
    assert sheet.sent[2][at].min() > 0


def test_blur_keeps_light_and_has_the_stated_width():
    for focus_um, share in ((0.0, 0.5), (8.0, 0.0), (12.0, 0.9), (30.0, 0.5), (55.0, 0.8)):
        lens = Lens(0.6, 0.25, 0.4, focus_um, (0.0, 0.0), 0.0, share, (160, 200))
        point = np.zeros((160 + 2 * MARGIN_PX, 200 + 2 * MARGIN_PX, 3), np.float32)
        point[103:105, 123:125] = 0.25
        got = lens.blur(point, 0.0)[..., 1].astype(float)
        x = np.arange(got.shape[1]) - 123.5
        assert got.sum() == pytest.approx(1, rel=5e-3)
        # A square of two pixels adds a quarter; the stated width holds the box of one pixel instead.
        spread = (got * x**2).sum() - 0.25 + 1 / 12
        assert np.sqrt(spread) * 0.6 == pytest.approx(float(lens.sigma_um(100, 80, 0.0)), rel=0.04)


def test_tilt_blurs_one_side_more():
    lens = Lens(0.6, 0.25, 0.4, 10.0, (10.0, 0.0), 0.0, 0.5, (160, 200))
    assert lens.sigma_um(199, 80, 0.0) > 2 * lens.sigma_um(1, 80, 0.0)
    rng = np.random.default_rng(1)
    grain = rng.uniform(0, 1, (160 + 2 * MARGIN_PX, 200 + 2 * MARGIN_PX, 3)).astype(np.float32)
    got = lens.blur(grain, 0.0)[MARGIN_PX:-MARGIN_PX, MARGIN_PX:-MARGIN_PX]
    assert got[:, :40].std() > 2 * got[:, -40:].std()


def test_touching_spores_make_one_clump():
    xy = np.array([[0, 0], [0, 8.0], [0, 16.0], [0, 25.0], [100, 0], [111.0, 0]])
    length, width = np.full(6, 12.0), np.full(6, 8.0)
    # Side by side along y: touching at 8 µm, apart at 9; the last two end to end along x, overlapping.
    assert clump_sizes(xy, length, width, np.zeros(6)).tolist() == [3, 3, 3, 1, 2, 2]


def test_stands_alone():
    assert_stands_alone(stamps)
