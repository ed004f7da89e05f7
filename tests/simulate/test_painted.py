"""The painted style: its truth agrees with its pictures, its paint and lens with what is known on paper."""

from __future__ import annotations

import numpy as np
import pytest

from sporecount.simulate import painted
from sporecount.simulate.painted import draw_photo
from sporecount.simulate.painted.lemons import touching
from sporecount.simulate.painted.paint import Canvas, Focus, Patch, blob, soften
from sporecount.simulate.painted.phone import to_photo, warp
from sporecount.simulate.painted.sitting import PRESETS
from sporecount.simulate.truth import KIND_NAMES, SimulatedPhoto
from tests.renderer_laws import (
    ALMOST,
    SPORE,
    assert_presets_hold_what_they_promise,
    assert_stands_alone,
    assert_the_same_state_gives_the_same_photo,
    assert_truth_keeps_its_contract,
    kinds_shown,
    lone_spores,
)


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
        assert_truth_keeps_its_contract(photo, (340, 460), (8.5 - ALMOST, 17 + ALMOST))
        for s in photo.spores:
            # The finest blur of a lens, 0.21 wavelength / aperture (0.65 at 40x), times the luckiest lens.
            assert s.blur_um > 0.85 * 0.21 * 0.55 / 0.7


def test_presets_hold_what_they_promise(photos):
    assert_presets_hold_what_they_promise(draw, photos)
    assert kinds_shown(photos["no_spores"]) >= 8
    for photo in photos["heavy"]:
        assert len(photo.spores) > 0.8 * 300 * 0.34 * 0.46
    assert all(4 <= len(photo.spores) <= 80 for photo in photos["good_focus"])
    fields = [len(draw(seed, "scan_4x", um_per_px=1.2).spores) for seed in range(8)]
    assert all(n <= 8 or n > 130 for n in fields)
    assert min(fields) <= 8 < 130 < max(fields)


def test_map_and_picture_show_each_spore_where_truth_says():
    areas, map_off_um, off_um, turned, redder, denser = [], [], [], [], [], []
    for seed in range(8):
        rng = np.random.default_rng(40 + seed)
        photo = draw_photo(rng, width_px=700, height_px=520, preset="good_focus", um_per_px=0.5)
        px = photo.um_per_px
        for s, box in lone_spores(photo, lambda s: s.countable and s.contrast >= 0.08):
            mine = photo.kind_map[box] == SPORE
            y, x = np.mgrid[box[0], box[1]]
            areas.append(mine.sum() * px**2 / (s.length_um * s.width_um))
            map_off_um.append(np.hypot(x[mine].mean() - s.x_px, y[mine].mean() - s.y_px) * px)
            picture = photo.rgb[box].astype(float)
            # Bright middles and dark rims alike differ from the ground.
            unlike = np.abs(picture - np.median(picture[~mine], axis=0)).sum(axis=2)
            unlike = np.where(unlike > 0.3 * unlike.max(), unlike, 0)
            cx, cy = (unlike * x).sum() / unlike.sum(), (unlike * y).sum() / unlike.sum()
            off_um.append(np.hypot(cx - s.x_px, cy - s.y_px) * px)
            dx, dy = x[mine] - x[mine].mean(), y[mine] - y[mine].mean()
            angle = np.degrees(0.5 * np.arctan2(2 * (dx * dy).mean(), (dx * dx - dy * dy).mean()))
            turned.append(abs((angle - s.angle_deg + 90) % 180 - 90))
            lost = np.log(np.median(picture[~mine], axis=0) + 1) - np.log(picture[mine].mean(axis=0) + 1)
            redder.append(lost[2] > lost[0])
            denser.append(lost[1] > 0)
    assert len(areas) >= 20
    # Between two arcs that meet (2/3 of length times width) and an ellipse (pi / 4), ends drawn out.
    assert 0.6 < np.median(areas) < 0.8
    assert np.max(map_off_um) < 0.5
    assert np.median(off_um) < 0.5
    assert np.median(turned) < 3
    # The wall is amber in transmitted light (McLaughlin & Myers 1970): blue loses more than red.
    assert np.mean(redder) > 0.8
    assert np.mean(denser) > 0.9


