"""Butterfly scales, whole and torn: thin curled sheets with ridges along them."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from sporecount.simulate.slices.conditions import log_between
from sporecount.simulate.slices.stack import Grid, Map, Patch, Solid, patch

Rng = np.random.Generator
PIGMENTS = {
    "orange": ((0.05, 0.26, 0.62), (0.30, 0.15, 0.05)),
    "black": ((0.62, 0.7, 0.78), (0.05, 0.05, 0.05)),
    "brown": ((0.28, 0.42, 0.6), (0.13, 0.09, 0.06)),
    "pale": ((0.07, 0.09, 0.14), (0.34, 0.33, 0.29)),
    "white": ((0.10, 0.10, 0.11), (0.42, 0.42, 0.42)),
    "blue": ((0.5, 0.46, 0.42), (0.05, 0.16, 0.46)),
    "violet": ((0.5, 0.54, 0.46), (0.26, 0.08, 0.38)),
    "green-gold": ((0.4, 0.36, 0.5), (0.30, 0.36, 0.07)),
}
"""Density of red, green, blue of a whole scale, and the colour that it throws back to a lamp above."""


def _sheet(rng: Rng, at: Patch, inside: Map, pigment: str, z_um: float, kind: str, depth: float) -> Solid:
    density, sheen = PIGMENTS[pigment]
    pitch = rng.uniform(1.5, 2.6)
    wave = 2 * np.pi / pitch * (at.v + 0.02 * rng.normal() * at.u)
    # Ridges finer than the samples would only beat with the grid.
    shown = float(np.clip((pitch / at.fine_um - 2) / 1.5, 0, 1))
    ridges = shown * np.cos(wave + 0.6 * np.sin(at.u * 0.2))
    ribs = shown * 0.3 * np.cos(2 * np.pi / rng.uniform(1.0, 1.6) * at.u) if at.fine_um < 0.35 else 0.0
    patchy = cv2.GaussianBlur(
        rng.standard_normal((max(inside.shape[0] // 8, 2), max(inside.shape[1] // 8, 2))).astype(np.float32),
        (0, 0),
        2,
    )
    patchy = cv2.resize(patchy, inside.shape[::-1], interpolation=cv2.INTER_LINEAR)
    edge = cv2.GaussianBlur(inside, (0, 0), max(1.2 / at.fine_um, 0.6))
    rim = np.clip(1 - np.abs(edge - 0.5) * 2, 0, 1) * inside
    body = inside * (1 + 0.45 * ridges + ribs + 0.45 * np.clip(patchy, -1.5, 2) + 0.35 * rim)
    thick = (inside * (1.5 + 0.5 * ridges)).astype(np.float32)
    path = (inside * (depth * (1 + 0.6 * ridges + 0.5 * ribs) + 0.06 * patchy)).astype(np.float32)
    colour = (
        np.array(density, np.float32)
        * rng.uniform(0.7, 1.2)
        * (rng.uniform(1, 2) if pigment == "black" else 1)
    )
    curl = rng.normal(0, 0.0016)
    height = (z_um + curl * (at.u**2 + 2.0 * at.v**2) + rng.normal(0, 0.03) * at.u).astype(np.float32)
    return Solid(at, kind, thick, np.clip(body, 0, None)[..., None] * colour, path, np.clip(height, -8, 8), sheen,
                 0.55 if pigment in ("pale", "white", "orange") else 0.15)  # fmt: skip


def scale(rng: Rng, grid: Grid, x: float, y: float, pigment: str, length_um: float, teeth: int) -> Solid:
    """Draw a scale with its stalk end, round or toothed at the far end; some are broken across or folded."""
    a, b = length_um / 2, length_um * rng.uniform(0.36, 0.62) / 2
    # Its soft edges need no finer samples than the grid.
    at = patch(grid, x, y, a * 1.12 + 2, rng.uniform(0, 2 * np.pi), sub=1)
    t = np.clip((at.u + a) / (2 * a), 0, 1)
    # Narrow at the root (t = 0), widest at two thirds.
    wide = b * np.clip(t / 0.18, 0, 1) ** 0.45 * (0.72 + 0.28 * np.sin(np.pi * np.clip(t * 0.78, 0, 1)))
    end = a * (0.97 - 0.1 * (at.v / b) ** 2)
    if teeth:
        end = end - 0.1 * a * np.abs(np.cos(teeth * np.pi / 2 * at.v / b + rng.uniform(-0.3, 0.3)))
    else:
        end = end - 0.35 * a * np.abs(at.v / b) ** 3
    soft = 1.2 * max(at.fine_um, 0.25)
    inside = np.clip((wide - np.abs(at.v)) / soft, 0, 1) * np.clip((end - at.u) / soft, 0, 1)
    stalk = np.clip((0.9 - np.abs(at.v)) / soft, 0, 1) * ((at.u > -1.1 * a) & (at.u < -0.85 * a))
    inside = np.maximum(inside, stalk) * (at.u > -1.1 * a)
    if rng.random() < 0.3:
        inside = inside * _torn(rng, at, a, soft)
    return _sheet(
        rng,
        at,
        inside.astype(np.float32),
        pigment,
        rng.normal(0, 1.6),
        "scale",
        rng.uniform(0.05, 0.16),
    )


def _torn(rng: Rng, at: Patch, reach: float, soft: float) -> Map:
    way = rng.uniform(0, 2 * np.pi)
    c, s = float(np.cos(way)), float(np.sin(way))
    along, across = at.u * c + at.v * s, at.v * c - at.u * s
    table = np.linspace(-3 * reach, 3 * reach, 256)
    jag = np.zeros(256)
    for k in range(1, 7):
        jag += rng.normal() * 0.05 * reach / k * np.sin(table * k * 2.5 / reach + rng.uniform(0, 6))
    jag = np.interp(across, table, jag).astype(np.float32)
    return np.clip((rng.uniform(0.1, 0.6) * reach - along + jag) / soft, 0, 1)


def scale_piece(rng: Rng, grid: Grid, x: float, y: float, pigments: NDArray[np.str_]) -> Solid:
    """Draw a torn piece of a scale, down to the spores' size: straight sides along the ridges, ragged ends."""
    a = log_between(rng, 2.8, 22)
    at = patch(grid, x, y, a * 1.3 + 1, rng.uniform(0, np.pi))
    soft = 1.2 * max(at.fine_um, 0.25)
    b = a * rng.uniform(0.25, 0.8)
    slant = rng.normal(0, 0.2)
    inside = np.clip((b - np.abs(at.v + slant * at.u)) / soft, 0, 1)
    inside = (
        inside
        * _torn(rng, at, a, soft)
        * _torn(rng, at, a, soft)
        * np.clip((a - np.hypot(at.u, at.v)) / soft, 0, 1)
    )
    pigment, z_um, depth = str(rng.choice(pigments)), rng.uniform(-3, 3), rng.uniform(0.05, 0.18)
    return _sheet(rng, at, inside.astype(np.float32), pigment, z_um, "scale piece", depth)
