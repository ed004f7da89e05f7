"""How many spores the dark of heaps could hold beyond those that were told apart in them.

Densities add up (Beer-Lambert): of spores that lie upon each other one outline shows, but all of their density. So
the density summed over a heap, over that of one single spore, bounds their number from above.
"""

from __future__ import annotations

import cv2
import numpy as np

from sporecount.records import Clutter, FlatField, Objects, WorkImage
from sporecount.steps.lemon import along_and_across, x_and_y
from sporecount.steps.rescale import from_photo

_HEAP_FROM = 10
"""Spores from which a group is a heap. In smaller ones few are hidden, and a dark speck would seem to be some."""

_RESOLVED = 1.2
"""A heap up to so many times as dark as its counted spores is taken to hold no others: spores differ in size and
darkness, and the ground beneath them is known only from beside them."""

_TAKEN_BY_BLUR = 1.25
"""Blur mixes light and not density, so the deepest places measure less than they hold. So many times what density
tells beyond the counted reached the truth in all 35 heaps of known number with single spores beside them."""

_BLUR_REACH_UM = 3.0
"""How far blur carries a spore's density beyond its outline; the ground is taken from there to twice as far."""

_GROUND_REACH_UM = 12.0
"""The ground under a place of a heap is that of its edge within so far, along rows and columns."""

_SINGLES = 200
"""So many lone spores are sample enough."""

_LEAST_SINGLES = 2

_SPECKS, _DEEPEST = 2, 3.0
"""Where no spores lie by themselves, the faintest outline counted stands for one, that least lain upon, but for
two that may be specks; and half of the outlines are taken to lie no more than three deep."""

_CORNERS = 12
_SUBPIXEL_BITS = 4


def hidden_in_heaps(
    work: WorkImage, flat: FlatField, clutter: Clutter, objects: Objects, counted: np.ndarray
) -> float:
    """Tell how many spores the dark of all heaps could hold beyond those counted.

    A heap is ten or more counted spores whose outlines lie within 12 um of their next ones. Its ground is what
    lies just outside, so that a scale under it is not taken for spores. What is too dark to be examined tells
    nothing.

    Parameters
    ----------
    work : WorkImage
    flat : FlatField
        Of `work`, less stray light: that would make the darkest places seem lighter than the sum.
    clutter : Clutter
    objects : Objects
    counted : ndarray of shape (n,), bool

    Returns
    -------
    float
        0 without a heap, where heaps are no darker than the spores counted in them, and on a negative: there,
        light adds up.
    """
    if counted.sum() < _HEAP_FROM or work.negative:
        return 0.0
    height, width = flat.density.shape
    row, col = (part[counted] for part in from_photo(work, objects.x_px, objects.y_px))
    at = np.clip(np.round(row).astype(int), 0, height - 1), np.clip(np.round(col).astype(int), 0, width - 1)
    outlines = _outlines(work, objects, counted, row, col)
    covered = np.zeros((height, width), np.uint8)
    for one in outlines:
        cv2.fillConvexPoly(covered, one, 1, shift=_SUBPIXEL_BITS)
    reach = _disc(_BLUR_REACH_UM / work.um_per_px)
    outer = cv2.dilate(covered, reach, iterations=2)
    groups, label, boxes, _ = cv2.connectedComponentsWithStats(outer)
    spores = np.bincount(label[at], clutter.examined[at], minlength=groups)
    heaps = np.flatnonzero(spores >= _HEAP_FROM)
    if not heaps.size:
        return 0.0
    inner = cv2.erode(outer, reach)  # gaps between outlines are closed: there some spores may be hidden whole
    one_spore = _of_singles(work, flat, objects, counted, row, col) or _of_faintest(
        work, flat, objects.area_um2[counted], outlines
    )
    hidden = 0.0
    for heap in heaps:
        left, top, across, down, _ = boxes[heap]
        box = np.s_[top : top + down, left : left + across]
        own = (label[box] == heap) & clutter.examined[box]
        inside = own & (inner[box] > 0)
        ground = _ground(flat.density[box], own & ~inside, _GROUND_REACH_UM / work.um_per_px)
        holds = float((flat.density[box] - ground)[inside].sum()) / one_spore
        if holds > _RESOLVED * spores[heap]:
            hidden += holds - float(spores[heap])
    return _TAKEN_BY_BLUR * hidden