def test_softening_keeps_light_and_has_the_stated_width():
    # A disc drawn in pixels is a little wider than the true one, most so where it is small.
    x = np.arange(81) - 40.0
    for disc in (False, True):
        for sigma in (0.8, 1.5, 3.0, 6.0):
            point = np.zeros((61, 81), np.float32)
            point[30, 40] = 1
            got = soften(point, sigma, disc).astype(float)
            # Wide blurs go over halved pixels; halving an odd size loses or adds a little over a point.
            assert got.sum() == pytest.approx(1, abs=1e-3 if sigma <= 3 else 3e-3)
            assert np.sqrt((got * x**2).sum()) == pytest.approx(sigma, rel=0.08)


def test_paint_hides_or_glazes_and_the_map_knows_what_is_seen():
    canvas = Canvas(
        np.full((60, 80, 3), 0.5, np.float32), Focus(0.0, (0.0, 0.0), 0.0, (60, 80)), 1.0, 1.0, False
    )
    shape = blob(np.random.default_rng(0), 12.0, 0.0) + np.array([40, 30])
    patch = Patch([shape], 5, canvas.shape)
    cover, inside = patch.fill([shape])
    assert cover.sum() == pytest.approx(np.pi * 12**2, rel=0.03)
    assert inside.max() == pytest.approx(12, rel=0.06)
    red = np.zeros((*cover.shape, 3), np.float32) + np.array([0.8, 0.2, 0.2], np.float32)
    got = canvas.lay(patch, cover, cover * 0.5, red, "spore", spore=7)
    assert got is not None
    assert canvas.light[30, 40] == pytest.approx([0.65, 0.35, 0.35])
    assert canvas.owner[30, 40] == 7
    canvas.lay(patch, cover, cover * 0.3, red, "scale")
    assert canvas.kinds[30, 40] == SPORE
    canvas.lay(patch, cover, cover * 0.6, red, "scale")
    assert canvas.kinds[30, 40] == KIND_NAMES.index("scale")
    assert canvas.owner[30, 40] == -1
    assert canvas.scale_here[30, 40]
    assert canvas.kinds[5, 5] == 0


def test_distortion_moves_picture_and_truth_alike():
    picture = np.zeros((101, 141, 3), np.float32)
    points = np.array([[20.0, 20.0], [70.0, 50.0], [120.0, 80.0]])
    for x, y in points.astype(int):
        picture[y - 2 : y + 3, x - 2 : x + 3] = 1
    moved = to_photo(points, (101, 141), 0.04)
    assert moved[1] == pytest.approx([70, 50])
    assert np.hypot(*(moved[0] - points[0])) > 1
    green = warp(picture, 0.04)[..., 1]
    y, x = np.mgrid[:101, :141]
    for px, py in moved:
        near = np.clip(green, 0, None) * (np.hypot(x - px, y - py) < 7)
        assert ((near * x).sum() / near.sum(), (near * y).sum() / near.sum()) == pytest.approx(
            (px, py), abs=0.15
        )


def test_touching_groups_of_spores_in_a_row():
    xy = np.array([[0, 0], [0, 8.0], [0, 16.0], [0, 25.0], [100, 0], [111.0, 0]])
    rows = np.column_stack([xy, np.full(6, 6.0), np.full(6, 4.0), np.zeros(6)])
    # Side by side along y: touching at 8 px, apart at 9; the last two end to end along x, overlapping.
    assert touching(rows).tolist() == [3, 3, 3, 1, 2, 2]


def test_the_style_shares_nothing_with_the_others_but_the_truth():
    assert_stands_alone(painted)
