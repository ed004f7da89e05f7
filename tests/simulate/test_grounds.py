"""The grounds style: pictures show what their truth says, on every ground and in every light."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from sporecount.simulate import grounds
from sporecount.simulate.grounds import draw_photo
from sporecount.simulate.grounds.bodies import lay_dust
from sporecount.simulate.grounds.photo import PRESETS
from sporecount.simulate.grounds.slab import PRINT, Light, Scene, blur_by_map, egg_distance
from sporecount.simulate.grounds.spores import LUMA, Spores, draw_look, lay_spores, touching
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


def draw(seed: int, preset: str, width: int = 380, height: int = 290, **more: float) -> SimulatedPhoto:
    return draw_photo(np.random.default_rng(seed), width_px=width, height_px=height, preset=preset, **more)


@cache
def photos() -> dict[str, list[SimulatedPhoto]]:
    return {preset: [draw(seed, preset) for seed in range(4)] for preset in PRESETS}


def test_photos_of_all_presets_keep_the_contract():
    for made in photos().values():
        for photo in made:
            assert_truth_keeps_its_contract(photo, (290, 380), (8.5, 17))
            for s in photo.spores:
                assert s.contrast >= 0.045 or not s.countable


def test_presets_hold_what_they_promise():
    assert_presets_hold_what_they_promise(draw, photos())
    assert kinds_shown(photos()["no_spores"]) >= 8
    for photo in photos()["good_focus"]:
        assert 5 <= len(photo.spores) <= 80
        assert all(s.blur_um < 0.2 * s.width_um for s in photo.spores)
    for photo in photos()["scan_4x"]:
        assert len(photo.spores) <= 8 or len(photo.spores) > 150
        assert 1.0 <= photo.um_per_px <= 2.2


def test_the_same_state_gives_the_same_photo_and_grounds_differ():
    assert_the_same_state_gives_the_same_photo(draw, "ordinary")
    notes = [photo.notes for made in photos().values() for photo in made]
    assert len({(n["ground"], n["tape"]) for n in notes}) >= 8
    # The light decides what is added to what shines through: from below alone, nothing is.
    patch_light = {}
    for above in (0.0, 0.8):
        scene = Scene((40, 40), 0.5, Light(above, 0.0, 1.0, 0.0))
        lay_dust(np.random.default_rng(5), scene, 10.0, 10.0)
        patch_light[above] = sum(float(added.sum()) for added in scene.added)
    assert patch_light[0.0] == 0 < patch_light[0.8]


def test_picture_shows_each_lone_spore_where_truth_says():
    off_um, ratio = [], []
    for seed in range(14):
        photo = draw(40 + seed, "good_focus", 560, 420, um_per_px=0.5)
        if photo.notes["lit"] != "below":
            continue
        for s, box in lone_spores(photo, lambda s: s.countable):
            mine = photo.kind_map[box] == SPORE
            light = (photo.rgb[box].astype(float) / 255) ** 2.2 @ LUMA
            density = np.log10(np.median(light[~mine])) - np.log10(light + 1e-3)
            ratio.append(density[mine].mean() / s.contrast)
            # Wall and halo may differ in sign from the middle: what differs from the ground counts.
            weight = np.abs(density)
            weight[weight < 0.35 * np.percentile(weight, 95)] = 0
            off_um.append(moved_and_turned(photo, s, box, weight)[0])
    assert len(off_um) >= 20
    assert np.median(off_um) < 0.4
    # Tone curve and sharpening change contrast, but not by half.
    assert 0.6 < np.median(ratio) < 1.7


def test_blend_of_blurred_copies_has_the_variance_of_the_map():
    assert_blur_has_the_variance_of_its_map(blur_by_map, rel=0.04)


def test_outline_has_the_area_and_place_that_its_numbers_say():
    step = 0.05
    u = np.arange(-10, 10, step, dtype=np.float32)[None]
    v = np.arange(-7, 7, step, dtype=np.float32)[:, None]
    # An ellipse has pi/4 of its box; a lemon of power 1 (two parabolas) has 2/3.
    for power, share in ((2.0, np.pi / 4), (1.0, 2 / 3)):
        inside = egg_distance(u, v, 7.0, 4.5, power) < 0
        assert inside.sum() * step**2 == pytest.approx(share * 14 * 9, rel=0.01)
    rng = np.random.default_rng(3)
    for px_um, power_px in ((0.3, 0.05), (2.1, 0.1)):
        look = draw_look(rng)
        scene = Scene((80, 90), px_um, Light(0.0, 0.0, 1.0, 0.0))
        at = np.array([41.3 * px_um]), np.array([37.8 * px_um])
        length = np.array([12.0])
        one = Spores(*at, length, length / 1.5, np.array([0.7]), np.ones(1), np.zeros(1, np.int64))
        lay_spores(scene, look, one, range(1), np.zeros(1))
        lost = np.abs(1 - scene.passed[PRINT] @ LUMA).astype(float)
        y, x = np.mgrid[:80, :90]
        assert (lost * x).sum() / lost.sum() == pytest.approx(41.3, abs=power_px)
        assert (lost * y).sum() / lost.sum() == pytest.approx(37.8, abs=power_px)
        if px_um < 1:
            assert one.covered[0] * px_um**2 == pytest.approx(look.area_share() * 12 * 8, rel=0.03)


def test_touching_groups_are_those_whose_outlines_meet():
    x = np.array([0.0, 11.8, 30.0, 30.0, 60.0])
    y = np.array([0.0, 0.0, 0.0, 7.9, 0.0])
    flat = Spores(x, y, np.full(5, 12.0), np.full(5, 8.0), np.zeros(5), np.ones(5), np.zeros(5, np.int64))
    sizes, pairs = touching(flat)
    assert sizes.tolist() == [2, 2, 2, 2, 1]
    assert sorted(pairs) == [(0, 1), (2, 3)]


def test_recipe_stands_alone():
    assert_stands_alone(grounds)
