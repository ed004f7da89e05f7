"""The ground beneath the print and the glue above it: unevenness without objects."""

from __future__ import annotations

import cv2
import numpy as np

from sporecount.simulate.slices.conditions import Conditions
from sporecount.simulate.slices.stack import Grid, Map, Stack

Rng = np.random.Generator


def mottle(rng: Rng, shape: tuple[int, int], size_px: float) -> Map:
    """Smooth chance pattern of mean 0 and deviation about 1; lumps are about `size_px` wide."""
    coarse = max(size_px / 3, 1.0)
    small = (max(int(shape[0] / coarse), 2) + 4, max(int(shape[1] / coarse), 2) + 4)
    field = np.asarray(
        cv2.GaussianBlur(rng.standard_normal(small).astype(np.float32), (0, 0), 1.2), np.float32
    )
    field /= max(float(field.std()), 1e-6)
    return np.asarray(cv2.resize(field, shape[::-1], interpolation=cv2.INTER_CUBIC))


def _straws(rng: Rng, grid: Grid, number: int, wide_um: float, strength: float) -> Map:
    """Pulp of the card: crossing straws, brighter or darker than their surroundings."""
    # Drawn coarsely: the ground is out of focus anyway.
    step = max(grid.step_um, 2.5)
    w, h = grid.size_um
    out = np.zeros((int(h / step) + 2, int(w / step) + 2), np.float32)
    one = np.zeros_like(out)
    for _ in range(number):
        x, y, way = rng.uniform(0, w), rng.uniform(0, h), rng.uniform(0, np.pi)
        t = np.linspace(-1, 1, 9) * rng.uniform(60, 400)
        bend = rng.normal(0, 25) * np.cos(np.linspace(0, rng.uniform(2, 5), 9))
        line = [x + t * np.cos(way) - bend * np.sin(way), y + t * np.sin(way) + bend * np.cos(way)]
        wide = max(int(wide_um * rng.uniform(0.5, 1.4) / step), 1)
        one[:] = 0
        points = np.round(np.stack(line, axis=1) / step * 8).astype(np.int32)
        cv2.polylines(one, [points], False, rng.normal(0, strength), wide, cv2.LINE_AA, 3)
        out += one
    out = np.asarray(cv2.GaussianBlur(out, (0, 0), 0.8))
    return np.asarray(cv2.resize(out, (grid.cols, grid.rows), interpolation=cv2.INTER_CUBIC))


def ground_light(rng: Rng, grid: Grid, here: Conditions) -> Map:
    """Light that leaves the ground, (rows, cols, 3), about 1: from a lamp below, or thrown back from above."""
    shape, step = (grid.rows, grid.cols), grid.step_um
    grey = np.zeros(shape, np.float32)
    tint = np.ones(3, np.float32)
    if here.ground == "card":
        rough = rng.uniform(0.4, 1.2) * (0.5 if here.from_above else 1)
        grey += rough * (0.1 * mottle(rng, shape, 150 / step) + 0.07 * mottle(rng, shape, 35 / step))
        grey += rough * _straws(rng, grid, int(60 + 250 * grid.size_um[0] * grid.size_um[1] / 1e6), 16, 0.07)
        grey += 0.02 * mottle(rng, shape, 7 / step)
        tint = np.array([1, 0.95, 0.86], np.float32) if not here.from_above else tint
    elif here.ground == "tracing paper":
        grey += rng.uniform(0.3, 1) * (
            0.05 * mottle(rng, shape, 60 / step) + 0.04 * mottle(rng, shape, 14 / step)
        )
        grey += _straws(rng, grid, int(30 + 80 * grid.size_um[0] * grid.size_um[1] / 1e6), 12, 0.03)
        tint = np.array([1, 0.98, 0.94], np.float32)
    elif here.ground == "film":
        grey += 0.012 * mottle(rng, shape, 80 / step)
    # The ground lies a tape's thickness lower: always a little out of focus.
    soft = max(here.aperture * 14 / 1.5 * 0.5 * here.condenser, 0.8) / step
    grey = np.asarray(cv2.GaussianBlur(grey, (0, 0), soft))
    return np.exp(grey)[..., None] * tint


def lay_glue(rng: Rng, stack: Stack, here: Conditions) -> None:
    """Give the tape its waves, its tint and, where it is matt, its grain."""
    grid, step = stack.grid, stack.grid.step_um
    shape = (grid.rows, grid.cols)
    stack.path_um[2] += rng.uniform(0.01, 0.05) * mottle(rng, shape, rng.uniform(12, 50) / step)
    stack.path_um[0] += rng.uniform(0.0, 0.015) * mottle(rng, shape, rng.uniform(4, 12) / step)
    if here.tape == "matt":
        stack.path_um[2] += rng.uniform(0.03, 0.07) * mottle(rng, shape, max(rng.uniform(4, 9) / step, 2))
    if here.tape == "yellowed":
        stack.density[2] += np.array([0.004, 0.012, 0.06], np.float32)


def focus_height(rng: Rng, grid: Grid, here: Conditions) -> Map:
    """Height in focus at each place, (rows, cols): the stage's place, its tilt, the card's bulges."""
    x = np.linspace(-1, 1, grid.cols, dtype=np.float32)[None, :]
    y = np.linspace(-1, 1, grid.rows, dtype=np.float32)[:, None]
    bulge = here.bumps_um * mottle(rng, (grid.rows, grid.cols), 260 / grid.step_um)
    return (here.focus_um + here.tilt_um[0] * x + here.tilt_um[1] * y + np.clip(bulge, -25, 25)).astype(
        np.float32
    )
