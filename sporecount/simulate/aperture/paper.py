"""The ground under the print: card of random fibres, thin paper, or clear film."""

from __future__ import annotations

import cv2
import numpy as np

from sporecount.simulate.aperture.scene import Array, soft_noise

GRID_UM = 2.0
"""Spacing of the grid on which the fibre network is laid, where the photo is finer than that."""


def draw_ground(
    rng: np.random.Generator, shape: tuple[int, int], um_per_px: float, kind: str, strength: float
) -> Array:
    """Draw the light that leaves the empty ground, relative to its mean.

    Parameters
    ----------
    kind : {"card", "thin", "film"}
    strength : float
        Times the usual contrast of the fibres.

    Returns
    -------
    ndarray of shape (H, W, 3), float32
    """
    if kind == "film":
        od = 0.004 * soft_noise(rng, shape, 150 / um_per_px) * strength
        return np.repeat(np.power(10.0, -od)[..., None], 3, axis=2).astype(np.float32)
    pitch = max(GRID_UM, um_per_px)
    rows, cols = int(shape[0] * um_per_px / pitch) + 2, int(shape[1] * um_per_px / pitch) + 2
    area_mm2 = rows * cols * pitch**2 / 1e6
    od = np.zeros((rows, cols), np.float32)
    layers = 7 if kind == "card" else 4
    for layer in range(layers):
        mask = np.zeros((rows, cols), np.uint8)
        for _ in range(int(rng.uniform(45, 110) * area_mm2) + 6):
            start = rng.uniform(-0.1, 1.1, 2) * [cols, rows]
            heading = rng.uniform(0, 2 * np.pi) + np.cumsum(rng.normal(0, 0.16, 24))
            step = rng.uniform(250, 1500) / pitch / 24
            line = start + np.cumsum(np.stack([np.cos(heading), np.sin(heading)], axis=1) * step, axis=0)
            cv2.polylines(
                mask,
                [np.round(line * 8).astype(np.int32)],
                False,
                int(rng.integers(70, 255)),
                max(1, int(rng.uniform(9, 26) / pitch)),
                cv2.LINE_AA,
                3,
            )
        depth_um = 1.5 + layer * rng.uniform(2.5, 9)
        ink = cv2.GaussianBlur(mask.astype(np.float32) / 255, (0, 0), max(depth_um / pitch, 0.3))
        edge = ink - cv2.GaussianBlur(ink, (0, 0), max(5 / pitch, 0.6))
        od += ink * np.float32(rng.uniform(0.012, 0.035)) + edge * np.float32(rng.uniform(0.0, 0.06))
    od += 0.012 * soft_noise(rng, (rows, cols), 120 / pitch) + 0.006 * soft_noise(
        rng, (rows, cols), 9 / pitch
    )
    od = (od - od.mean()) * np.float32(strength * (1.0 if kind == "card" else 0.55))
    od = cv2.resize(od, (shape[1], shape[0]), interpolation=cv2.INTER_CUBIC)
    warm = np.array([0.92, 1.0, 1.12], np.float32)
    return np.power(np.float32(10), -od[..., None] * warm)
