"""Lateral colour: a known growth of red and blue against green is told and undone, and nothing else is."""

import cv2
import numpy as np
import pytest

from sporecount.records import WorkImage
from sporecount.steps.lateral_colour import lateral_colour, undo_in_photo, undo_lateral_colour
from tests.steps.drawn import AMBER, as_photo, as_work, ellipse_cover, picture, srgb

SHAPE = (400, 560)
UM_PER_PX = 0.9
SKY = np.array([0.25, 0.45, 0.8])
CORNER_UM = float(np.hypot(*SHAPE)) / 2 * UM_PER_PX


def grown(red_um=0.0, blue_um=0.0, absorbs=AMBER, *, number=45, seed=7):
    """Ovals, drawn for each channel where it shows them; growths in um at the corners."""
    rng = np.random.default_rng(seed)
    places = rng.uniform((40, 40), (SHAPE[1] - 40, SHAPE[0] - 40), (number, 2))
    turns = rng.uniform(0, 180, number)
    middle = np.array([(SHAPE[1] - 1) / 2, (SHAPE[0] - 1) / 2])
    planes = []
    for channel, um in enumerate((red_um, 0.0, blue_um)):
        at = middle + (places - middle) * (1 + um / CORNER_UM)
        ovals = [ellipse_cover(SHAPE, x, y, 13, 9, turn) for (x, y), turn in zip(at, turns, strict=True)]
        density = cv2.GaussianBlur(0.5 * np.max(ovals, axis=0), (0, 0), 1.0)
        planes.append(picture(density, 0.6, absorbs=absorbs, grain=0.004, seed=channel)[..., channel])
    return np.stack(planes, axis=-1)


@pytest.mark.parametrize(("red_um", "blue_um"), [(2.0, -2.0), (-1.5, 3.0), (4.0, 4.0)])
@pytest.mark.parametrize("absorbs", [AMBER, (1.0, 1.0, 1.0)], ids=["amber", "grey"])
def test_a_known_growth_is_told(red_um, blue_um, absorbs):
    """To a tenth, and a tenth of a um: the gradients of green are blurred, so they are a little weak."""
    found = lateral_colour(as_work(grown(red_um, blue_um, absorbs), UM_PER_PX))
    assert found[0] * CORNER_UM == pytest.approx(red_um, rel=0.1, abs=0.1)
    assert found[2] * CORNER_UM == pytest.approx(blue_um, rel=0.1, abs=0.1)


def test_undone_it_is_as_if_it_had_never_been():
    plain, fringed = grown(), grown(3.0, -3.0)
    undone = undo_lateral_colour(as_work(fringed, UM_PER_PX))
    assert undone.close is undone.rgb

    def away(rgb):  # less the grain, which sampling between pixels smooths
        return np.abs(cv2.GaussianBlur(rgb.astype(float) - plain, (0, 0), 2))[20:-20, 20:-20].mean(
            axis=(0, 1)
        )

    assert (away(undone.rgb)[[0, 2]] < 0.4 * away(fringed)[[0, 2]]).all()
    assert (undone.rgb[..., 1] == fringed[..., 1]).all()


@pytest.mark.parametrize(
    "rgb",
    [
        grown(),
        grown(0.4, -0.4),  # harmless
        np.roll(grown(), 3, axis=1) // 2 + grown() // 2,
        grown(absorbs=(1.0, 1.0, 1.0)),
        grown(12.0, -12.0),  # out of reach
        np.full((*SHAPE, 3), 128, np.uint8),
        np.zeros((*SHAPE, 3), np.uint8),
        np.random.default_rng(1).integers(0, 255, (*SHAPE, 3), np.uint8),
        np.zeros((9, 7, 3), np.uint8),
        srgb(SKY * np.linspace(0.5, 1, SHAPE[0])[:, None, None] * np.ones((1, SHAPE[1], 1))),
    ],
    ids=["plain", "harmless", "double", "colourless", "far", "grey", "black", "noise", "tiny", "sky"],
)
def test_other_pictures_are_left_alone(rgb):
    work = as_work(np.ascontiguousarray(rgb), UM_PER_PX)
    assert undo_lateral_colour(work) is work


@pytest.mark.parametrize("number", [1, 2, 3, 45])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_light_from_one_side_is_no_growth(number, seed):
    """Red beside green everywhere, as the sunny and the shady side show it: with one thing it could be either."""
    rgb = grown(number=number, seed=seed)
    rgb[..., 0] = np.roll(rgb[..., 0], 2, axis=1)
    work = as_work(rgb, UM_PER_PX)
    assert undo_lateral_colour(work) is work


def test_a_close_picture_and_the_whole_photo_are_undone_about_the_same_middle():
    """A field cut out of a larger photo: the growth is about the middle of what was cut, 60 px from its corner."""
    close = grown(3.0, -3.0)
    half = cv2.resize(close, (SHAPE[1] // 2, SHAPE[0] // 2), interpolation=cv2.INTER_AREA)
    seen = np.ones(half.shape[:2], bool)
    work = WorkImage(half, seen, 2 * UM_PER_PX, 0.5, 0.5, 60, 60, close, 1.0)
    whole = cv2.copyMakeBorder(close, 60, 60, 60, 60, cv2.BORDER_REPLICATE)
    photo = undo_in_photo(as_photo(whole), work)
    inner = photo.rgb[60 : 60 + SHAPE[0], 60 : 60 + SHAPE[1]].astype(int)
    assert np.abs(inner - undo_lateral_colour(work).close)[20:-20, 20:-20].max() <= 1
    assert np.abs(inner - whole[60 : 60 + SHAPE[0], 60 : 60 + SHAPE[1]])[20:-20, 20:-20].max() > 20
