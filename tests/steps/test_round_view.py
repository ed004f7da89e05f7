"""The round view: a drawn circle whose centre and radius are known."""

import cv2
import numpy as np
import pytest

from sporecount.steps.round_view import find_round_view, view_mask
from tests.steps.drawn import as_photo, disc_cover, srgb

OF_DIAMETER = 0.006
"""The circle is sought on about 256 pixels, so to about a five-hundredth of the longer side."""


def eyepiece(shape, x, y, radius, *, soft_px=3.0, surround=0.01, lean=0.0, shade=0.0, seed=0):
    """A lit circle with soft rim, uneven light and a little noise."""
    inside = cv2.GaussianBlur(disc_cover(shape, x, y, 2 * radius), (0, 0), soft_px)
    rows, cols = np.indices(shape)
    fall = 1 - shade * (((cols - x) ** 2 + (rows - y) ** 2) / radius**2) ** 2
    light = 0.7 * inside * fall * (1 + lean * (cols - x) / radius) + surround
    noise = np.random.default_rng(seed).normal(0, 0.01, (*shape, 3))
    return srgb(light[..., None] * (1.0, 0.97, 0.9) + noise * np.sqrt(np.maximum(light, 0))[..., None])


@pytest.mark.parametrize(
    ("shape", "x", "y", "radius", "look"),
    [
        ((600, 800), 400, 300, 260, {}),
        ((600, 800), 421.3, 287.6, 250, {"lean": 0.2}),
        ((800, 600), 300, 400, 240, {"shade": 0.5}),
        ((500, 900), 450, 250, 235, {"surround": 0.05}),
        ((900, 1200), 600, 450, 420, {"soft_px": 9}),
        ((600, 800), 380, 300, 330, {}),  # the photo cuts it at top and bottom
        ((600, 800), 410, 300, 260, {"surround": 0.25}),  # stray light lifts the surround
        ((600, 800), 410, 300, 260, {"surround": 0.3, "shade": 0.3}),
        ((900, 700), 350, 430, 300, {"surround": 0.3, "lean": 0.15}),
    ],
)
def test_centre_and_radius_of_a_circle(shape, x, y, radius, look):
    view = find_round_view(as_photo(eyepiece(shape, x, y, radius, **look)))
    tolerance = OF_DIAMETER * max(shape)
    assert view.found
    assert abs(view.center_x_px - x) < tolerance
    assert abs(view.center_y_px - y) < tolerance
    assert abs(view.radius_px - radius) < tolerance + look.get("soft_px", 3.0)


def test_dark_things_at_the_rim_do_not_move_it():
    rgb = eyepiece((600, 800), 400, 300, 260)
    for angle in np.arange(0.3, 6.0, 0.9):
        at = (round(400 + 250 * np.cos(angle)), round(300 + 250 * np.sin(angle)))
        cv2.ellipse(rgb, at, (45, 18), np.degrees(angle), 0, 360, (40, 30, 25), -1)
    view = find_round_view(as_photo(rgb))
    assert view.found
    assert np.hypot(view.center_x_px - 400, view.center_y_px - 300) < 2 * OF_DIAMETER * 800
    assert abs(view.radius_px - 260) < 2 * OF_DIAMETER * 800


@pytest.mark.parametrize("angle", [0, 31])
def test_lines_of_a_grid_do_not_hide_it(angle):
    rgb = eyepiece((600, 800), 420, 290, 250)
    rows, cols = np.indices(rgb.shape[:2])
    turn = np.deg2rad(angle)
    for place in (cols * np.cos(turn) + rows * np.sin(turn), rows * np.cos(turn) - cols * np.sin(turn)):
        rgb[place % 80 < 18] = 12  # thick, nearly black, through the whole view
    view = find_round_view(as_photo(rgb))
    assert view.measurable
    # where a line runs along the rim the circle is seen a line's width further in
    assert np.hypot(view.center_x_px - 420, view.center_y_px - 290) < 2 * OF_DIAMETER * 800
    assert abs(view.radius_px - 250) < 2 * OF_DIAMETER * 800


