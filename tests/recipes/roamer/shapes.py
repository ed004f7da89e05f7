"""Outlines and thickness of bodies, each drawn in a small patch of its own."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from tests.recipes.roamer.sheets import Patch, Plane

Grid = NDArray[np.float64]


def local_grid(
    x_px: float, y_px: float, angle_rad: float, reach_px: float, view: tuple[int, int] | None = None
) -> tuple[int, int, Grid, Grid]:
    """Corner of a patch and, for its pixels, the way along and across a turned axis, in pixels.

    The patch is square, or what of it lies in the view where one is given: large bodies reach far beyond it.
    """
    half = int(np.ceil(reach_px)) + 2
    col, row = round(x_px) - half, round(y_px) - half
    end, right = row + 2 * half + 1, col + 2 * half + 1
    if view is not None:
        row, end = max(row, 0), max(min(end, view[0]), max(row, 0))
        col, right = max(col, 0), max(min(right, view[1]), max(col, 0))
    dx = np.arange(col, right)[None, :] - x_px
    dy = np.arange(row, end)[:, None] - y_px
    c, s = np.cos(angle_rad), np.sin(angle_rad)
    return row, col, dx * c + dy * s, dy * c - dx * s


def covered(distance_px: NDArray[np.floating]) -> Plane:
    """Cover of pixels by their distance inside an outline."""
    return np.clip(distance_px + 0.5, 0, 1).astype(np.float32)


def lemon(x_px: float, y_px: float, angle_rad: float, half_px: tuple[float, float], pointed: float) -> Patch:
    """Draw a body of revolution with two ends, blunt as an ellipse (0.5) to pointed as two arcs (1.0)."""
    a, b = half_px
    row, col, along, across = local_grid(x_px, y_px, angle_rad, a)
    u = along / a
    room = 1 - u**2
    girth = np.sign(room) * np.abs(room) ** pointed
    steep = 2 * pointed * np.abs(u) * np.abs(room).clip(0.05) ** (pointed - 1) * b / a
    inside = (b * girth - np.abs(across)) / np.sqrt(1 + steep**2)
    thick = np.sqrt(np.clip(girth.clip(0) ** 2 - (across / b) ** 2, 0, None))
    return Patch(row, col, covered(inside), thick.astype(np.float32))


def ball(x_px: float, y_px: float, radius_px: float, spikes: int = 0, spike_px: float = 0.0) -> Patch:
    """Draw a sphere, with spikes around its rim where asked."""
    row, col, along, across = local_grid(x_px, y_px, 0.0, radius_px + spike_px)
    r = np.hypot(along, across)
    rim = radius_px + np.zeros_like(r)
    if spikes:
        rim += spike_px * np.abs(np.cos(np.arctan2(across, along) * spikes / 2)) ** 6
    thick = np.sqrt(np.clip(1 - (r / rim) ** 2, 0, None))
    return Patch(row, col, covered(rim - r), thick.astype(np.float32))


def lump(rng: np.random.Generator, x_px: float, y_px: float, size_px: float, rough: float) -> Patch:
    """Draw an uneven grain: a stretched disc with a wavy rim and a thickness that falls to it."""
    row, col, along, across = local_grid(x_px, y_px, rng.uniform(0, np.pi), size_px * (0.7 + rough))
    across = across * rng.uniform(1.0, 2.2)
    turn = np.arctan2(across, along)
    rim = np.full_like(turn, size_px / 2)
    for wave in range(2, 8):
        rim += size_px / 2 * rough * rng.normal() / wave * np.cos(wave * turn + rng.uniform(0, 6.3))
    r = np.hypot(along, across)
    thick = np.clip(1 - (r / rim.clip(0.3)) ** 2, 0, None) ** 0.35
    return Patch(row, col, covered(rim - r), thick.astype(np.float32))


def flake(rng: np.random.Generator, x_px: float, y_px: float, size_px: float, corners: int) -> Patch:
    """Draw a sharp-cornered even plate, such as a torn piece or a crystal."""
    row, col, along, across = local_grid(x_px, y_px, rng.uniform(0, np.pi), size_px * 0.65)
    across = across * rng.uniform(1.0, 2.4)
    inside = np.full(along.shape, np.inf)
    start = rng.uniform(0, 6.3)
    for turn in start + (np.arange(corners) + rng.uniform(-0.3, 0.3, corners)) * 2 * np.pi / corners:
        cut = size_px / 2 * rng.uniform(0.6, 1.0)
        inside = np.minimum(inside, cut - along * np.cos(turn) - across * np.sin(turn))
    thick = np.clip(inside / (0.12 * size_px), 0, 1) * 0.3 + 0.7 * (inside > 0)
    return Patch(row, col, covered(inside), thick.astype(np.float32))


def ridged(patch: Patch, angle_rad: float, pitch_px: float, depth: float) -> Patch:
    """Rule a body with ridges and weaker cross-ribs; those finer than the pixels only grey out."""
    deep = depth * float(np.clip((pitch_px - 1.6) / 2, 0, 1))
    y, x = np.mgrid[: patch.cover.shape[0], : patch.cover.shape[1]].astype(np.float32)
    across, along = (
        y * np.cos(angle_rad) - x * np.sin(angle_rad),
        x * np.cos(angle_rad) + y * np.sin(angle_rad),
    )
    wave = np.cos(across * 2 * np.pi / pitch_px) + 0.35 * np.cos(along * 2 * np.pi / (0.8 * pitch_px))
    return Patch(patch.row, patch.col, patch.cover, (patch.thick * (1 + deep * wave)).astype(np.float32))


def shield(
    rng: np.random.Generator,
    view: tuple[int, int],
    at_px: tuple[float, float],
    angle_rad: float,
    size_px: tuple[float, float],
) -> Patch:
    """Draw a scale: a stalk, a widening blade, and an end with teeth."""
    long_px, wide_px = size_px
    row, col, along, across = local_grid(*at_px, angle_rad, 0.6 * np.hypot(long_px, wide_px), view)
    s = along / long_px + 0.5
    blade = np.clip(s / 0.22, 0, 1) ** 0.6 * (1 - 0.35 * np.clip((s - 0.7) / 0.3, 0, 1) ** 2)
    half = wide_px / 2 * np.where(s < 0, 0.09, np.maximum(blade * rng.uniform(0.92, 1.0), 0.09))
    teeth, tooth = int(rng.integers(0, 6)), rng.uniform(0.04, 0.16)
    v = across / wide_px
    wave = np.abs(np.cos(np.pi * v * teeth)) if teeth else np.sqrt(np.clip(1 - 3.6 * v**2, 0, 1))
    end = 1 - tooth * (1 - wave) - 0.25 * v**2
    inside = np.minimum(half - np.abs(across), np.minimum((end - s), s + 0.08) * long_px)
    thick = 0.75 + 0.25 * np.exp(-((inside.clip(0) / (0.05 * wide_px)) ** 2)) - 0.1 * v
    return Patch(row, col, covered(inside), (thick * (inside > -0.5)).astype(np.float32))


def strand(
    shape: tuple[int, int], points_px: NDArray[np.float64], width_px: float, flat: float
) -> Patch | None:
    """Draw a hair or thread along points: round (flat 0) to ribbon (1) in section; none outside the view."""
    margin = int(np.ceil(width_px)) + 2
    rows, cols = shape
    low = np.maximum(np.floor(points_px.min(0)).astype(int) - margin, -margin)
    high = np.minimum(np.ceil(points_px.max(0)).astype(int) + margin, np.array([cols, rows]) + margin)
    if (high <= low).any():
        return None
    canvas = np.zeros((high[1] - low[1], high[0] - low[0]), np.uint8)
    line = np.round((points_px - low) * 16).astype(np.int32).reshape(-1, 1, 2)
    cv2.polylines(canvas, [line], False, 255, 1, cv2.LINE_8, 4)
    away = cv2.distanceTransform(255 - canvas, cv2.DIST_L2, 5)
    inside = max(width_px / 2, 0.35) - away
    round_ = np.sqrt(np.clip(1 - (away / max(width_px / 2, 0.7)) ** 2, 0, 1))
    thick = (1 - flat) * round_ + flat * (inside > -0.5)
    return Patch(int(low[1]), int(low[0]), covered(inside), thick.astype(np.float32))
