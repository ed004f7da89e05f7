"""Thin things: hairs with barbs and kinks, paper fibres in bundles, branching mould, scratches."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from tests.recipes.pilgrim.palette import (
    CELLULOSE,
    CLEAR,
    HAIR,
    MOULD,
    THREAD_DYES,
    Floats,
    Pigment,
    Rng,
    varied,
)
from tests.recipes.pilgrim.scene import Scene

Path = NDArray[np.float64]
"""Points as rows of x, y in px."""


def wandering_path(start: tuple[float, float], length_px: float, turn: float, kinks: int, rng: Rng) -> Path:
    """Walk from a start in a direction that drifts and, at kinks, jumps."""
    steps = 60
    heading = rng.uniform(0, 2 * np.pi) + np.cumsum(rng.normal(0, turn / np.sqrt(steps), steps))
    heading += np.cumsum(rng.normal(0, turn / steps)) + np.linspace(0, rng.normal(0, turn), steps)
    for place in rng.integers(5, steps - 5, kinks):
        heading[place:] += rng.normal(0, 0.7)
    stride = length_px / steps
    way = np.cumsum(np.column_stack((np.cos(heading), np.sin(heading))) * stride, axis=0)
    return np.asarray(np.vstack(([0.0, 0.0], way)) + np.asarray(start))


def ribbon(path: Path, half_px: NDArray[np.float64]) -> NDArray[np.int32]:
    """Widen a path to the outline of a tapered band, in sixteenths of a px."""
    way = np.gradient(path, axis=0)
    way /= np.maximum(np.hypot(way[:, 0], way[:, 1])[:, None], 1e-6)
    side = np.column_stack((-way[:, 1], way[:, 0])) * half_px[:, None]
    outline = np.vstack((path + side, (path - side)[::-1]))
    return np.asarray(np.clip(np.round(outline * 16), -(2**20), 2**20), np.int32)


def press_outlines(
    scene: Scene,
    outlines: list[NDArray[np.int32]],
    density: float,
    height_um: float,
    pigment: Pigment,
    kind: str,
    scatter: float,
    grain: Floats | None = None,
) -> None:
    """Fill outlines as one body that is rounded across, and lay it."""
    points = np.vstack(outlines)
    x0, y0 = np.maximum(points.min(axis=0) // 16 - 3, 0)
    x1, y1 = np.minimum(points.max(axis=0) // 16 + 4, scene.shape[::-1])
    if x0 >= x1 or y0 >= y1:
        return
    mask = np.zeros((y1 - y0, x1 - x0), np.uint8)
    for outline in outlines:
        shifted = outline - np.array([x0 * 16, y0 * 16], np.int32)
        cv2.fillPoly(mask, [shifted.reshape(-1, 1, 2)], 255, cv2.LINE_AA, 4)
    cover = mask.astype(np.float32) / 255
    deep = cv2.distanceTransform((mask > 127).astype(np.uint8), cv2.DIST_L2, 3)
    thick = np.maximum(float(deep.max()), 1.0)
    bulge = np.sqrt(np.clip(deep / thick, 0, 1)) * cover
    box = (slice(int(y0), int(y1)), slice(int(x0), int(x1)))
    laid = density * cover * (0.6 + 0.4 * bulge)
    if grain is not None:
        laid = laid * grain[box]
    scene.press(box, cover, laid.astype(np.float32), height_um * bulge, pigment, kind, scatter)


def strew_hairs(scene: Scene, count: int, rng: Rng) -> None:
    """Lay butterfly hairs: tapered, often kinked, some barbed."""
    um = scene.um_per_px
    for _ in range(count):
        length, width = rng.uniform(60, 700) / um, max(rng.uniform(1.2, 6.0) / um, 0.9)
        kinks = int(rng.integers(0, 3))
        path = wandering_path(scene.somewhere(rng, 60), length, rng.uniform(0.1, 1.0), kinks, rng)
        taper = np.linspace(1, rng.uniform(0.05, 0.5), len(path)) ** 0.7
        outlines = [ribbon(path, 0.5 * width * taper)]
        if rng.random() < 0.3:
            for i in range(3, len(path) - 3, 3):
                way = path[i + 1] - path[i]
                side = np.array([-way[1], way[0]]) * rng.choice([-1, 1])
                barb = way * 1.4 + side * 0.9
                barb *= width * 1.3 / max(float(np.hypot(*barb)), 1e-6)
                spike = np.vstack((path[i], path[i] + barb / 2, path[i] + barb))
                outlines.append(ribbon(spike, np.array([0.35, 0.2, 0.05]) * width))
        tone = float(rng.uniform(0.2, 1.0))
        press_outlines(scene, outlines, tone, 2.5, varied(HAIR, rng, 0.15), "hair", 0.7)


def strew_fibres(scene: Scene, count: int, strength: float, rng: Rng) -> None:
    """Lay paper fibres in bundles of neighbours that split and cross, and a dyed thread at times."""
    um = scene.um_per_px
    left = count
    while left > 0:
        core = wandering_path(
            scene.somewhere(rng, 80), rng.uniform(150, 1100) / um, rng.uniform(0.3, 1.8), 1, rng
        )
        pigment = varied(
            THREAD_DYES[int(rng.integers(len(THREAD_DYES)))] if rng.random() < 0.1 else CELLULOSE, rng
        )
        for _ in range(int(rng.integers(1, 5))):
            stray = np.cumsum(rng.normal(0, 1.2 / um, core.shape), axis=0) + rng.normal(0, 6 / um, 2)
            width = max(rng.uniform(5, 20) / um, 1.0)
            twist = 1 + 0.35 * np.sin(np.linspace(0, rng.uniform(4, 24), len(core)) + rng.uniform(0, 6))
            body = [ribbon(core + stray, 0.5 * width * twist)]
            tone = strength * float(rng.uniform(0.3, 1.2))
            press_outlines(
                scene, body, tone, 3 * strength + 0.6, pigment, "fibre", min(0.15 + 2 * strength, 0.7)
            )
            left -= 1


def strew_mould(scene: Scene, count: int, rng: Rng) -> None:
    """Grow mould: threads that branch, with chains of round spores at their ends."""
    um = scene.um_per_px
    for _ in range(count):
        threads = [wandering_path(scene.somewhere(rng), rng.uniform(60, 260) / um, 0.9, 0, rng)]
        for _ in range(int(rng.integers(1, 6))):
            parent = threads[int(rng.integers(len(threads)))]
            fork = parent[int(rng.integers(10, len(parent)))]
            threads.append(wandering_path((fork[0], fork[1]), rng.uniform(25, 120) / um, 0.9, 0, rng))
        width = max(rng.uniform(1.5, 3.2) / um, 0.8)
        bodies = [ribbon(thread, np.full(len(thread), width / 2)) for thread in threads]
        tone = float(rng.uniform(0.06, 0.35))
        pigment = varied(MOULD, rng, 0.15)
        press_outlines(scene, bodies, tone, 1.0, pigment, "other", 0.3)
        radius = rng.uniform(1.4, 3.2) / um
        beads: list[NDArray[np.int32]] = []
        for thread in threads:
            way = thread[-1] - thread[-4]
            way = way / max(float(np.hypot(*way)), 1e-6)
            for i in range(int(rng.integers(0, 8))):
                middle = thread[-1] + way * radius * 1.9 * (i + 0.8) + rng.normal(0, 0.3 * radius, 2)
                ring = np.linspace(0, 2 * np.pi, 16)[:, None]
                outline = (middle + radius * np.hstack((np.cos(ring), np.sin(ring)))) * 16
                beads.append(np.round(outline).astype(np.int32))
        if beads:
            press_outlines(scene, beads, tone * 1.6, 2.5, pigment, "other", 0.4)


def strew_scratches(scene: Scene, count: int, rng: Rng) -> None:
    """Draw scratches and ridges of the tape's glue: they bend light and take little of it."""
    um = scene.um_per_px
    for _ in range(count):
        path = wandering_path(
            scene.somewhere(rng, 50), rng.uniform(100, 1500) / um, rng.uniform(0.02, 0.5), 0, rng
        )
        half = np.full(len(path), max(rng.uniform(0.5, 4) / um, 0.6))
        press_outlines(
            scene, [ribbon(path, half)], rng.uniform(0.0, 0.07), rng.uniform(0.4, 2.2), CLEAR, "other", 0.0
        )
