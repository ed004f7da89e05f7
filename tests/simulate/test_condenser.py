"""The condenser style: its truth agrees with its pictures, its optics with what is known on paper."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from sporecount.simulate import condenser
from sporecount.simulate.condenser import draw_photo
from sporecount.simulate.condenser.bodies import half_width, outline_area
from sporecount.simulate.condenser.exam import PRESETS, draw_exam
from sporecount.simulate.condenser.phone import draw_phone, shoot
from sporecount.simulate.condenser.seats import touching_groups
from sporecount.simulate.condenser.sheets import Sheets, blur_by_map, seen_through
from sporecount.simulate.condenser.waves import WAVELENGTH_UM, image_of, lamp_points
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


def test_the_same_state_gives_the_same_photo():
    assert_the_same_state_gives_the_same_photo(draw, "ordinary")


@pytest.mark.parametrize("preset", PRESETS)
def test_truth_keeps_its_contract(photos, preset):
    for photo in photos[preset]:
        assert_truth_keeps_its_contract(photo, (340, 460), (8, 16))
        for s in photo.spores:
            # 0.21 wavelength over aperture; an aperture is at most 0.025 of the magnification here.
            assert s.blur_um > 0.21 * 0.55 / (0.0251 * photo.objective)


def test_presets_hold_what_they_promise(photos):
    assert_presets_hold_what_they_promise(draw, photos)
    assert kinds_shown(photos["no_spores"]) >= 7
    for photo in photos["heavy"]:
        view_mm2 = photo.rgb[..., 0].size * photo.um_per_px**2 / 1e6
        assert len(photo.spores) > 500 * view_mm2


def test_map_and_picture_show_each_spore_where_truth_says():
    # Blur moves neither centre nor axis of the darkness; noise, slanted light and fringes do a little,
    # hence medians and their room.
    areas, off_um, turned, seen = [], [], [], 0
    for seed in range(10):
        rng = np.random.default_rng(20 + seed)
        photo = draw_photo(rng, width_px=760, height_px=560, preset="good_focus", um_per_px=0.6)
        px = photo.um_per_px
        for s, box in lone_spores(photo, lambda s: s.contrast >= 0.15 and s.clump == 1):
            mine = photo.kind_map[box] == SPORE
            areas.append(mine.sum() * px**2 / (s.length_um * s.width_um))
            green = photo.rgb[box][..., 1].astype(float)
            dark = np.clip(np.median(green[~mine]) - green, 0, None)
            dark[dark < 0.3 * dark.max()] = 0
            moved_um, turned_deg = moved_and_turned(photo, s, box, dark)
            off_um.append(moved_um)
            turned.append(turned_deg)
            seen += s.countable
    assert len(areas) >= 25
    assert seen == len(areas)
    # Sharpest and bluntest outline; an outline of about 60 px is known to a few of its pixels only.
    assert outline_area(0.86) - 0.03 < np.median(areas) < outline_area(0.54) + 0.03
    assert np.median(off_um) < 0.3
    assert np.median(turned) < 5


def test_contrast_of_truth_is_that_of_the_picture(photos):
    # The darker half by truth is the darker half in the photo: tones and noise keep the order.
    for photo in photos["heavy"]:
        grey = photo.rgb.mean(axis=2)
        ground = np.median(grey[photo.kind_map == 0])
        some = [s for s in photo.spores if 2 < s.x_px < 457 and 2 < s.y_px < 337 and s.visible > 0.9]
        shown = np.array([ground - grey[round(s.y_px), round(s.x_px)] for s in some if s.countable])
        assert np.mean(shown > 3) > 0.9


def test_areas_of_known_outlines():
    # An ellipse has π/4, two parabolas have 2/3 of length times width.
    assert outline_area(0.5) == pytest.approx(np.pi / 4)
    assert outline_area(1.0) == pytest.approx(2 / 3)
    u = np.linspace(0, 1, 20001)
    assert np.trapezoid(half_width(u, 0.7), u) == pytest.approx(outline_area(0.7), abs=1e-4)


def test_even_layers_obey_beer_and_lambert():
    density = np.broadcast_to([0.1, 0.2, 0.4], (48, 48, 3))
    lamp = lamp_points(0.8, (0.0, 0.0))
    light = image_of(density, np.full((48, 48), 0.3), 0.4, 0.25, 6.0, lamp)
    assert light[10, 20] == pytest.approx(10.0 ** -density[0, 0], rel=1e-4)
    exam = draw_exam(np.random.default_rng(1), (40, 60), 0.5, 10.0, "ordinary")
    sheets = Sheets((40, 60), raised_um=8.0)
    for plane in ("print", "tape"):
        flat = density[:40, :1].repeat(60, axis=1).astype(np.float32)
        sheets.lay(
            (0, 0), plane, "scale", flat, np.full((40, 60), 0.2, np.float32), np.ones((40, 60), np.float32)
        )
    through = seen_through(exam, sheets, np.full((40, 60), 3.0, np.float32))
    assert through[20, 30] == pytest.approx(10.0 ** (-2 * density[0, 0]), rel=1e-3)


def _grating_contrast(period_um: float, aperture: float, coherence: float) -> float:
    n, grid = 200, 0.2
    x = np.arange(n) * grid
    wave = 0.05 * (1 + np.cos(2 * np.pi * x / period_um))
    density = np.broadcast_to(wave[None, :, None], (n, n, 3))
    light = image_of(density, np.zeros((n, n)), grid, aperture, 0.0, lamp_points(coherence, (0.0, 0.0), 40))
    green = light[n // 2, :, 1]
    return float(2 * abs(np.fft.fft(green)[round(n * grid / period_um)]) / n / green.mean())


def test_gratings_vanish_at_the_limit_of_abbe():
    # Finest period: wavelength over the sum of the apertures of objective and lamp (Abbe 1873).
    limit = WAVELENGTH_UM[1] / 0.25 / (1 + 0.6)
    finer, coarse = 40 / np.ceil(40 / limit * 1.12), 40 / 5
    assert _grating_contrast(finer, 0.25, 0.6) < 1e-3
    # Far from the limit the contrast is that of the object: amplitude 0.05 in density.
    assert _grating_contrast(coarse, 0.25, 0.6) == pytest.approx(0.05 * np.log(10), rel=0.1)


def test_a_clear_bead_turns_from_bright_to_dark_through_focus():
    n, grid = 120, 0.34
    x, y = np.meshgrid(*[(np.arange(n) - n // 2) * grid] * 2)
    path = 0.06 * np.exp(-(x**2 + y**2) / (2 * 2.5**2))
    middle = [
        image_of(np.zeros((n, n, 3)), path, grid, 0.25, z, lamp_points(0.4, (0.0, 0.0)))[n // 2, n // 2, 1]
        for z in (-6.0, 0.0, 6.0)
    ]
    # Transport of intensity (Teague 1983): change = -defocus x Laplacian = defocus x 2 path / sigma².
    expected = 6 * 2 * 0.06 / 2.5**2
    assert middle[1] == pytest.approx(1, abs=0.02)
    assert {abs(v - 1) > 0.5 * expected for v in (middle[0], middle[2])} == {True}
    assert (middle[0] - 1) * (middle[2] - 1) < 0
    # The large things of a photo follow the same sign.
    exam = replace(draw_exam(np.random.default_rng(1), (n, n), grid, 10.0, "ordinary"), coherence=0.4)
    sheets = Sheets((n, n), raised_um=8.0)
    none = np.zeros((n, n), np.float32)
    sheets.lay((0, 0), "print", "scale", np.zeros((n, n, 3), np.float32), path.astype(np.float32), none)
    sheet = seen_through(exam, sheets, np.full((n, n), 6.0, np.float32))[n // 2, n // 2, 1]
    assert (sheet - 1) * (middle[2] - 1) > 0


@pytest.mark.parametrize("sigma_px", [0.8, 2.0, 4.5, 11.0])
def test_blur_keeps_light_and_has_the_stated_width(sigma_px):
    y, x = np.mgrid[0:180, 0:200]
    spread = []
    # Wide blurs are made on a coarse grid: points at all its places, whose mean must be right.
    for k in range(4):
        point = np.zeros((180, 200), np.float32)
        point[88 + k, 98 + k] = 1
        got = blur_by_map(point, np.full((180, 200), sigma_px, np.float32)).astype(float)
        assert got.sum() == pytest.approx(1, abs=0.02)
        spread += [(got * (y - 88 - k) ** 2).sum(), (got * (x - 98 - k) ** 2).sum()]
    # Box widths are whole odd numbers of coarse pixels.
    assert np.sqrt(np.mean(spread)) == pytest.approx(sigma_px, rel=0.2)


def test_touching_groups_of_spores_in_a_row():
    size = np.tile([12.0, 8.0], (6, 1))
    # Side by side along y: touching at 8 µm, apart at 9; the last two end to end along x, overlapping.
    xy = np.array([[0, 0], [0, 8.0], [0, 16.0], [0, 25.0], [100, 0], [111.0, 0]])
    assert touching_groups(xy, size, np.zeros(6), 0.7).tolist() == [3, 3, 3, 1, 2, 2]


def test_noise_of_the_phone_is_the_stated_one():
    plain = replace(
        draw_phone(np.random.default_rng(0), rough=False, dim=False),
        denoise=0.0, sharpen=0.0, contrast=0.0, saturation=1.0, gamma=1.0, local=0.0, veil=0.0, zoom=1.0,
        quality=100, level=0.5, full_well=900.0, shake_px=0.0,
    )  # fmt: skip
    light = np.full((120, 160, 3), 0.6, np.float32)
    weights = np.array([0.299, 0.587, 0.114])
    grey = shoot(np.random.default_rng(3), light, plain) @ weights / 255
    linear = ((grey + 0.055) / 1.055) ** 2.4
    assert linear.mean() == pytest.approx(0.3, rel=0.01)
    # Brightness passes JPEG whole, colour does not: the noise of three channels, mixed by their weights.
    stated = float(plain.density_noise(light[..., 0]).mean()) * np.linalg.norm(weights)
    assert np.log10(linear).std() == pytest.approx(stated, rel=0.08)


def test_the_style_shares_nothing_with_the_others_but_the_truth():
    assert_stands_alone(condenser)
