"""From brightness to optical density: the empty light is estimated and divided out.

Absorption adds up and illumination divides out (Beer-Lambert): after this step a shadow of the lamp is
gone, and amber is what absorbs blue more than red, on yellow card as on white glass.
"""

from __future__ import annotations

import cv2
import numpy as np

from sporecount.records import FlatField, WorkImage
from sporecount.steps.rescale import reduced, size_at

_COARSE_UM = 16.0
"""Grid on which the light is estimated: larger than a spore, smaller than a scale."""

_LOCAL_UM = 90.0
"""Reach of the local correction: wider than a scale, so that no scale is taken for a shadow."""

_STRIP_PX = 64
"""Rows turned to logarithms at a time: all at once would be the largest thing in memory."""

_EVERY_ROW = 28
"""Some fifty rows are sample enough for the noise."""

_FLOOR = 1.0 / 255 / 12.92
"""Darkest linear value that 8 bits of sRGB tell from black."""


def _linear_table() -> np.ndarray:
    """SRGB code value to linear light (IEC 61966-2-1)."""
    code = np.arange(256) / 255.0
    return np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)


CHANNEL_WEIGHTS = (0.15, 0.45, 0.40)
"""Red, green, blue in the mean density: amber hardly shows in red, and blue is the noisiest of a phone."""

LOG_LINEAR = np.log10(np.maximum(_linear_table(), _FLOOR)).astype(np.float32)


def srgb_code(linear: np.ndarray) -> np.ndarray:
    """Linear light to sRGB code value (IEC 61966-2-1), uint8; what is beyond black or white becomes that."""
    value = np.where(
        linear <= 0.0031308, 12.92 * linear, 1.055 * np.maximum(linear, 1e-9) ** (1 / 2.4) - 0.055
    )
    return np.clip(np.round(255 * value), 0, 255).astype(np.uint8)


def flatten(work: WorkImage) -> FlatField:
    """Estimate the empty light of each channel and give the optical density.

    On a coarse grid a smooth surface is fitted to the logarithm of the brightness, first as an upper
    envelope (things on a print mostly take light away), then to those places alone that agree with it;
    what is left is corrected locally from the same places. Holds while about a third of the view is empty.

    Parameters
    ----------
    work : WorkImage

    Returns
    -------
    FlatField
        The same grid. Outside the view the density is 0.
    """
    height, width = work.seen.shape
    size = size_at(work, _COARSE_UM, 4)
    seen = reduced(work.seen.astype(np.uint8) * 255, size, cv2.INTER_AREA) > 250
    if not seen.any():
        seen[:] = True
    # halved once only: each time, code values are rounded, upwards on the whole
    half = reduced(work.rgb, (max(1, width // 2), max(1, height // 2)))
    log_small = LOG_LINEAR[cv2.resize(half, size, interpolation=cv2.INTER_AREA)]
    log_light = _empty_light(log_small, seen, reach=_LOCAL_UM / _COARSE_UM)
    weights = np.array([CHANNEL_WEIGHTS], np.float32)
    light = cv2.resize(cv2.transform(log_light, weights), (width, height), interpolation=cv2.INTER_LINEAR)
    density = np.zeros((height, width), np.float32)
    seen_8bit = work.seen.view(np.uint8)
    for start in range(0, height, _STRIP_PX):
        rows = slice(start, start + _STRIP_PX)
        log_value = cv2.transform(cv2.LUT(work.rgb[rows], LOG_LINEAR), weights)
        cv2.subtract(light[rows], log_value, dst=density[rows], mask=seen_8bit[rows])
    return FlatField(
        density=density,
        log_light=log_light,
        noise=noise_along_rows(density[::_EVERY_ROW], work.seen[::_EVERY_ROW]),
    )


def _empty_light(log_rgb: np.ndarray, seen: np.ndarray, reach: float) -> np.ndarray:
    """Log10 of the empty light on the coarse grid, shape (h, w, 3)."""
    height, width = seen.shape
    y, x = (
        np.vander(np.linspace(-1, 1, side, dtype=np.float32), 5, increasing=True) for side in (height, width)
    )
    terms = np.stack([np.outer(y[:, j], x[:, i]) for i in range(5) for j in range(5 - i)], axis=-1)
    rows = terms[seen]
    values = log_rgb[seen].astype(np.float32)
    grey = values.mean(axis=1)  # one weight for all channels: a place is empty or not
    ridge = 1e-3 * np.eye(rows.shape[1], dtype=np.float32)
    ridge[0, 0] = 0
    one, fit = np.float32(1), np.zeros(rows.shape[1], np.float32)
    fit[0] = np.percentile(values[::3], 75, axis=0).mean()
    for turn in range(12):
        # the envelope is only where the second half starts from: every third place is enough for it
        places, light = (rows[::3], grey[::3]) if turn < 6 else (rows, grey)
        miss = light - places @ fit
        if turn < 6:  # upper envelope: expectile regression (Newey & Powell 1987, Econometrica 55:819-847)
            above = np.maximum(miss, 0)
            weight = np.where(miss > 0, one, np.float32(0.06)) / (one + (above / np.float32(0.15)) ** 2)
        else:  # then only what agrees with it (Cauchy weights, heavier penalty below)
            above = miss[miss > 0]
            spread = np.float32(2.5 * max(0.006, float(np.median(above)) if above.size else 0.006))
            weight = one / (one + (np.maximum(miss, np.float32(-1.5) * miss) / spread) ** 2) ** 2
        left = (places * weight[:, None]).T
        squares = left @ places + ridge * (weight.mean() * len(places))
        fit = np.linalg.solve(squares, left @ light)
    coefficients = np.linalg.solve(squares, left @ values)
    surface = (terms.reshape(-1, terms.shape[-1]) @ coefficients).reshape(height, width, 3)
    trust = np.zeros((height, width), np.float32)
    trust[seen] = weight
    left_over = np.where(seen[..., None], log_rgb - surface, 0) * trust[..., None]
    blurred = cv2.GaussianBlur(left_over.astype(np.float32), (0, 0), reach)
    amount = cv2.GaussianBlur(trust, (0, 0), reach)
    return (surface + blurred / (amount[..., None] + 0.05)).astype(np.float32)


def noise_along_rows(values: np.ndarray, seen: np.ndarray, step_px: int = 1) -> float:
    """Measure noise from second differences along rows (Immerkaer 1996, CVIU 64:300-302).

    Parameters
    ----------
    values : ndarray of shape (h, w)
    seen : ndarray of shape (h, w), bool
    step_px : int
        From pixel to pixel of a difference; noise in blots wider than that hardly shows.

    Returns
    -------
    float
        Standard deviation, robust; 0 where nothing is seen.
    """
    before, here, after = slice(None, -2 * step_px), slice(step_px, -step_px), slice(2 * step_px, None)
    bends = values[:, before] - 2 * values[:, here] + values[:, after]
    sample = np.abs(bends[seen[:, before] & seen[:, here] & seen[:, after]])
    return float(np.median(sample) / 0.6745 / np.sqrt(6.0)) if sample.size else 0.0
