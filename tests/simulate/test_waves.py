"""The style of waves: waves, slopes and curvature as on paper; truth agrees with the pictures."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest
from scipy.special import beta

from sporecount.simulate import waves
from sporecount.simulate.truth import SimulatedPhoto, SporeTruth
from sporecount.simulate.waves import draw_photo
from sporecount.simulate.waves.bodies import Body, Grid, draw_spore_look, half_width, spore_body
from sporecount.simulate.waves.optics import WAVELENGTH_UM, Optics, gathered
from sporecount.simulate.waves.phone import draw_phone, shoot
from sporecount.simulate.waves.plan import PRESETS, Seats, reach, touching
from sporecount.simulate.waves.scene import PRINT, Scene, Tilt
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


def test_the_same_state_gives_the_same_photo_and_the_package_stands_alone():
    assert_the_same_state_gives_the_same_photo(draw, "ordinary")
    assert_stands_alone(waves)


def test_truth_and_presets_keep_their_promises(photos):
    assert_presets_hold_what_they_promise(draw, photos)
    assert kinds_shown(photos["no_spores"]) >= 8
    for preset in PRESETS:
        for photo in photos[preset]:
            assert_truth_keeps_its_contract(photo, (340, 460), (8.5, 17))
            for s in photo.spores:
                assert s.contrast > 0 or not s.countable
    for photo in photos["heavy"]:
        assert len(photo.spores) >= 0.9 * min(300, 0.5 * 1e6 * photo.um_per_px**2 / 80) * 0.46 * 0.34
        assert sum(s.countable for s in photo.spores) > 0.25 * len(photo.spores)
    assert all(5 <= len(photo.spores) <= 144 for photo in photos["good_focus"])
    loads = [len(draw(seed, "scan_4x").spores) for seed in range(5)]
    assert all(n <= 8 or n > 150 for n in loads)
    assert len({n > 150 for n in loads}) == 2


def clear(s: SporeTruth) -> bool:
    return s.countable and s.contrast >= 0.06 and s.visible > 0.95 and s.clump == 1


def test_map_and_picture_show_each_spore_where_truth_says():
    # Blur and refraction move neither centre nor axis of the darkness; noise and uneven ground do a little.
    off_um, turned, areas, contrasts = [], [], [], []
    for seed in range(12):
        photo = draw(60 + seed, "good_focus", um_per_px=0.45)
        px = photo.um_per_px
        for s, box in lone_spores(photo, clear, 0.96):
            mine = photo.kind_map[box] == SPORE
            areas.append(mine.sum() * px**2 / (s.length_um * s.width_um))
            wide = cv2.dilate(mine.astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
            green = photo.rgb[box][..., 1].astype(float)
            dark = np.where(wide, np.clip(np.median(green[~wide]) - green, 0, None), 0)
            moved_um, turned_deg = moved_and_turned(photo, s, box, dark)
            off_um.append(moved_um)
            turned.append(turned_deg)
            contrasts.append((s.contrast, np.log10(np.median(green[~wide]) / green[mine].mean())))
    assert len(areas) >= 15
    # Between an ellipse (pi/4) and two meeting parabolas (2/3) of the same axes.
    assert 0.62 < np.median(areas) < 0.8
    assert np.median(off_um) < 0.25
    assert np.median(turned) < 4
    # The phone's tone curve squeezes densities, and does not mix up dark and pale ones.
    truth, seen = np.array(contrasts).T
    assert np.corrcoef(truth, seen)[0, 1] > 0.6


def test_a_phase_grating_shows_by_the_textbook_law():
    # Weak grating of period p in coherent light: contrast 2 e sin(pi wavelength z / p²), and nothing in focus.
    lens = Optics(aperture=0.25, coherence=0.0, soft_um=0.01)
    n, periods, weak = 120, 10, 0.02
    x = np.arange(n) * lens.step_um
    period = n * lens.step_um / periods
    clear = np.zeros((3, n, n), np.float32)
    for keys in (-5, 0, 3, 8):
        z = keys * lens.depth_of_field_um / 8
        for band, wave in enumerate(WAVELENGTH_UM):
            path = (weak * wave / (2 * np.pi) * np.cos(2 * np.pi * x / period)).astype(np.float32)
            light = lens.image(clear, np.broadcast_to(path, (n, n)), z)[..., band].mean(axis=0)
            shown = 2 * (light * np.cos(2 * np.pi * x / period)).mean()
            assert shown == pytest.approx(2 * weak * np.sin(np.pi * wave * z / period**2), abs=1.5e-3)
            assert light.mean() == pytest.approx(1, abs=2e-3)
    # For slow paths and little defocus, curvature alone tells the same.
    path = (0.03 * np.cos(2 * np.pi * x / (n * lens.step_um / 3))).astype(np.float32)
    flat = np.broadcast_to(path, (n, n))
    wave_light = lens.image(clear, flat, 2.2)[20:-20, 20:-20, 1]
    assert gathered(flat.copy(), 2.2, lens.step_um)[20:-20, 20:-20] == pytest.approx(wave_light, abs=4e-3)


def test_truth_of_blur_is_that_of_the_images():
    for coherence in (0.3, 0.6, 0.95):
        lens = Optics(aperture=0.25, coherence=coherence, soft_um=0.3)
        n = 144
        x = (np.arange(n) - (n - 1) / 2) * lens.step_um
        # A weak absorbing dot of standard deviation 1 µm: its peak falls as 1/(1 + blur²).
        dot = 0.1 * np.exp(-(x[:, None] ** 2 + x**2) / 2).astype(np.float32)
        for z in (0.0, 10.0, 20.0):
            light = lens.image(np.stack([dot] * 3), np.zeros_like(dot), z)[..., 1]
            blur = np.sqrt((1 - 10**-0.1) / (1 - light.min()) - 1)
            assert lens.blur_um(z) == pytest.approx(blur, rel=0.25, abs=0.2)


def test_slopes_and_layers_lose_the_light_they_should():
    lens = Optics(aperture=0.25, coherence=1.0, soft_um=0.3)
    slope = np.array([0, 0.1, 0.2, 0.3, 0.4, 0.6], np.float32)
    # Common area of two equal circles whose centres lie d apart.
    half = np.clip(slope / (2 * 0.25), 0, 1).astype(float)
    assert lens.passed(slope) == pytest.approx(
        2 / np.pi * (np.arccos(half) - half * np.sqrt(1 - half**2)), abs=6e-3
    )
    narrow = replace(lens, coherence=0.4, _pupils={})
    assert narrow.passed(np.array([0, 0.14, 0.36], np.float32)) == pytest.approx([1, 1, 0], abs=1e-3)
    # A thing wider than all blur passes 10 to the minus its density: sheets, stamps and both together.
    scene = Scene((120, 140), 0.5, narrow, Tilt(0.0, (0.0, 0.0), 0.0), False, (0.0, 0.0, 0.0))
    box = (slice(0, 120), slice(0, 140))
    sheet = np.broadcast_to(np.array([0.1, 0.2, 0.4], np.float32), (120, 140, 3))
    scene.lay(box, PRINT, "scale", np.ones((120, 140), np.float32), sheet, None)
    grid = Grid(96, narrow.step_um)
    u, v = grid.axes()
    # A soft edge: a sharp one rings in narrow light.
    disc = np.clip((14 - np.hypot(u, v)) / 4 + 0.5, 0, 1).astype(np.float32)
    body = Body(np.stack([0.1 * disc, 0.3 * disc, 0.5 * disc]), 0 * disc, disc)
    placed = scene.press(scene.stamp(body, 0.0), "dust", 70.25, 60.5, 0.7)
    assert placed is not None
    light = scene.light(np.ones((120, 140, 3), np.float32))
    assert light[60, 70] == pytest.approx(10.0 ** -np.array([0.2, 0.5, 0.9]), rel=0.01)
    assert light[8, 8] == pytest.approx(10.0 ** -np.array([0.1, 0.2, 0.4]), rel=0.01)
    y, x = np.nonzero(scene.kinds == 7)
    assert (x.mean(), y.mean()) == pytest.approx((70.25, 60.5), abs=0.05)
    assert len(x) * 0.25 == pytest.approx(np.pi * 196, rel=0.02)


def test_spores_have_the_outline_and_the_darkness_of_their_look():
    look = replace(
        draw_spore_look(np.random.default_rng(2)), density=0.2, density_spread=0.0, point=0.75, granules=0
    )
    body = spore_body(np.random.default_rng(5), look, Grid(300, 0.08), 12.0, 8.0)
    # The area under b (1 - (u/a)²)^q is a b B(1/2, q + 1), once above and once below the axis.
    assert body.cover.sum() * 0.08**2 == pytest.approx(2 * 6 * 4 * beta(0.5, 1.75), rel=0.04)
    mean = (body.density * body.cover).sum(axis=(1, 2)) / body.cover.sum()
    assert mean == pytest.approx(
        0.2 * (look.wall_share * look.wall_tint + (1 - look.wall_share) * look.inner_tint), rel=0.04
    )
    turn = np.linspace(0, 6, 40)
    far = reach(np.full(40, 12.0), np.full(40, 8.0), 0.75, turn)
    assert half_width(far * np.cos(turn), 6.0, 4.0, 0.75) == pytest.approx(
        np.abs(far * np.sin(turn)), abs=0.01
    )
    assert far[0] == pytest.approx(6, abs=0.01)


def test_touching_groups_of_spores_in_a_row():
    xy = np.array([[0, 0], [0, 8.0], [0, 16.0], [0, 25.0], [100, 0], [111.0, 0]])
    row = Seats(xy[:, 0], xy[:, 1], np.full(6, 12.0), np.full(6, 8.0), np.zeros(6))
    # Side by side along y: touching at 8 µm, apart at 9; the last two end to end along x, overlapping.
    assert touching(row, 1.0, 0.75).tolist() == [3, 3, 3, 1, 2, 2]


def test_noise_of_the_photo_is_the_one_that_truth_is_judged_by():
    rng = np.random.default_rng(0)
    phone = replace(draw_phone(rng, (160, 200), False, False, False), level=0.5, meter=0.5, quality=95)
    spread = {}
    for well in (400.0, 6400.0):
        light = np.ones((160, 200, 3), np.float32)
        rgb, clean, noise = shoot(
            np.random.default_rng(1), light, replace(phone, full_well=well, read_noise=0.001)
        )
        grey = rgb @ np.array([0.3, 0.59, 0.11])
        assert grey.mean() == pytest.approx(clean.mean(), abs=1.5)
        spread[well] = grey.std()
        assert 0.7 * spread[well] < noise.mean() < 1.3 * spread[well] + 0.5
    # Sixteen times the light, a quarter of the noise; noise reduction and rounding bend that a little.
    assert 2 < spread[400.0] / spread[6400.0] < 6
