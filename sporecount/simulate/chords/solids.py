"""Solids: thickness along the line of sight and steepness of the face, in micrometres; pigments."""

from __future__ import annotations

from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray
from scipy.special import gamma

Array: TypeAlias = NDArray[Any]

PIGMENTS = np.array([[0.12, 0.45, 1.0], [0.72, 0.95, 1.15], [0.02, 0.12, 0.9]], np.float32)
"""Density in red, green and blue of a unit of amber, black-brown and yellow."""


def spindle(u: Array, v: Array, size: tuple[float, float], point: float) -> tuple[Array, Array]:
    """Chord and slope of a body of revolution about u; `point` 0.5 is an ellipsoid, more is a lemon."""
    a, b = size[0] / 2, size[1] / 2
    core = np.maximum(1 - (u / a) ** 2, 1e-6)
    top = np.sqrt(np.maximum(b * b * core ** (2 * point) - v * v, 0)) * (core > 1e-6)
    # w w' of the profile w = b (1 - u²/a²)^p, along the axis.
    along = (2 * point * b * b / (a * a)) * u * core ** (2 * point - 1)
    return 2 * top, np.where(top > 0, np.hypot(v, along) / np.maximum(top, 1e-3), 0)


def spindle_area(size: tuple[float, float], point: float) -> float:
    """Area of the outline of `spindle`."""
    return float(size[0] * size[1] * np.sqrt(np.pi) / 2 * gamma(point + 1) / gamma(point + 1.5))


def shell(
    u: Array, v: Array, size: tuple[float, float], point: float, wall: float
) -> tuple[Array, Array, Array]:
    """Chords of the wall and of the content of a hollow spindle, and the slope of its outside."""
    outer, slope = spindle(u, v, size, point)
    inner = spindle(u, v, (max(size[0] - 2.6 * wall, 0.1), max(size[1] - 2 * wall, 0.1)), point)[0]
    return outer - inner, inner, slope


def rod(u: Array, v: Array, size: tuple[float, float], bent: float, tip: float) -> tuple[Array, Array]:
    """Chord and slope of a round rod along u, bent by `bent` per µm; `tip` is the width left at its end."""
    across = (v - bent * u * u) / np.hypot(1, 2 * bent * u)
    half = size[1] / 2 * (1 + (tip - 1) * np.clip(u / size[0] + 0.5, 0, 1))
    beyond = np.maximum(np.abs(u) - size[0] / 2 + half, 0)
    far2 = across * across + beyond * beyond
    top = np.sqrt(np.maximum(half * half - far2, 0))
    return 2 * top, np.where(top > 0, np.sqrt(far2) / np.maximum(top, 1e-3), 0)


def flanks(slope: Array, na: float, step: float, deep: float, at: float, gain: Array | float) -> Array:
    """Density of flanks that bend light out of an aperture `na`, less a bright band at a slope."""
    turned = (2 * step * slope) ** 2
    bright = np.exp(-(np.log(np.maximum(slope, 1e-4) / at) ** 2) / 0.3)
    return np.asarray(deep * turned / (turned + na * na) - gain * bright)
