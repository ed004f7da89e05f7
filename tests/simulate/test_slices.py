"""The slices style: its truth agrees with its pictures, its waves with what is known on paper."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from sporecount.simulate import slices
from sporecount.simulate.slices import draw_photo, solids
from sporecount.simulate.slices.camera import develop, draw_phone, expose
from sporecount.simulate.slices.conditions import PRESETS, draw_conditions
from sporecount.simulate.slices.looking import blend, focus_planes
from sporecount.simulate.slices.places import Seats, touching
from sporecount.simulate.slices.stack import Grid, Stack
from sporecount.simulate.slices.travel import GLUE, WAVELENGTH_UM, images, lamp_directions
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

AXIS = np.zeros((1, 2))


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
            # No blur is less than the objective's own: 0.21 wavelength over aperture.
            assert s.blur_um > 0.21 * 0.55 / photo.notes["aperture"]
            inside = -0.5 <= s.x_px <= 459.5 and -0.5 <= s.y_px <= 339.5
            assert (inside and s.visible >= 0.6 and s.blur_um <= 0.2 * s.length_um) or not s.countable


def test_presets_hold_what_they_promise(photos):
    assert_presets_hold_what_they_promise(draw, photos)
    assert kinds_shown(photos["no_spores"]) >= 6
    for photo in photos["heavy"]:
        assert len(photo.spores) > 500 * photo.rgb[..., 0].size * photo.um_per_px**2 / 1e6


def test_map_and_picture_show_each_spore_where_truth_says():
    # Blur moves neither centre nor axis of the darkness; noise, slanted light and fringes do a little,
    # hence medians and their room.
    areas, off_um, turned = [], [], []
    for seed in (32, 54, 58):
        rng = np.random.default_rng(seed)
        photo = draw_photo(rng, width_px=760, height_px=560, preset="good_focus", um_per_px=0.6)
        px = photo.um_per_px
        for s, box in lone_spores(photo, lambda s: s.contrast >= 0.15 and s.countable, bare=0.985):
            mine = photo.kind_map[box] == SPORE
            areas.append(mine.sum() * px**2 / (s.length_um * s.width_um))
            green = photo.rgb[box][..., 1].astype(float)
            dark = np.clip(np.median(green[~mine]) - green, 0, None)
            dark[dark < 0.3 * dark.max()] = 0
            moved_um, turned_deg = moved_and_turned(photo, s, box, dark)
            off_um.append(moved_um)
            turned.append(turned_deg)
    assert len(areas) >= 20
    # Most and least pointed outline; one of some hundred pixels is known to a few of them only.
    assert solids.outline_share(0.9) - 0.04 < np.median(areas) < solids.outline_share(0.58) + 0.04
    assert np.median(off_um) < 0.35
    assert np.median(turned) < 5


def test_countable_spores_differ_from_their_ground(photos):
    for photo in photos["heavy"]:
        grey = photo.rgb.astype(float).mean(axis=2)
        ground = np.median(grey[photo.kind_map == 0])
        some = [s for s in photo.spores if s.countable and 2 < s.x_px < 457 and 2 < s.y_px < 337]
        shown = np.array([ground - grey[round(s.y_px), round(s.x_px)] for s in some])
        assert np.mean(np.abs(shown) > 3) > 0.9


def test_areas_of_known_outlines():
    # An ellipse has π/4, two parabolas have 2/3 of length times width.
    assert solids.outline_share(0.5) == pytest.approx(np.pi / 4, abs=1e-4)
    assert solids.outline_share(1.0) == pytest.approx(2 / 3, abs=1e-4)


def test_a_solid_is_cut_into_slices_without_loss():
    here = draw_conditions(np.random.default_rng(3), 0.5, 10.0, "ordinary")
    for step in (0.5, 1.4):
        grid = Grid(step, 60, 80, 8)
        stack = Stack(grid)
        body = solids.spore(np.random.default_rng(1), grid, here.stock, (21.3, 16.2, 1.1), (13.0, 8.5), 0.7)
        stack.lay(body)
        assert stack.density.sum() == pytest.approx(body.density.sum() / body.at.sub**2, rel=1e-4)
        assert stack.path_um.sum() == pytest.approx(body.path_um.sum() / body.at.sub**2, rel=1e-4)
        assert (np.abs(stack.path_um).sum(axis=(1, 2)) > 0).sum() >= 2
        # Volume of an ellipsoid-like solid of revolution: π b² ∫(1-t²)^2p dt over its length.
        t = (np.arange(2000) + 0.5) / 2000
        volume = np.pi * 4.25**2 * 13.0 * np.mean((1 - t**2) ** (2 * here.stock.point))
        assert body.thick_um.sum() * body.at.fine_um**2 == pytest.approx(volume, rel=0.02)


def test_an_even_stack_obeys_beer_and_lambert():
    density = np.broadcast_to(np.float32([0.05, 0.1, 0.2]), (3, 48, 60, 3))
    for lamp in (AXIS, 0.6 * lamp_directions(5, (0.0, 0.0), 0.0), 0.9 * lamp_directions(6, (0.3, 0.0), 1.0)):
        light = images(density, np.full((3, 48, 60), 0.3, np.float32), 0.5, 0.25, lamp, np.array([-8.0, 5.0]))
        assert light[:, 10, 20] == pytest.approx(np.tile(10.0 ** (-3 * density[0, 0, 0]), (2, 1)), rel=1e-3)


def _grating(period_um: float, plane_um: float, depth: float, phase: bool = False, lamp=AXIS) -> float:
    """Contrast in green of a grating in the middle slice, over its depth; period a part of 40 µm."""
    n, step = 96, 40 / 96
    wave = (depth * np.cos(2 * np.pi * np.arange(n) * step / period_um)).astype(np.float32)
    density, path = np.zeros((3, n, n, 3), np.float32), np.zeros((3, n, n), np.float32)
    if phase:
        path[1] = wave[None, :] * WAVELENGTH_UM[1] / (2 * np.pi)
    else:
        density[1] = wave[None, :, None]
    green = images(density, path, step, 0.25, lamp, np.array([plane_um]))[0, 40, :, 1].astype(float)
    return float(2 * np.real(np.fft.fft(green)[round(40 / period_um)]) / n / green.mean() / depth)


def test_gratings_fade_and_return_with_defocus_as_talbot_saw():
    # A weak grating lit straight has contrast cos(π λ z / (n p²)) of an absorbing one and twice the sine
    # of a clear one (self-images of Talbot 1836, explained by Rayleigh 1881); ln 10 turns density to light.
    period = 5.0
    for z in (0.0, 6.0, 14.0, 30.0, -22.0):
        turn = np.pi * WAVELENGTH_UM[1] * z / (GLUE * period**2)
        assert _grating(period, z, 0.02) == pytest.approx(-np.log(10) * np.cos(turn), abs=0.06)
        assert abs(_grating(period, z, 0.05, phase=True)) == pytest.approx(abs(2 * np.sin(turn)), abs=0.06)


def test_gratings_vanish_at_the_limit_of_abbe():
    # Finest period: wavelength over the sum of the apertures of objective and lamp (Abbe 1873).
    straight = WAVELENGTH_UM[1] / 0.25
    assert abs(_grating(40 / 17, 0.0, 0.05)) == pytest.approx(np.log(10), rel=0.05)
    assert straight > 40 / 21
    assert abs(_grating(40 / 21, 0.0, 0.05)) < 0.02
    # Slanting light resolves what straight light does not.
    slanted = np.array([[0.8, 0.0], [-0.8, 0.0]])
    assert abs(_grating(40 / 21, 0.0, 0.05, lamp=slanted)) > 0.8


def test_a_clear_bead_is_a_lens_and_a_bubble_is_black_with_a_bright_middle():
    n, step = 120, 0.4
    x, y = np.meshgrid(*[(np.arange(n) - n // 2) * step] * 2)
    path = np.zeros((3, n, n), np.float32)
    path[1] = 0.06 * np.exp(-(x**2 + y**2) / (2 * 2.5**2))
    none = np.zeros((3, n, n, 3), np.float32)
    lamp = 0.4 * lamp_directions(5, (0.0, 0.0), 0.0)
    middle = images(none, path, step, 0.25, lamp, np.array([-6.0, 0.0, 6.0]))[:, n // 2, n // 2, 1]
    # Transport of intensity (Teague 1983): change = z / n x 2 path / sigma², brighter above the bead.
    expected = 6 / GLUE * 2 * 0.06 / 2.5**2
    assert middle == pytest.approx([1 - expected, 1, 1 + expected], abs=0.35 * expected)
    path[1] = -0.42 * 2 * np.sqrt(np.clip(12.0**2 - x**2 - y**2, 0, None))
    light = images(none, path, step, 0.25, lamp, np.array([0.0]))[0, ..., 1]
    away = np.hypot(x, y)
    assert light[away < 2].mean() > 0.5
    # Glass of this slope bends light by more than both apertures from 0.4 of the radius on.
    assert light[(away > 8) & (away < 11)].mean() < 0.1
    assert light[away > 17].mean() == pytest.approx(1, abs=0.1)


def test_planes_of_focus_are_mixed_by_height():
    height = np.tile(np.linspace(-10, 10, 50, dtype=np.float32), (20, 1))
    planes = focus_planes(height, 6.0)
    assert planes == pytest.approx([-10, 0, 10])
    pictures = np.broadcast_to(planes.astype(np.float32)[:, None, None, None], (3, 20, 50, 3))
    assert blend(pictures, planes, height)[..., 0] == pytest.approx(height, abs=1e-4)
    assert len(focus_planes(height, 100.0)) == 1


def test_touching_groups_of_spores_in_a_row():
    # Side by side along y: touching at 8 µm, apart at 9; the last two end to end along x, overlapping.
    xyz = np.array([[0, 0, 0], [0, 8.0, 0], [0, 16.0, 0], [0, 25.0, 0], [100, 0, 0], [111.0, 0, 0]])
    seats = Seats(xyz, np.tile([12.0, 8.0], (6, 1)), np.zeros(6))
    assert touching(seats).tolist() == [3, 3, 3, 1, 2, 2]


def test_noise_of_the_phone_is_the_stated_one():
    here = draw_conditions(np.random.default_rng(0), 0.5, 10.0, "ordinary")
    plain = replace(
        draw_phone(np.random.default_rng(0), here, 160, 120),
        level=0.3, well=900.0, read=4.0, tint=(1, 1, 1), veil=0.0, vignette=0.0, round_px=None, denoise=0.0,
        sharpen=0.0, curve=0.0, saturation=1.0, quality=100,
    )  # fmt: skip
    linear = expose(plain, np.ones((120, 160, 3), np.float32))
    weights = np.array([0.299, 0.587, 0.114])
    grey = develop(np.random.default_rng(3), plain, linear) @ weights / 255
    light = ((grey + 0.055) / 1.055) ** 2.4
    assert light.mean() == pytest.approx(0.304, rel=0.01)
    # Colour noise is smoothed away; what stays is that of the mean of three channels, a little more.
    ratio = np.log10(light).std() / plain.noise_density()
    assert 1 / np.sqrt(3) - 0.03 < ratio < 0.75


def test_the_style_shares_nothing_with_the_others_but_the_truth():
    assert_stands_alone(slices)
