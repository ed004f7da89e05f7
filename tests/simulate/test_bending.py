"""The bending style: truth agrees with pictures, and bent light does what the paper says."""

from __future__ import annotations

import numpy as np
import pytest

from sporecount.simulate import bending
from sporecount.simulate.bending import draw_photo
from sporecount.simulate.bending.microscope import Optics, blur_by_map, shine
from sporecount.simulate.bending.plan import PRESETS
from sporecount.simulate.bending.sheet import Sheet
from sporecount.simulate.bending.spores import Spores, SporeSheet, draw_look, lay_spore
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


@pytest.fixture(scope="module")
def photos() -> dict[str, list[SimulatedPhoto]]:
    return {preset: [draw(10 * k + i, preset) for i in range(5)] for k, preset in enumerate(PRESETS)}


def test_photos_keep_the_contract(photos):
    for preset in PRESETS:
        for photo in photos[preset]:
            assert_truth_keeps_its_contract(photo, (310, 420), (8.5, 17))
    for seed, preset in enumerate(PRESETS):
        assert_truth_keeps_its_contract(draw(seed, preset, 131, 97), (97, 131), (8.5, 17))


def test_presets_hold_what_they_promise(photos):
    assert_presets_hold_what_they_promise(draw, photos)
    assert_the_same_state_gives_the_same_photo(draw, "ordinary")
    assert kinds_shown([p for some in photos.values() for p in some]) >= 9
    for photo in photos["good_focus"]:
        assert 5 <= len(photo.spores) <= 80
        assert all(s.blur_um < 0.2 * s.width_um for s in photo.spores)
    for photo in photos["heavy"]:
        assert len(photo.spores) >= 39  # 300 per megapixel
        assert sum(s.countable for s in photo.spores) >= 0.25 * len(photo.spores)
    for photo in photos["scan_4x"]:
        assert 1.0 <= photo.um_per_px <= 2.2
        assert len(photo.spores) <= 8 or len(photo.spores) > 150
    # Ten photos seldom look alike: neither in brightness nor in colour.
    means = np.array([p.rgb.mean(axis=(0, 1)) for p in photos["ordinary"] + photos["hard"]])
    assert means.mean(axis=1).std() > 15
    assert (means[:, 0] / means[:, 2]).std() > 0.05


def test_picture_shows_each_lone_spore_where_truth_says():
    off_um, turned, agrees = [], [], []
    for seed in range(8):
        photo = draw(60 + seed, "good_focus", 600, 440, um_per_px=0.5)
        for s, box in lone_spores(photo, lambda s: s.countable and abs(s.contrast) > 0.08):
            mine = photo.kind_map[box] == SPORE
            light = (photo.rgb[box] / 255) ** 2.2 @ [0.3, 0.59, 0.11]
            lost = np.log10(np.median(light[~mine])) - np.log10(light + 1e-3)
            agrees.append(lost[mine].mean() / s.contrast)
            # Bright or dark does not matter here: a refractile spore is both.
            change = np.abs(lost)
            change[change < 0.35 * np.quantile(change, 0.99)] = 0
            moved_um, turned_deg = moved_and_turned(photo, s, box, change)
            off_um.append(moved_um)
            turned.append(turned_deg)
    assert len(off_um) >= 25
    assert np.median(off_um) < 0.3
    assert np.median(turned) < 6
    # The phone's tone curve and sharpening change contrast, but not by half.
    assert 0.6 < np.median(agrees) < 1.6


def test_dome_flips_from_bright_to_dark_with_the_focus_and_keeps_its_light():
    px_um = 0.25
    x = np.arange(-20, 20, px_um, dtype=np.float32)
    relief = (0.3 * np.exp(-(x[None] ** 2 + x[:, None] ** 2) / 18)).astype(np.float32)
    bare = np.zeros((*relief.shape, 3), np.float32)
    plain = Optics(rim=0, colour_um=0, sideways=np.zeros(2), glint=0, glare=0)
    middle = len(x) // 2
    # The bulge of a bell of height 0.3 and variance 9 is -2 * 0.3 / 9 at its top (Teague 1983's equation).
    for focus_um in (-5.0, 0.0, 5.0):
        light = shine(bare, relief, np.full_like(relief, focus_um), px_um, plain)
        assert light[middle, middle, 1] == pytest.approx(1 + focus_um * 0.6 / 9, abs=0.01)
        assert light.mean() == pytest.approx(1, abs=1e-3)
    rimmed = shine(bare, relief, np.zeros_like(relief), px_um, Optics(20, 0, np.zeros(2), 0, 0))
    assert rimmed[middle, middle, 1] == pytest.approx(1, abs=0.01)
    assert rimmed[middle, middle + int(3 / px_um), 1] < 0.9


def test_laid_outline_has_the_area_and_place_that_its_numbers_say():
    for seed in range(6):
        rng = np.random.default_rng(seed)
        look = draw_look(rng)
        sheet = Sheet.bare((240, 300), 0.1)
        on = SporeSheet(sheet, np.full((240, 300), -1, np.int32), np.zeros((240, 300), np.uint8))
        one = [np.array([n]) for n in (151.3, 118.6, rng.uniform(0, np.pi), 13.0, 8.5, 1.0)]
        lay_spore(on, look, Spores(*one), 0)
        yy, xx = np.nonzero(on.owner == 0)
        assert len(xx) * 0.01 == pytest.approx(look.area_um2(13, 8.5), rel=0.02)
        assert (xx.mean(), yy.mean()) == pytest.approx((151.3, 118.6), abs=0.3)
        reach = np.hypot(xx - 151.3, yy - 118.6) * 0.1
        assert reach.max() == pytest.approx(6.5, abs=0.2)


def test_spores_of_many_photos_are_pale_as_well_as_deep():
    medians = [
        np.median([s.contrast for s in photo.spores if s.clump == 1])
        for photo in (draw(200 + seed, "good_focus", 300, 240) for seed in range(16))
    ]
    assert min(medians) < 0.15
    assert max(medians) > 0.35


def test_blend_of_blurred_copies_has_the_variance_of_the_map():
    assert_blur_has_the_variance_of_its_map(blur_by_map, rel=0.04)


def test_recipe_stands_alone():
    assert_stands_alone(bending)
