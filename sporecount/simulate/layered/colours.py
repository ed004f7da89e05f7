"""Random colours: light, amber bodies, scales, pollen, inks. Linear RGB, about 0 to 1."""

from __future__ import annotations

import numpy as np

from sporecount.simulate.layered.canvas import LUMA

_BROWNS = np.array(
    [[0.15, 0.5, 1.5], [0.3, 0.8, 1.7], [0.45, 0.95, 1.5], [0.7, 1.0, 1.35], [0.95, 1.0, 1.05]], np.float32
)  # straw, amber, chestnut, dark brown, black: absorbance of red, green, blue


def brown_absorption(rng: np.random.Generator) -> np.ndarray:
    """Absorbance per channel, (3,), of something between straw and black; brightness-weighted mean 1."""
    place = rng.beta(1.6, 1.8) * (len(_BROWNS) - 1)
    low = min(int(place), len(_BROWNS) - 2)
    mixed = _BROWNS[low] + (place - low) * (_BROWNS[low + 1] - _BROWNS[low])
    mixed = mixed * np.exp(rng.normal(0.0, 0.08, 3)).astype(np.float32)
    return (mixed / float(mixed @ LUMA)).astype(np.float32)


def spore_absorption(rng: np.random.Generator) -> np.ndarray:
    """Absorbance per channel, (3,), of a sample's spores: brown, now and then dull, reddish or orange.

    Red is always taken least and blue most, even of nearly black ones.
    """
    tint = brown_absorption(rng)
    sort = rng.choice(4, p=[0.55, 0.2, 0.12, 0.13])
    if sort == 1:
        tint = tint + np.float32(rng.uniform(0.1, 0.5)) * (1.0 - tint)
    elif sort == 2:
        tint = tint * np.array([1.15, 0.9, 1.0], np.float32)
    elif sort == 3:
        tint = tint * np.array([0.6, 1.05, 1.25], np.float32)
    tint[0], tint[2] = min(tint[0], rng.uniform(0.7, 0.85) * tint[1]), max(tint[2], 1.15 * tint[1])
    return (tint / float(tint @ LUMA)).astype(np.float32)


def light_colour(rng: np.random.Generator, brightness: float) -> np.ndarray:
    """Colour of the empty view, (3,), at the given brightness: bluish, white, yellow or reddish."""
    warmth, green = rng.normal(0.12, 0.28), rng.normal(0.0, 0.06)
    if rng.random() < 0.08:
        warmth += rng.choice([-0.3, 0.6])
    colour = np.exp(np.array([0.55 * warmth, green, -0.9 * warmth]))
    return (colour / float(colour @ LUMA) * brightness).astype(np.float32)


def hsv(hue: float, saturation: float, value: float) -> np.ndarray:
    """RGB (3,) of a hue in turns, a saturation and a value."""
    ramp = np.abs((hue + np.array([0.0, 2.0 / 3.0, 1.0 / 3.0])) % 1.0 * 6.0 - 3.0) - 1.0
    return (value * (1.0 - saturation + saturation * np.clip(ramp, 0.0, 1.0))).astype(np.float32)


def scale_colour(rng: np.random.Generator) -> np.ndarray:
    """Share of light (3,) that a scale sends on: black, brown, orange, yellow, white, grey, rarely a hue."""
    sort = rng.choice(7, p=[0.2, 0.18, 0.2, 0.12, 0.14, 0.1, 0.06])
    if sort == 0:
        return hsv(rng.uniform(0, 0.12), rng.uniform(0.0, 0.5), rng.uniform(0.02, 0.12))
    if sort == 1:
        return hsv(rng.uniform(0.04, 0.1), rng.uniform(0.4, 0.85), rng.uniform(0.08, 0.35))
    if sort == 2:
        return hsv(rng.uniform(0.03, 0.1), rng.uniform(0.6, 0.98), rng.uniform(0.35, 0.85))
    if sort == 3:
        return hsv(rng.uniform(0.1, 0.16), rng.uniform(0.3, 0.85), rng.uniform(0.5, 0.9))
    if sort == 4:
        return hsv(rng.uniform(0.05, 0.6), rng.uniform(0.0, 0.12), rng.uniform(0.6, 0.97))
    if sort == 5:
        return hsv(rng.uniform(0.0, 1.0), rng.uniform(0.0, 0.2), rng.uniform(0.2, 0.6))
    return hsv(rng.uniform(0.45, 0.95), rng.uniform(0.2, 0.7), rng.uniform(0.15, 0.6))
