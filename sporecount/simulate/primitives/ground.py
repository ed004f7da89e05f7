"""The painted sheet: blending, soft noise and the bare ground of card, paper, glass or glue."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from sporecount.simulate.truth import KIND_NAMES

Array = NDArray[Any]
Window = tuple[slice, slice]
KIND = {name: number for number, name in enumerate(KIND_NAMES)}
LUMA = np.array([0.3, 0.59, 0.11], np.float32)


def mottle(rng: np.random.Generator, shape: tuple[int, int], cell_px: float, octaves: int = 3) -> Array:
    """Soft noise of unit spread, coarsest at `cell_px`, each octave half as strong."""
    total = np.zeros(shape, np.float32)
    for octave in range(octaves):
        cell = max(cell_px / 2**octave, 1.0)
        coarse = (int(shape[0] / cell) + 3, int(shape[1] / cell) + 3)
        grid = rng.normal(size=coarse).astype(np.float32)
        total += 0.5**octave * cv2.resize(grid, shape[::-1], interpolation=cv2.INTER_CUBIC)
        if cell == 1.0:
            break
    return np.asarray((total - total.mean()) / (total.std() + 1e-6), np.float32)


class Sheet:
    """The scene while it is painted, in finished pixels with a margin around the view.

    With a `solid` of 0 things only filter the light from below, with 1 they only send back light from above.
    """

    def __init__(self, light: Array, um_per_px: float, solid: float) -> None:
        shape = light.shape[:2]
        self.light: Array = light
        self.um_per_px = um_per_px
        self.solid = solid
        self.level = np.median(light, axis=(0, 1)).astype(np.float32)
        self.kinds: Array = np.zeros(shape, np.uint8)
        self.owner: Array = np.full(shape, -1, np.int32)
        self.scaled = np.zeros(shape, bool)
        self.clear = np.ones(shape, np.float32)

    def window(self, x: float, y: float, reach_px: float) -> Window | None:
        """Cut a square around a point to the sheet; None where nothing is left."""
        rows, cols = self.kinds.shape
        top, bottom = max(0, int(y - reach_px)), min(rows, int(y + reach_px) + 2)
        left, right = max(0, int(x - reach_px)), min(cols, int(x + reach_px) + 2)
        if bottom - top < 2 or right - left < 2:
            return None
        return slice(top, bottom), slice(left, right)

    def lay(self, box: Window, alpha: Array, tint: Array, kind: str, solid: float | None = None) -> None:
        """Paint a thing with coverage `alpha` and transmission `tint`, hiding what it hides."""
        solid = self.solid if solid is None else solid
        old = self.light[box]
        if solid > 0.4:
            # Light from above, a little from one side, leaves a soft shadow beside what stands up.
            shift = max(1, round(1.5 / self.um_per_px))
            beside = np.zeros_like(alpha)
            beside[shift:, shift:] = alpha[:-shift, :-shift]
            old = old * (1 - 0.3 * cv2.GaussianBlur(beside, (0, 0), shift))[..., None]
        through = (1 - alpha)[..., None] + alpha[..., None] * (1 - solid) * tint
        new = old * through + (alpha * solid)[..., None] * tint * self.level
        luma = through @ LUMA
        kept = (old @ LUMA) * luma / np.maximum(new @ LUMA, 1e-3)
        self.clear[box] *= np.minimum(kept, 1)
        mine = alpha > 0.5
        # A spore stays seen through a layer that lets most of its contrast and enough light pass.
        seen_through = (self.owner[box] >= 0) & (kept > 0.5) & (luma > 0.25)
        over = mine & ~seen_through
        self.kinds[box][over] = KIND[kind]
        self.owner[box][over] = -1
        if kind.startswith("scale"):
            self.scaled[box] |= mine
        self.light[box] = new


def walk(
    rng: np.random.Generator, start: tuple[float, float], step_px: float, steps: int, bend: float
) -> Array:
    """Points of a random walk whose heading drifts smoothly."""
    turn = np.cumsum(rng.normal(0, bend, steps)) * 0.5 + np.cumsum(np.cumsum(rng.normal(0, bend / 12, steps)))
    heading = rng.uniform(0, 2 * np.pi) + 3.5 * np.tanh(turn / 3.5)
    points = np.cumsum(np.stack([np.cos(heading), np.sin(heading)], 1) * step_px, axis=0)
    return np.asarray(points - points[steps // 2] + start, np.float32)


def stroke(shape: tuple[int, int], points: Array, width_px: float) -> Array:
    """Coverage of a smooth line, with soft edges; thin lines are drawn fainter instead of thinner."""
    mask = np.zeros(shape, np.uint8)
    wide = max(1, round(width_px))
    cv2.polylines(mask, [np.round(points * 16).astype(np.int32)], False, 255, wide, cv2.LINE_AA, shift=4)
    return np.asarray(mask.astype(np.float32) * np.float32(min(1.0, width_px) / 255))


def _mat(rng: np.random.Generator, shape: tuple[int, int], px_um: float) -> Array:
    """Felt a paper: many faint strokes, dark and light."""
    felt = np.full(shape, 128, np.uint8)
    for _ in range(int(np.clip(shape[0] * shape[1] * px_um**2 / 6e3, 8, 160))):
        line = walk(rng, (rng.uniform(0, shape[1]), rng.uniform(0, shape[0])), 12 / px_um, 24, 0.12)
        wide, shade = max(1, round(rng.uniform(6, 16) / px_um)), float(rng.uniform(40, 216))
        cv2.polylines(felt, [np.round(line).astype(np.int32)], False, shade, wide, cv2.LINE_AA)
    soft = cv2.GaussianBlur(felt.astype(np.float32), (0, 0), float(np.clip(3 / px_um, 0.6, 12)))
    return np.asarray((soft - 128) / 60)


def draw_ground(rng: np.random.Generator, shape: tuple[int, int], px_um: float, ground: str) -> Array:
    """Draw the bare ground, between about 0.3 and 1."""
    tone = rng.uniform(0.005, 0.05) * mottle(rng, shape, rng.uniform(80, 400) / px_um, 2)
    if ground == "card":
        grain = mottle(rng, shape, rng.uniform(6, 40) / px_um, int(rng.integers(2, 5)))
        tone += rng.uniform(0.01, 0.06) * grain
    elif ground == "paper":
        tone += rng.uniform(0.02, 0.07) * _mat(rng, shape, px_um)
        tone += rng.uniform(0.005, 0.025) * mottle(rng, shape, rng.uniform(4, 12) / px_um, 2)
    elif ground == "glue":
        cells = mottle(rng, shape, rng.uniform(12, 60) / px_um, 2)
        tone += rng.uniform(0.01, 0.045) * np.abs(cells) * rng.choice([-1, 1])
        if rng.random() < 0.5:
            rolled = mottle(rng, (shape[0], 8), rng.uniform(8, 40) / px_um, 3)[:, :1]
            tone += rng.uniform(0.005, 0.025) * rolled
    paint = rng.uniform(0.75, 0.95) * (1 - np.array([0, rng.uniform(0, 0.06), rng.uniform(0, 0.2)]))
    if rng.random() < 0.2:
        paint = np.clip(paint + rng.normal(0, 0.07, 3), 0.4, 1)
    colour = np.array([rng.uniform(0.8, 1.2) for _ in range(3)], np.float32)
    light = paint.astype(np.float32) * np.exp(tone[..., None] * colour)
    if ground in ("card", "paper") and rng.random() < 0.22:
        _rule(rng, light, px_um)
    if ground == "glass" and rng.random() < 0.6:
        for _ in range(int(rng.integers(1, 5))):
            middle = (rng.uniform(0, shape[1]), rng.uniform(0, shape[0]))
            scratch = stroke(shape, walk(rng, middle, 40, 60, 0.004), rng.uniform(0.4, 1.6) / px_um)
            light *= 1 + rng.choice([-0.12, 0.1]) * scratch[..., None]
    return np.clip(light, 0.1, 1.15).astype(np.float32)


def _rule(rng: np.random.Generator, light: Array, px_um: float) -> None:
    """Print lines of the card, with ragged ink; far apart, so mostly one or none is seen."""
    rows, cols = light.shape[:2]
    y, x = np.mgrid[:rows, :cols].astype(np.float32)
    angle = rng.uniform(0, np.pi)
    across = (x - cols * rng.random()) * np.cos(angle) + (y - rows * rng.random()) * np.sin(angle)
    across *= px_um
    ragged = across + rng.uniform(2, 8) * mottle(rng, (rows, cols), 25 / px_um, 3)
    ink = np.clip((rng.uniform(40, 140) - np.abs(ragged)) / 8, 0, 1) * rng.uniform(0.15, 0.5)
    colour = np.array([[0.9, 0.6, 0.2], [0.7, 0.7, 0.7], [0.2, 0.8, 0.7]], np.float32)[rng.integers(3)]
    light *= 1 - ink[..., None] * colour
