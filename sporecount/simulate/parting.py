"""Whether the eye can follow a spore's outline among the spores that it touches."""

from __future__ import annotations

import cv2
import numpy as np

SECTORS = 12
_INSIDE, _OUTSIDE = 0.72, 1.28
"""Relative radii at which an outline's two sides are looked at."""

LEAST_STEP = 6.0
"""Display levels of 255 by which two sides, or a line between them and both, must differ."""

LEAST_SHARE = 0.55
"""Share of the outline that must be seen in a clump."""


def outline_seen(photo: np.ndarray, outlines: np.ndarray) -> np.ndarray:
    """Share of each outline along which a step or a line of brightness or colour is to be seen.

    Parameters
    ----------
    photo : ndarray of shape (H, W, 3), uint8
        The finished photo.
    outlines : ndarray of shape (n, 5)
        x, y, half length, half width (photo pixels) and angle (radians, from +x towards +y) of each.

    Returns
    -------
    ndarray of shape (n,)
        0 to 1.
    """
    if not len(outlines):
        return np.zeros(0)
    width_px = 2 * float(np.median(outlines[:, 3]))
    smooth = cv2.GaussianBlur(photo, (0, 0), float(np.clip(0.05 * width_px, 0.5, 3.0)))
    fine = cv2.GaussianBlur(photo, (0, 0), 0.5).astype(np.float32) - cv2.GaussianBlur(
        photo, (0, 0), 1.5
    ).astype(np.float32)
    noise = float(np.median(np.abs(fine[::3, ::3]))) / 0.67
    needed = max(LEAST_STEP, 3.0 * noise)
    turns = (np.arange(2 * SECTORS) + 0.5) * np.pi / SECTORS
    within, edge, beyond = (_ring(smooth, outlines, far, turns) for far in (_INSIDE, 1.0, _OUTSIDE))
    step = np.abs(within - beyond).max(axis=-1)
    line = np.minimum(np.abs(edge - within).max(axis=-1), np.abs(edge - beyond).max(axis=-1))
    seen = np.maximum(step, line) > needed
    share: np.ndarray = seen.mean(axis=1)
    return share


def _ring(picture: np.ndarray, outlines: np.ndarray, far: float, turns: np.ndarray) -> np.ndarray:
    """Values around each outline at a relative radius, two neighbours averaged; shape (n, SECTORS, 3)."""
    x, y, half_long, half_wide, angle = (outlines[:, k : k + 1] for k in range(5))
    along, across = half_long * far * np.cos(turns), half_wide * far * np.sin(turns)
    at_x = (x + along * np.cos(angle) - across * np.sin(angle)).astype(np.float32)
    at_y = (y + along * np.sin(angle) + across * np.cos(angle)).astype(np.float32)
    rows = [
        cv2.remap(
            picture,
            at_x[first : first + 1000],
            at_y[first : first + 1000],
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )
        for first in range(0, len(outlines), 1000)
    ]
    values = np.concatenate(rows).astype(np.float32)
    return values.reshape(len(outlines), SECTORS, 2, 3).mean(axis=2)
