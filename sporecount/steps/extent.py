"""How far a print reaches: the outline of its scales on one or several overview photos, and its area."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product
from math import exp, log, nan

import cv2
import numpy as np

from sporecount.steps.overlap import SURE_ENOUGH
from sporecount.steps.overview import Overview
from sporecount.steps.registration import after, corners_um, fit_pair, inverse, make_look, move

_CELL_UM = 12.0
_MOST_CELLS = 1600
_REACHES_UM = (90.0, 130.0, 190.0)
"""Over which the cover by scales is averaged: some scales, a small part of a print."""
_LEVELS = (0.2, 0.4, 0.6)
"""Share of the cover inside the print at which it ends. Half of it lies on a sharp border; the middle one is a
little less, since prints grow thin towards theirs (chosen on simulated overviews)."""
_BRIDGED_UM = 300.0
"""Bare places up to about twice this width belong to the print."""
_BRIDGED_AT_MOST_UM = 450.0
"""The same for the upper end of the range: patchy prints are held to be whole."""
_LARGEST_HOLE_MM2 = 0.5
_SMALLEST_PATCH = 0.05
"""Patches below this share of the largest are strays."""
_LEAST_COVER = 0.012
_FEWEST_SCALES_MM2 = 0.05
"""Area of scales below which there is no print to outline: some 15 of them."""
_LEAST_CONTRAST = 4.0
"""Cover inside over cover outside below which no border is plain."""
_CUT_SHARE = 0.04
"""Share of the view's border that the print may touch before it is held to reach beyond."""
_LARGEST_SCALE_U = 0.09
"""Relative standard uncertainty of um per px above which an area says less than the default does."""
_WIDEST_RANGE = 3.5
"""Largest over smallest area by the several rules above which none of them is worth much."""
_LEAST_RANGE = 0.06
"""Half width, in logarithm, of the range in any case: where a print ends is a matter of some scales."""
_STRETCH_BELOW = 1.25
"""By which the lower half of the range, in logarithm, exceeds what the rules differ by: they take in a little too
much (1.05 of the truth in the middle). The range held the truth in 168 of 176 simulated prints before, in 172 with
it; two of the rest were one dense patch amid thin cover, of which the patch alone is measured."""


@dataclass(frozen=True)
class PrintExtent:
    """How far a print reaches, by its overview photos.

    Parameters
    ----------
    photos : tuple of str
        The overview photos that it was taken from.
    area_mm2, low_mm2, high_mm2 : float
        Area with the range that holds it in 95 of 100 cases; nan where it could not be told.
    at_least_mm2 : float
        Part of the print that the photos show.
    outlines_um : tuple of ndarray of shape (n, 2)
        Outline of that part, x and y in um, y downwards.
    reason : str
        Why it could not be told, a code of `reasons.REASONS`; empty where it could.
    """

    photos: tuple[str, ...]
    area_mm2: float
    low_mm2: float
    high_mm2: float
    at_least_mm2: float
    outlines_um: tuple[np.ndarray, ...] = ()
    reason: str = ""


def extent_of(overviews: Sequence[Overview]) -> PrintExtent:
    """Measure the area of a print from photos at low power.

    Photos that overlap are laid side by side (`registration.fit_pair`). The print is where the cover by
    scales, averaged over some scales, exceeds 0.4 of its usual value inside; small gaps are closed. The
    range comes from other reaches and levels of that rule, and from the uncertainty of the scale.

    It refuses where the print reaches the border of what the photos show, where no border stands out, and
    where the scale is a guess. Limits: a thin scatter of scales around a dense print is left out; strips of
    glue dirt that look like scales are taken in.

    Parameters
    ----------
    overviews : sequence of Overview
        At least one, all of one print.

    Returns
    -------
    PrintExtent
    """
    known = [one for one in overviews if one.scale.um_per_px_u <= _LARGEST_SCALE_U * one.scale.um_per_px]
    if not known:
        return PrintExtent(tuple(one.photo for one in overviews), nan, nan, nan, nan, (), "overview-scale")
    found = [_measured(group, matrices) for group, matrices in _groups(known)]
    whole = [one for one in found if not one.reason]
    if whole:
        return max(whole, key=lambda one: one.area_mm2)
    seen = [one for one in found if one.at_least_mm2 > 0]
    return max(seen, key=lambda one: one.at_least_mm2) if seen else found[0]


