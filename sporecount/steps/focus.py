"""How sharp each part of the view is."""

from __future__ import annotations

import cv2
import numpy as np

from sporecount.records import FlatField, WorkImage

_GRID_UM = 1.5
_TILE_UM = 75.0
"""About a scale's length: nearly each tile then holds an edge of something."""


def blur_map(work: WorkImage, flat: FlatField) -> np.ndarray:
    """Estimate the blur of each tile of the view from its steepest edge.

    A step of height A blurred by a Gaussian of standard deviation s is at most A / (s sqrt(2 pi)) steep, so
    the contrast of a tile over its steepest slope tells s. Tiles without an edge above the noise take
    the value of their neighbours.

    Parameters
    ----------
    work : WorkImage
    flat : FlatField

    Returns
    -------
    ndarray of shape (tile rows, tile columns), float32
        Standard deviation of the blur in um; nan everywhere when no tile has an edge.
    """
    height, width = flat.density.shape
    shrink = max(1.0, _GRID_UM / work.um_per_px)
    size = (max(2, round(width / shrink)), max(2, round(height / shrink)))
    small = cv2.resize(flat.density, size, interpolation=cv2.INTER_AREA)
    grid_um = work.um_per_px * width / size[0]
    slope_x = cv2.Scharr(small, cv2.CV_32F, 1, 0, scale=1 / 32)
    slope_y = cv2.Scharr(small, cv2.CV_32F, 0, 1, scale=1 / 32)
    slope = cv2.magnitude(slope_x, slope_y)
    seen = cv2.erode(
        cv2.resize(work.seen.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST),
        np.ones((9, 9), np.uint8),
    )
    slope[seen == 0] = 0
    tile = max(8, round(_TILE_UM / grid_um))
    rows, cols = -(-size[1] // tile), -(-size[0] // tile)
    reach = max(1, round(6.0 / grid_um))
    around = np.ones((2 * reach + 1, 2 * reach + 1), np.uint8)
    local = cv2.subtract(cv2.dilate(small, around), cv2.erode(small, around))
    blur = np.full((rows, cols), np.nan, np.float32)
    floor = max(0.05, 8 * flat.noise / max(1.0, shrink))
    for i in range(rows):
        for j in range(cols):
            part = (slice(i * tile, (i + 1) * tile), slice(j * tile, (j + 1) * tile))
            slopes = slope[part]
            steep = slopes >= max(np.quantile(slopes, 0.98), 1e-6)
            contrast = float(np.median(local[part][steep])) if steep.any() else 0.0
            if contrast > floor:
                blur[i, j] = contrast / float(np.median(slopes[steep])) / np.sqrt(2 * np.pi) * grid_um
    # a slope taken over three pixels blurs by about one more: take that off in quadrature
    blur = np.sqrt(np.maximum(blur**2 - (0.7 * grid_um) ** 2, 0.2**2))
    return _fill(blur)


def _fill(values: np.ndarray) -> np.ndarray:
    known = np.isfinite(values)
    if not known.any() or known.all():
        return values
    total = cv2.GaussianBlur(np.where(known, values, 0).astype(np.float32), (0, 0), 2.0)
    weight = cv2.GaussianBlur(known.astype(np.float32), (0, 0), 2.0)
    return np.where(
        known, values, np.where(weight > 1e-6, total / np.maximum(weight, 1e-6), np.nanmedian(values))
    )
