"""Signed distances of flat shapes, in µm: negative inside, zero on the outline, positive outside.

Every function takes coordinates that broadcast against one another and gives float32.
"""

from __future__ import annotations

import numpy as np


def coverage(distance_um: np.ndarray, soft_um: float) -> np.ndarray:
    """Share of a pixel inside the shape, from the signed distance of its centre.

    Parameters
    ----------
    distance_um : ndarray
    soft_um : float
        Width of the transition; the pixel size gives a plainly anti-aliased edge.
    """
    return np.clip(0.5 - distance_um / soft_um, 0.0, 1.0)


def ellipse(x: np.ndarray, y: np.ndarray, half_length: float, half_width: float) -> np.ndarray:
    """First-order distance of an ellipse: value over gradient length; exact on the outline."""
    k0 = np.sqrt((x / half_length) ** 2 + (y / half_width) ** 2)
    k1 = np.sqrt((x / half_length**2) ** 2 + (y / half_width**2) ** 2) + 1e-6
    return k0 * (k0 - 1.0) / k1


def lens(x: np.ndarray, y: np.ndarray, length: float, width: float) -> np.ndarray:
    """Intersection of two equal circles, with sharp tips at x = ±length/2."""
    radius = (length**2 + width**2) / (4.0 * width)
    return np.sqrt(x**2 + (np.abs(y) + radius - width / 2.0) ** 2) - radius


def lemon(x: np.ndarray, y: np.ndarray, length: float, width: float, point: float) -> np.ndarray:
    """Between an ellipse (`point` 0) and a lens with sharp tips (`point` 1), of exact length and width."""
    round_part = ellipse(x, y, length / 2.0, width / 2.0)
    return round_part + point * (lens(x, y, length, width) - round_part)


def lemon_area(length: float, width: float, point: float) -> float:
    """Area inside `lemon`, within about 2 percent: the two pure shapes mixed by `point`."""
    radius = (length**2 + width**2) / (4.0 * width)
    offset = radius - width / 2.0
    lens_area = 2.0 * (radius**2 * np.arccos(offset / radius) - offset * length / 2.0)
    return float((1.0 - point) * np.pi * length * width / 4.0 + point * lens_area)


def wavy_disc(
    x: np.ndarray, y: np.ndarray, radius: float, amplitudes: np.ndarray, phases: np.ndarray, first: int = 2
) -> np.ndarray:
    """Disc whose radius swings by harmonics `first`, `first`+1, ...; amplitudes are shares of the radius."""
    angle = np.arctan2(y, x)
    rim = np.ones_like(angle)
    for order, (amplitude, phase) in enumerate(zip(amplitudes, phases, strict=True), start=first):
        rim = rim + np.float32(amplitude) * np.cos(order * angle + np.float32(phase))
    return np.sqrt(x**2 + y**2) - radius * rim


def polygon(x: np.ndarray, y: np.ndarray, corners: np.ndarray) -> np.ndarray:
    """Exact distance of a simple polygon with corners of shape (n, 2)."""
    nearest = np.full(np.broadcast(x, y).shape, np.inf, np.float32)
    inside = np.zeros(nearest.shape, bool)
    for (ax, ay), (bx, by) in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        ex, ey = bx - ax, by - ay
        t = np.clip(((x - ax) * ex + (y - ay) * ey) / (ex * ex + ey * ey + 1e-9), 0.0, 1.0)
        nearest = np.minimum(nearest, (x - ax - t * ex) ** 2 + (y - ay - t * ey) ** 2)
        straddles = (ay > y) != (by > y)
        inside ^= straddles & (x < ex * (y - ay) / (ey if abs(ey) > 1e-9 else 1e-9) + ax)
    return np.where(inside, -1.0, 1.0).astype(np.float32) * np.sqrt(nearest)


def rough_corners(rng: np.random.Generator, radius: float, count: int, roughness: float) -> np.ndarray:
    """Corners (count, 2) of a star-shaped polygon about the origin; roughness 0 gives a regular one."""
    angles = (np.arange(count) + rng.uniform(-0.4, 0.4, count) * min(1.0, 3 * roughness)) * 2 * np.pi / count
    radii = radius * (1.0 - roughness * rng.uniform(0.0, 1.0, count))
    return np.stack([radii * np.cos(angles), radii * np.sin(angles)], axis=1)