def _groups(overviews: Sequence[Overview]) -> list[tuple[list[Overview], list[np.ndarray]]]:
    """Overviews that hang together, each with its map to um of the first of its group."""
    looks = [make_look(one, one.preview) for one in overviews]
    root, matrices = list(range(len(looks))), [np.eye(2, 3)] * len(looks)
    fits = [
        (fit.certainty, i, j, fit.matrix)
        for j in range(len(looks))
        for i in range(j)
        if (fit := fit_pair(looks[i], looks[j])) is not None and fit.certainty >= SURE_ENOUGH
    ]
    for _, i, j, matrix in sorted(fits, key=lambda one: -one[0]):
        if root[i] == root[j]:
            continue
        # the group of j is moved into the frame of the group of i
        shift = after(matrices[i], after(inverse(matrix), inverse(matrices[j])))
        old = root[j]
        for k in range(len(looks)):
            if root[k] == old:
                root[k], matrices[k] = root[i], after(shift, matrices[k])
    return [
        (
            [overviews[k] for k in range(len(looks)) if root[k] == first],
            [matrices[k] for k in range(len(looks)) if root[k] == first],
        )
        for first in dict.fromkeys(root)
    ]


@dataclass(frozen=True)
class _Ground:
    """Cover by scales on cells of a map, and what of the map was seen."""

    cover: np.ndarray
    seen: np.ndarray
    low_um: np.ndarray
    cell_um: float


def _measured(overviews: Sequence[Overview], matrices: Sequence[np.ndarray]) -> PrintExtent:
    ground = _laid_out(overviews, matrices)
    photos = tuple(one.photo for one in overviews)
    mm2 = (ground.cell_um / 1000) ** 2
    middle = _region(ground, _REACHES_UM[1], _LEVELS[1], _BRIDGED_UM)
    if middle is None:
        return PrintExtent(photos, nan, nan, nan, 0.0, (), "overview-unclear")
    outlines = tuple(_outlines(middle, ground))
    shown = float(middle.sum()) * mm2
    if _touches_border(middle, ground):
        return PrintExtent(photos, nan, nan, nan, shown, outlines, "overview-too-narrow")
    others = [_region(ground, reach, level, _BRIDGED_UM) for reach, level in product(_REACHES_UM, _LEVELS)]
    others.append(_region(ground, _REACHES_UM[1], _LEVELS[0], _BRIDGED_AT_MOST_UM))
    areas = [shown, *(float(one.sum()) * mm2 for one in others if one is not None)]
    if max(areas) > _WIDEST_RANGE * min(areas):
        return PrintExtent(photos, nan, nan, nan, 0.0, (), "overview-unclear")
    scale_u = max(one.scale.um_per_px_u / one.scale.um_per_px for one in overviews)
    below = np.hypot(_STRETCH_BELOW * max(log(shown / min(areas)), _LEAST_RANGE), 1.96 * 2 * scale_u)
    above = np.hypot(max(log(max(areas) / shown), _LEAST_RANGE), 1.96 * 2 * scale_u)
    return PrintExtent(photos, shown, shown * exp(-float(below)), shown * exp(float(above)), shown, outlines)


def _laid_out(overviews: Sequence[Overview], matrices: Sequence[np.ndarray]) -> _Ground:
    corners = np.concatenate(
        [move(matrix, corners_um(one)) for matrix, one in zip(matrices, overviews, strict=True)]
    )
    low, size = corners.min(axis=0), np.ptp(corners, axis=0)
    cell_um = max(_CELL_UM, float(size.max()) / _MOST_CELLS)
    shape = (int(size[1] / cell_um) + 2, int(size[0] / cell_um) + 2)
    cover, weight = np.zeros(shape, np.float32), np.zeros(shape, np.float32)
    for one, matrix in zip(overviews, matrices, strict=True):
        pixel_um = one.scale.um_per_px / one.preview.zoom
        small = (
            max(2, round(one.scales.shape[1] * pixel_um / cell_um)),
            max(2, round(one.scales.shape[0] * pixel_um / cell_um)),
        )
        kept = cv2.resize((one.preview.left_out == 0).astype(np.float32), small, interpolation=cv2.INTER_AREA)
        here = cv2.resize(one.scales.astype(np.float32), small, interpolation=cv2.INTER_AREA)
        step = pixel_um * np.array(one.scales.shape[::-1]) / small
        to_photo = np.column_stack([np.diag(step), -step * (np.array(small) - 1) / 2])
        grid = after(np.column_stack([np.eye(2), -low]) / cell_um, after(matrix, to_photo))
        weight += cv2.warpAffine(kept, grid, shape[::-1])
        cover += cv2.warpAffine(here * kept, grid, shape[::-1])
    seen = weight > 0.5
    return _Ground(np.where(seen, cover / np.maximum(weight, 1e-3), 0), seen, low, cell_um)


