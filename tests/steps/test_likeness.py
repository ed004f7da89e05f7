"""Pictures that are a print, and pictures that are none, by what is known of light and colour."""

from __future__ import annotations

import importlib

import numpy as np
import pytest

from sporecount.records import Photo, Scale
from sporecount.settings import CountSettings
from sporecount.steps.flatten import flatten
from sporecount.steps.likeness import likeness
from sporecount.steps.rescale import to_working_grid
from sporecount.steps.round_view import find_round_view
from tests.steps.drawn import ellipse_cover, srgb

BROWN, BLACK, PINK, BLUE, GREEN = (
    (0.2, 0.4, 0.7),
    (0.5, 0.5, 0.5),
    (0.1, 0.6, 0.2),
    (0.7, 0.5, 0.1),
    (0.6, 0.1, 0.5),
)
"""Densities of red, green, blue."""


def of_picture(rgb: np.ndarray, um_per_px: float = 1.0) -> str:
    photo = Photo(np.ascontiguousarray(rgb), "drawn")
    work = to_working_grid(photo, find_round_view(photo), Scale(um_per_px), CountSettings())
    return likeness(work, flatten(work))


def discs(density: tuple[float, float, float], number: int, light=(0.7, 0.65, 0.6)) -> np.ndarray:
    """Discs of 40 um on empty card, at 1 um per pixel, with grain."""
    rng = np.random.default_rng(number)
    shape = (330, 440)
    cover = np.zeros(shape)
    for _ in range(number):
        x, y = rng.uniform(0, shape[1]), rng.uniform(0, shape[0])
        cover = np.maximum(cover, ellipse_cover(shape, x, y, 40, 40))
    linear = np.asarray(light) * 10 ** (-cover[..., None] * density)
    return srgb(linear + rng.normal(0, 0.004, (*shape, 3)))


@pytest.mark.parametrize("density", [BROWN, BLACK], ids=["brown", "black"])
@pytest.mark.parametrize("light", [(0.7, 0.65, 0.6), (0.8, 0.5, 0.25), (0.1, 0.1, 0.12)])
def test_brown_and_black_things_on_card_are_like_a_print_in_any_lamp(density, light):
    assert of_picture(discs(density, 25, light)) == "print"


@pytest.mark.parametrize("density", [PINK, BLUE, GREEN], ids=["pink", "blue", "green"])
def test_the_same_things_in_a_dye_are_not(density):
    assert of_picture(discs(density, 25)) == "other"


def test_red_cells_beside_violet_nuclei_are_no_print_though_most_of_them_are_rather_brown():
    # Haemoglobin takes away blue as much as green; azure and eosin on nuclei take away green most (from memory).
    cells, nuclei = discs((0.06, 0.16, 0.17), 16), discs((0.35, 0.6, 0.2), 9, light=(1, 1, 1)) / 255
    assert of_picture(cells) == "print"
    assert of_picture((cells * nuclei).astype(np.uint8)) == "other"


@pytest.mark.parametrize(("number", "wide"), [(4, 12), (25, 30)])
def test_a_line_in_red_ink_changes_nothing(number, wide):
    rgb = discs(BROWN, number)
    rgb[150 : 150 + wide] = (rgb[150 : 150 + wide] * (0.9, 0.55, 0.7)).astype(np.uint8)
    assert of_picture(rgb) == "print"


def test_few_blue_fibres_among_brown_things_change_nothing():
    rgb = discs(BROWN, 25)
    rgb[200:204] = (rgb[200:204] * (0.3, 0.5, 0.95)).astype(np.uint8)
    assert of_picture(rgb) == "print"


def test_nothing_empty_is_no_print():
    """A surface that is light and dark all over, evenly: no card to be seen."""
    rng = np.random.default_rng(3)
    coarse = rng.uniform(0.03, 0.9, (33, 44, 1)).repeat(10, axis=0).repeat(10, axis=1)
    assert of_picture(srgb(coarse * (0.9, 0.8, 0.7))) == "other"


def test_black_frames_and_glowing_spots_are_no_print():
    rng = np.random.default_rng(4)
    black = rng.normal(2, 1.5, (330, 440, 3)).clip(0, 255)
    assert of_picture(black.astype(np.uint8)) == "other"
    spots = sum(ellipse_cover((330, 440), *rng.uniform(20, 310, 2), 12, 12) for _ in range(40))
    glowing = black + np.clip(spots, 0, 1)[..., None] * (20, 200, 40)
    assert of_picture(glowing.clip(0, 255).astype(np.uint8)) == "other"


@pytest.mark.parametrize("style", ["photo", "layered", "collage"])
def test_ordinary_simulated_prints_are_like_a_print(style):
    module = importlib.import_module(f"sporecount.simulate.{style}")
    found = []
    for seed in range(4):
        photo = module.draw_photo(
            np.random.default_rng([17, seed]), width_px=640, height_px=480, um_per_px=0.7, preset="good_focus"
        )
        found.append(of_picture(photo.rgb, photo.um_per_px))
    assert "other" not in found
    assert found.count("print") >= 3
