"""Stray light: a known veil over a picture with dark things is told and taken off, and nothing else is."""

import cv2
import numpy as np
import pytest

from sporecount.records import WorkImage
from sporecount.steps.flatten import flatten
from sporecount.steps.stray_light import stray_light, taken_off_photo, without_stray_light
from tests.steps.drawn import AMBER, as_photo, as_work, ellipse_cover, linear, picture, srgb

SHAPE = (360, 480)
UM_PER_PX = 1.4
SPORES = [(90, 70), (200, 250), (330, 90), (400, 300), (60, 290)]


def print_with(darkest, veil=0.0, *, absorbs=(1.0, 1.0, 1.0), grain=0.002, light=0.6):
    """Some pale ovals, and a scale whose density is known, under a veil of so much of the empty light."""
    density = darkest * ellipse_cover(SHAPE, 250, 160, 70, 40, 30)
    for x, y in SPORES:
        density = np.maximum(density, 0.2 * ellipse_cover(SHAPE, x, y, 8, 5.5, x))
    clean = linear(picture(density, light, absorbs=absorbs, grain=grain))
    return srgb((1 - veil) * clean + veil * light)


def field(rgb):
    work = as_work(np.ascontiguousarray(rgb), UM_PER_PX)
    return work, flatten(work)


@pytest.mark.parametrize("veil", [0.2, 0.4, 0.6])
@pytest.mark.parametrize("light", [0.15, 0.6])
def test_a_known_veil_is_told(veil, light):
    """A thing of density 0.6 is as pale as the darkest things are taken to be, so the veil is told in full."""
    assert stray_light(*field(print_with(0.6, veil, light=light))) == pytest.approx(veil, abs=0.03)


@pytest.mark.parametrize("veil", [0.2, 0.4, 0.6])
def test_of_darker_things_the_least_veil_that_fits_is_told(veil):
    """t + s (1 - t) is seen of a thing that lets t through: from 10^-0.9 on the same as from 10^-0.6 with less."""
    through = 10**-0.9 + veil * (1 - 10**-0.9)
    least = (through - 10**-0.6) / (1 - 10**-0.6)
    assert stray_light(*field(print_with(0.9, veil))) == pytest.approx(max(least, 0), abs=0.03)


@pytest.mark.parametrize("absorbs", [(1.0, 1.0, 1.0), AMBER], ids=["grey", "amber"])
def test_less_the_veil_densities_are_what_they_were(absorbs):
    _, clean = field(print_with(0.8, absorbs=absorbs))
    veiled = field(print_with(0.8, 0.45, absorbs=absorbs))
    work, flat = without_stray_light(*veiled)
    on = np.zeros(SHAPE, bool)
    for x, y in SPORES:
        on |= ellipse_cover(SHAPE, x, y, 5, 3.5, x) > 0.99
    was, seen, is_now = (one.density[on].mean() for one in (clean, veiled[1], flat))
    assert abs(is_now - was) < 0.35 * abs(seen - was)
    assert flat.stray_light == stray_light(*veiled) > 0.2
    assert work.close is work.rgb


@pytest.mark.parametrize("light", [0.1, 0.6, 1.0])
def test_what_has_dark_things_is_left_alone(light):
    work, flat = field(print_with(0.9, light=light))
    assert without_stray_light(work, flat) == (work, flat)


def test_grain_is_not_raised_to_spores():
    """Card with nothing on it: however pale its darkest places are, it does not become a grainy photo."""
    rng = np.random.default_rng(3)
    for grain in (0.0, 0.002, 0.006, 0.02):
        card = srgb(0.6 + rng.normal(0, grain, (*SHAPE, 3)))
        _, flat = without_stray_light(*field(card))
        assert flat.noise < 0.02 or flat.stray_light == 0
        assert flat.stray_light <= 0.8


@pytest.mark.parametrize("fill", [0, 128, 255])
def test_empty_pictures_do_no_harm(fill):
    _, flat = without_stray_light(*field(np.full((*SHAPE, 3), fill, np.uint8)))
    assert np.isfinite(flat.density).all()
    nothing = as_work(np.full((*SHAPE, 3), fill, np.uint8), UM_PER_PX, seen=np.zeros(SHAPE, bool))
    assert stray_light(nothing, flatten(nothing)) == 0


def test_a_whole_photo_loses_what_its_field_loses():
    close = print_with(0.7, 0.5)
    half = cv2.resize(close, (SHAPE[1] // 2, SHAPE[0] // 2), interpolation=cv2.INTER_AREA)
    seen = np.ones(half.shape[:2], bool)
    work = WorkImage(half, seen, 2 * UM_PER_PX, 0.5, 0.5, 60, 60, close, 1.0)
    flat = flatten(work)
    photo = taken_off_photo(
        as_photo(cv2.copyMakeBorder(close, 60, 60, 60, 60, cv2.BORDER_REPLICATE)), work, flat
    )
    cleared, _ = without_stray_light(work, flat)
    assert (photo.rgb[60:-60, 60:-60] == cleared.close).all()
    assert np.median(cleared.close) < np.median(close)
