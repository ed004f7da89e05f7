"""The style of panes: its truth agrees with its pictures, its optics with what is known on paper."""

from __future__ import annotations

import numpy as np
import pytest

from sporecount.simulate import panes
from sporecount.simulate.panes import draw_photo
from sporecount.simulate.panes.canvas import Scene
from sporecount.simulate.panes.look import STEPS_PX, Setting, defocused, see
from sporecount.simulate.panes.plan import PRESETS, draw_plan
from sporecount.simulate.truth import KIND_NAMES, SimulatedPhoto
from tests.renderer_laws import (
    SPORE,
    assert_presets_hold_what_they_promise,
    assert_stands_alone,
    assert_the_same_state_gives_the_same_photo,
    assert_truth_keeps_its_contract,
    lone_spores,
)


def draw(seed: int, preset: str, **more: float) -> SimulatedPhoto:
    return draw_photo(np.random.default_rng(seed), width_px=460, height_px=340, preset=preset, **more)


@pytest.fixture(scope="module")
def photos() -> dict[str, list[SimulatedPhoto]]:
    return {preset: [draw(seed, preset) for seed in (1, 2)] for preset in PRESETS}


def test_a_seed_gives_one_photo():
    assert_the_same_state_gives_the_same_photo(draw, "ordinary")


@pytest.mark.parametrize("preset", PRESETS)
def test_truth_keeps_its_contract(photos, preset):
    for photo in photos[preset]:
        assert_truth_keeps_its_contract(photo, (340, 460), (7.5, 17))
        assert not any(s.countable for s in photo.spores if not 0 <= s.x_px <= 459 or not 0 <= s.y_px <= 339)
        for s in photo.spores:
            assert s.blur_um > 0.2 / photo.objective
            assert not (s.countable and s.visible < 0.5)
        # Each touching group of n spores adds n times 1/n.
        groups = sum(1 / s.clump for s in photo.spores)
        assert groups == pytest.approx(round(groups), abs=1e-6)


def test_presets_hold_what_they_promise(photos):
    assert_presets_hold_what_they_promise(draw, photos)
    for photo in photos["no_spores"]:
        # Small things may hide beneath others or lie outside the view, hence not all of them in each photo.
        assert len(np.unique(photo.kind_map)) >= 6
    for photo in photos["heavy"]:
        assert len(photo.spores) > 100
        assert max(s.clump for s in photo.spores) >= 5


def test_map_and_picture_show_each_spore_where_truth_says():
    # Seen in the map: area between two parabolas (2/3 L W) and an ellipse (π/4 L W), by the outline's law.
    # Seen in the picture: centre and axis of the darkness. Blur leaves both alone; noise, glue and
    # coloured fringes do not, hence the medians and their room.
    areas, off_um, turned, seen = [], [], [], 0
    for seed in range(8):
        photo = draw(20 + seed, "good_focus", um_per_px=0.6)
        for s, box in lone_spores(photo, lambda s: s.clump == 1):
            px = photo.um_per_px
            mine = photo.kind_map[box] == SPORE
            areas.append(mine.sum() * px**2 / (s.length_um * s.width_um))
            green = photo.rgb[box][..., 1].astype(float)
            dark = np.clip(np.median(green[~mine]) - green, 0, None)
            dark[dark < 0.25 * dark.max()] = 0
            y, x = np.mgrid[box[0], box[1]]
            cx, cy = (dark * x).sum() / dark.sum(), (dark * y).sum() / dark.sum()
            off_um.append(np.hypot(cx - s.x_px, cy - s.y_px) * px)
            xx, yy, xy = (
                (dark * a * b).sum() for a, b in ((x - cx, x - cx), (y - cy, y - cy), (x - cx, y - cy))
            )
            axis = np.degrees(0.5 * np.arctan2(2 * xy, xx - yy))
            turned.append(abs((axis - s.angle_deg + 90) % 180 - 90))
            seen += s.countable
    assert len(areas) >= 25
    assert seen >= 0.95 * len(areas)
    # 0.03: an outline of about 60 px is known to a few of its pixels only.
    assert 2 / 3 - 0.03 < np.median(areas) < np.pi / 4 + 0.03
    assert np.median(off_um) < 0.3
    assert np.median(turned) < 6


def test_uniform_layers_obey_beer_and_lambert():
    rng = np.random.default_rng(3)
    plan = draw_plan(rng, (60, 80), 0.5, 10.0, "good_focus")
    scene = Scene((60, 80), 0.5, 0.0)
    flat = np.full((60, 80), 0.2, np.float32)
    scene.lay((0, 0), "scale", flat / flat, np.array([0.5, 1.0, 2.0]), flat, 0 * flat)
    scene.lay((0, 0), "spore", flat / flat, np.array([0.5, 1.0, 2.0]), flat / 2, 0 * flat)
    even = np.ones((60, 80), np.float32)
    setting = Setting(0.8 * even, even, np.ones((60, 80, 3), np.float32), 0.0)
    light, with_spores, without = see(plan, setting, scene, 0.5)
    # 10^-OD, and densities of layers add up; float32 and the mixing of blurs leave 1e-4.
    assert light[30, 40] == pytest.approx(10 ** -(0.3 * np.array([0.5, 1.0, 2.0])), rel=1e-4)
    assert np.log10(without / with_spores) == pytest.approx(0.1 * even, abs=1e-4)
    assert set(np.unique(scene.top_kind())) == {SPORE}
    # A raised thing dims all, adds nothing to what the spores absorb, and is on top.
    scene.lay((0, 0), "hair", flat / flat, np.ones(3), flat, 0 * flat, raised=True)
    dimmer, with_hair, without_spores = see(plan, setting, scene, 0.5)
    assert dimmer[30, 40] == pytest.approx(light[30, 40] * 10**-0.2, rel=1e-4)
    assert np.log10(without_spores / with_hair) == pytest.approx(0.1 * even, abs=1e-4)
    assert set(np.unique(scene.top_kind())) == {KIND_NAMES.index("hair")}


@pytest.mark.parametrize("sigma_px", STEPS_PX[1:])
def test_defocus_keeps_light_and_has_the_stated_width(sigma_px):
    y, x = np.mgrid[0:180, 0:200]
    spread = []
    # Wide discs are made on a grid up to 4 px coarse: points at all its places, whose mean must be right.
    for k in range(4):
        point = np.zeros((180, 200), np.float32)
        point[88 + k, 98 + k] = 1
        got = defocused(point, float(sigma_px)).astype(float)
        assert got.sum() == pytest.approx(1, abs=1e-3)
        spread += [(got * (y - 88 - k) ** 2).sum(), (got * (x - 98 - k) ** 2).sum()]
    # Small Gaussians are cut off at a few sigma and sampled coarsely.
    assert np.sqrt(np.mean(spread)) == pytest.approx(sigma_px, rel=0.015, abs=0.02)


def test_the_style_shares_nothing_with_the_others_but_the_truth():
    assert_stands_alone(panes)
