"""The heights style: truth agrees with pictures, blur and outlines with what is known on paper."""

from __future__ import annotations

import numpy as np
import pytest

from sporecount.simulate import heights
from sporecount.simulate.heights import draw_photo
from sporecount.simulate.heights.phone import blur_by_map
from sporecount.simulate.heights.plan import PRESETS, draw_plan
from sporecount.simulate.heights.spores import area_share, draw_look, lemon
from sporecount.simulate.truth import SimulatedPhoto
from tests import renderer_laws as laws


def draw(seed: int, preset: str, width: int = 420, height: int = 310, **more: float) -> SimulatedPhoto:
    rng = np.random.default_rng(seed)
    return draw_photo(rng, width_px=width, height_px=height, preset=preset, **more)


@pytest.fixture(scope="module")
def photos() -> dict[str, list[SimulatedPhoto]]:
    return {preset: [draw(seed, preset) for seed in range(3)] for preset in PRESETS}


def test_presets_hold_what_they_promise(photos):
    laws.assert_presets_hold_what_they_promise(draw, photos)
    assert all(5 <= len(photo.spores) <= 80 for photo in photos["good_focus"])
    assert all(1.0 <= photo.um_per_px <= 2.2 for photo in photos["scan_4x"])
    loads = [len(draw(seed, "scan_4x", 151, 120).spores) for seed in range(16)]
    assert all(n <= 8 or n > 150 for n in loads)
    assert 3 <= sum(n <= 8 for n in loads) <= 13
    # A bubble and a droplet, a scale and its pieces, threads, dust and pollen.
    assert laws.kinds_shown([one for group in photos.values() for one in group]) == 10


def test_small_photos_keep_the_contract_and_hidden_spores_are_not_countable():
    for seed in range(24):
        photo = draw(seed, PRESETS[seed % len(PRESETS)], 151 + seed, 120)
        laws.assert_truth_keeps_its_contract(photo, (120, 151 + seed), (8.5, 17))


def test_the_same_state_gives_the_same_photo():
    laws.assert_the_same_state_gives_the_same_photo(draw, "ordinary")


def test_lone_spores_lie_where_truth_says_and_are_as_dark():
    off_um, turned, ratio, redder = [], [], [], []
    for seed in range(10):
        photo = draw(500 + seed, "good_focus", 600, 440, um_per_px=0.5)
        px = photo.um_per_px
        for s, box in laws.lone_spores(photo, lambda s: s.countable and s.clump == 1 and s.visible > 0.97):
            mine = photo.kind_map[box] == laws.SPORE
            yy, xx = np.mgrid[box].astype(float)
            rows, cols = yy[mine], xx[mine]
            off_um.append(np.hypot(cols.mean() - s.x_px, rows.mean() - s.y_px) * px)
            values, vectors = np.linalg.eigh(np.cov(cols, rows))
            angle = np.degrees(np.arctan2(vectors[1, 1], vectors[0, 1]))
            turned.append(abs((angle - s.angle_deg + 90) % 180 - 90))
            assert np.sqrt(values[1] / values[0]) == pytest.approx(s.length_um / s.width_um, rel=0.25)
            if s.contrast > 0.1 and photo.notes["above"] == 0:
                light = (photo.rgb[box] / 255.0) ** 2.2 + 1e-3
                lost = np.log10(np.median(light[~mine], axis=0)) - np.log10(light[mine]).mean(axis=0)
                ratio.append(lost[1] / s.contrast)
                redder.append(lost[2] > lost[0])
    assert len(off_um) >= 25
    assert max(off_um) < 0.5
    assert np.median(turned) < 3
    # The tone curve, flare and sharpening of the phone change contrast, but not by half.
    assert 0.6 < np.median(ratio) < 1.6
    # The wall is amber in transmitted light (McLaughlin & Myers 1970): blue loses more than red.
    assert np.mean(redder) > 0.9


def test_blend_of_blurred_copies_has_the_variance_of_the_map():
    laws.assert_blur_has_the_variance_of_its_map(blur_by_map, rel=0.05)


def test_outline_has_the_area_and_reach_that_its_numbers_say():
    step = 0.04
    u = np.arange(-9, 9, step, dtype=np.float32)[None]
    v = np.arange(-6, 6, step, dtype=np.float32)[:, None]
    for seed in range(5):
        rng = np.random.default_rng(seed)
        look = draw_look(rng, draw_plan(rng, (300, 400), None, None, "heavy"))
        cover, _, thick = lemon(look, u, v, 12.0, 8.0, step)
        inside = cover > 0.5
        assert inside.sum() * step**2 == pytest.approx(area_share(look) * 12 * 8, rel=0.02)
        # Between a rhombus (1/2) and an ellipse (pi/4): a lemon.
        assert 0.5 < area_share(look) < np.pi / 4
        assert inside.any(axis=0).sum() * step == pytest.approx(12, abs=0.5)
        assert inside.any(axis=1).sum() * step == pytest.approx(8, abs=4 * step)
        assert thick.max() == pytest.approx(1, abs=0.01)


def test_recipe_stands_alone():
    laws.assert_stands_alone(heights)
