"""The thickness style: its truth agrees with its pictures, its blur and light with what is known on paper."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from sporecount.simulate import thickness
from sporecount.simulate.thickness import draw_photo
from sporecount.simulate.thickness.fields import lemon
from sporecount.simulate.thickness.photo import PRESETS
from sporecount.simulate.thickness.spores import Spores, touching
from sporecount.simulate.thickness.stage import (
    LOW,
    MARGIN_PX,
    TAPE,
    Material,
    Optics,
    Stage,
    blur_kernel,
    kernel_spread_px,
)
from sporecount.simulate.truth import SimulatedPhoto
from tests.renderer_laws import (
    SPORE,
    assert_presets_hold_what_they_promise,
    assert_stands_alone,
    assert_the_same_state_gives_the_same_photo,
    assert_truth_keeps_its_contract,
    kinds_shown,
    lone_spores,
    moved_and_turned,
)


def draw(seed: int, preset: str, **more: float) -> SimulatedPhoto:
    return draw_photo(np.random.default_rng(seed), width_px=460, height_px=340, preset=preset, **more)


@pytest.fixture(scope="module")
def photos() -> dict[str, list[SimulatedPhoto]]:
    return {preset: [draw(seed, preset) for seed in (1, 2)] for preset in PRESETS}


def plain_stage(**changes: object) -> Stage:
    shape = (100 + 2 * MARGIN_PX, 120 + 2 * MARGIN_PX)
    focus = np.zeros(shape, np.float32)
    optics = Optics(0.5, 0.25, 0.6, 0.5, 0.0, 0.0, (0.0, 0.0), False, (-30.0, 0.0, 2.0, 4.0, 10.0), focus)
    return Stage(replace(optics, **changes), 120, 100)


def test_the_same_state_gives_the_same_photo():
    assert_the_same_state_gives_the_same_photo(draw, "ordinary")


@pytest.mark.parametrize("preset", PRESETS)
def test_truth_keeps_its_contract(photos, preset):
    for photo in photos[preset]:
        assert_truth_keeps_its_contract(photo, (340, 460), (8.5, 17))
        for s in photo.spores:
            # 0.21 wavelength over aperture; no aperture here is above 0.028 of the magnification.
            assert s.blur_um > 0.21 * 0.55 / (0.028 * photo.objective)
            assert s.contrast > 0 or not s.countable


def test_presets_hold_what_they_promise(photos):
    assert_presets_hold_what_they_promise(draw, photos)
    assert kinds_shown(photos["no_spores"]) >= 7
    for photo in photos["heavy"]:
        # 300 per megapixel, unless the spores would fill more than two fifths of the view.
        each_um2 = np.median([s.length_um * s.width_um for s in photo.spores])
        full = 0.4 * photo.kind_map.size * photo.um_per_px**2 / each_um2
        assert len(photo.spores) >= 0.9 * min(300e-6 * photo.kind_map.size, full)


def test_map_and_picture_show_each_spore_where_truth_says():
    # Blur moves neither centre nor axis of the darkness; noise and uneven ground do a little, hence medians.
    areas, off_um, turned, seen, redder, denser = [], [], [], [], [], []
    for seed in range(7):
        rng = np.random.default_rng(60 + seed)
        photo = draw_photo(rng, width_px=700, height_px=560, preset="good_focus", um_per_px=0.6)
        px = photo.um_per_px
        for s, box in lone_spores(photo, lambda s: s.contrast >= 0.12):
            mine = photo.kind_map[box] == SPORE
            areas.append(mine.sum() * px**2 / (s.length_um * s.width_um))
            picture = photo.rgb[box].astype(float)
            dark = np.clip(np.median(picture[~mine][:, 1]) - picture[..., 1], 0, None)
            dark[dark < 0.3 * dark.max()] = 0
            moved_um, turned_deg = moved_and_turned(photo, s, box, dark)
            off_um.append(moved_um)
            turned.append(turned_deg)
            lost = np.log(np.median(picture[~mine], axis=0) + 1) - np.log(picture[mine].mean(axis=0) + 1)
            redder.append(lost[2] > lost[0])
            denser.append((lost.mean(), s.contrast))
            seen.append(s.countable)
    assert len(areas) >= 25
    assert np.mean(seen) > 0.9
    # Length times width times the mean of (1 - t²)^point: 0.79 for an ellipse, 0.67 for the sharpest ends.
    assert 0.64 < np.median(areas) < 0.81
    assert np.median(off_um) < 0.35
    assert np.median(turned) < 6
    # The wall is amber in transmitted light (McLaughlin & Myers 1970): blue loses more than red.
    assert np.mean(redder) > 0.9
    # A contrast in the truth is one of the picture.
    assert np.corrcoef(np.array(denser).T)[0, 1] > 0.6


def test_bodies_have_their_volumes():
    u, v = (one.astype(np.float32) for one in np.meshgrid(np.arange(-8, 8, 0.05), np.arange(-6, 6, 0.05)))
    # A ball holds 4/3 pi r³; a body round about its axis pi b² times the integral of (1 - t²)^(2 point).
    assert lemon(u, v, 3.0, 3.0, 0.5).sum() * 0.05**2 == pytest.approx(4 / 3 * np.pi * 27, rel=2e-3)
    assert lemon(u, v, 6.0, 4.0, 0.5).sum() * 0.05**2 == pytest.approx(np.pi * 16 * 6 * 4 / 3, rel=2e-3)
    assert lemon(u, v, 6.0, 4.0, 1.0).sum() * 0.05**2 == pytest.approx(np.pi * 16 * 6 * 16 / 15, rel=2e-3)


def test_blur_has_the_width_of_a_disc():
    for radius, sharp in ((4.0, 0.8), (9.0, 1.0)):
        kernel = blur_kernel(radius, sharp, 0.0)
        assert kernel.sum() == pytest.approx(1, abs=1e-5)
        # An even disc of radius r has variance r²/4 along an axis; the soft edge adds a little.
        assert kernel_spread_px(kernel) ** 2 == pytest.approx(radius**2 / 4 + sharp**2, rel=0.04)
        assert kernel_spread_px(blur_kernel(radius, sharp, 2.0)) > kernel_spread_px(kernel)
    stage = plain_stage()
    # 10 um out of focus: a disc of 10 tan(asin(0.25 × 0.6)) um.
    assert stage.optics.radius_px(TAPE)[50, 60] * 0.5 == pytest.approx(10 * np.tan(np.arcsin(0.15)), rel=1e-5)


def test_summed_thickness_obeys_beer_and_lambert():
    stage = plain_stage()
    frame = stage.frame(60, 50, 0.0, 80, 80)
    sheet = np.full(frame.u.shape, 2.0, np.float32)
    stage.add(frame.box, LOW, sheet, Material((0.1, 0.2, 0.3), 0.03))
    stage.add(frame.box, LOW, 0.5 * sheet, Material((0.0, 0.4, 0.0), 0.0))
    stage.add(frame.box, TAPE, sheet, Material((0.05, 0.0, 0.1), 0.01))
    got = stage.light(np.ones((*stage.kinds.shape, 3), np.float32))
    assert got[stage.inner][50, 60] == pytest.approx(np.exp([-0.3, -0.8, -0.8]), rel=1e-4)


def test_a_dense_body_gathers_light_on_one_side_of_focus():
    # A clear lens keeps the light it gets: brighter within on one side of focus, on the other around it.
    middles = []
    for off_um in (-8.0, 8.0):
        stage = plain_stage(plane_um=(-30.0, off_um, 2.0, 4.0, 10.0))
        frame = stage.frame(60, 50, 0.0, 12, 12)
        hump = np.exp(-(frame.u**2 + frame.v**2) / 18)
        stage.add(frame.box, LOW, 4 * hump, Material((0.0, 0.0, 0.0), 0.05))
        light = stage.plane_light(LOW)[stage.inner]
        assert light.mean() == pytest.approx(1, abs=2e-3)
        middles.append(light[50, 60, 1])
    assert middles[0] > 1.03
    assert middles[1] < 0.97


def test_touching_groups_of_spores():
    y, x = np.array([[0, 0], [8.0, 0], [16, 0], [26, 0], [0, 100.0], [0, 111]]).T
    spores = Spores(x, y, np.zeros(6), np.full(6, 12.0), np.full(6, 8.0), np.zeros(6, int))
    # Side by side along y: touching at 8 um, apart at 10; the last two end to end along x, overlapping.
    assert touching(spores, 0.7, 1.0).tolist() == [3, 3, 3, 1, 2, 2]


def test_the_style_shares_nothing_with_the_others_but_the_truth():
    assert_stands_alone(thickness)
