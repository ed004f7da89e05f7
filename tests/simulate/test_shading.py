"""The shading style: truth agrees with pictures, and outline, blur and lens with what is known on paper."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from sporecount.simulate import shading
from sporecount.simulate.shading import bodies, camera, draw_photo
from sporecount.simulate.shading.plan import PRESETS, draw_plan
from sporecount.simulate.truth import SimulatedPhoto
from tests.renderer_laws import (
    SPORE,
    assert_blur_has_the_variance_of_its_map,
    assert_presets_hold_what_they_promise,
    assert_stands_alone,
    assert_the_same_state_gives_the_same_photo,
    assert_truth_keeps_its_contract,
    kinds_shown,
    lone_spores,
)

SHAPE = (250, 330)


def draw(seed: int, preset: str, shape: tuple[int, int] = SHAPE, **more: float) -> SimulatedPhoto:
    rng = np.random.default_rng(seed)
    return draw_photo(rng, width_px=shape[1], height_px=shape[0], preset=preset, **more)


@cache
def some_photos() -> dict[str, list[SimulatedPhoto]]:
    """Six small photos of each preset."""
    return {preset: [draw(40 + seed, preset) for seed in range(6)] for preset in PRESETS}


def test_truth_keeps_its_contract():
    for photos in some_photos().values():
        for photo in photos:
            assert_truth_keeps_its_contract(photo, SHAPE, (8.5, 17))


def test_the_same_state_gives_the_same_photo():
    for preset in ("ordinary", "scan_4x"):
        assert_the_same_state_gives_the_same_photo(draw, preset)


def test_presets_hold_what_they_promise():
    photos = some_photos()
    assert_presets_hold_what_they_promise(draw, photos)
    assert kinds_shown([p for one in photos.values() for p in one]) == 10
    assert all(5 <= len(p.spores) <= 80 for p in photos["good_focus"])
    assert all(len(p.spores) >= 300e-6 * SHAPE[0] * SHAPE[1] for p in photos["heavy"])
    assert all(len(p.spores) <= 8 or len(p.spores) > 150 for p in photos["scan_4x"])
    assert len({len(p.spores) > 150 for p in photos["scan_4x"]}) == 2
    # Most of what lies bare in a well focused photo can be counted.
    bare = [s for p in photos["good_focus"] for s in p.spores if s.clump == 1 and s.visible > 0.95]
    assert np.mean([s.countable for s in bare]) > 0.85


def test_picture_shows_each_lone_spore_where_truth_says():
    off_um, turned, areas = [], [], []
    for seed in range(10):
        photo = draw(60 + seed, "good_focus", (440, 600), um_per_px=0.5)
        for s, box in lone_spores(photo, lambda s: s.countable and s.clump == 1):
            mine = photo.kind_map[box] == SPORE
            yy, xx = np.mgrid[box].astype(float)
            areas.append(mine.sum() * photo.um_per_px**2 / (s.length_um * s.width_um))
            # What differs from the ground, dark rim and bright middle alike, is centred on the spore.
            picture = photo.rgb[box].astype(float).mean(2)
            unlike = np.abs(picture - np.median(picture[~mine]))
            unlike[unlike < 0.35 * unlike.max()] = 0
            cx, cy = (unlike * xx).sum() / unlike.sum(), (unlike * yy).sum() / unlike.sum()
            off_um.append(np.hypot(cx - s.x_px, cy - s.y_px) * photo.um_per_px)
            u, v = xx[mine] - xx[mine].mean(), yy[mine] - yy[mine].mean()
            seen_deg = np.degrees(0.5 * np.arctan2(2 * (u * v).mean(), (u * u - v * v).mean()))
            turned.append(abs((seen_deg - s.angle_deg + 90) % 180 - 90))
    assert len(off_um) >= 25
    assert np.median(off_um) < 0.4
    assert np.median(turned) < 5
    # Between a rhombus (1/2 of length times width) and a little more than an ellipse (pi / 4).
    assert 0.58 < np.median(areas) < 0.82


def test_outline_has_the_area_and_axes_that_its_numbers_say():
    step = 0.05
    u = np.arange(-10, 10, step, dtype=np.float32)[None]
    v = np.arange(-7, 7, step, dtype=np.float32)[:, None]
    for seed in range(6):
        rng = np.random.default_rng(seed)
        look = bodies.draw_look(rng, draw_plan(rng, (300, 400), None, None, "heavy"))[1]
        inside = bodies.outline(look, u, v, 6.0, 4.0)[0] < 0
        assert inside.sum() * step**2 == pytest.approx(bodies.outline_area(look, 12, 8), rel=0.03)
        assert np.ptp(u[0, inside.any(0)]) == pytest.approx(12, abs=3 * step)
        assert np.ptp(v[inside.any(1), 0]) == pytest.approx(8, abs=3 * step)


def test_uneven_blur_has_the_variance_of_its_map():
    assert_blur_has_the_variance_of_its_map(camera.blur_unevenly, rel=0.05)


def test_lens_moves_a_point_where_it_says_and_fringe_parts_the_colours():
    lens = camera.Lens(middle=(100.0, 75.0), half=125.0, bow=0.02, fringe=0.006, coma_px=2.0)
    margin, at = 20, (190.0, 130.0)
    yy, xx = np.mgrid[0:190, 0:240].astype(float) - margin
    blob = np.exp(-((xx - at[0]) ** 2 + (yy - at[1]) ** 2) / 18)
    shown = camera.through_lens(np.dstack([blob] * 3).astype(np.float32), lens, (150, 200), margin)
    want_x, want_y = lens.to_photo(np.array(at[0]), np.array(at[1]))
    rows, cols = np.mgrid[0:150, 0:200]
    places = [
        ((p * cols).sum() / p.sum(), (p * rows).sum() / p.sum()) for p in np.moveaxis(shown - 1e-4, 2, 0)
    ]
    assert places[1] == (pytest.approx(float(want_x), abs=0.25), pytest.approx(float(want_y), abs=0.25))
    back = lens.to_scene(want_x, want_y)
    assert (float(back[0]), float(back[1])) == pytest.approx(at, abs=1e-3)
    # Red is drawn in, blue pushed out, by the fringe times the distance from the middle.
    assert places[2][0] - places[0][0] == pytest.approx(2 * 0.006 * (want_x - 100), rel=0.15)


def test_recipe_stands_alone():
    assert_stands_alone(shading)
