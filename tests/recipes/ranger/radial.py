"""Outlines as radial functions, evaluated by coordinates on the patch of pixels that a body may touch."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Field = NDArray[np.float32]
STEPS = 720
"""Entries of a radial table, one each half degree."""
THETA = np.arange(STEPS) * (2 * np.pi / STEPS)


@dataclass(frozen=True)
class Outline:
    """A star-shaped outline: radius and edge steepness by direction.

    Parameters
    ----------
    radius_um : ndarray of shape (STEPS + 1,)
        The first entry once more at the end, so that reading between entries needs no wrap.
    slant : ndarray of shape (STEPS + 1,)
        Cosine between the ray and the outline's normal, which turns radial into true distance from the edge.
    """

    radius_um: Field
    slant: Field

    @property
    def reach_um(self) -> float:
        """Largest radius."""
        return float(self.radius_um.max())

    @property
    def area_um2(self) -> float:
        """Area enclosed."""
        return float(0.5 * np.sum(self.radius_um[:-1].astype(float) ** 2) * 2 * np.pi / STEPS)

    def radius_towards(self, theta: NDArray[np.floating]) -> Field:
        """Radius in the given directions, in the body's own frame."""
        place = np.mod(theta, 2 * np.pi) * (STEPS / (2 * np.pi))
        return np.interp(place, np.arange(STEPS + 1), self.radius_um).astype(np.float32)


@dataclass(frozen=True)
class Patch:
    """A body's coordinates on the pixels near it: `u`, `v` along and across it, `rho` = 1 on its edge."""

    rows: slice
    cols: slice
    u_um: Field
    v_um: Field
    rho: Field
    cover: Field
    whole: bool


def outline_from(radius_um: NDArray[np.floating]) -> Outline:
    """Complete a table of radii to an outline."""
    slope = (np.roll(radius_um, -1) - np.roll(radius_um, 1)) * (STEPS / (4 * np.pi))
    slant = np.clip(1 / np.sqrt(1 + (slope / radius_um) ** 2), 0.15, 1)
    closed = [np.append(a, a[0]).astype(np.float32) for a in (radius_um, slant)]
    return Outline(closed[0], closed[1])


def from_half_width(
    half_length_um: float,
    half_width_um: float,
    flat: float,
    point: float,
    wobble: float,
    rng: np.random.Generator,
) -> Outline:
    """Outline whose half width falls as (1 - |t|^flat)^point along the axis.

    (2, 0.5) is an ellipse, (2, 1) a lemon of two parabolas, (3, 0.4) a blunt superellipse.
    """
    t = np.cos(np.linspace(0, np.pi / 2, 400))
    y = half_width_um * (1 - t**flat) ** point
    theta = np.arctan2(y, half_length_um * t)
    fold = np.arctan2(np.abs(np.sin(THETA)), np.abs(np.cos(THETA)))
    radius = np.interp(fold, theta, np.hypot(half_length_um * t, y))
    # Cosines of whole periods through both axes would move the ends, so the wobble fades there.
    turn = rng.uniform(0, 2 * np.pi)
    return outline_from(radius * (1 + wobble * np.sin(THETA) ** 2 * np.cos(3 * THETA + turn)))


def from_corners(x_um: NDArray[np.floating], y_um: NDArray[np.floating]) -> Outline:
    """Star-shaped outline through corners that go round the centre."""
    share = np.linspace(0, 1, 40, endpoint=False)[None, :]
    xs = (x_um[:, None] + (np.roll(x_um, -1) - x_um)[:, None] * share).ravel()
    ys = (y_um[:, None] + (np.roll(y_um, -1) - y_um)[:, None] * share).ravel()
    theta = np.mod(np.arctan2(ys, xs), 2 * np.pi)
    order = np.argsort(theta)
    return outline_from(np.interp(THETA, theta[order], np.hypot(xs, ys)[order], period=2 * np.pi))


def lumpy(radius_um: float, rough: float, aspect: float, rng: np.random.Generator) -> Outline:
    """Round to ragged outline: a stretched circle with random harmonics that fade with their order."""
    k = np.arange(2, 16)
    size = rough * rng.normal(size=k.size) / k**0.8
    wave = (size[:, None] * np.cos(k[:, None] * THETA + rng.uniform(0, 2 * np.pi, (k.size, 1)))).sum(0)
    stretched = 1 / np.sqrt(np.cos(THETA) ** 2 / aspect + np.sin(THETA) ** 2 * aspect)
    return outline_from(radius_um * stretched * np.clip(1 + wave, 0.35, 1.9))


def patch_of(
    outline: Outline,
    x_px: float,
    y_px: float,
    angle_rad: float,
    um_per_px: float,
    shape: tuple[int, int],
    margin: float = 1.0,
) -> Patch | None:
    """Evaluate a body on the pixels that it may touch; None where it lies outside the picture."""
    reach = outline.reach_um * margin / um_per_px + 1.5
    top, bottom = int(np.floor(y_px - reach)), int(np.ceil(y_px + reach)) + 1
    left, right = int(np.floor(x_px - reach)), int(np.ceil(x_px + reach)) + 1
    rows, cols = slice(max(top, 0), min(bottom, shape[0])), slice(max(left, 0), min(right, shape[1]))
    if rows.start >= rows.stop or cols.start >= cols.stop:
        return None
    dy = ((np.arange(rows.start, rows.stop, dtype=np.float32) - y_px) * um_per_px)[:, None]
    dx = ((np.arange(cols.start, cols.stop, dtype=np.float32) - x_px) * um_per_px)[None, :]
    c, s = np.float32(np.cos(angle_rad)), np.float32(np.sin(angle_rad))
    u, v = dx * c + dy * s, dy * c - dx * s
    r = np.sqrt(u * u + v * v)
    place = np.arctan2(v, u) * np.float32(STEPS / (2 * np.pi))
    place = np.where(place < 0, place + STEPS, place)
    low = np.minimum(place.astype(np.int32), STEPS - 1)
    edge = outline.radius_um[low] + (place - low) * (outline.radius_um[low + 1] - outline.radius_um[low])
    cover = np.clip((edge - r) * outline.slant[low] / np.float32(um_per_px) + 0.5, 0, 1)
    whole = top >= 0 and left >= 0 and bottom <= shape[0] and right <= shape[1]
    return Patch(rows, cols, u, v, r / edge, cover, whole)
