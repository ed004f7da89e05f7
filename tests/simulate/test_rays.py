"""The style of light paths: truth agrees with pictures; thickness and lens with what is known on paper."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import beta

from sporecount.simulate import rays
from sporecount.simulate.rays import draw_photo
from sporecount.simulate.rays.film import MARGIN_PX, PRINT, Film, Optics, soften
from sporecount.simulate.rays.forms import cloud
from sporecount.simulate.rays.phone import bend_back, draw_phone, project
from sporecount.simulate.rays.photo import PRESETS
from sporecount.simulate.rays.spores import ASPECT, LENGTH_UM, Spores, thickness, touching
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

PLAIN = Optics(
    um_per_px=0.5, aperture=0.25, sharp_um=0.5, focus_um=0.0, tilt=(0.0, 0.0), wave_um=0.0,
    sheets_um=(0.0, 0.0, 0.0, 0.0), stop_slope=0.2, rim_od=0.4,
)  # fmt: skip


def draw(seed: int, preset: str, **more: float) -> SimulatedPhoto:
    return draw_photo(np.random.default_rng(seed), width_px=460, height_px=340, preset=preset, **more)


@pytest.fixture(scope="module")
def photos() -> dict[str, list[SimulatedPhoto]]:
    return {preset: [draw(seed, preset) for seed in (1, 2, 3)] for preset in PRESETS}


def test_the_same_state_gives_the_same_photo():
    assert_the_same_state_gives_the_same_photo(draw, "ordinary")


@pytest.mark.parametrize("preset", PRESETS)
def test_truth_keeps_its_contract(photos, preset):
    for photo in photos[preset]:
        assert_truth_keeps_its_contract(photo, (340, 460), LENGTH_UM, (ASPECT[0] - 1e-9, ASPECT[1] + 1e-9))
        for s in photo.spores:
            # 0.21 wavelength over aperture; an aperture is at most 0.025 of the magnification here.
            assert s.blur_um > 0.21 * 0.55 / (0.0251 * photo.objective)


def test_presets_hold_what_they_promise(photos):
    assert_presets_hold_what_they_promise(draw, photos)
    assert kinds_shown(photos["no_spores"]) >= 7
    for photo in photos["good_focus"]:
        assert 5 <= len(photo.spores) <= 80
    for photo in photos["heavy"]:
        assert len(photo.spores) >= 300 * 0.46 * 0.34
        assert any(not s.countable for s in photo.spores)
    for photo in photos["scan_4x"]:
        assert 1.0 <= photo.um_per_px <= 2.2
        assert len(photo.spores) <= 8 or len(photo.spores) > 150


def test_map_and_picture_show_each_spore_where_truth_says():
    # Neither blur nor distortion of the lens may move a spore off its stated place; noise and ground move the
    # centre of darkness a little, hence medians.
    areas, off_um, turned, bluer, seen = [], [], [], [], []
    for seed in range(14):
        rng = np.random.default_rng(60 + seed)
        photo = draw_photo(rng, width_px=560, height_px=440, preset="good_focus", um_per_px=0.5)
        px = photo.um_per_px
        for s, box in lone_spores(photo, lambda s: s.contrast >= 0.08 and s.visible >= 0.95 and s.clump == 1):
            mine = photo.kind_map[box] == SPORE
            areas.append(mine.sum() * px**2 / (s.length_um * s.width_um))
            y, x = np.mgrid[box[0], box[1]]
            if not photo.notes["laid_scale"]:
                seen.append(s.countable)
            off_map = np.hypot(x[mine].mean() - s.x_px, y[mine].mean() - s.y_px) * px
            assert off_map < 0.5, (seed, s)
            picture = photo.rgb[box].astype(float)
            dark = np.abs(picture[..., 1] - np.median(picture[~mine, 1])) * mine
            moved_um, turned_deg = moved_and_turned(photo, s, box, dark)
            off_um.append(moved_um)
            turned.append(turned_deg)
            lost = np.log(np.median(picture[~mine], axis=0) + 1) - np.log(picture[mine].mean(axis=0) + 1)
            bluer.append(lost[2] > lost[0])
    assert len(areas) >= 25
    # Between two arcs that meet (2/3 of length times width) and an ellipse (pi/4), less drawn-out ends.
    assert 0.6 < np.median(areas) < 0.8
    assert np.median(off_um) < 0.4
    assert np.median(turned) < 6
    # The wall is amber in transmitted light (McLaughlin & Myers 1970): blue loses more than red.
    assert np.mean(bluer) > 0.9
    assert np.mean(seen) > 0.85


def test_thickness_of_a_body_of_revolution():
    u, v = np.meshgrid(np.linspace(-8, 8, 641, dtype=np.float32), np.linspace(-5, 5, 401, dtype=np.float32))
    full = thickness(u, v, 6.0, 4.0, 0.5)
    # At power 0.5 an ellipsoid: 4/3 pi a b b.
    assert full.sum() * 0.025**2 == pytest.approx(4 / 3 * np.pi * 6 * 4 * 4, rel=2e-3)
    pointed = thickness(u, v, 6.0, 4.0, 0.8)
    assert np.abs(u[pointed > 0]).max() == pytest.approx(6, abs=0.2)
    assert np.abs(v[pointed > 0]).max() == pytest.approx(4, abs=0.03)
    # pi b² a times the integral of (1 - q²)^1.6 over -1 to 1, which is the beta function of 1/2 and 2.6.
    assert pointed.sum() * 0.025**2 == pytest.approx(np.pi * 16 * 6 * beta(0.5, 2.6), rel=2e-3)


def _disc_of_glass(film: Film, bend: float) -> None:
    pane = film.pane(60.0, 45.0, 12.0, 0.25)
    assert pane is not None
    u, v = pane.turned(0.0)
    ball = thickness(u, v, 10.0, 10.0, 0.5)
    film.lay(
        pane, PRINT, "other", (ball > 0).astype(np.float32), ball * 0, np.ones(3), ball * np.float32(bend)
    )


def test_out_of_focus_a_body_gathers_or_scatters_light():
    seen = {}
    for z in (-6.0, 0.0, 6.0):
        film = Film(np.random.default_rng(0), replace(PLAIN, focus_um=z, stop_slope=9.0), (90, 120))
        _disc_of_glass(film, 0.02)
        light = film.view(np.ones((*film.full, 3), np.float32))
        seen[z] = float(light[45 + MARGIN_PX, 60 + MARGIN_PX, 1])
    # A denser ball is a convex lens: bright above, dark below, nothing in focus where slopes lose nothing.
    assert seen[-6.0] < 0.97 < 0.995 < seen[0.0] < 1.005 < 1.03 < seen[6.0]


def test_sheets_obey_beer_and_lambert_and_tiles_join_without_a_seam():
    film = Film(np.random.default_rng(0), replace(PLAIN, focus_um=9.0, tilt=(0.1, 0.05)), (200, 300))
    pane = film.pane_of(0, 0, (-1e6, -1e6, 1e6, 1e6), 1e9)
    assert pane is not None
    body = np.repeat((np.arange(film.full[0]) > 140)[:, None], film.full[1], 1).astype(np.float32)
    for _ in range(2):
        film.lay(pane, PRINT, "scale", body, 0.2 * body, np.array([0.5, 1.0, 2.0]), body * 0)
    light = film.view(np.ones((*film.full, 3), np.float32))
    assert light[-30, 40:-40] == pytest.approx(np.tile(10 ** -np.array([0.2, 0.4, 0.8]), (300, 1)), rel=1e-3)
    assert light[30, 40:-40] == pytest.approx(1, abs=1e-3)
    assert np.abs(np.diff(light[140, 40:-40, 1].astype(float), 2)).max() < 0.01


def test_blur_has_the_width_of_its_disc():
    point = np.zeros((96, 112), np.float32)
    point[40:56, 48:64] = 1 / 256
    for radius in (1.0, 2.0, 4.5, 11.0):
        got = soften(point, radius).astype(float)
        x = np.arange(112.0)
        middle = (got * x).sum() / got.sum()
        assert got.sum() == pytest.approx(1, abs=2e-3)
        assert middle == pytest.approx(55.5, abs=0.05)
        # An even disc of radius r has variance r²/4 along an axis; a brighter rim and pixels add some.
        more = (got * (x - middle) ** 2).sum() - (16**2 - 1) / 12
        assert more == pytest.approx(radius**2 / 4, rel=0.35, abs=0.3)


def test_lens_moves_picture_map_and_truth_alike():
    phone = draw_phone(np.random.default_rng(1), (300, 400), False, False, True, 0.5, False)
    phone = replace(phone, bend=0.012, view_px=None, vignette=0.0, slant=0.0, shake_px=0.0, fringe=0.0)
    light = np.zeros((300 + 2 * MARGIN_PX, 400 + 2 * MARGIN_PX, 3), np.float32)
    kinds = np.zeros(light.shape[:2], np.uint8)
    row, col = 40, 355
    light[row + MARGIN_PX - 3 : row + MARGIN_PX + 4, col + MARGIN_PX - 3 : col + MARGIN_PX + 4] = 1
    kinds[light[..., 0] > 0] = 1
    seen, at, _ = project(light, kinds, phone, (300, 400))
    x, y = bend_back(phone, (300, 400), np.array([float(col)]), np.array([float(row)]))
    assert np.hypot(x[0] - col, y[0] - row) > 1
    rows, cols = np.mgrid[:300, :400]
    for shown in (seen[..., 1], at):
        assert (shown * cols).sum() / shown.sum() == pytest.approx(x[0], abs=0.3)
        assert (shown * rows).sum() / shown.sum() == pytest.approx(y[0], abs=0.3)


def test_touching_groups_of_spores_in_a_row():
    xy = np.array([[0, 0], [0, 8.0], [0, 16.0], [0, 25.0], [100, 0], [111.0, 0]])
    alike = np.ones(6)
    row = Spores(xy[:, 0] / 0.5, xy[:, 1] / 0.5, 12 * alike, 8 * alike, 0 * alike, np.ones(6, int))
    # Side by side along y: touching at 8 µm, apart at 9; the last two end to end along x, overlapping.
    assert touching(row, 0.5).tolist() == [3, 3, 3, 1, 2, 2]


def test_noise_fields_have_their_lumps():
    for cell in (1.5, 6.0, 30.0):
        made = np.stack([cloud(np.random.default_rng(k), (160, 210), cell) for k in range(12)]).astype(float)
        assert made.std() == pytest.approx(1, abs=0.35)
        step = round(cell * 0.2) or 1
        near = (made[:, :, step:] * made[:, :, :-step]).mean() / made.var()
        far = (made[:, :, round(2 * cell) :] * made[:, :, : -round(2 * cell)]).mean() / made.var()
        assert abs(far) < 0.25 < 0.4 < near


def test_recipe_stands_alone():
    assert_stands_alone(rays)
