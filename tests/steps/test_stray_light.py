"""Stray light: a known veil over a picture with dark things is told and taken off, and nothing else is."""

import cv2
import numpy as np
import pytest

from sporecount.records import WorkImage
from sporecount.steps.flatten import CHANNEL_WEIGHTS, flatten
from sporecount.steps.stray_light import StrayLight, less_stray_light, stray_light
from tests.steps.drawn import AMBER, as_work, ellipse_cover, linear, picture, srgb

SHAPE = (360, 480)
UM_PER_PX = 1.4
SPORES = [(90, 70), (200, 250), (330, 90), (400, 300), (60, 290)]
TINT = np.array([1.0, 0.5, 0.2])
"""Of an orange lamp."""


def print_with(darkest, veil=0.0, *, absorbs=(1.0, 1.0, 1.0), grain=0.002, light=0.6, tint=(1.0, 1.0, 1.0)):
    """Some pale ovals, and a scale whose density is known, under a veil of so much of the empty light."""
    density = darkest * ellipse_cover(SHAPE, 250, 160, 70, 40, 30)
    for x, y in SPORES:
        density = np.maximum(density, 0.2 * ellipse_cover(SHAPE, x, y, 8, 5.5, x))
    clean = linear(picture(density, light, absorbs=absorbs, grain=grain, tint=tint))
    return srgb((1 - veil) * clean + veil * light * np.array(tint))


def field(rgb, seen=None):
    work = as_work(np.ascontiguousarray(rgb), UM_PER_PX, seen)
    return work, flatten(work)


def cleared(work, flat):
    return less_stray_light(work, flat, stray_light(work, flat))


@pytest.mark.parametrize("veil", [0.2, 0.4, 0.6])
@pytest.mark.parametrize("light", [0.15, 0.6])
def test_a_known_veil_is_told(veil, light):
    """A thing of density 0.6 is as pale as the darkest things are taken to be, so the veil is told in full.

    To 0.04: its edges fall over more than a pixel.
    """
    found = stray_light(*field(print_with(0.6, veil, light=light)))
    assert found.share == pytest.approx(veil, abs=0.04)
    assert found.sure == 1


@pytest.mark.parametrize("veil", [0.2, 0.4, 0.6])
def test_of_darker_things_the_least_veil_that_fits_is_told(veil):
    """t + s (1 - t) is seen of a thing that lets t through: from 10^-0.9 on the same as from 10^-0.6 with less."""
    through = 10**-0.9 + veil * (1 - 10**-0.9)
    least = (through - 10**-0.6) / (1 - 10**-0.6)
    assert stray_light(*field(print_with(0.9, veil))).share == pytest.approx(max(least, 0), abs=0.04)


@pytest.mark.parametrize("absorbs", [(1.0, 1.0, 1.0), AMBER], ids=["grey", "amber"])
@pytest.mark.parametrize("tint", [np.ones(3), TINT], ids=["white", "orange"])
def test_less_the_veil_densities_are_what_they_were(absorbs, tint):
    """Of pale ovals in each channel, but for a third of what the veil took."""
    darkest = 0.6 / (CHANNEL_WEIGHTS @ np.array(absorbs))
    clean, veiled = (print_with(darkest, veil, absorbs=absorbs, tint=tint) for veil in (0.0, 0.45))
    work = cleared(*field(veiled))
    on = np.max([ellipse_cover(SHAPE, x, y, 5, 3.5, x) for x, y in SPORES], axis=0) > 0.99
    off = np.zeros(SHAPE, bool)
    off[5:40, 200:300] = True

    def density(rgb):
        light = np.log10(np.maximum(linear(rgb), 1e-4))
        return light[off].mean(axis=0) - light[on].mean(axis=0)

    was, seen, is_now = density(clean), density(veiled), density(work.rgb)
    told = slice(None) if absorbs != AMBER else slice(1, 3)  # in red amber is as pale as grain
    assert (np.abs(is_now - was)[told] < 0.35 * np.abs(seen - was)[told]).all()
    assert work.close is work.rgb


@pytest.mark.parametrize("light", [0.1, 0.6, 1.0])
def test_what_has_dark_things_is_left_alone(light):
    work, flat = field(print_with(0.9, light=light))
    assert cleared(work, flat) is work