def _region(ground: _Ground, reach_um: float, level: float, bridged_um: float) -> np.ndarray | None:
    """Cells of the print by one reach, level and width of gaps; None where no print stands out."""
    if not ground.seen.any():
        return None
    sigma = reach_um / ground.cell_um
    amount = cv2.GaussianBlur(ground.seen.astype(np.float32), (0, 0), sigma)
    cover = cv2.GaussianBlur(ground.cover.astype(np.float32), (0, 0), sigma) / np.maximum(amount, 0.05)
    inside = _usual_inside(cover[ground.seen])
    if inside < _LEAST_COVER:
        return None
    region = _closed((cover > level * inside) & ground.seen, bridged_um / ground.cell_um) & ground.seen
    region = _without_strays(region, ground.cell_um)
    if ground.cover[region].sum() * (ground.cell_um / 1000) ** 2 < _FEWEST_SCALES_MM2:
        return None
    outside = ground.seen & ~cv2.dilate(region.astype(np.uint8), _disc(2 * sigma)).astype(bool)
    if outside.sum() < 0.02 * ground.seen.sum():  # nothing to compare with
        return region
    stands_out = ground.cover[region].mean() > _LEAST_CONTRAST * ground.cover[outside].mean()
    return region if stands_out else None


def _usual_inside(cover: np.ndarray) -> float:
    """Median cover where it exceeds half of that median."""
    inside = float(np.quantile(cover, 0.98))
    for _ in range(20):
        now = float(np.median(cover[cover > 0.5 * inside])) if inside > 0 else 0.0
        if abs(now - inside) < 1e-4:
            break
        inside = now
    return inside


def _closed(mask: np.ndarray, radius: float) -> np.ndarray:
    around = max(1, round(radius))
    # the map ends where nothing was photographed, and that must not count as covered
    wide = np.pad(mask, around + 1).astype(np.uint8)
    closed = cv2.morphologyEx(wide, cv2.MORPH_CLOSE, _disc(around))
    return closed[around + 1 : -around - 1, around + 1 : -around - 1].astype(bool)


def _disc(radius: float) -> np.ndarray:
    side = 2 * max(1, round(radius)) + 1
    return cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side))


def _without_strays(region: np.ndarray, cell_um: float) -> np.ndarray:
    """Without patches that are small beside the largest, and without small holes."""
    count, labels, stats, _ = cv2.connectedComponentsWithStats(region.astype(np.uint8), connectivity=8)
    if count < 2:
        return region
    area = stats[:, cv2.CC_STAT_AREA].astype(float)
    area[0] = 0
    region = (area >= _SMALLEST_PATCH * area.max())[labels] & (labels > 0)
    _, labels, stats, _ = cv2.connectedComponentsWithStats((~region).astype(np.uint8), connectivity=4)
    small = stats[:, cv2.CC_STAT_AREA] * (cell_um / 1000) ** 2 < _LARGEST_HOLE_MM2
    small[0] = False
    return np.asarray(region | small[labels])


def _touches_border(region: np.ndarray, ground: _Ground) -> bool:
    rim_width = max(2, round(_REACHES_UM[0] / ground.cell_um))
    inner = cv2.erode(ground.seen.astype(np.uint8), _disc(rim_width), borderValue=0).astype(bool)
    rim = ground.seen & ~inner
    return bool(region[rim].sum() > _CUT_SHARE * rim.sum())


def _outlines(region: np.ndarray, ground: _Ground) -> list[np.ndarray]:
    found, _ = cv2.findContours(region.astype(np.uint8), cv2.RETR_CCOMP, cv2.CHAIN_APPROX_SIMPLE)
    smooth = [cv2.approxPolyDP(one, 2.0, closed=True)[:, 0].astype(float) for one in found]
    return [corners * ground.cell_um + ground.low_um for corners in smooth if len(corners) >= 3]
