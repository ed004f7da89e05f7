"""Signed distances of outlines, in micrometres, negative inside; and the coverage of pixels by them."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

Plane = NDArray[np.floating[Any]]


def cover(distance_um: Plane, um_per_px: float) -> Plane:
    """Give the share of each pixel inside a straight edge at that distance."""
    return np.clip(0.5 - distance_um / um_per_px, 0, 1).astype(np.float32)


def band(distance_um: Plane, low_um: float, high_um: float, um_per_px: float) -> Plane:
    """Give the share of each pixel between two distances from the outline."""
    return cover(distance_um - np.float32(high_um), um_per_px) - cover(
        distance_um - np.float32(low_um), um_per_px
    )


def shifted(coverage: Plane, by_px: int) -> Plane:
    """Move a coverage right and down, as a shadow lies."""
    moved = np.zeros_like(coverage)
    if 0 < by_px < min(coverage.shape[-2:]):
        moved[..., by_px:, by_px:] = coverage[..., :-by_px, :-by_px]
    elif by_px == 0:
        moved[:] = coverage
    return moved


def lens_shape(u: Plane, v: Plane, half_length: Plane, half_width: Plane, blunt: float) -> Plane:
    """Distance of two arcs that meet in two tips, the tips rounded by `blunt` half widths.

    The exact distance of the meeting arcs less the rounding; blunt from 0 (sharp) to below 1.
    """
    rounding = blunt * half_width
    h, w = half_length - rounding, half_width - rounding
    radius = (h * h + w * w) / (2 * w)
    offset = radius - w
    au, av = np.abs(u), np.abs(v)
    tip = np.hypot(au - h, av)
    arc = np.hypot(au, av + offset) - radius
    return (np.where((au - h) * offset > av * h, tip, arc) - rounding).astype(np.float32)


def smooth_union(one: Plane, other: Plane, reach: Plane | float) -> Plane:
    """Join two outlines with a fillet of that reach (polynomial smooth minimum)."""
    h = np.maximum(reach - np.abs(one - other), 0) / reach
    return (np.minimum(one, other) - h * h * reach * 0.25).astype(np.float32)


def lemon(u: Plane, v: Plane, half_length: Plane, half_width: Plane, blunt: float, nub: float) -> Plane:
    """Distance of a lemon: an arc body, and ends drawn out by a share `nub` of the half length."""
    body = lens_shape(u, v, half_length * (1 - nub), half_width, blunt)
    end = half_width * 0.3
    tip = np.hypot(np.abs(u) - (half_length - end), v) - end
    return smooth_union(body, tip.astype(np.float32), half_width * 0.12)


def ellipse(u: Plane, v: Plane, a: float, b: float) -> Plane:
    """Distance of an ellipse to first order: the implicit function over its slope."""
    k = np.hypot(u / a, v / b)
    slope = np.hypot(u / a**2, v / b**2)
    return (k * (k - 1) / np.maximum(slope, 1e-6)).astype(np.float32)


def wobbly(
    u: Plane, v: Plane, radius: float, waves: NDArray[np.float64], phases: NDArray[np.float64]
) -> Plane:
    """Distance, roughly, of a round thing whose radius wobbles by shares `waves` of orders 1, 2, ..."""
    turn = np.arctan2(v, u)
    out = np.ones_like(u)
    for order, (share, phase) in enumerate(zip(waves, phases, strict=True), 1):
        out += np.float32(share) * np.cos(order * turn + np.float32(phase))
    return (np.hypot(u, v) - radius * out).astype(np.float32)


def cut_polygon(u: Plane, v: Plane, turns: NDArray[np.float64], offsets_um: NDArray[np.float64]) -> Plane:
    """Distance, from inside exact, of the convex polygon that half planes leave (normals at `turns`)."""
    distance = np.full_like(u, -np.inf)
    for turn, offset in zip(turns, offsets_um, strict=True):
        edge = u * np.float32(np.cos(turn)) + v * np.float32(np.sin(turn)) - np.float32(offset)
        np.maximum(distance, edge, out=distance)
    return distance


def along_path(
    x: Plane, y: Plane, path: NDArray[np.float64], reach: float, px: float
) -> tuple[Plane, Plane, Plane]:
    """Distance from a bent line, with the way along it and the side.

    Parameters
    ----------
    x, y : ndarray of shape (h, w)
        Places, on a regular grid with step `px`.
    path : ndarray of shape (k, 2)
        Corners of the line, same unit.
    reach : float
        Distances beyond it are not needed.

    Returns
    -------
    distance, way, side : ndarray of shape (h, w)
        Side is the distance with a sign; beyond the reach all hold large numbers or zero.
    """
    distance = np.full(x.shape, 9e3, np.float32)
    way, side = np.zeros(x.shape, np.float32), np.zeros(x.shape, np.float32)
    x0, y0 = float(x[0, 0]), float(y[0, 0])
    done = 0.0
    for (ax, ay), (bx, by) in pairwise(path):
        length = float(np.hypot(bx - ax, by - ay))
        c0 = max(int((min(ax, bx) - reach - x0) / px), 0)
        c1 = int((max(ax, bx) + reach - x0) / px) + 2
        r0 = max(int((min(ay, by) - reach - y0) / px), 0)
        r1 = int((max(ay, by) + reach - y0) / px) + 2
        if length > 0 and c1 > c0 and r1 > r0:
            box = (slice(r0, r1), slice(c0, c1))
            dx, dy = x[box] - np.float32(ax), y[box] - np.float32(ay)
            tx, ty = np.float32((bx - ax) / length), np.float32((by - ay) / length)
            run = np.clip(dx * tx + dy * ty, 0, np.float32(length))
            away = np.hypot(dx - run * tx, dy - run * ty)
            near = away < distance[box]
            distance[box][near] = away[near]
            way[box][near] = run[near] + np.float32(done)
            side[box][near] = (away * np.sign(dy * tx - dx * ty))[near]
        done += length
    return distance, way, side


def winding(rng: np.random.Generator, length: float, bend: float, step: float) -> NDArray[np.float64]:
    """Give corners of a line that winds from (0, 0) along +x; bend in radians over the whole length."""
    n = max(int(length / step), 3)
    turn = np.cumsum(rng.normal(0, bend / np.sqrt(n), n)) + np.linspace(0, rng.normal(0, bend), n)
    steps = np.stack([np.cos(turn), np.sin(turn)], axis=1) * length / n
    return np.concatenate([np.zeros((1, 2)), np.cumsum(steps, axis=0)])
