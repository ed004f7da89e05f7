"""The style of pigments: truth agrees with pictures, and light, blur and outlines with what is known on paper."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from sporecount.simulate import pigments
from sporecount.simulate.pigments import draw_photo
from sporecount.simulate.pigments.phone import Pupil, bend, blur_by_map, draw_pupil, unbend
from sporecount.simulate.pigments.photo import PRESETS
from sporecount.simulate.pigments.shapes import Sheet, turned
from sporecount.simulate.pigments.spectrum import ABSORBANCE, draw_eye, mix
from sporecount.simulate.pigments.spores import TINTS, Spores, draw_look, lay_spore
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
    moved_and_turned,
)

SHAPE = (250, 330)


def draw(seed: int, preset: str, **more: float) -> SimulatedPhoto:
    rng = np.random.default_rng(seed)
    return draw_photo(rng, width_px=SHAPE[1], height_px=SHAPE[0], preset=preset, **more)


@pytest.fixture(scope="module")
def photos() -> dict[str, list[SimulatedPhoto]]:
    return {preset: [draw(seed, preset) for seed in range(3)] for preset in PRESETS}


def test_photos_keep_the_contract_and_presets_their_promises(photos: dict[str, list[SimulatedPhoto]]):
    for preset in PRESETS:
        for photo in photos[preset]:
            assert_truth_keeps_its_contract(photo, SHAPE, (8.5, 17))
    for photo in photos["good_focus"]:
        assert 5 <= len(photo.spores) <= 80
        assert all(s.blur_um < 0.25 * s.width_um for s in photo.spores)
    for photo in photos["scan_4x"]:
        assert 1.0 <= photo.um_per_px <= 2.2
    assert kinds_shown(photos["no_spores"]) >= 7
    assert_presets_hold_what_they_promise(draw, photos)


def test_same_state_gives_the_same_photo():
    assert_the_same_state_gives_the_same_photo(draw, "hard")


def test_picture_shows_each_lone_spore_where_truth_says():
    off_um, turned_deg, agrees = [], [], []
    for seed in range(11):
        rng = np.random.default_rng(300 + seed)
        photo = draw_photo(rng, width_px=520, height_px=390, um_per_px=0.5, preset="good_focus")
        if photo.notes["from_above"]:
            continue
        for s, box in lone_spores(photo, lambda s: s.countable and s.visible > 0.98 and s.contrast > 0.06):
            mine = photo.kind_map[box] == SPORE
            light = (photo.rgb[box].astype(float) / 255 + 1e-3) ** 2.2 @ [0.25, 0.6, 0.15]
            lost = np.log10(np.median(light[~mine]) / light)
            agrees.append(lost[mine].mean() / s.contrast)
            near = cv2.dilate(mine.astype(np.uint8), np.ones((9, 9))) > 0
            lost = np.where(near, np.abs(lost), 0)
            off_um.append(moved_and_turned(photo, s, box, lost)[0])
            turned_deg.append(moved_and_turned(photo, s, box, mine)[1])
    assert len(off_um) >= 12
    assert np.median(off_um) < 0.35
    assert np.median(turned_deg) < 5
    # Tone curve and sharpening change contrast, but not by half.
    assert 0.65 < np.median(agrees) < 1.6


def test_blend_of_disc_blurs_has_the_variance_of_the_map():
    for pupil in (Pupil(0, 0.0, 0.0), Pupil(6, 0.3, 0.5), draw_pupil(np.random.default_rng(3))):
        assert_blur_has_the_variance_of_its_map(lambda scene, v, p=pupil: blur_by_map(scene, v, p), rel=0.06)


def test_disc_without_aberration_is_as_wide_as_geometry_says():
    # An even disc of radius R has variance R^2 / 4 along each axis.
    kernel = Pupil(0, 0.0, 0.0).kernel(16.0)
    # Its softened edge takes a little of the width.
    assert (kernel > 0.5 * kernel.max()).sum() == pytest.approx(np.pi * 8**2, rel=0.1)


def test_outline_and_its_filling_have_the_extents_that_the_truth_states():
    sheet = Sheet((160, 210), 0.2, from_above=False)
    one = np.array
    for seed in range(6):
        rng = np.random.default_rng(seed)
        look = draw_look(rng, hard=False)
        angle = rng.uniform(0, np.pi)
        spores = Spores(one([100.3]), one([80.7]), one([angle]), one([12.0]), one([8.0]))
        sheet.owner[:] = -1
        laid = lay_spore(rng, sheet, look, spores, 0, 0.5)
        assert laid is not None
        rows, cols = np.nonzero(sheet.owner == 0)
        along = turned(np.stack([cols - 100.3, rows - 80.7], 1) * 0.2, -angle)
        assert np.ptp(along, axis=0) == pytest.approx((12.0, 8.0), abs=0.6)
        # Between a rhombus (1/2 of length times width) and an ellipse (pi/4).
        assert 0.5 < laid[1] * 0.2**2 / (12 * 8) < np.pi / 4 + 0.01


def test_white_balance_and_pigments_give_the_colours_of_the_trade():
    for seed in range(12):
        rng = np.random.default_rng(seed)
        eye = draw_eye(rng, np.zeros(8, np.float32))[1]
        empty = eye.sum(0)
        assert empty.max() / empty.min() < 1.6
        # The wall is amber in transmitted light (McLaughlin & Myers 1970): blue loses more than red.
        amber = np.exp(-ABSORBANCE.T @ mix(**TINTS["amber"][1])) @ eye / empty
        assert amber[2] < amber[1] < amber[0]


def test_lens_bend_is_undone_by_its_inverse():
    for amount in (-0.02, 0.015):
        x, y = unbend(20.0, 400.0, (430, 610), amount)
        assert bend(np.array(x), np.array(y), (430, 610), amount) == pytest.approx((20.0, 400.0), abs=1e-6)


def test_recipe_stands_alone():
    assert_stands_alone(pigments)
