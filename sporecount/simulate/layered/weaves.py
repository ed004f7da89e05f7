"""Backdrops with an order of their own: cloth, foil grain, squared card, flocks, a calendered gloss."""

from __future__ import annotations

import numpy as np

from sporecount.simulate.layered import colours, noise


def woven(rng: np.random.Generator, shape: tuple[int, int], px_um: float) -> np.ndarray:
    """Relief of cloth (h, w): threads of 15-140 µm over and under one another, hairy and uneven."""
    u, v = _turned(rng, shape, px_um)
    pitch = float(np.exp(rng.uniform(np.log(15), np.log(140))))
    wander = 0.15 * pitch * noise.smooth_field(rng, shape, 3 * pitch / px_um)
    turn = np.float32(2 * np.pi / pitch)
    warp, weft = np.sin(turn * (u + wander)), np.sin(turn * rng.uniform(0.7, 1.4) * (v - wander))
    over = np.sin(0.5 * turn * u) * np.sin(0.5 * turn * v) > 0
    relief = np.where(over, warp, weft) * np.float32(rng.uniform(0.05, 0.3))
    fibres = noise.smooth_field(rng, shape, max(1.0, 2.5 / px_um), rng.uniform(1, 10))
    return (relief + np.float32(rng.uniform(0.01, 0.08)) * fibres).astype(np.float32)


def foil(rng: np.random.Generator, shape: tuple[int, int], px_um: float) -> np.ndarray:
    """Relief of rolled foil or brushed plastic (h, w): fine streaks one way, and bright grains."""
    streaks = noise.smooth_field(rng, shape, max(1.0, rng.uniform(0.8, 5) / px_um), rng.uniform(8, 80))
    if rng.random() < 0.5:
        streaks = noise.smooth_field(rng, shape[::-1], max(1.0, rng.uniform(0.8, 5) / px_um), 30).T
    grain = noise.smooth_field(rng, shape, max(1.0, rng.uniform(1.5, 9) / px_um))
    sparkle = -np.clip(grain - rng.uniform(0.8, 2.0), 0, 1.0)
    return np.float32(rng.uniform(0.02, 0.12)) * streaks + np.float32(rng.uniform(0.0, 0.5)) * sparkle


def flocks(rng: np.random.Generator, shape: tuple[int, int], px_um: float) -> np.ndarray:
    """Coarse clouds of uneven pulp and a gloss pressed into its heights (h, w)."""
    cell = rng.uniform(20, 160)
    field = noise.octaves(rng, shape, cell / px_um, cell / 16 / px_um, rng.uniform(0.5, 0.9))
    relief = np.float32(rng.uniform(0.05, 0.25)) * field
    if rng.random() < 0.6:
        relief -= np.float32(rng.uniform(0.1, 0.5)) * np.clip(field * 4 - rng.uniform(1, 6), 0, 1)
    return relief


def squared(
    rng: np.random.Generator, shape: tuple[int, int], px_um: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Print a square grid: its ink (h, w), 0 to 1, the lines' absorbance (3,), and where ink lies (h, w)."""
    u, v = _turned(rng, shape, px_um)
    pitch, wide = rng.uniform(120, 1000), rng.uniform(10, 60)
    ragged = rng.uniform(1, 8) * noise.octaves(rng, shape, 25 / px_um, 4 / px_um, 0.8)
    gap = np.minimum(_to_line(u + rng.uniform(0, pitch), pitch), _to_line(v + rng.uniform(0, pitch), pitch))
    ink = np.clip((wide / 2 - gap - ragged) / rng.uniform(2, 8), 0, 1).astype(np.float32)
    absorbs = (1.1 - colours.hsv(rng.uniform(), rng.choice([0.0, 0.7]), 0.9)) * rng.uniform(0.4, 1.5)
    return ink, absorbs.astype(np.float32), ink > 0.5


def _to_line(run: np.ndarray, pitch: float) -> np.ndarray:
    return np.abs((run / pitch) % 1.0 - 0.5) * np.float32(pitch)


def _turned(rng: np.random.Generator, shape: tuple[int, int], px_um: float) -> tuple[np.ndarray, np.ndarray]:
    """Coordinates in µm along and across a random direction, each (h, w)."""
    angle = rng.uniform(0, np.pi)
    y, x = np.mgrid[: shape[0], : shape[1]].astype(np.float32) * np.float32(px_um)
    c, s = np.float32(np.cos(angle)), np.float32(np.sin(angle))
    return x * c + y * s, y * c - x * s
