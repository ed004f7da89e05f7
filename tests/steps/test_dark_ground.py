"""Things lighter than a dark ground: known light given back becomes the same light taken away."""

import numpy as np
import pytest

from sporecount.chain import count_field
from sporecount.records import CLUTTER_KINDS
from sporecount.settings import CountSettings
from sporecount.steps.clutter import find_clutter
from sporecount.steps.dark_ground import is_dark_ground, negative
from sporecount.steps.flatten import flatten
from tests.steps.drawn import AMBER, as_photo, as_work, disc_cover, ellipse_cover, given_scale, picture, srgb

SHAPE = (360, 520)
UM_PER_PX = 1.1
CARD = 0.09
"""Linear light of a dark card, code value 84."""


def specks(density, wide_um=11.0, number=40, seed=0):
    rng = np.random.default_rng(seed)
    side = wide_um / UM_PER_PX
    places = rng.uniform((30, 30), (SHAPE[1] - 30, SHAPE[0] - 30), (number, 2))
    return density * np.max([ellipse_cover(SHAPE, x, y, side, side) for x, y in places], axis=0)


@pytest.mark.parametrize("number", [3, 40, 200])
def test_light_specks_on_dark_card_are_seen_as_such_and_dark_ones_are_not(number):
    assert is_dark_ground(as_work(picture(specks(-0.5, number=number), CARD, grain=0.002), UM_PER_PX))
    assert not is_dark_ground(as_work(picture(specks(0.5, number=number), CARD, grain=0.002), UM_PER_PX))


def test_neither_white_card_nor_black_ground_nor_light_scales_alone_are_dark_card():
    glints = specks(-0.2)
    assert not is_dark_ground(as_work(picture(glints, 0.5), UM_PER_PX))
    assert not is_dark_ground(as_work(picture(specks(-1.5), 0.01), UM_PER_PX))
    scales = np.max([disc_cover(SHAPE, x, 180, 90) for x in (80, 260, 440)], axis=0)
    dim = picture(specks(0.3) - 0.4 * scales, CARD)
    assert not is_dark_ground(as_work(dim, UM_PER_PX))
    assert not is_dark_ground(as_work(dim, UM_PER_PX, seen=np.zeros(SHAPE, bool)))


@pytest.mark.parametrize("density", [0.15, 0.5, 0.9])
def test_light_given_back_becomes_as_much_light_taken_away_and_red_becomes_blue(density):
    gives_back = np.asarray(AMBER[::-1])  # amber gives back red where it takes away blue
    truth = density * disc_cover(SHAPE, 260, 180, 100)
    work = negative(as_work(picture(-truth, CARD, absorbs=tuple(gives_back)), UM_PER_PX))
    flat = flatten(work)
    # 8 bits of sRGB at the dark ground resolve 0.011 of density
    disc, card = work.rgb[180, 260], work.rgb[20, 20]
    expected = srgb(np.array([0.5, 0.5, 0.5]) * 10 ** (-density * np.asarray(AMBER)))
    assert np.abs(disc.astype(int) - expected).max() <= 3
    assert np.abs(card.astype(int) - srgb(np.full(3, 0.5))).max() <= 1
    weighted = density * float(np.dot((0.15, 0.45, 0.40), AMBER))
    assert np.median(flat.density[truth > 0.99 * density]) == pytest.approx(weighted, abs=0.03)


def test_a_blown_out_thing_on_dark_card_is_glare_and_a_hole_in_it_is_dark():
    gives_back = 1.3 * disc_cover(SHAPE, 160, 180, 80) - 1.3 * disc_cover(SHAPE, 380, 180, 80)
    work = negative(as_work(picture(-gives_back, 0.05), UM_PER_PX))
    clutter, _ = find_clutter(work, flatten(work), CountSettings())
    assert CLUTTER_KINDS[clutter.kind[180, 160] - 1] == "glare"
    assert CLUTTER_KINDS[clutter.kind[180, 380] - 1] == "dark"


def test_what_is_outside_the_round_view_stays_black():
    view = disc_cover(SHAPE, 260, 180, 340)
    rgb = (picture(specks(-0.5), CARD) * view[..., None]).astype(np.uint8)
    work = as_work(rgb, UM_PER_PX, seen=view > 0.99)
    assert is_dark_ground(work)
    assert (negative(work).close[view == 0] == 0).all()


@pytest.mark.parametrize("colour", [(0.0, 1.0, 0.1), (0.1, 0.2, 1.0)], ids=["green", "blue"])
def test_glowing_cells_before_grey_are_still_no_print(colour):
    glow = specks(1.0, wide_um=12)[..., None] * colour
    photo = as_photo(srgb(np.clip(0.05 + 0.4 * glow, 0, 1)))
    assert is_dark_ground(as_work(photo.rgb, UM_PER_PX))
    tally = count_field(photo, given_scale(UM_PER_PX), CountSettings())[0].tally
    assert "unlike-known" in tally.reasons
