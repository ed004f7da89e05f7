"""Darkening an existing photo under a stamp, in optical density, with the grain of the place put back."""

from __future__ import annotations

import cv2
import numpy as np

LN10 = 2.302585

Box = tuple[slice, slice]


def overlap_of(photo: np.ndarray, stamp: np.ndarray, x_px: int, y_px: int) -> tuple[Box, Box] | None:
    """Tell what part of a stamp lies in a photo, and where; None where nothing does.

    Parameters
    ----------
    photo : ndarray of shape (H, W, ...)
    stamp : ndarray of shape (n, n, ...)
        n is odd.
    x_px, y_px : int
        Pixel of the photo on which the stamp's middle pixel lies.
    """
    reach = stamp.shape[0] // 2
    top, left = max(y_px - reach, 0), max(x_px - reach, 0)
    bottom, right = min(y_px + reach + 1, photo.shape[0]), min(x_px + reach + 1, photo.shape[1])
    if top >= bottom or left >= right:
        return None
    own = slice(top - y_px + reach, bottom - y_px + reach), slice(left - x_px + reach, right - x_px + reach)
    return own, (slice(top, bottom), slice(left, right))


def darken(
    out: np.ndarray,
    original: np.ndarray,
    there: Box,
    through: np.ndarray,
    gamma: float,
    rng: np.random.Generator,
) -> None:
    """Darken `out` in a box.

    Parameters
    ----------
    out : ndarray of shape (H, W, 3), uint8
        Changed in place.
    original : ndarray of shape (H, W, 3), uint8
        Gives the grain.
    there : Box
    through : ndarray of the box's shape and 3, float32
        Share of the light that is let through.
    gamma : float
        Of the photo's tone curve.
    rng : numpy.random.Generator
        Chooses where beside the box the grain is taken from.
    """
    gain = _colour_softened(through ** np.float32(1 / gamma))
    lost = np.sqrt(np.maximum(1 - gain**2, 0))
    changed = out[there].astype(np.float32) * gain + lost * _grain_beside(original, there, rng)
    touched = np.abs(gain - 1).max(axis=2) > 0.002
    out[there][touched] = np.clip(changed + 0.5, 0, 255).astype(np.uint8)[touched]


def _colour_softened(gain: np.ndarray) -> np.ndarray:
    """Blur the colour of a stamp, not its brightness, by a pixel."""
    grey = gain @ np.array([0.299, 0.587, 0.114], np.float32)
    colour = gain - grey[..., None]
    return np.asarray(grey[..., None] + cv2.blur(colour, (3, 3), borderType=cv2.BORDER_REPLICATE))


def _grain_beside(original: np.ndarray, there: tuple[slice, slice], rng: np.random.Generator) -> np.ndarray:
    """Grain of a place beside the stamp: what a blur takes away, limited where an edge runs through."""
    height, width = there[0].stop - there[0].start, there[1].stop - there[1].start
    step = rng.uniform(0.5, 1.0, 2) * (height, width) * rng.choice([-1, 1], 2)
    top = int(np.clip(there[0].start + step[0], 0, original.shape[0] - height))
    left = int(np.clip(there[1].start + step[1], 0, original.shape[1] - width))
    part = original[top : top + height, left : left + width].astype(np.float32)
    grain = part - cv2.blur(part, (5, 5), borderType=cv2.BORDER_REFLECT)
    spread = 1.4826 * np.median(np.abs(grain), axis=(0, 1)) + 1e-3
    return np.asarray(np.clip(grain, -3 * spread, 3 * spread))
