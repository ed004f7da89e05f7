"""Long things: hairs, fibres of paper and cloth, threads of mould, ridges of the adhesive, scratches."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from sporecount.simulate.panes.canvas import F, Scene

SUBPIXEL = 4


def _course(rng: np.random.Generator, scene: Scene, length_um: float, bend: float) -> NDArray:
    """Draw the middle line, shape (n, 2) in px: a heading that drifts smoothly. `bend` in radians in all."""
    rows, cols = scene.shape
    n = 48
    turn = np.convolve(rng.standard_normal(n + 14), np.hanning(15), "valid")
    heading = rng.uniform(0, 2 * np.pi) + bend * np.cumsum(turn) / n
    step = length_um / scene.um_per_px / (n - 1)
    line = np.cumsum(np.stack([np.cos(heading), np.sin(heading)], axis=1) * step, axis=0)
    middle = np.array([rng.uniform(0, cols), rng.uniform(0, rows)])
    return line - line[int(rng.integers(n))] + middle


def _ribbon(scene: Scene, line: NDArray, width_um: NDArray) -> tuple[tuple[int, int], F, F] | None:
    """Give corner, thickness (a round rod's, 1 at its middle) and coverage of a rod of varying width."""
    rows, cols = scene.shape
    half = np.maximum(width_um / scene.um_per_px / 2, 0.35)
    reach = float(half.max()) + 2
    low = np.maximum(np.floor(line.min(axis=0) - reach), 0).astype(int)
    high = np.minimum(np.ceil(line.max(axis=0) + reach), [cols, rows]).astype(int)
    if np.any(high <= low):
        return None
    way = np.gradient(line, axis=0)
    side = np.stack([-way[:, 1], way[:, 0]], axis=1) / np.maximum(np.hypot(*way.T)[:, None], 1e-9)
    shape = (int(high[1] - low[1]), int(high[0] - low[0]))
    thick: F = np.zeros(shape, np.float32)
    cover: F = np.zeros(shape, np.float32)
    edges = np.linspace(1, 0, 6, endpoint=False)
    levels = np.sqrt(np.maximum(1 - (edges - 1 / 12) ** 2, 0))
    for edge, rise in zip(edges, np.diff(levels, prepend=0), strict=True):
        rim = np.concatenate(
            [line + side * (half * edge)[:, None], (line - side * (half * edge)[:, None])[::-1]]
        )
        points = np.round((rim - low) * 2**SUBPIXEL).astype(np.int32)
        drawn = np.zeros(shape, np.uint8)
        cv2.fillPoly(drawn, [points], 255, cv2.LINE_AA, SUBPIXEL)
        layer = drawn.astype(np.float32) / 255
        if edge == 1:
            cover = layer
        thick += np.float32(rise) * layer
    return (int(low[0]), int(low[1])), thick, cover


def hair(rng: np.random.Generator, scene: Scene) -> None:
    """Draw a butterfly's hair: tapering, from pale to dark brown."""
    line = _course(rng, scene, rng.uniform(120, 600), rng.uniform(0.2, 1.2))
    width = rng.uniform(3, 8) * np.linspace(1, rng.uniform(0.02, 0.3), len(line)) ** 0.6
    if (got := _ribbon(scene, line, width)) is None:
        return
    corner, thick, cover = got
    colour = np.array([0.72, 1.0, 1.35]) * (1 + 0.06 * rng.standard_normal(3))
    dark = thick * rng.uniform(0.12, 0.9)
    path = thick * float(width.mean()) * rng.uniform(0.015, 0.04)
    scene.lay(
        corner, "hair", cover, colour, dark, path, raised=rng.random() < 0.5, haze=rng.uniform(0.05, 0.3)
    )


def fibre(rng: np.random.Generator, scene: Scene) -> None:
    """Draw a fibre: flat twisted cellulose with a hollow, or a smooth man-made one, sometimes dyed."""
    line = _course(rng, scene, rng.uniform(300, 1600), rng.uniform(0.6, 3))
    made = rng.random() < 0.3
    base = rng.uniform(9, 22)
    width = np.full(len(line), base)
    if not made:
        twist = rng.uniform(2, 7) * np.linspace(0, 2 * np.pi, len(line)) + rng.uniform(0, 6)
        width = base * (0.8 + 0.25 * np.sin(twist)) * (1 + 0.05 * rng.standard_normal(len(line)))
    if (got := _ribbon(scene, line, width)) is None:
        return
    corner, thick, cover = got
    path = thick * base * rng.uniform(0.02, 0.05)
    dark = thick * rng.uniform(0.02, 0.09)
    colour = np.array([0.95, 1.0, 1.1])
    if not made and (hollow := _ribbon(scene, line, width * rng.uniform(0.25, 0.5))) is not None:
        left, top = hollow[0][0] - corner[0], hollow[0][1] - corner[1]
        rows, cols = hollow[1].shape
        path[top : top + rows, left : left + cols] -= hollow[1] * float(path.max()) * 0.5
    if made and rng.random() < 0.7:
        colour = np.array([(1.6, 1.0, 0.4), (0.3, 1.0, 0.8), (1.0, 1.0, 1.0)])[rng.integers(3)]
        dark = thick * rng.uniform(0.1, 0.5)
    scene.lay(
        corner, "fibre", cover, colour, dark, path, raised=rng.random() < 0.5, haze=rng.uniform(0.15, 0.5)
    )


def mould(rng: np.random.Generator, scene: Scene) -> None:
    """Draw a thread of mould with walls across it."""
    line = _course(rng, scene, rng.uniform(60, 350), rng.uniform(1, 3))
    if (got := _ribbon(scene, line, np.full(len(line), rng.uniform(2, 4.5)))) is None:
        return
    corner, thick, cover = got
    dark = thick * rng.uniform(0.05, 0.35)
    path = thick * rng.uniform(0.04, 0.1)
    scene.lay(corner, "other", cover, np.array([0.9, 1.0, 1.15]), dark, path, haze=0.1)


def ridge(rng: np.random.Generator, scene: Scene, strength: float) -> None:
    """Draw a ridge of the adhesive: a low clear bank that bends light."""
    line = _course(rng, scene, rng.uniform(200, 1500), rng.uniform(0.2, 1.6))
    width = rng.uniform(6, 30) * (1 + 0.3 * np.sin(np.linspace(0, rng.uniform(3, 15), len(line))))
    if (got := _ribbon(scene, line, width)) is None:
        return
    corner, thick, cover = got
    path = cv2.GaussianBlur(thick, (0, 0), 0.8 + 0.08 * float(width.mean()) / scene.um_per_px)
    path = path * (strength * float(width.mean()) * rng.uniform(-0.03, 0.05))
    scene.lay(corner, "bubble", cover, np.array([0.8, 1.0, 1.3]), 0.01 * cover, path, haze=0.03)


def scratch(rng: np.random.Generator, scene: Scene) -> None:
    """Draw a scratch of the plastic."""
    line = _course(rng, scene, rng.uniform(200, 2000), rng.uniform(0, 0.2))
    if (got := _ribbon(scene, line, np.full(len(line), rng.uniform(0.8, 3)))) is None:
        return
    corner, thick, cover = got
    dark = thick * rng.uniform(0.01, 0.08)
    path = -thick * rng.uniform(0.02, 0.12)
    scene.lay(corner, "other", cover, np.ones(3), dark, path, raised=True, haze=0.2)
