"""Whether the picture as a whole is like a print under a microscope at all."""

from __future__ import annotations

from typing import Literal

import cv2
import numpy as np

from sporecount.records import FlatField, WorkImage
from sporecount.steps.flatten import LOG_LINEAR
from sporecount.steps.rescale import reduced, seen_at, size_at

Likeness = Literal["print", "odd", "other"]
"""A print; a picture that no print known to us looks like, yet that could be one; something else."""

_GRID_UM = 4.0

_OTHER, _ODD = 1.15, 0.6
"""Limits of the sum of oddities. On 190 simulated photos of three styles in the package, ordinary ones stay
below 0.6 but for 1 in 13, and the crowded, the glossy and the strangely lit reach 3; faces, still lifes and
stained tissue lie above 1.1, stained blood cells mostly from 0.7 to 2."""

_EMPTY_FROM, _EMPTY_SCALE = 0.42, 0.18
"""Share of the view within 0.06 of the empty card's density below which a picture is odd, and how fast."""

_BRIGHTER_SCALE = 0.12
"""Share of the view clearly brighter than the card: glints and rims of bubbles, seldom above 0.08 on a print."""

_COLOUR_FROM, _COLOUR_SCALE = 0.45, 0.3
"""Share of what is dark that is of no print's colour: what lies on a print is brown, black or grey, so it takes
away blue at least as much as green, and green as much as red. Dyes, leaves and sky do not."""

_STAIN_FROM, _STAIN_SCALE = 0.06, 0.12
"""The same for what takes away green most, as the stains of cells do: pink and violet. Of 486 simulated prints of
ten styles at most 0.13 of what is dark is so, and above 0.02 on 1 in 100; of stained blood cells from 0.27 on."""

_STAIN_COVER, _ACROSS = 0.06, 0.7
"""Least share of the view that stains must cover to tell, and share of its width or height from which on a piece
in such a colour could be a line in red ink instead."""

_TINT_FROM, _TINT_SCALE = 0.4, 0.5
"""Spread of the empty light's channels in log10; the most yellow of lamps reaches about 0.6."""

_HUE_FROM, _HUE_SCALE = 0.06, 0.06
"""How far the colour of the empty light varies over the view: the largest standard deviation, over the view, of a
channel's light against the mean of the three, in log10. A print has one lamp: of 680 simulated prints of ten
recipes 1 in 50 lies above 0.056; a temple before the sky, a motorcycle and a rocket's launch reach 0.06 to 0.2."""

_DARKEST = -2.0
"""log10 of the light below which a photo is a black frame, or bright spots on black (stars, fluorescence)."""

_GLOWING = 0.004


def likeness(work: WorkImage, flat: FlatField) -> Likeness:
    """Tell a picture of something else: a face, a landscape, a texture, stained cells, glowing spots on black.

    A print is mostly empty card, evenly lit by one lamp; what lies on it takes light away, and is brown, black or
    grey. Six ways of not being so are measured and added up. Without colour only two of them can show; such a
    photo has a reason of its own to be looked at again.

    Parameters
    ----------
    work : WorkImage
    flat : FlatField

    Returns
    -------
    {"print", "odd", "other"}
    """
    size = size_at(work, _GRID_UM)
    seen = seen_at(work, size)
    coarse = reduced(flat.density, size)
    density = coarse[seen]
    if not density.size:
        return "other"
    light = np.median(flat.log_light, axis=(0, 1))
    glowing = light.max() < -1.0 and np.mean(density < -0.3) > _GLOWING
    if light.max() < _DARKEST or glowing:
        return "other"
    dark = (coarse > 0.08) & seen
    light_there = cv2.resize(flat.log_light, size, interpolation=cv2.INTER_LINEAR)[dark]
    channels = light_there - LOG_LINEAR[reduced(work.rgb, size)[dark]]
    empty, brighter = float(np.mean(np.abs(density) < 0.06)), float(np.mean(density < -0.12))
    oddity = (
        max(0.0, (_EMPTY_FROM - empty) / _EMPTY_SCALE)
        + brighter / _BRIGHTER_SCALE
        + max(0.0, (_share_off_colour(channels) - _COLOUR_FROM) / _COLOUR_SCALE)
        + _stained(dark, channels, len(density))
        + max(0.0, (float(np.ptp(light)) - _TINT_FROM) / _TINT_SCALE)
        + max(0.0, (_spread_of_hue(flat.log_light) - _HUE_FROM) / _HUE_SCALE)
    )
    return "other" if oddity > _OTHER else "odd" if oddity > _ODD else "print"


def _spread_of_hue(log_light: np.ndarray) -> float:
    return float(np.std(log_light - log_light.mean(axis=2, keepdims=True), axis=(0, 1)).max())


def _share_off_colour(dark: np.ndarray) -> float:
    """Share of dark places that take away less blue than green or red, or less green than red, beyond the noise.

    `dark` are their densities, shape (n, 3).
    """
    if not len(dark):
        return 0.0
    red, green, blue = dark.T
    margin = np.maximum(0.03, 0.15 * dark.max(axis=1))
    off = (green - blue > margin) | (red - blue > margin) | (red - green > margin)
    return float(off.mean())


def _stained(dark: np.ndarray, channels: np.ndarray, places: int) -> float:
    """Say how much of the view's dark is pink or violet, but for pieces that run across it, as ruled lines do.

    `dark` is where, in the view of so many places; `channels` are the densities there, shape (n, 3).
    """
    if not len(channels):
        return 0.0
    red, green, blue = channels.T
    here = green - np.maximum(red, blue) > np.maximum(0.05, 0.15 * channels.max(axis=1))
    least = _STAIN_COVER * places
    if np.count_nonzero(here) < least:  # as on nearly all prints, which so need no search for pieces
        return 0.0
    stained = np.zeros(dark.shape, np.uint8)
    stained[dark] = here
    _, _, pieces, _ = cv2.connectedComponentsWithStats(stained, connectivity=8)
    far = np.max(pieces[1:, [cv2.CC_STAT_WIDTH, cv2.CC_STAT_HEIGHT]] / dark.shape[::-1], axis=1)
    cover = float(pieces[1:, cv2.CC_STAT_AREA][far < _ACROSS].sum())
    if cover < least:
        return 0.0
    return max(0.0, (cover / len(channels) - _STAIN_FROM) / _STAIN_SCALE)
