"""Long things: hairs, fibres, threads of mould, ridges of glue. Each is a tube along a smooth curve."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from sporecount.simulate.slices.conditions import log_between
from sporecount.simulate.slices.stack import Grid, Map, Patch, Solid

Rng = np.random.Generator


def curve(
    rng: Rng, start: tuple[float, float], length_um: float, bend: float, pace_um: float
) -> NDArray[np.float64]:
    """Points of a smooth curve, (n, 2) in µm; `bend` is the typical turn in radians over its length."""
    n = max(int(length_um / pace_um), 8)
    knots = rng.normal(0, bend, 5)
    turn = np.interp(np.linspace(0, 4, n), np.arange(5), knots)
    smooth = cv2.GaussianBlur(turn.reshape(-1, 1), (0, 0), n / 8, borderType=cv2.BORDER_REPLICATE)
    heading = rng.uniform(0, 2 * np.pi) + np.asarray(smooth).ravel()
    steps = np.stack([np.cos(heading), np.sin(heading)], axis=1) * length_um / n
    path = np.cumsum(steps, axis=0)
    return path - path[n // 2] + np.asarray(start)


def _along(grid: Grid, points: NDArray[np.float64], widest_um: float) -> tuple[Patch, Map, Map] | None:
    """Distance from the curve and share of the way along it, on the part of the grid that it crosses."""
    step, sub = grid.step_um, grid.sub
    cols, rows = points[:, 0] / step, points[:, 1] / step
    pad = int(widest_um / step) + 3
    c0, r0 = max(int(cols.min()) - pad, 0), max(int(rows.min()) - pad, 0)
    c1, r1 = min(int(cols.max()) + pad, grid.cols), min(int(rows.max()) + pad, grid.rows)
    if c1 - c0 < 2 or r1 - r0 < 2:
        return None
    shape = ((r1 - r0) * sub, (c1 - c0) * sub)
    # Distances come from a drawn line of a sixteenth pixel, then smoothed over its steps.
    canvas = np.full(shape, 255, np.uint8)
    fine = np.stack([(cols - c0 + 0.5) * sub - 0.5, (rows - r0 + 0.5) * sub - 0.5], axis=1)
    cv2.polylines(canvas, [np.round(fine * 16).astype(np.int32)], False, 0, 1, cv2.LINE_8, 4)
    away, label = cv2.distanceTransformWithLabels(canvas, cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL)
    on = canvas == 0
    y, x = np.nonzero(on)
    nearest = _nearest(np.stack([x, y], axis=1), fine)
    share = np.zeros(int(label.max()) + 1, np.float32)
    share[label[on]] = nearest / len(fine)
    away = cv2.GaussianBlur(away, (0, 0), 0.8) * np.float32(step / sub)
    empty = np.zeros((1, 1), np.float32)
    return Patch(r0, c0, empty, empty, sub, step / sub), away, share[label]


def _nearest(pixels: NDArray[np.int64], points: NDArray[np.float64]) -> NDArray[np.int64]:
    return cKDTree(points).query(pixels)[1]


def tube(
    grid: Grid, points: NDArray[np.float64], radius_um: float, kind: str, *, tint: tuple[float, float, float],
    index: float, z_um: float, flat: float = 1.0, taper: bool = False, bands: float = 0.0, core: float = 0.0,
    sheen: tuple[float, float, float] = (0.06, 0.06, 0.06), cloud: float = 0.1,
) -> list[Solid]:  # fmt: skip
    """Draw a tube along a curve, in square parts.

    `tint` is density per µm; `flat` is height over width; `bands` darkens it at intervals of so many µm;
    `core` takes out a hollow of this share of the radius.
    """
    found = _along(grid, points, radius_um)
    if found is None:
        return []
    at, all_away, all_share = found
    way = np.hypot(*np.diff(points, axis=0).T).sum()
    out = []
    side = 64
    for r, c in np.ndindex(*(-(-n // (side * grid.sub)) for n in all_away.shape)):
        block = tuple(slice(k * side * grid.sub, (k + 1) * side * grid.sub) for k in (r, c))
        away, share = all_away[block], all_share[block]
        if away.min() >= radius_um:
            continue
        radius = np.full_like(share, radius_um)
        if taper:
            radius *= np.clip(np.minimum(1 - share, 4 * share + 0.5), 0.02, 1) ** 0.6
        thick = 2 * flat * np.sqrt(np.clip(radius**2 - away**2, 0, None))
        hollow = 2 * flat * np.sqrt(np.clip((core * radius) ** 2 - away**2, 0, None))
        grey = np.clip(thick - hollow, 0, None)
        path = ((thick - hollow) * index).astype(np.float32)
        if bands:
            grey = grey * (1 + 0.8 * (np.cos(2 * np.pi * share * way / bands) > 0.8))
        density = (grey[..., None] * np.array(tint)).astype(np.float32)
        part = replace(at, row=at.row + r * side, col=at.col + c * side)
        out.append(Solid(part, kind, thick.astype(np.float32), density, path, z_um, sheen, cloud))
    return out


def hair(rng: Rng, grid: Grid, x: float, y: float) -> list[Solid]:
    """Draw a hair of the insect: tapered, brown or clear."""
    points = curve(rng, (x, y), log_between(rng, 120, 700), 0.35, 2.0)
    tint = [(0.05, 0.08, 0.13), (0.12, 0.14, 0.16), (0.008, 0.01, 0.014)][int(rng.integers(3))]
    return tube(
        grid,
        points,
        rng.uniform(1.2, 3.8),
        "hair",
        tint=tint,
        index=0.05,
        z_um=rng.uniform(-4, 6),
        taper=True,
    )


def fibre(rng: Rng, grid: Grid, x: float, y: float) -> list[Solid]:
    """Draw a fibre of paper (flat, with nodes), cotton, or a dyed thread of cloth."""
    sort = int(rng.integers(3))
    points = curve(rng, (x, y), log_between(rng, 500, 3000), (0.7, 1.2, 0.9)[sort], 3.0)
    dyed = [(0.02, 0.09, 0.16), (0.14, 0.1, 0.03), (0.12, 0.12, 0.1), (0.03, 0.12, 0.08)][
        int(rng.integers(4))
    ]
    tint = ((0.004, 0.005, 0.009), (0.003, 0.003, 0.004), dyed)[sort]
    radius, index, z_um = log_between(rng, 3.5, 10), rng.uniform(0.03, 0.07), rng.uniform(-6, 6)
    return tube(
        grid, points, radius, "fibre", tint=tint, index=index, z_um=z_um,
        flat=(0.25, 0.4, 0.8)[sort], bands=float(rng.uniform(30, 90)) if sort == 0 else 0.0,
        core=(0.35, 0.3, 0.0)[sort], cloud=0.35, taper=bool(sort == 0),
    )  # fmt: skip


def hypha(rng: Rng, grid: Grid, x: float, y: float) -> list[Solid]:
    """Draw a thread of mould with cross walls."""
    points = curve(rng, (x, y), log_between(rng, 50, 320), 0.9, 1.5)
    tint = (0.02, 0.022, 0.035) if rng.random() < 0.5 else (0.004, 0.004, 0.006)
    return tube(grid, points, rng.uniform(1.0, 2.2), "other", tint=tint, index=0.045, z_um=rng.uniform(-3, 5),
                bands=rng.uniform(10, 22))  # fmt: skip


def ridge(rng: Rng, grid: Grid, x: float, y: float) -> list[Solid]:
    """Draw a wave in the glue or the crease of a tape: no colour, only a lens."""
    points = curve(rng, (x, y), log_between(rng, 150, 1200), 0.5, 4.0)
    radius = log_between(rng, 5, 22)
    index, high = rng.choice([-1, 1]) * rng.uniform(0.03, 0.12), rng.uniform(0.02, 0.06)
    return tube(grid, points, radius, "other", tint=(0, 0, 0), index=float(index), z_um=7.0,
                flat=high * 8 / radius, sheen=(0.1, 0.1, 0.1), cloud=0.0)  # fmt: skip
