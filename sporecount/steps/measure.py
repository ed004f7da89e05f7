"""What can be measured of each object, in um and optical density."""

from __future__ import annotations

import numpy as np

from sporecount.records import FlatField, Objects, WorkImage
from sporecount.steps.classify.crops import FINE_PX, FINE_UM_PER_PX, CropSource
from sporecount.steps.classify.network import Looks
from sporecount.steps.clutter import LargeObjects
from sporecount.steps.rescale import to_photo
from sporecount.steps.settle import Settled

_LEMON_AREA = 0.94
"""Area of a lemon outline over that of the ellipse with its axes, between a full ellipse (1) and two
circular arcs that meet in points (0.85 at length/width 1.5)."""

_TOUCHING = 2.15
"""Distance of two centres in half-axes from which on two outlines no longer touch (2, and the blur)."""


def measure(
    work: WorkImage, flat: FlatField, settled: Settled, large: LargeObjects, is_spore: np.ndarray
) -> Objects:
    """Measure each object on the flattened density around it.

    Axes and angle are those of the lemon that describes it; densities are means over that outline less the
    median of a ring around it; the edge's sharpness is the steepest slope on the outline over the density.

    Parameters
    ----------
    work : WorkImage
    flat : FlatField
    settled : Settled
    large : LargeObjects
    is_spore : ndarray of shape (n,), bool
        Objects that count as spores; clumps are made of these.

    Returns
    -------
    Objects
    """
    looks = settled.looks
    count = len(settled.row)
    crops = CropSource(work, flat).cut_fine(settled.row, settled.col)
    steps = ((np.arange(FINE_PX) - (FINE_PX - 1) / 2) * FINE_UM_PER_PX).astype(np.float32)
    angle = np.radians(looks.angle_deg)[:, None, None]
    cos, sin = np.cos(angle).astype(np.float32), np.sin(angle).astype(np.float32)
    along = steps[None, None, :] * cos + steps[None, :, None] * sin
    across = steps[None, :, None] * cos - steps[None, None, :] * sin
    radius = np.hypot(
        along / (looks.length_um / 2)[:, None, None], across / (looks.width_um / 2)[:, None, None]
    )
    inside, ring = radius <= 1.0, (radius > 1.4) & (radius < 2.2)
    contrast = np.empty((count, 3), np.float32)
    around = np.empty(count, np.float32)
    for channel in range(3):
        layer = crops[:, channel]
        mean_inside = (layer * inside).sum((1, 2)) / np.maximum(inside.sum((1, 2)), 1)
        outside = np.nanmedian(np.where(ring, layer, np.nan).reshape(count, -1), axis=1) if count else around
        outside = np.nan_to_num(outside)
        contrast[:, channel] = mean_inside - outside
        if channel == 1:
            around[:] = outside
    grey = crops[:, 1:].mean(axis=1)
    slope_y, slope_x = np.gradient(grey, FINE_UM_PER_PX, axis=(1, 2)) if count else (grey, grey)
    slope = np.where((radius > 0.5) & (radius < 1.4), np.hypot(slope_x, slope_y), 0)
    steepest = slope.max(axis=(1, 2), initial=0)
    od = contrast[:, 1:].mean(axis=1)
    x_px, y_px = to_photo(work, settled.row, settled.col)
    return Objects(
        x_px=x_px,
        y_px=y_px,
        length_um=looks.length_um.astype(float),
        width_um=looks.width_um.astype(float),
        angle_deg=looks.angle_deg.astype(float),
        area_um2=(np.pi / 4 * _LEMON_AREA * looks.length_um * looks.width_um).astype(float),
        optical_density=contrast[:, 1].astype(float),
        amber=(contrast[:, 2] / np.maximum(contrast[:, 0], 0.02)).astype(float),
        sharpness=(steepest / np.maximum(od, 0.02)).astype(float),
        clump=_clumps(x_px, y_px, looks, work.um_per_px * work.zoom, is_spore),
        on_scale=_on_large(settled, large) | (around > 0.12),
    )


def _on_large(settled: Settled, large: LargeObjects) -> np.ndarray:
    height, width = large.label.shape
    rows = np.clip(np.round(settled.row * large.zoom).astype(int), 0, height - 1)
    cols = np.clip(np.round(settled.col * large.zoom).astype(int), 0, width - 1)
    return np.asarray(large.label[rows, cols] > 0)


def _clumps(
    x_px: np.ndarray, y_px: np.ndarray, looks: Looks, um_per_px: float, is_spore: np.ndarray
) -> np.ndarray:
    """Number of spores in each one's touching group; 1 for all that is no spore."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components
    from scipy.spatial import cKDTree

    sizes = np.ones(len(x_px), np.int64)
    rows = np.flatnonzero(is_spore)
    if rows.size < 2:
        return sizes
    x, y = x_px[rows] * um_per_px, y_px[rows] * um_per_px
    length, width = looks.length_um[rows], looks.width_um[rows]
    angle = np.radians(looks.angle_deg[rows])
    pairs = cKDTree(np.column_stack((x, y))).query_pairs(1.1 * float(length.max()), output_type="ndarray")
    one, two = pairs[:, 0], pairs[:, 1]
    towards = np.arctan2(y[two] - y[one], x[two] - x[one])
    reach = sum(
        1.0
        / np.hypot(np.cos(towards - angle[i]) / (length[i] / 2), np.sin(towards - angle[i]) / (width[i] / 2))
        for i in (one, two)
    )
    touching = np.hypot(x[two] - x[one], y[two] - y[one]) < reach * _TOUCHING / 2
    links = coo_matrix((np.ones(touching.sum()), (one[touching], two[touching])), shape=(rows.size,) * 2)
    _, group = connected_components(links, directed=False)
    sizes[rows] = np.bincount(group)[group]
    return sizes
