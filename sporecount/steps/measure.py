"""What can be measured of each object, in um and optical density."""

from __future__ import annotations

import numpy as np

from sporecount.records import Objects, WorkImage
from sporecount.steps.classify.network import Looks
from sporecount.steps.clutter import LargeObjects
from sporecount.steps.outline import RADII, Outlines
from sporecount.steps.rescale import to_photo
from sporecount.steps.settle import Settled, on_large

_LEMON_AREA = 0.94
"""Area of a lemon outline over that of the ellipse with its axes, between a full ellipse (1) and two
circular arcs that meet in points (0.85 at length/width 1.5)."""

_TOUCHING = 2.15
"""Distance of two centres in half-axes from which on two outlines no longer touch (2, and the blur)."""


def measure(
    work: WorkImage, settled: Settled, outlines: Outlines, large: LargeObjects, is_spore: np.ndarray
) -> Objects:
    """Put together the record of each object.

    Axes and angle are those of the lemon that describes it; densities are means over that outline less those of a
    ring around it; the edge's sharpness is the fall of the density across the outline per um, over the density.

    Parameters
    ----------
    work : WorkImage
    settled : Settled
    outlines : Outlines
    large : LargeObjects
    is_spore : ndarray of shape (n,), bool
        Objects that count as spores; clumps are made of these.

    Returns
    -------
    Objects
    """
    looks = settled.looks
    contrast = outlines.closed[:, 2]
    across_um = (RADII[4] - RADII[3]) * (looks.length_um + looks.width_um) / 4
    x_px, y_px = to_photo(work, settled.row, settled.col)
    return Objects(
        x_px=x_px,
        y_px=y_px,
        length_um=looks.length_um.astype(float),
        width_um=looks.width_um.astype(float),
        angle_deg=looks.angle_deg.astype(float),
        area_um2=(np.pi / 4 * _LEMON_AREA * looks.length_um * looks.width_um).astype(float),
        optical_density=outlines.contrast[:, 1].astype(float),
        amber=(outlines.contrast[:, 2] / np.maximum(outlines.contrast[:, 0], 0.02)).astype(float),
        sharpness=(outlines.edge / across_um / np.maximum(contrast, 0.02)).astype(float),
        clump=_clumps(x_px, y_px, looks, work.um_per_px * work.zoom, is_spore),
        on_scale=on_large(settled, large) | (outlines.around > 0.12),
    )


def _clumps(
    x_px: np.ndarray, y_px: np.ndarray, looks: Looks, um_per_px: float, is_spore: np.ndarray
) -> np.ndarray:
    """Count the spores in each one's touching group; 1 for all that is no spore."""
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