def _ground(density: np.ndarray, edge: np.ndarray, reach_px: float) -> np.ndarray:
    """Carry the density at a heap's edge inwards, shape (h, w): the mean of the edge near each place."""
    if not edge.any():
        return np.zeros_like(density)
    weight = edge.astype(np.float32)
    amounts = np.stack((weight, weight * density), axis=-1)
    side = 2 * round(reach_px) + 1
    near = cv2.blur(amounts, (side, side), borderType=cv2.BORDER_CONSTANT)
    half_a_pixel = 0.5 / side**2  # of the mean of all the edge, which decides where none of it is near
    return (near[..., 1] + half_a_pixel * density[edge].mean()) / (near[..., 0] + half_a_pixel)


def _of_singles(
    work: WorkImage,
    flat: FlatField,
    objects: Objects,
    counted: np.ndarray,
    row: np.ndarray,
    col: np.ndarray,
) -> float:
    """Density over its ground summed over one spore, in pixels: the median of those by themselves; 0 without."""
    single = np.flatnonzero((objects.clump == 1)[counted] & ~objects.on_scale[counted])[:_SINGLES]
    if single.size < _LEAST_SINGLES:
        return 0.0
    height, width = flat.density.shape
    reach = _BLUR_REACH_UM / work.um_per_px
    a, b = (
        (axis[counted][single] / 2 / work.um_per_px)[:, None, None]
        for axis in (objects.length_um, objects.width_um)
    )
    most = int(np.ceil(a.max() + 2 * reach))
    step = np.arange(-most, most + 1)
    rows = (np.round(row[single]).astype(int)[:, None] + step)[:, :, None]
    cols = (np.round(col[single]).astype(int)[:, None] + step)[:, None, :]
    along, across = along_and_across(
        cols - col[single, None, None],
        rows - row[single, None, None],
        objects.angle_deg[counted][single, None, None],
    )
    inside, wide = (np.hypot(along / (a + far), across / (b + far)) <= 1 for far in (reach, 2 * reach))
    ring = wide & ~inside
    density = flat.density[np.clip(rows, 0, height - 1), np.clip(cols, 0, width - 1)]
    ground = (density * ring).sum(axis=(1, 2)) / ring.sum(axis=(1, 2))
    summed = ((density - ground[:, None, None]) * inside).sum(axis=(1, 2))
    return max(float(np.median(summed)), 0.0)


def _of_faintest(work: WorkImage, flat: FlatField, area_um2: np.ndarray, outlines: np.ndarray) -> float:
    """Density summed over the faintest of the outlines, in pixels."""
    height, width = flat.density.shape
    corners = outlines / 2**_SUBPIXEL_BITS
    centre = corners.mean(axis=1, keepdims=True)
    spots = np.concatenate([centre + share * (corners - centre) for share in (0.4, 0.7, 0.9)], axis=1)
    spots = np.clip(np.round(spots).astype(int), 0, (width - 1, height - 1))
    summed = flat.density[spots[..., 1], spots[..., 0]].mean(axis=1) * area_um2 / work.um_per_px**2
    return max(float(np.sort(summed)[_SPECKS]), float(np.median(summed)) / _DEEPEST, float(flat.noise))


def _outlines(
    work: WorkImage, objects: Objects, counted: np.ndarray, row: np.ndarray, col: np.ndarray
) -> np.ndarray:
    """Corners of the counted lemons, shape (n, corners, 2), in sixteenths of a pixel."""
    turn = np.arange(_CORNERS) * (2 * np.pi / _CORNERS)
    x, y = x_and_y(
        (objects.length_um[counted] / 2 / work.um_per_px)[:, None] * np.cos(turn),
        (objects.width_um[counted] / 2 / work.um_per_px)[:, None] * np.sin(turn),
        objects.angle_deg[counted][:, None],
    )
    corners = np.stack((col[:, None] + x, row[:, None] + y), axis=-1)
    return np.round(corners * 2**_SUBPIXEL_BITS).astype(np.int32)


def _disc(radius_px: float) -> np.ndarray:
    side = 2 * max(1, round(radius_px)) + 1
    return cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side))