def paper(amplitude, blot_px, *, shade=0.0, grain=0.003, quality=None):
    rng = np.random.default_rng(3)
    y, x = np.meshgrid(*(np.linspace(-1, 1, side) for side in SHAPE), indexing="ij")
    texture = cv2.GaussianBlur(rng.normal(0, 1, SHAPE), (0, 0), blot_px)
    light = 0.6 * (1 + amplitude * texture / texture.std()) * (1 - shade * (x**2 + y**2) / 2)
    rgb = srgb(light[..., None] + rng.normal(0, grain, (*SHAPE, 3)))
    if quality is None:
        return rgb
    return cv2.imdecode(cv2.imencode(".jpg", rgb, [cv2.IMWRITE_JPEG_QUALITY, quality])[1], cv2.IMREAD_COLOR)


@pytest.mark.parametrize(
    "rgb",
    [
        paper(0.02, 3),
        paper(0.06, 40),
        paper(0.0, 3, shade=0.5, grain=0, quality=85),
        paper(0.0, 3, shade=0.7, grain=0, quality=97),
        paper(0.01, 1, shade=0.5, grain=0.02, quality=60),
        np.full((*SHAPE, 3), 128, np.uint8),
        np.zeros((*SHAPE, 3), np.uint8),
        np.full((*SHAPE, 3), 255, np.uint8),
    ],
    ids=["paper", "smooth", "shade", "strong shade", "grain", "grey", "black", "white"],
)
def test_where_nothing_stands_off_the_ground_nothing_is_taken_off(rgb):
    """Else paper would be raised to scales, and what is out of focus to edges."""
    work, flat = field(rgb)
    assert cleared(work, flat) is work


def test_without_a_view_nothing_is_told():
    nothing = field(print_with(0.3, 0.5), np.zeros(SHAPE, bool))
    assert stray_light(*nothing) == StrayLight(0.0, 0.0)
    assert cleared(*nothing) is nothing[0]


@pytest.mark.parametrize("grain", [0.0, 0.004, 0.02])
def test_grain_is_not_raised_to_spores(grain):
    """Up to 0.015, what a sharp photo of a good phone has; where there is more already nothing is raised."""
    work, flat = field(print_with(0.6, 0.7, grain=grain))
    after = flatten(cleared(work, flat))
    assert after.noise <= max(1.1 * 0.015, flat.noise)


def test_no_more_is_taken_off_than_the_weakest_light_in_view():
    """Stray light lies over all alike, so a corner in shade tells that there is no more of it."""
    y, x = np.meshgrid(*(np.linspace(-1, 1, side) for side in SHAPE), indexing="ij")
    rgb = srgb(linear(print_with(0.35)) * (1 - 0.35 * (x**2 + y**2))[..., None])
    work = less_stray_light(*field(rgb), StrayLight(0.8, 1.0))
    corners = [work.rgb[row, col] for row in (3, -4) for col in (3, -4)]
    assert np.min(corners) > 10


def test_white_stays_white_and_the_surround_black():
    seen = np.zeros(SHAPE, bool)
    seen[40:320, 60:420] = True
    rgb = np.where(seen[..., None], print_with(0.6, 0.5), 0).astype(np.uint8)
    rgb[100:110, 100:110] = 255
    work, flat = field(rgb, seen)
    assert stray_light(work, flat).share == pytest.approx(0.5, abs=0.05)
    after = cleared(work, flat)
    assert (after.rgb[100:110, 100:110] == 255).all()
    assert (after.rgb[~seen] == 0).all()


def test_both_grids_lose_the_same():
    close = print_with(0.6, 0.5)
    half = cv2.resize(close, (SHAPE[1] // 2, SHAPE[0] // 2), interpolation=cv2.INTER_AREA)
    work = WorkImage(half, np.ones(half.shape[:2], bool), 2 * UM_PER_PX, 0.5, 0.5, 60, 60, close, 1.0)
    after = cleared(work, flatten(work))
    again = cv2.resize(after.close, (SHAPE[1] // 2, SHAPE[0] // 2), interpolation=cv2.INTER_AREA)
    assert np.abs(again.astype(int) - after.rgb).mean() < 1
    assert np.median(after.rgb) < np.median(half) - 10
