"""The bands style: truth agrees with pictures; outlines, lens and light with what is known on paper."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from sporecount.simulate import bands
from sporecount.simulate.bands import draw_photo
from sporecount.simulate.bands.bands import NM, PIGMENTS, Stuff, camera_curves, lamp
from sporecount.simulate.bands.camera import draw_phone, shoot
from sporecount.simulate.bands.lens import DISC_PX, Lens
from sporecount.simulate.bands.occasion import PRESETS
from sporecount.simulate.bands.outlines import along_path, cover, ellipse, lemon, lens_shape
from sporecount.simulate.bands.seats import touching_groups
from sporecount.simulate.bands.stage import MARGIN_PX, Stage
from sporecount.simulate.truth import KIND_NAMES, SimulatedPhoto
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
            assert s.contrast > 0 or not s.countable


def test_presets_hold_what_they_promise(photos):
    assert_presets_hold_what_they_promise(draw, photos)
    assert kinds_shown(photos["no_spores"]) >= 7
    for photo in photos["heavy"]:
        view_mm2 = photo.rgb[..., 0].size * photo.um_per_px**2 / 1e6
        assert len(photo.spores) > 500 * view_mm2


def test_map_and_picture_show_each_spore_where_truth_says():
    # Blur moves neither centre nor axis of the darkness; noise and uneven ground do a little, hence medians.
    areas, off_um, turned, seen, redder = [], [], [], 0, []
    for seed in range(6):
        rng = np.random.default_rng(40 + seed)
        photo = draw_photo(rng, width_px=760, height_px=560, preset="good_focus", um_per_px=0.6)
        px = photo.um_per_px
        for s, box in lone_spores(photo, lambda s: s.contrast >= 0.15 and s.visible >= 0.95 and s.clump == 1):
            mine = photo.kind_map[box] == SPORE
            areas.append(mine.sum() * px**2 / (s.length_um * s.width_um))
            picture = photo.rgb[box].astype(float)
            green = picture[..., 1]
            dark = np.clip(np.median(green[~mine]) - green, 0, None)
            dark[dark < 0.3 * dark.max()] = 0
            moved_um, turned_deg = moved_and_turned(photo, s, box, dark)
            off_um.append(moved_um)
            turned.append(turned_deg)
            lost = np.log(np.median(picture[~mine], axis=0) + 1) - np.log(picture[mine].mean(axis=0) + 1)
            redder.append(lost[2] > lost[0])
            seen += s.countable
    assert len(areas) >= 25
    assert seen == len(areas)
    # Between two arcs that meet (2/3 of length times width) and an ellipse (pi/4), less drawn-out ends.
    assert 0.6 < np.median(areas) < 0.8
    assert np.median(off_um) < 0.3
    assert np.median(turned) < 5
    # The wall is amber in transmitted light (McLaughlin & Myers 1970): blue loses more than red.
    assert np.mean(redder) > 0.95


def test_contrast_of_truth_is_that_of_the_picture(photos):
    for photo in photos["heavy"]:
        grey = photo.rgb.mean(axis=2)
        ground = np.median(grey[photo.kind_map == 0])
        some = [s for s in photo.spores if 2 < s.x_px < 457 and 2 < s.y_px < 337 and s.visible > 0.9]
        shown = np.array([ground - grey[round(s.y_px), round(s.x_px)] for s in some if s.countable])
        assert np.mean(shown > 3) > 0.9


def test_outlines_have_known_distances():
    x, y = np.meshgrid(np.linspace(-12, 12, 481), np.linspace(-9, 9, 361))
    u, v = x.astype(np.float32), y.astype(np.float32)
    step = 0.05
    # Two arcs of half length a and half width b: a segment of each circle, R² (t - sin t) in all.
    a, b = 6.0, 4.0
    radius = (a * a + b * b) / (2 * b)
    angle = 2 * np.arcsin(a / radius)
    sharp = cover(lens_shape(u, v, np.float32(a), np.float32(b), np.float32(0)), step).sum() * step**2
    assert sharp == pytest.approx(radius**2 * (angle - np.sin(angle)), rel=2e-3)
    assert cover(ellipse(u, v, a, b), step).sum() * step**2 == pytest.approx(np.pi * a * b, rel=2e-3)
    d = lemon(u, v, np.float32(a), np.float32(b), np.float32(0.5), np.float32(0.08))
    inside = d < 0
    assert np.abs(u[inside]).max() == pytest.approx(a, abs=2 * step)
    assert np.abs(v[inside]).max() == pytest.approx(b, abs=2 * step)
    # A distance grows by one per unit: outside of the rounded shape everywhere.
    slope = np.hypot(*np.gradient(d.astype(float), step))
    assert slope[(d > 0.5) & (d < 3)] == pytest.approx(1, abs=0.12)


def test_distance_from_a_bent_line():
    x, y = np.meshgrid(np.arange(0.0, 30), np.arange(0.0, 20))
    path = np.array([[5.0, 10.0], [15.0, 10.0], [15.0, 2.0]])
    distance, way, side = along_path(x.astype(np.float32), y.astype(np.float32), path, 5.0, 1.0)
    assert distance[14, 8] == pytest.approx(4)
    assert way[14, 8] == pytest.approx(3)
    assert distance[5, 18] == pytest.approx(3)
    assert way[5, 18] == pytest.approx(15)
    assert distance[12, 3] == pytest.approx(np.hypot(2, 2))
    assert side[14, 8] * side[8, 8] < 0
    assert distance[19, 29] > 5


def _lens(**changes: float | tuple[float, float]) -> Lens:
    plain = Lens(0.5, 0.25, 1.0, 0.3, 0.2, 0.0, (0.0, 0.0), 0.0, (40.0, 30.0))
    return replace(plain, _bank={}, **changes)


def test_blur_keeps_light_and_has_the_width_of_a_disc():
    lens = _lens(fringe=0.0, edge=0.0)
    for index in (10, 12, 14, 16, 17, 19):
        for k in range(2):
            point = np.zeros((80, 90), np.float32)
            point[38 + k, 44 + k] = 1
            got = lens.blur_bin(point, index).astype(float)
            x = np.arange(90.0)
            assert got.sum() == pytest.approx(1, abs=1e-3)
            spread = (got * (x - 44 - k) ** 2).sum()
            # An even disc of radius r has variance r²/4 along an axis; a pixel adds 1/12, halved pixels more.
            assert spread == pytest.approx(
                DISC_PX[index] ** 2 / 4 + lens.sharp_px**2 + 1 / 12, rel=0.1, abs=0.35
            )


def test_defocus_makes_a_disc_of_the_aperture():
    lens = _lens()
    z = 20.0
    place = float(lens.bin_of(z))
    radius = np.interp(place, np.arange(len(DISC_PX)), DISC_PX) * lens.um_per_px
    assert radius == pytest.approx(z * np.tan(np.arcsin(0.25)), rel=1e-6)
    tilted = _lens(tilt=(0.5, 0.0), focus_um=1.0)
    assert tilted.depth(50.0, 30.0, 2.0) == pytest.approx(1 + 0.5 * 10 + 2)


def test_layers_obey_beer_and_lambert_in_every_band():
    ground = np.ones((8, 60 + 2 * MARGIN_PX, 80 + 2 * MARGIN_PX), np.float32)
    stage = Stage(ground, _lens(), from_above=False)
    one, two = Stuff({"amber": 0.3, "soot": 0.1}), Stuff({"carotenoid": 0.4})
    frame = stage.frame(40, 30, 0, 60, 0)
    assert frame is not None
    full = np.ones(frame.u.shape, np.float32)
    stage.lay(frame, [stage.part(full, one), stage.part(full, two, on=one)], 0, "other", full)
    expected = 10.0 ** -(0.3 * PIGMENTS["amber"] + 0.1 * PIGMENTS["soot"] + 0.4 * PIGMENTS["carotenoid"])
    assert stage.light[:, 40, 50] == pytest.approx(expected, rel=1e-4)
    assert (stage.kinds[20:60, 20:80] == KIND_NAMES.index("other")).all()


def test_tiles_of_a_large_thing_join_without_a_seam():
    # A sheet with a straight edge under a tilt: along the edge the light may change smoothly only.
    ground = np.ones((8, 300 + 2 * MARGIN_PX, 340 + 2 * MARGIN_PX), np.float32)
    stage = Stage(ground, replace(_lens(), tilt=(0.1, 0.04), middle_px=(170.0, 150.0)), from_above=False)
    frame = stage.frame(170, 150, 0, 70, 0)
    assert frame is not None
    body = cover(np.abs(frame.v) - np.float32(40), 0.5)
    stage.lay(frame, [stage.part(body, Stuff({"soot": 0.5}))], 0, "scale", body)
    inner = stage.light[4, 40:-40, 60:-60].astype(float)
    assert np.abs(np.diff(inner, 2, axis=1)).max() < 0.01


def test_lamps_and_cameras_see_what_they_should():
    assert [NM[np.argmax(one)] for one in camera_curves(1.0)] == [
        pytest.approx(at, abs=25) for at in (608, 535, 458)
    ]
    warm, cold = lamp("filament", 1.0), lamp("daylight", 0.0)
    assert warm[-1] / warm[0] > 2 > cold[-1] / cold[0]
    # Carotenoids let everything beyond 530 nm through; they look yellow.
    seen = camera_curves(1.0) @ Stuff({"carotenoid": 0.8}).through(False)
    assert seen[2] < 0.5 < 0.9 < seen[0]


def test_touching_groups_of_spores_in_a_row():
    xy = np.array([[0, 0], [0, 8.0], [0, 16.0], [0, 25.0], [100, 0], [111.0, 0]])
    length, width = np.full(6, 12.0), np.full(6, 8.0)
    # Side by side along y: touching at 8 µm, apart at 9; the last two end to end along x, overlapping.
    assert touching_groups(xy[:, 0], xy[:, 1], length, width, np.zeros(6)).tolist() == [3, 3, 3, 1, 2, 2]


def test_noise_of_the_phone_is_the_stated_one():
    rng = np.random.default_rng(0)
    plain = replace(
        draw_phone(rng, (120, 160), False, False, False),
        denoise=0.0, sharpen=0.0, contrast=0.0, saturation=1.0, gamma=1.0, fringe=0.0, quality=100, level=0.5,
        full_well=900.0, unmix=0.0, balance=(1.0, 1.0, 1.0),
    )  # fmt: skip
    light = np.full((3, 120, 160), 0.6, np.float32)
    green = shoot(np.random.default_rng(3), light, plain)[..., 1] / 255
    assert green.mean() == pytest.approx(0.3, rel=0.02)
    # Green stands at every second place of the mosaic; two or four neighbours fill the others, so the noise
    # lies between that of one pixel and half of it.
    stated = float(plain.noise(0.6))
    assert 0.5 * stated < green.std() / green.mean() < 1.0 * stated


def test_stands_alone():
    assert_stands_alone(bands)
