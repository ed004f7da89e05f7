"""Noise over the plane and signed distances of outlines: negative inside, lengths in micrometres."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Plane = NDArray[np.floating[Any]]


def smooth(low: float, high: float, x: Plane) -> Plane:
    """Rise softly from 0 at `low` to 1 at `high`; fall where `low` is the larger one."""
    t = np.clip((x - np.float32(low)) / np.float32(high - low), 0, 1)
    return (t * t * (3 - 2 * t)).astype(np.float32)


def cover(distance: Plane, soft_um: float) -> Plane:
    """Share of a pixel inside of an outline whose edge is `soft_um` wide."""
    return np.clip(np.float32(0.5) - distance / np.float32(soft_um), 0, 1)


def value_noise(rng: np.random.Generator, shape: tuple[int, int], cell: tuple[float, float]) -> Plane:
    """Draw smooth noise of about unit deviation with cells of (rows, cols) pixels."""
    size = [int(np.ceil(n / max(c, 1))) + 3 for n, c in zip(shape, cell, strict=True)]
    knots = rng.standard_normal(size).astype(np.float32)
    # A map that shifts by a part of a cell keeps the lattice from always starting in the corner.
    dy, dx = rng.uniform(0.6, 1.2, 2)
    step = [1 / max(c, 1) for c in cell]
    into = np.array([[step[1], 0, dx], [0, step[0], dy]], np.float32)
    flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
    out = cv2.warpAffine(knots, into, shape[::-1], flags=flags, borderMode=cv2.BORDER_REFLECT_101)
    return np.asarray(out * np.float32(1.25), np.float32)


def gradient_noise(x: Plane, y: Plane, rng: np.random.Generator) -> Plane:
    """Draw gradient noise at points given in cells; about unit deviation."""
    table = 64
    turn = rng.uniform(0, 2 * np.pi, (table, table))
    gx, gy = np.cos(turn).astype(np.float32), np.sin(turn).astype(np.float32)
    ix, iy = np.floor(x), np.floor(y)
    fx, fy = x - ix, y - iy
    cx, cy = ix.astype(np.int32), iy.astype(np.int32)

    def corner(i: int, j: int) -> Plane:
        at = (cy + j) % table, (cx + i) % table
        return np.asarray(gx[at] * (fx - i) + gy[at] * (fy - j), np.float32)

    wx, wy = fx * fx * fx * (fx * (fx * 6 - 15) + 10), fy * fy * fy * (fy * (fy * 6 - 15) + 10)
    top = corner(0, 0) + wx * (corner(1, 0) - corner(0, 0))
    low = corner(0, 1) + wx * (corner(1, 1) - corner(0, 1))
    return np.asarray(4 * (top + wy * (low - top)), np.float32)


def mottle(
    u: Plane, v: Plane, cell_um: tuple[float, float], um_per_px: float, rng: np.random.Generator
) -> Plane:
    """Gradient noise over a window with cells of (u, v) micrometres; large cells are drawn on a coarser grid."""
    step = int(np.clip(min(cell_um) / um_per_px / 6, 1, max(min(u.shape) // 4, 1)))
    # Away from the origin, where cells of any size have their corner.
    at = [
        w[::step, ::step] / np.float32(c) + np.float32(k)
        for w, c, k in zip((u, v), cell_um, (7.3, 5.6), strict=True)
    ]
    n = gradient_noise(at[0], at[1], rng)
    return (
        n
        if step == 1
        else np.asarray(cv2.resize(n, u.shape[::-1], interpolation=cv2.INTER_LINEAR), np.float32)
    )


def soften(plane: Plane, sigma_px: float) -> Plane:
    """Blur, on a coarser grid where the blur is wide."""
    step = int(min(sigma_px / 2.5, min(plane.shape[:2]) / 3))
    if step < 2:
        return np.asarray(cv2.GaussianBlur(plane, (0, 0), sigma_px), np.float32)
    rows, cols = plane.shape[:2]
    small = cv2.resize(plane, (-(-cols // step), -(-rows // step)), interpolation=cv2.INTER_AREA)
    small = cv2.GaussianBlur(small, (0, 0), sigma_px / step)
    return np.asarray(cv2.resize(small, (cols, rows), interpolation=cv2.INTER_LINEAR), np.float32)


def cell_noise(x: Plane, y: Plane, rng: np.random.Generator) -> tuple[Plane, Plane, Plane]:
    """Give the distances to the nearest and second nearest feature point, and a number of the nearest one."""
    table = 48
    px, py, tag = rng.uniform(0, 1, (3, table, table)).astype(np.float32)
    ix, iy = np.floor(x).astype(np.int32), np.floor(y).astype(np.int32)
    first, second, name = np.full_like(x, 9), np.full_like(x, 9), np.zeros_like(x)
    for j in (-1, 0, 1):
        for i in (-1, 0, 1):
            at = (iy + j) % table, (ix + i) % table
            d = np.hypot(ix + i + px[at] - x, iy + j + py[at] - y).astype(np.float32)
            nearer = d < first
            second = np.minimum(np.maximum(first, d), second)
            name = np.where(nearer, tag[at], name)
            first = np.minimum(first, d)
    return first, second, name


def fractal(
    rng: np.random.Generator, shape: tuple[int, int], cell_px: float, octaves: int, fade: float
) -> Plane:
    """Sum value noise of halving cells; about unit deviation."""
    out, weights = np.zeros(shape, np.float32), []
    for k in range(octaves):
        if k and cell_px / 2**k < 1.5:
            break
        weights.append(fade**k)
        out += np.float32(weights[-1]) * value_noise(rng, shape, (cell_px / 2**k, cell_px / 2**k))
    return out / np.float32(np.linalg.norm(weights))


def lemon(u: Plane, v: Plane, a: Plane, b: Plane, bulge: float, nib: float) -> Plane:
    """Signed distance (near the outline) of a lemon with half axes a and b.

    Parameters
    ----------
    u, v, a, b : ndarray
        Broadcast against each other.
    bulge : float
        Power of the profile b (1 - (u/a)²)^bulge: 0.5 is an ellipse, 1 has pointed ends.
    nib : float
        Part of the half length that the small knobs at both ends take.
    """
    body = a * np.float32(1 - nib)
    p = np.float32(1 / bulge)
    t, w = np.abs(v) / b, u / body
    f = t**p + w * w - 1
    slope = np.hypot(p * t ** (p - 1) / b, 2 * w / body)
    d = np.maximum(f / np.maximum(slope, 0.7 / b), -b)
    if nib > 0:
        radius = np.float32(nib) * a * np.float32(0.8)
        knob = np.hypot(np.maximum(np.abs(u) - (a - radius), 0), v) - radius
        k = radius * np.float32(1.2)
        h = np.clip(0.5 + 0.5 * (knob - d) / k, 0, 1)
        # The plain union keeps the length exact; the soft one fills the neck.
        d = np.minimum(knob + h * (d - knob) - k * h * (1 - h), np.minimum(d, knob))
    return np.asarray(d, np.float32)


def ellipse(u: Plane, v: Plane, a: float, b: float) -> Plane:
    """Signed distance (first order) of an ellipse."""
    f = np.hypot(u / np.float32(a), v / np.float32(b))
    slope = np.hypot(u / np.float32(a * a), v / np.float32(b * b)) / np.maximum(f, 1e-4)
    return np.asarray((f - 1) / np.maximum(slope, 0.5 / max(a, b)), np.float32)


def ragged(u: Plane, v: Plane, radius_um: float, rng: np.random.Generator, rough: float) -> Plane:
    """Signed distance of a lump: a many-sided convex outline, warped."""
    d = np.full(np.broadcast(u, v).shape, -9e9, np.float32)
    for turn in np.sort(rng.uniform(0, 2 * np.pi, rng.integers(4, 9))):
        d = np.maximum(
            d, u * np.float32(np.cos(turn)) + v * np.float32(np.sin(turn)) - rng.uniform(0.6, 1) * radius_um
        )
    d = np.maximum(d, np.hypot(u, v) - np.float32(1.4 * radius_um))
    px = float(max(abs(np.diff(u[0, :2]).sum()) + abs(np.diff(v[0, :2]).sum()), 1e-3))
    cell = radius_um / 1.1
    warp = mottle(u, v, (cell, cell), px, rng) + 0.5 * mottle(u, v, (cell / 3, cell / 3), px, rng)
    return np.asarray(d + np.float32(rough * radius_um) * warp, np.float32)


def wander(
    rng: np.random.Generator,
    start: tuple[float, float],
    heading: float,
    length: float,
    bend: float,
    points: int,
) -> NDArray[np.float64]:
    """Draw a winding path of (x, y) with a heading that drifts by `bend` over its length."""
    turn = np.cumsum(np.cumsum(rng.standard_normal(points)) / points) * bend * 2 / np.sqrt(points)
    turn += heading + rng.normal(0, bend) * np.linspace(-0.5, 0.5, points)
    steps = np.stack((np.cos(turn), np.sin(turn)), 1) * (length / points)
    return np.asarray(start + np.cumsum(steps, 0) - steps[0], np.float64)
