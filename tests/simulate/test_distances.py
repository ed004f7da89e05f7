"""The style of signed distances: truth agrees with pictures; noise, outlines and lens with paper."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from sporecount.simulate import distances
from sporecount.simulate.distances import draw_photo
from sporecount.simulate.distances.canvas import MARGIN_PX, NUMBER, Canvas, Focus
from sporecount.simulate.distances.fields import cell_noise, cover, gradient_noise, lemon, value_noise
from sporecount.simulate.distances.grounds import PAPERS, TAPES, draw_paper, tape_film
from sporecount.simulate.distances.phone import blurred, develop, draw_phone, through_lens, to_photo
from sporecount.simulate.distances.photo import PRESETS
from sporecount.simulate.distances.spores import FAMILIES, draw_look, shade, touching_groups
from sporecount.simulate.truth import SimulatedPhoto
from tests.renderer_laws import (
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
    return {preset: [draw(seed, preset) for seed in (1, 2)] for preset in PRESETS}


def test_the_same_state_gives_the_same_photo():
    assert_the_same_state_gives_the_same_photo(draw, "ordinary")


def test_truth_keeps_its_contract_and_presets_their_promise(photos):
    for preset in PRESETS:
        for photo in photos[preset]:
            assert_truth_keeps_its_contract(photo, (340, 460), (8.5, 17))
            for s in photo.spores:
                # 0.21 wavelength over aperture; an aperture is at most 0.025 of the magnification here.
                assert s.blur_um > 0.21 * 0.55 / (0.0251 * photo.objective)
                assert s.contrast > 0 or not s.countable
    assert_presets_hold_what_they_promise(draw, photos)
    assert kinds_shown(photos["no_spores"]) >= 6
    assert all(len(photo.spores) > 40 for photo in photos["heavy"])
    loads = [len(draw(seed, "scan_4x").spores) for seed in range(3, 13)]
    assert min(loads) <= 8 < 150 < max(loads)


def test_map_and_picture_show_each_spore_where_truth_says():
    # Blur moves neither centre nor axis of a spore's mark; noise and uneven ground do a little, hence medians.
    areas, mapped_um, off_um, turned, seen = [], [], [], [], []
    for seed in range(6):
        rng = np.random.default_rng(70 + seed)
        photo = draw_photo(rng, width_px=760, height_px=560, preset="good_focus", um_per_px=0.6)
        px = photo.um_per_px
        for s, box in lone_spores(photo, lambda s: s.contrast >= 0.1 and s.visible >= 0.95 and s.clump == 1):
            mine = photo.kind_map[box] == SPORE
            areas.append(mine.sum() * px**2 / (s.length_um * s.width_um))
            y, x = np.mgrid[box[0], box[1]]
            green = photo.rgb[box].astype(float)[..., 1]
            dark = np.clip(np.median(green[~mine]) - green, 0, None)
            dark[dark < 0.3 * dark.max()] = 0
            for weight, moves in ((mine, mapped_um), (dark, off_um)):
                cx, cy = (weight * x).sum() / weight.sum(), (weight * y).sum() / weight.sum()
                moves.append(np.hypot(cx - s.x_px, cy - s.y_px) * px)
            a, b, c = (
                (mine * one).sum()
                for one in ((x - s.x_px) ** 2, (y - s.y_px) ** 2, (x - s.x_px) * (y - s.y_px))
            )
            turned.append(abs((np.degrees(0.5 * np.arctan2(2 * c, a - b)) - s.angle_deg + 90) % 180 - 90))
            seen.append(s.countable)
    assert len(areas) >= 25
    assert np.mean(seen) > 0.9
    # Between two parabolas that meet (2/3 of length times width) and an ellipse (pi/4), less the necks of knobs.
    assert 0.6 < np.median(areas) < 0.8
    assert max(mapped_um) < 0.5
    assert np.median(off_um) < 0.3
    assert np.median(turned) < 5


def test_lens_moves_truth_as_it_moves_the_picture():
    size = (300, 220)
    phone = replace(draw_phone(np.random.default_rng(1), False), bend=0.02)
    plane = np.zeros((size[1] + 2 * MARGIN_PX, size[0] + 2 * MARGIN_PX), np.float32)
    places = np.array([[20.0, 15.0], [150.0, 110.0], [280.0, 40.0], [60.0, 200.0]])
    y, x = np.mgrid[: plane.shape[0], : plane.shape[1]] - MARGIN_PX
    for px, py in places:
        plane += np.exp(-((x - px) ** 2 + (y - py) ** 2) / 8).astype(np.float32)
    shown = through_lens(plane, phone, size)
    at_x, at_y, scale = to_photo(phone, places[:, 0], places[:, 1], size)
    assert scale.min() < 0.99
    rows, cols = np.mgrid[: size[1], : size[0]]
    for px, py in zip(at_x, at_y, strict=True):
        near = shown * (np.hypot(cols - px, rows - py) < 9)
        found = (near * cols).sum() / near.sum(), (near * rows).sum() / near.sum()
        assert found == (pytest.approx(px, abs=0.1), pytest.approx(py, abs=0.1))


def test_a_lemon_has_its_axes_and_area():
    step = 0.04
    u, v = np.meshgrid(np.arange(-9, 9, step), np.arange(-7, 7, step))
    a, b = np.float32(6), np.float32(4)
    # Profiles b (1 - t²)^k: the ellipse for a half, two parabolas for 1.
    for bulge, area in ((0.5, np.pi * 24), (1.0, 2 / 3 * 12 * 8)):
        got = cover(lemon(u, v, a, b, bulge, 0.0), step).sum() * step**2
        assert got == pytest.approx(area, rel=5e-3)
    d = lemon(u, v, a, b, 0.7, 0.1)
    assert np.abs(u[d < 0]).max() == pytest.approx(6, abs=2 * step)
    assert np.abs(v[d < 0]).max() == pytest.approx(4, abs=2 * step)


def test_noise_has_its_deviation_and_no_direction():
    rng = np.random.default_rng(3)
    assert value_noise(rng, (300, 420), (9, 9)).std() == pytest.approx(1, abs=0.3)
    x, y = np.meshgrid(np.arange(0, 40, 0.1, np.float32), np.arange(0, 30, 0.1, np.float32))
    n = gradient_noise(x, y, rng)
    assert n.std() == pytest.approx(1, abs=0.3)
    # Gradient noise is nothing at the knots of its lattice.
    assert np.abs(n[::10, ::10]).max() < 1e-3
    near, second, _ = cell_noise(x, y, rng)
    assert (near <= second).all()
    # A jittered lattice holds one point per cell, so discs of 1/2 around them cover most of the plane.
    assert 0.5 < (near < 0.5).mean() < 0.8


def test_looks_papers_and_tapes_differ():
    u, v = np.meshgrid(np.arange(-11, 11, 0.3), np.arange(-11, 11, 0.3))
    one = np.ones((1, 1), np.float32)
    marks = {}
    for family in FAMILIES:
        look = replace(draw_look(np.random.default_rng(5), family), bulge=0.7, nib=0.0, grain=0.0)
        od, inside = shade(look, u, v, 6 * one, 4 * one, 0 * one, one, one, 0.3)
        full = inside > 0.9
        middle = (np.abs(u) < 1.2) & (np.abs(v) < 1.2)
        marks[family] = (od[full].mean(), od[middle].mean(), od[full & (np.abs(u) > 4.2)].mean())
        assert od[..., 1][full].mean() > 0.02
    body, core, ends = np.array(list(marks.values())).T
    names = list(FAMILIES)
    assert body[names.index("dark")] > 4 * body[names.index("glassy")]
    assert core[names.index("ringed")] < 0.5 * body[names.index("ringed")]
    assert (
        ends[names.index("tipped")] / body[names.index("tipped")]
        > ends[names.index("dark")] / body[names.index("dark")]
    )
    shape = (90, 120)
    rng = np.random.default_rng(6)
    drawn = [draw_paper(rng, shape, 0.5, kind, 1.0).ravel() for kind in PAPERS]
    drawn += [tape_film(rng, shape, 0.5, kind, 1.0).ravel() for kind in TAPES]
    assert all(np.isfinite(one).all() for one in drawn)
    assert np.abs(np.corrcoef(np.array(drawn)[:, 1::3]) - np.eye(len(drawn))).max() < 0.9


def test_layers_multiply_hide_and_blur_as_stated():
    shape = (120, 160)
    focus = Focus(np.full(shape, 10, np.float32), 0.1, 0.5)
    canvas = Canvas(np.ones((*shape, 3), np.float32), 0.5, False, focus, 0.0)
    canvas.owner[60, 80] = 7
    canvas.kinds[60, 80] = SPORE
    frame = canvas.frame(80 - MARGIN_PX, 60 - MARGIN_PX, 0.0, 12)
    assert frame is not None
    full = np.ones(frame.u.shape, np.float32)
    od = np.full((*full.shape, 3), 0.3, np.float32)
    canvas.lay(frame, full, od, "scale", hide=0.2)
    assert canvas.kinds[60, 80] == SPORE
    canvas.lay(frame, full, od, "scale", hide=0.8)
    assert canvas.kinds[60, 80] == NUMBER["scale"]
    assert canvas.owner[60, 80] == -1
    # Beer and Lambert: densities add.
    assert canvas.light[60, 80] == pytest.approx(10**-0.6, rel=1e-4)
    # A point out of focus spreads by the stated deviation, disc or not.
    for disc in (False, True):
        canvas.light[:] = 0
        canvas.light[60, 80] = 1
        soft, _ = blurred(canvas, replace(draw_phone(np.random.default_rng(2), False), disc=disc))
        x = np.arange(shape[1]) - 80.0
        spread = np.sqrt((soft[..., 1] * x**2).sum() / soft[..., 1].sum()) * 0.5
        assert spread == pytest.approx(float(focus.total_um(10.0)), rel=0.12)


def test_groups_and_noise_of_the_phone_are_the_stated_ones():
    xy = np.array([[0, 0], [0, 8.0], [0, 16.0], [0, 25.0], [100, 0], [111.0, 0]])
    sizes = np.full(6, 12.0), np.full(6, 8.0), np.zeros(6)
    # Side by side along y: touching at 8 µm, apart at 9; the last two end to end along x, overlapping.
    assert touching_groups(xy[:, 0], xy[:, 1], *sizes).tolist() == [3, 3, 3, 1, 2, 2]
    phone = replace(
        draw_phone(np.random.default_rng(0), False),
        denoise=0.0, sharpen=0.0, contrast=0.0, colour=1.0, gamma=1.0, quality=100, read=0.0, shot=0.02,
        grain_px=0.3,
    )  # fmt: skip
    flat = np.full((120, 160, 3), 0.25, np.float32)
    luma = develop(np.random.default_rng(3), flat, phone) @ np.array([0.299, 0.587, 0.114]) / 255
    # sRGB of 0.25 is 0.5371, its slope there 0.987 (IEC 61966-2-1); the noise is 0.02 times the root of the light.
    # JPEG keeps luma, in which three even noises make 0.669 of one (ITU-R BT.601); rounding adds a little.
    assert luma.mean() == pytest.approx(0.5371, abs=0.003)
    assert luma.std() == pytest.approx(0.02 * 0.5 * 0.987 * 0.669, rel=0.1)


def test_recipe_stands_alone():
    assert_stands_alone(distances)
