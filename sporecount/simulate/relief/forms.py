"""Forms of things as functions of place: ovals, blobs, bent paths, and random roughness."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np


@dataclass(frozen=True)
class Oval:
    """An oval whose half-width along its axis, u from -1 to 1, goes as (1 - |u|^power)^fullness.

    Power 2 with fullness 0.5 is an ellipse; fullness towards 1 makes pointed ends.

    Parameters
    ----------
    half_long_um, half_wide_um : float
    turn : float
        Radians, from +x towards +y.
    power, fullness : float
    lopsided : float
        One end wider than the other, -0.3 to 0.3.
    bow : float
        Bend of the axis in half-widths, -0.4 to 0.4.
    """

    half_long_um: float
    half_wide_um: float
    turn: float
    power: float = 2.0
    fullness: float = 0.5
    lopsided: float = 0.0
    bow: float = 0.0

    def places(self, dx: np.ndarray, dy: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Level (1 on the axis, 0 on the outline, negative outside), u along and v across, both -1 to 1."""
        cos, sin = np.float32(np.cos(self.turn)), np.float32(np.sin(self.turn))
        u = (dx * cos + dy * sin) / np.float32(self.half_long_um)
        v = (dy * cos - dx * sin) / np.float32(self.half_wide_um)
        v = v - np.float32(self.bow) * (u * u - np.float32(0.4))
        width = self.half_width(u)
        across = v / np.maximum(width, np.float32(0.02))
        level = np.minimum(1 - np.abs(across), 3 * (1 - np.abs(u)))
        return level, u, across

    def half_width(self, u: np.ndarray) -> np.ndarray:
        """Half-width at u in half-widths."""
        body = np.maximum(1 - np.abs(u) ** np.float32(self.power), 0) ** np.float32(self.fullness)
        return body * (1 + np.float32(self.lopsided) * u)

    def area_um2(self) -> float:
        """Area of the outline."""
        u = np.linspace(-1, 1, 201)
        return float(2 * self.half_width(u).mean() * 2 * self.half_long_um * self.half_wide_um) * 201 / 200


def soft(level: np.ndarray) -> np.ndarray:
    """Cover of a form from its level: a slope of one pixel at the outline."""
    level = np.clip(level, -1, 1)  # the level falls without bound beside a tip, and its slope even faster
    rows, cols = np.gradient(level)
    return np.clip(0.5 + level / np.maximum(np.hypot(rows, cols), 1e-4), 0, 1).astype(np.float32)


def dome(level: np.ndarray) -> np.ndarray:
    """Height of a round-backed body, 0 to 1, from its level."""
    near = np.clip(level, 0, 1)
    return np.sqrt(near * (2 - near)).astype(np.float32)


def blob(
    rng: np.random.Generator, dx: np.ndarray, dy: np.ndarray, radius_um: float, rough: float, stretch: float
) -> np.ndarray:
    """Give the level of a lump with a wavy outline; `rough` 0 to 0.5, `stretch` its length over its width."""
    turn = rng.uniform(0, np.pi)
    x = (dx * np.cos(turn) + dy * np.sin(turn)) / np.sqrt(stretch)
    y = (dy * np.cos(turn) - dx * np.sin(turn)) * np.sqrt(stretch)
    angle = np.arctan2(y, x)
    reach = np.ones_like(angle)
    for wave in range(2, 9):
        reach += rough * rng.normal(0, 1.6 / wave) * np.cos(wave * angle + rng.uniform(0, 6.3))
    level: np.ndarray = 1 - np.hypot(x, y) / (radius_um * np.maximum(reach, 0.3))
    return level


def shard(rng: np.random.Generator, radius_um: float, stretch: float) -> np.ndarray:
    """Corners of an angular piece around (0, 0), shape (n, 2), in um."""
    corners = int(rng.integers(4, 9))
    angle = np.sort(rng.uniform(0, 0.7, corners) + np.arange(corners)) * 2 * np.pi / corners
    reach = radius_um * rng.uniform(0.65, 1.25, corners)
    x, y = reach * np.cos(angle) * np.sqrt(stretch), reach * np.sin(angle) / np.sqrt(stretch)
    return turned(np.stack((x, y), axis=1), rng.uniform(0, 2 * np.pi))


def turned(points: np.ndarray, turn: float) -> np.ndarray:
    """Points of shape (n, 2) turned about (0, 0) by an angle in radians."""
    cos, sin = np.cos(turn), np.sin(turn)
    return points @ np.array([[cos, sin], [-sin, cos]])


def wandering(
    rng: np.random.Generator, start: np.ndarray, length_um: float, turn: float, curl: float
) -> np.ndarray:
    """Trace a path of shape (n, 2) from a start, whose direction changes smoothly by about `curl` radians."""
    count = 28
    t = np.linspace(0, 1, count)
    bends = sum(rng.normal(0, curl / k) * np.sin(np.pi * k * t + rng.uniform(0, 6.3)) for k in (1, 2, 3))
    direction = turn + bends
    steps = np.stack((np.cos(direction), np.sin(direction)), axis=1) * length_um / (count - 1)
    path: np.ndarray = start + np.cumsum(steps, axis=0)
    return path


def roughness(
    rng: np.random.Generator, shape: tuple[int, int], grain_px: float, octaves: int = 3, gain: float = 0.6
) -> np.ndarray:
    """Make a random field of mean 0 and deviation 1 whose coarsest grain is `grain_px` across; float32."""
    total = np.zeros(shape, np.float32)
    for octave in range(octaves):
        cell = max(grain_px / 2**octave, 1.0)
        small = (max(int(np.ceil(shape[0] / cell)), 1) + 3, max(int(np.ceil(shape[1] / cell)), 1) + 3)
        field = rng.standard_normal(small).astype(np.float32)
        whole = (int(np.ceil(small[1] * cell)), int(np.ceil(small[0] * cell)))
        big = cv2.resize(field, whole, interpolation=cv2.INTER_CUBIC)
        total += np.float32(gain**octave) * big[: shape[0], : shape[1]]
        if cell == 1.0:
            break
    total -= total.mean()
    return total / np.float32(total.std() + 1e-6)
