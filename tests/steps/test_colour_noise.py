"""Colour noise: noise of a known size is measured, and smoothed out of the colours without touching grey."""

import cv2
import numpy as np
import pytest

from sporecount.steps.colour_noise import colour_noise, smooth_colour
from tests.steps.drawn import AMBER, as_work, ellipse_cover, linear, picture, srgb

SHAPE = (360, 480)
UM_PER_PX = 0.8
REACH_UM = 2.5


def ovals():
    """Amber ovals of 12 x 8 um."""
    density = np.zeros(SHAPE)
    for x in range(60, SHAPE[1] - 40, 90):
        for y in range(50, SHAPE[0] - 40, 80):
            density += 0.4 * ellipse_cover(SHAPE, x, y, 12 / UM_PER_PX, 8 / UM_PER_PX, x + y)
    return picture(cv2.GaussianBlur(density, (0, 0), 1.2), 0.55, absorbs=AMBER)


def blotched(rgb, amplitude, blot_px, seed=0):
    """Noise of so many code values that adds up to nothing over red, green and blue."""
    noise = np.random.default_rng(seed).normal(0, 1, rgb.shape)
    if blot_px:
        noise = cv2.GaussianBlur(noise, (0, 0), blot_px)
    noise *= amplitude / noise.std()
    return np.clip(np.round(rgb + noise - noise.mean(axis=2, keepdims=True)), 0, 255).astype(np.uint8)


@pytest.mark.parametrize("sigma", [0.01, 0.03])
def test_known_noise_is_measured(sigma):
    """Of 10^-density, noise sigma in light is sigma / (light ln 10) in density; red and blue have it each."""
    light = 0.5
    rgb = srgb(light + np.random.default_rng(1).normal(0, sigma, (*SHAPE, 3)))
    wanted = np.sqrt(2) * sigma / (light * np.log(10))
    assert colour_noise(as_work(rgb, UM_PER_PX)) == pytest.approx(wanted, rel=0.08)


@pytest.mark.parametrize("blot_px", [1, 2])
@pytest.mark.parametrize("darker", [1, 3, 5])
def test_blots_go_grey_and_tint_stay(blot_px, darker):
    """Noise blurred by b is 1/b strong; blurred by s more, 1/sqrt(b^2 + s^2). Rounding adds half a code value.

    The middle of an oval 8 um wide keeps most of its tint.
    """
    plain = srgb(linear(ovals()) / darker**2)
    noisy = blotched(plain, 5 + 25 / darker, blot_px)
    smooth = smooth_colour(as_work(noisy, UM_PER_PX)).rgb

    def tint(rgb):
        return rgb[..., 2].astype(float) - rgb[..., 0]

    away = np.abs(tint(plain) - np.median(tint(plain)))
    empty = cv2.dilate((away > 2).astype(np.uint8), np.ones((15, 15))) == 0
    wanted = blot_px / np.hypot(blot_px, REACH_UM / UM_PER_PX)
    got = np.sqrt(tint(smooth)[empty].var() - 0.5**2) / tint(noisy)[empty].std()
    assert got == pytest.approx(wanted, rel=0.1)
    grey, was = (cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY).astype(float) for rgb in (smooth, noisy))
    assert np.abs(grey - was).max() <= 2  # each channel is rounded
    middles = away > 0.8 * away.max()
    assert tint(smooth)[middles].mean() == pytest.approx(tint(plain)[middles].mean(), rel=0.35)


def test_pictures_without_colour_noise_are_left_alone():
    for rgb in (ovals(), blotched(ovals(), 0.3, 0), np.repeat(ovals()[..., 1:2], 3, axis=2)):
        work = as_work(np.ascontiguousarray(rgb), UM_PER_PX)
        assert smooth_colour(work) is work


def test_more_noise_is_smoothed_no_less():
    """In part first, so that no photo tips over."""
    changed = []
    for amplitude in (1, 2, 3, 4, 6, 9, 14):
        noisy = blotched(ovals(), amplitude, 1)
        smooth = smooth_colour(as_work(noisy, UM_PER_PX)).rgb
        changed.append(np.std(smooth[..., 2].astype(float) - noisy[..., 2]) / amplitude)
    assert changed[0] == 0
    assert (np.diff(changed) > -0.03).all()
    assert any(0.1 * changed[-1] < one < 0.8 * changed[-1] for one in changed)
    assert changed[-1] > 0.6
