"""Smooth implicit fields: negative within a thing, zero at its edge, in µm where they are distances."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[Any]
Rng = np.random.Generator

FAR_UM = 1000.0
"""Where a field is flat its distance has no meaning: cut there."""


def superellipse(
    u_um: Array,
    v_um: Array,
    half_long_um: float | Array,
    half_short_um: float,
    power_long: float = 2.0,
    power_short: float = 2.0,
) -> Array:
    """Field of a superellipse whose two axes may have each their power: 2 and 1.2 make a pointed lemon."""
    return np.abs(u_um / half_long_um) ** power_long + np.abs(v_um / half_short_um) ** power_short - 1


def distance_um(field: Array, um_per_px: float) -> Array:
    """Distance to the zero level to first order: the field over its slope."""
    slope_y, slope_x = np.gradient(field)
    slope = np.maximum(np.hypot(slope_x, slope_y), 1e-6)
    return np.clip(field / slope * um_per_px, -FAR_UM, FAR_UM)


def coverage(level_um: Array, um_per_px: float, soft_px: float = 1.0) -> Array:
    """Share of each pixel within the level set: a smooth step over `soft_px` pixels around the edge."""
    t = np.clip(0.5 - level_um / (um_per_px * soft_px), 0, 1)
    return t * t * (3 - 2 * t)


def metaballs(u_um: Array, v_um: Array, x_um: Array, y_um: Array, radius_um: Array) -> Array:
    """Field of balls that melt into one another: one less the sum of r²/d²."""
    total = np.zeros_like(u_um)
    for x, y, r in zip(x_um, y_um, radius_um, strict=True):
        total += r * r / ((u_um - x) ** 2 + (v_um - y) ** 2 + 1e-3)
    return 1 - total


def half_planes(rng: Rng, u_um: Array, v_um: Array, radius_um: float, sides: int, stretch: float) -> Array:
    """Distance field of a convex polygon, the highest of its sides' distances."""
    angles = (np.arange(sides) + rng.uniform(-0.3, 0.3, sides)) * 2 * np.pi / sides
    level = np.full_like(u_um, -FAR_UM)
    for angle in angles:
        reach = radius_um * rng.uniform(0.7, 1.1)
        level = np.maximum(level, np.cos(angle) * u_um / stretch + np.sin(angle) * v_um - reach)
    return level


def wavy_band(
    rng: Rng, u_um: Array, v_um: Array, length_um: float, radius_um: float, bend_um: float
) -> tuple[Array, Array]:
    """Distance field of a bent thread, by warping a straight one; also the warped cross coordinate."""
    wave = rng.uniform(0.6, 2.0) * np.pi / length_um
    phase = rng.uniform(0, 2 * np.pi)
    across = v_um - bend_um * (np.sin(wave * u_um + phase) - np.sin(phase))
    across = across - 0.25 * bend_um * np.sin(3.1 * wave * u_um)
    taper = radius_um * (1 - 0.5 * np.clip(u_um / length_um + 0.5, 0, 1))
    return np.maximum(np.abs(across) - taper, np.abs(u_um) - length_um / 2), across


def cloud(rng: Rng, shape: tuple[int, int], grain_px: float, octaves: int = 1) -> Array:
    """Smooth noise of mean 0 and deviation about 1, its grain this many pixels."""
    total = np.zeros(shape, np.float32)
    for octave in range(octaves):
        grain = max(grain_px / 2**octave, 1.0)
        small = rng.normal(size=(int(shape[0] / grain) + 4, int(shape[1] / grain) + 4)).astype(np.float32)
        size = (int(small.shape[1] * grain) + 1, int(small.shape[0] * grain) + 1)
        big = cv2.resize(small, size, interpolation=cv2.INTER_CUBIC) if grain > 1 else small
        total += big[: shape[0], : shape[1]] * 0.7**octave
    return total / max(float(total.std()), 1e-6)


def warp_um(rng: Rng, u_um: Array, v_um: Array, amount_um: float, grain_um: float) -> tuple[Array, Array]:
    """Bend a pair of coordinates by a few random waves."""
    out = [u_um.copy(), v_um.copy()]
    for k in range(3):
        size = amount_um / (1 + k)
        wave = 2 * np.pi * (1 + k) / grain_um
        for axis in (0, 1):
            tilt = rng.uniform(0, 2 * np.pi)
            run = np.cos(tilt) * u_um + np.sin(tilt) * v_um
            out[axis] += size * np.sin(wave * run + rng.uniform(0, 2 * np.pi))
    return out[0], out[1]
