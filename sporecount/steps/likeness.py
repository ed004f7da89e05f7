"""Whether the picture as a whole is like a print under a microscope at all."""

from __future__ import annotations

import cv2
import numpy as np

from sporecount.records import FlatField, WorkImage

_GRID_UM = 4.0

_LEAST_EMPTY = 0.29
"""Least share of the view within 0.06 of the empty card's density. Of 200 simulated prints, crowded ones too, none
lay below 0.3; faces, still lifes and stained tissue lie at 0.1 to 0.26."""

_MOST_BRIGHTER = 0.10
"""Largest share of the view clearly brighter than the card: glints and rims of bubbles, at most 0.08 on simulated
prints; textures, faces and landscapes reach 0.12 to 0.25."""

_WIDEST_TINT = 0.45
"""Widest spread of the empty light's channels in log10: beyond a threefold tint the light is no lamp's."""

_DARKEST = -2.0
"""log10 of the light below which a photo is a black frame, or bright spots on black (stars, fluorescence)."""

_GLOWING = 0.004


def unlike_print(work: WorkImage, flat: FlatField) -> bool:
    """Tell a picture of something else: a face, a landscape, a texture, a black frame, glowing spots on black.

    A print is mostly empty card, evenly lit; things on it take light away.

    Parameters
    ----------
    work : WorkImage
    flat : FlatField

    Returns
    -------
    bool
    """
    height, width = work.seen.shape
    shrink = max(1.0, _GRID_UM / work.um_per_px)
    size = (max(2, round(width / shrink)), max(2, round(height / shrink)))
    seen = cv2.resize(work.seen.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0
    density = cv2.resize(flat.density, size, interpolation=cv2.INTER_AREA)[seen]
    if not density.size:
        return True
    light = np.median(flat.log_light, axis=(0, 1))
    empty = np.mean(np.abs(density) < 0.06)
    brighter = np.mean(density < -0.12)
    glowing = light.max() < -1.0 and np.mean(density < -0.3) > _GLOWING
    return bool(
        empty < _LEAST_EMPTY
        or brighter > _MOST_BRIGHTER
        or np.ptp(light) > _WIDEST_TINT
        or light.max() < _DARKEST
        or glowing
    )
