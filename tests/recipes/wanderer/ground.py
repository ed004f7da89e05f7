"""The empty print: glass, card or paper under tape, with glue texture and now and then a ruled line."""

from __future__ import annotations

import cv2
import numpy as np

from tests.recipes.wanderer.canvas import Array, noise
from tests.recipes.wanderer.plan import Plan


def draw_ground(rng: np.random.Generator, shape: tuple[int, int], px_um: float, plan: Plan) -> Array:
    """Linear light (H, W, 3) of the bare ground, near 1."""
    density: Array = 0.012 * rng.uniform(0.3, 1) * noise(rng, shape, rng.uniform(8, 25) / px_um)
    density += 0.02 * rng.uniform(0.3, 1) * noise(rng, shape, rng.uniform(80, 250) / px_um)
    if plan.ground != "glass":
        rough = rng.uniform(0.012, 0.04) * (1.5 if plan.preset == "hard" else 1)
        wide, narrow = rng.uniform(25, 70) / px_um, rng.uniform(10, 20) / px_um
        turned = noise(rng, shape, wide) * (0.5 + 0.5 * np.tanh(noise(rng, shape, 2 * wide)))
        density += rough * (turned + 0.5 * noise(rng, shape, narrow))
    if rng.random() < (0.7 if plan.preset == "hard" else 0.25):
        # Streaks of glue, drawn out along one way.
        upright = rng.random() < 0.5
        rows, cols = shape if upright else shape[::-1]
        grain = rng.uniform(8, 25) / px_um
        small = rng.standard_normal((5, max(4, int(cols / grain))), dtype=np.float32)
        streaks = cv2.resize(small, (cols, rows), interpolation=cv2.INTER_CUBIC)
        density += rng.uniform(0.006, 0.025) * (streaks if upright else streaks.T)
    tint = np.array([1, 1, 1 + rng.uniform(0, 0.5)], np.float32)
    paper = rng.uniform(0.0, 0.08) * np.array([0.2, 0.5, 1.2]) * (plan.ground != "glass")
    total = density[..., None] * tint + paper.astype(np.float32)
    if plan.ground == "paper" and rng.random() < 0.4:
        down = np.arange(shape[0], dtype=np.float32)[:, None] * np.float32(px_um)
        along = np.arange(shape[1], dtype=np.float32)[None] * np.float32(px_um)
        middle = rng.uniform(0, 1) * shape[0] * px_um
        away = np.abs(down + rng.normal(0, 0.1) * along - middle) + 8 * noise(rng, shape, 25 / px_um)
        line = 1 / (1 + np.exp(np.clip((away - rng.uniform(40, 110)) / 6, -30, 30)))
        total += rng.uniform(0.08, 0.25) * line[..., None] * np.array([1.4, 0.8, 0.3], np.float32)
    return np.exp(np.float32(-2.3026) * total).astype(np.float32)