@pytest.mark.parametrize(
    "rgb",
    [
        np.full((300, 420, 3), 200, np.uint8),  # the view is larger than the photo
        np.zeros((300, 420, 3), np.uint8),
        np.full((11, 7, 3), 90, np.uint8),
        np.random.default_rng(3).integers(0, 256, (300, 420, 3), np.uint8),
    ],
    ids=["bright", "black", "tiny", "noise"],
)
def test_without_an_edge_the_whole_photo_is_the_view(rgb):
    height, width = rgb.shape[:2]
    view = find_round_view(as_photo(rgb))
    assert not view.found
    assert (view.center_x_px, view.center_y_px) == ((width - 1) / 2, (height - 1) / 2)
    assert view.radius_px == pytest.approx(np.hypot(width, height) / 2)
    assert view_mask(view, width, height).all()


@pytest.mark.parametrize("lifted", [0.25, 0.4])
def test_a_lifted_surround_is_not_measured_by(lifted):
    """A plate or a coverslip looks like a view, too, and must not tell a scale."""
    dark, light = (
        find_round_view(as_photo(eyepiece((600, 800), 410, 300, 260, surround=one))) for one in (0.01, lifted)
    )
    assert dark.measurable
    assert light.found
    assert not light.measurable


@pytest.mark.parametrize("surround", [0.75, 0.85, 0.95])
@pytest.mark.parametrize("things", [0, 25])
def test_a_somewhat_brighter_disc_is_no_round_view(surround, things):
    """A coverslip or a bubble, on card with few things on it: the card beyond it must not be cut off."""
    light = 0.7 * (surround + (1 - surround) * disc_cover((600, 800), 410, 300, 440))
    for x, y in np.random.default_rng(things).uniform((10, 10), (790, 590), (things, 2)):
        light *= 1 - 0.6 * disc_cover((600, 800), x, y, 14)
    assert not find_round_view(as_photo(srgb(np.repeat(light[..., None], 3, axis=2)))).found


@pytest.mark.parametrize("surround", [0.4, 0.5])
@pytest.mark.parametrize("where", ["outside", "inside"])
def test_a_plate_is_no_round_view(surround, where):
    """There are no things on a tube, and what is seen through stray light is no darker than the tube."""
    light = 0.7 * (surround + (1 - surround) * disc_cover((600, 800), 410, 300, 440))
    for x, y in np.random.default_rng(1).uniform((10, 10), (790, 590), (60, 2)):
        if (np.hypot(x - 410, y - 300) < 200) == (where == "inside"):
            light *= 1 - 0.8 * disc_cover((600, 800), x, y, 16)
    assert not find_round_view(as_photo(srgb(np.repeat(light[..., None], 3, axis=2)))).found


@pytest.mark.parametrize("fall", ["vignette", "spot", "shadow", "blots", "soft 40", "soft 150"])
def test_uneven_light_is_no_round_view(fall):
    """Its lines of equal brightness may be circles, but it has no edge, and what is beyond them is not even."""
    rows, cols = np.indices((600, 800))
    away = np.hypot(rows - 310, cols - 390)
    light = {
        "soft 40": 0.25 + 0.4 * np.clip((260 - away) / 40 + 0.5, 0, 1),
        "soft 150": 0.25 + 0.4 * np.clip((260 - away) / 150 + 0.5, 0, 1),
        "vignette": 0.7 * (1 - 0.7 * (away / 500) ** 2),
        "spot": 0.25 + 0.4 * np.exp(-((away / 150) ** 2)),
        "shadow": 0.6 - 0.3 * np.clip((cols - 300) / 200, 0, 1),
        "blots": 0.5
        + 0.15 * cv2.GaussianBlur(np.random.default_rng(2).normal(0, 40, (600, 800)), (0, 0), 40),
    }[fall]
    assert not find_round_view(as_photo(srgb(np.repeat(light[..., None], 3, axis=2)))).found


def test_a_lit_square_is_no_round_view():
    rgb = np.full((600, 800, 3), 5, np.uint8)
    rgb[100:500, 150:650] = 200
    assert not find_round_view(as_photo(rgb)).found


def test_mask_has_the_area_of_the_circle():
    view = find_round_view(as_photo(eyepiece((600, 800), 400, 300, 260)))
    area = view_mask(view, 800, 600, margin=1.0).sum()
    assert area == pytest.approx(np.pi * view.radius_px**2, rel=0.002)
    assert view_mask(view, 800, 600).sum() < area


def test_photo_is_left_as_it_was():
    rgb = eyepiece((300, 400), 200, 150, 130)
    before = rgb.copy()
    find_round_view(as_photo(rgb))
    assert (rgb == before).all()
