"""Bare ground: paper or glass with its texture, uneven light, and the glue's ridges."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.random import Generator

from tests.recipes.rambler.canvas import Canvas, Floats, smooth_noise
from tests.recipes.rambler.plan import PAPERS, Plan


def draw_ground(rng: Generator, plan: Plan) -> Canvas:
    """Draw a bare sheet: colour, texture and glue."""
    shape = (plan.height_px, plan.width_px)
    tint = np.asarray(PAPERS[plan.paper], np.float32) * rng.uniform(0.96, 1.04, 3).astype(np.float32)
    sheet = 1 + np.float32(plan.texture_strength) * _texture(rng, plan, shape)
    if rng.random() < (0.7 if plan.preset == "hard" else 0.3):
        sheet *= 1 + _glue(rng, plan, shape)
    stain = np.float32(rng.uniform(0, 0.03)) * smooth_noise(rng, shape, rng.uniform(80, 300))
    np.clip(sheet, 0.35, 1.6, out=sheet)
    scene = sheet[..., None] * tint * (1 + stain[..., None] * np.array([0.3, 0.6, 1.2], np.float32))
    return Canvas(scene.astype(np.float32), tint.astype(np.float32), plan.blend)


def draw_light(rng: Generator, plan: Plan) -> Floats:
    """Draw the light that falls on each pixel: tint of the lamp, gradient, dark corners, 1 in the middle."""
    rows, cols = plan.height_px, plan.width_px
    x = np.linspace(-1, 1, cols, dtype=np.float32)[None, :]
    y = np.linspace(-1, 1, rows, dtype=np.float32)[:, None]
    slope = rng.normal(0, 0.2 if plan.light in ("oblique", "top") else 0.07, 2)
    corner = rng.uniform(0, 0.45 if plan.preset == "hard" else 0.28)
    even = 1 + np.clip(slope[0] * x + slope[1] * y, -0.5, 0.5) - np.float32(corner) * (x**2 + y**2) / 2
    warm = {"white lamp": 0.0, "warm lamp": rng.uniform(0.1, 0.3), "top": rng.uniform(-0.08, 0.15)}
    pull = warm.get(plan.light, rng.uniform(0, 0.12))
    lamp = np.array([1 + 0.25 * pull, 1.0, 1 - pull], np.float32)
    return (np.maximum(even, 0.15)[..., None] * lamp).astype(np.float32)


def round_view(rng: Generator, plan: Plan) -> Floats | None:
    """Draw the eyepiece's round view, 1 inside and 0 outside; None for most photos, which show no rim."""
    if rng.random() > 0.15:
        return None
    rows, cols = plan.height_px, plan.width_px
    radius = rng.uniform(0.52, 0.62) * max(rows, cols)
    cx, cy = cols * rng.uniform(0.47, 0.53), rows * rng.uniform(0.47, 0.53)
    x = np.arange(cols, dtype=np.float32)[None, :] - np.float32(cx)
    y = np.arange(rows, dtype=np.float32)[:, None] - np.float32(cy)
    soft = rng.uniform(2, 9)
    return np.clip((radius - np.hypot(x, y)) / soft + 0.5, 0, 1).astype(np.float32)


def _texture(rng: Generator, plan: Plan, shape: tuple[int, int]) -> Floats:
    """Draw the texture of the ground with about unit spread; its grain is real, so it grows with the scale."""
    px_per_um = 1 / plan.um_per_px
    if plan.texture == "none":
        return 0.15 * smooth_noise(rng, shape, 2)
    if plan.texture == "fine grain":
        return smooth_noise(rng, shape, max(1.5, rng.uniform(0.8, 2.5) * px_per_um))
    if plan.texture == "mottled":
        parts = [smooth_noise(rng, shape, max(2.0, grain * px_per_um)) for grain in (4, 14, 45)]
        return (0.4 * parts[0] + 0.6 * parts[1] + 0.7 * parts[2]).astype(np.float32)
    if plan.texture == "felt":
        fine = smooth_noise(rng, shape, max(1.5, 1.5 * px_per_um))
        along = int(np.clip(rng.uniform(10, 30) * px_per_um, 5, 61)) | 1
        brushed = cv2.blur(fine, (along, 3)) + cv2.blur(fine, (3, along))
        return brushed / max(float(brushed.std()), 1e-6)
    if plan.texture == "gridded":
        x = np.arange(shape[1], dtype=np.float32)[None, :]
        y = np.arange(shape[0], dtype=np.float32)[:, None]
        period = rng.uniform(8, 30) * px_per_um
        turn = rng.uniform(0, np.pi)
        weave = np.sin(2 * np.pi * (x * np.cos(turn) + y * np.sin(turn)) / period)
        weave += np.sin(2 * np.pi * (y * np.cos(turn) - x * np.sin(turn)) / period)
        return (0.6 * weave + 0.5 * smooth_noise(rng, shape, max(1.5, 3 * px_per_um))).astype(np.float32)
    return _strands(rng, shape, px_per_um)


def _strands(rng: Generator, shape: tuple[int, int], px_per_um: float) -> Floats:
    """Many crossing paper strands, lighter and darker, of 8 to 20 µm."""
    layer = np.zeros(shape, np.float32)
    count = int(np.clip(shape[0] * shape[1] / px_per_um**2 / 4000, 8, 160))
    reach = 200 * px_per_um
    for _ in range(count):
        x, y = rng.uniform(0, shape[1]), rng.uniform(0, shape[0])
        angle, bend = rng.uniform(0, 2 * np.pi), rng.normal(0, 0.12, 9)
        heading = angle + np.cumsum(bend)
        steps = np.stack([np.cos(heading), np.sin(heading)], axis=1) * reach / 4
        points = np.cumsum(np.vstack([[x, y], steps]), axis=0)
        wide = max(1, round(rng.uniform(4, 16) * px_per_um))
        cv2.polylines(layer, [points.round().astype(np.int32)], False, float(rng.normal(0, 1)), wide)
    soft = max(0.8, 1.5 * px_per_um)
    even = np.asarray(cv2.GaussianBlur(layer, (0, 0), soft), np.float32)
    return even + np.float32(0.4) * smooth_noise(rng, shape, max(1.5, 2 * px_per_um))


def _glue(rng: Generator, plan: Plan, shape: tuple[int, int]) -> Floats:
    """Bumps of the tape's glue: its slope towards the light shows as bright and dark sides."""
    bumps = smooth_noise(rng, shape, max(6.0, rng.uniform(15, 70) / plan.um_per_px))
    ridged = np.abs(bumps) if rng.random() < 0.5 else bumps
    slope = cv2.Sobel(ridged, cv2.CV_32F, 1, 0) + rng.uniform(-1, 1) * cv2.Sobel(ridged, cv2.CV_32F, 0, 1)
    strength = rng.uniform(0.05, 0.16 if plan.preset == "hard" else 0.09)
    return np.clip(
        slope * (strength / max(float(slope.std()), 1e-6)), -2.5 * strength, 2.5 * strength
    ).astype(np.float32)
