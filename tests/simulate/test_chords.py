"""The chords style: truth agrees with pictures; solids, blur and light with what is known on paper."""

from __future__ import annotations

import numpy as np
import pytest

from sporecount.simulate import chords
from sporecount.simulate.chords import draw_photo
from sporecount.simulate.chords.canvas import Canvas, Optics, blur
from sporecount.simulate.chords.photo import PRESETS
from sporecount.simulate.chords.seats import touching
from sporecount.simulate.chords.solids import flanks, rod, shell, spindle, spindle_area
from sporecount.simulate.truth import KIND_NAMES, SimulatedPhoto
from tests.renderer_laws import (
    SPORE,
    assert_presets_hold_what_they_promise,
    assert_stands_alone,
    assert_the_same_state_gives_the_same_photo,
    assert_truth_keeps_its_contract,
    kinds_shown,
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
        assert_truth_keeps_its_contract(photo, (340, 460), (8.5, 17))
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
    # Blur moves neither centre nor axis of a spore's darkness; noise and uneven ground do a little: medians.
    areas, off_um, turned, redder = [], [], [], []
    for seed in range(10):
        photo = draw_photo(
            np.random.default_rng(40 + seed),
            width_px=760,
            height_px=560,
            preset="good_focus",
            um_per_px=0.6,
        )
        for s in photo.spores:
            reach, x, y = int(s.length_um / 0.6), round(s.x_px), round(s.y_px)
            box = (slice(max(y - reach, 0), y + reach + 1), slice(max(x - reach, 0), x + reach + 1))
            mine = photo.kind_map[box] == SPORE
            near = [o for o in photo.spores if np.hypot(o.x_px - s.x_px, o.y_px - s.y_px) < 2 * reach]
            alone = len(near) == 1 and mine.shape == (2 * reach + 1, 2 * reach + 1)
            if not alone or s.contrast < 0.09 or set(np.unique(photo.kind_map[box])) != {0, SPORE}:
                continue
            areas.append(mine.sum() * 0.36 / (s.length_um * s.width_um))
            picture = photo.rgb[box].astype(float)
            dark = np.clip(np.median(picture[~mine][:, 1]) - picture[..., 1], 0, None)
            dark[dark < 0.3 * dark.max()] = 0
            moved_um, turned_deg = moved_and_turned(photo, s, box, dark)
            off_um.append(moved_um)
            turned.append(turned_deg)
            lost = np.log(np.median(picture[~mine], axis=0) + 1) - np.log(picture[mine].mean(axis=0) + 1)
            redder.append(lost[2] > lost[0])
    assert len(areas) >= 18
    # Between an ellipse (pi/4) and a lemon of exponent 0.92.
    assert spindle_area((1, 1), 0.92) - 0.03 < np.median(areas) < np.pi / 4 + 0.03
    assert np.median(off_um) < 0.4
    assert np.median(turned) < 6
    # The wall is amber in transmitted light (McLaughlin & Myers 1970): blue loses more than red.
    assert np.mean(redder) > 0.9


def test_brightness_and_contrast_differ_widely():
    looks = [draw(seed, "ordinary", um_per_px=0.6, objective=10.0).rgb.mean(axis=2) for seed in range(10)]
    levels, spreads = (
        [np.median(one) for one in looks],
        [np.ptp(np.percentile(one, [2, 98])) for one in looks],
    )
    assert np.ptp(levels) > 90
    assert max(spreads) > 2.5 * min(spreads)


def test_chords_add_up_to_volumes():
    x, y = np.meshgrid(np.arange(-15, 15, 0.05), np.arange(-12, 12, 0.05))
    # The volume of an ellipsoid of revolution, and of a spindle with a profile b (1 - u²/a²): 16/15 pi a b².
    assert spindle(x, y, (12, 8), 0.5)[0].sum() * 0.05**2 == pytest.approx(np.pi / 6 * 12 * 8 * 8, rel=1e-3)
    chord, slope = spindle(x, y, (12, 8), 1.0)
    assert chord.sum() * 0.05**2 == pytest.approx(16 / 15 * np.pi * 6 * 16, rel=1e-3)
    assert (chord > 0).sum() * 0.05**2 == pytest.approx(spindle_area((12, 8), 1.0), rel=2e-3)
    # The slope is that of half the chord.
    steep = np.hypot(*np.gradient(chord / 2, 0.05))
    assert slope[chord > 4] == pytest.approx(steep[chord > 4], abs=0.02)
    wall, content, _ = shell(x, y, (12, 8), 0.5, 1.0)
    assert content.sum() * 0.05**2 == pytest.approx(np.pi / 6 * 9.4 * 6 * 6, rel=2e-3)
    # Through the wall's edge the way is longer than through its middle: the darker rim.
    assert wall.max() > 2 * wall[240, 300]
    straight = rod(x, y, (20, 4), 0.0, 1.0)[0]
    assert straight.sum() * 0.05**2 == pytest.approx(np.pi * 4 * 16 + 4 / 3 * np.pi * 8, rel=2e-3)
    assert flanks(np.array([0.0, 1e6]), 0.25, 0.05, 0.6, 1.0, 0.0) == pytest.approx([0, 0.6], abs=1e-6)


def test_blur_keeps_light_and_has_its_width():
    for sigma in (0.8, 2.0, 4.0, 9.0):
        point = np.zeros((90, 100), np.float32)
        point[44:46, 50:52] = 0.25
        got = blur(point, sigma, 0.7).astype(float)
        x = np.arange(100.0)
        assert got.sum() == pytest.approx(1, abs=0.02)
        assert (got * x).sum() / got.sum() == pytest.approx(50.5, abs=0.25)
        assert np.sqrt((got * (x - 50.5) ** 2).sum() / got.sum()) == pytest.approx(
            np.hypot(sigma, 0.5), rel=0.15
        )


def test_light_passes_all_things_by_beer_and_lambert():
    canvas = Canvas(Optics(0.5, 0.25, 0.5, 0.0, np.zeros(2), 0.0, 0.0, (60, 80)))
    frame = canvas.frame(40, 30, 0, 60)
    sheet = np.ones(frame.u.shape, np.float32)
    one, two = np.array([0.3, 0.1, 0.5]), np.array([0.0, 0.4, 0.2])
    canvas.lay(frame, sheet[..., None] * one, 0.0, "spore", sheet > 0, 7)
    canvas.lay(frame, sheet[..., None] * two, 9.0, "scale", sheet > 0)
    both = canvas.light(True)[30, 40] * canvas.light(False)[30, 40]
    assert both == pytest.approx(10 ** -(one + two), rel=1e-3)
    # A scale of little density leaves the spore in sight, a second one hides it.
    assert (canvas.owner[canvas.view] == 7).all()
    canvas.lay(frame, sheet[..., None] * two, 9.0, "scale", sheet > 0)
    assert (canvas.kinds[canvas.view] == KIND_NAMES.index("scale")).all()


def test_touching_groups_of_spores_in_a_row():
    xy = np.array([[0, 0], [0, 7.9], [0, 15.8], [0, 25.0], [100, 0], [111.0, 0]])
    length, width = np.full(6, 12.0), np.full(6, 8.0)
    # Side by side along y: touching at 8 µm, apart at 9; the last two end to end along x, overlapping.
    assert touching(xy, length, width, np.zeros(6)).tolist() == [3, 3, 3, 1, 2, 2]


def test_stands_alone():
    assert_stands_alone(chords)
