"""Butterfly scales, whole and torn."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from tests.recipes.rambler.canvas import Canvas, Floats, Patch, own_axes, polygon_patch, smooth_noise, turned
from tests.recipes.rambler.plan import Plan

INKS = {
    "black": (0.10, 0.08, 0.07),
    "brown": (0.36, 0.22, 0.12),
    "orange": (0.80, 0.42, 0.12),
    "rusty": (0.58, 0.28, 0.10),
    "pale": (0.80, 0.76, 0.66),
    "grey": (0.50, 0.48, 0.46),
}
SEEN_THROUGH = 0.62
"""A scale that passes more light than this leaves the spores beneath it to be seen."""


def draw_scales(rng: Generator, canvas: Canvas, plan: Plan) -> int:
    """Draw the whole scales; give back how many lie in the view, nearly whole."""
    per_view = rng.uniform(0, 16) * plan.crowd * (0.6 if plan.objective <= 4 else 1.0)
    count = min(int(rng.poisson(per_view * plan.area_um2 / 380_000.0 + 0.15)), 130)
    inks = rng.choice(list(INKS), rng.integers(1, 4), replace=False)
    gather = rng.random() < 0.3
    whole = 0
    for _ in range(count):
        place = rng.uniform(-0.03, 1.03, 2)
        if gather:
            place = np.clip(rng.normal(place, 0.1), 0.05, 0.6)
        x, y = place * (plan.width_px, plan.height_px)
        wing = rng.random() < 0.35
        length = rng.uniform(60, 200) if wing else rng.normal(100, 14)
        width = rng.uniform(30, 75) if wing else rng.normal(50, 7)
        size = np.maximum([length, width], 25) / plan.um_per_px
        outline, angle = _outline(rng, size[0], size[1]), rng.uniform(0, 2 * np.pi)
        points = turned(outline, angle, x, y)
        patch = polygon_patch(points, canvas.shape)
        if patch is None:
            continue
        seen = float(patch.cover.sum())
        whole += int(seen > 0.7 * _polygon_area(points))
        _paint(rng, canvas, plan, patch, (float(x), float(y), float(angle)), str(rng.choice(inks)), "scale")
    return whole


def draw_pieces(rng: Generator, canvas: Canvas, plan: Plan) -> None:
    """Draw torn pieces of scales, 4 to 60 µm; many are of a spore's size."""
    per_view = rng.choice((rng.uniform(0, 15), rng.uniform(15, 70))) * plan.crowd
    count = min(int(rng.poisson(per_view * plan.area_um2 / 380_000.0 + 0.3)), 260)
    inks = rng.choice(list(INKS), rng.integers(1, 4), replace=False)
    for _ in range(count):
        size = float(np.exp(rng.normal(np.log(11), 0.55)).clip(4, 60)) / plan.um_per_px
        corners = int(rng.integers(3, 8))
        around = np.sort(rng.uniform(0, 2 * np.pi, corners))
        flat = rng.uniform(0.35, 1.0)
        reach = size / 2 * rng.uniform(0.7, 1.15, corners)
        outline = np.stack([reach * np.cos(around), flat * reach * np.sin(around)], axis=1)
        x, y = rng.uniform(0, plan.width_px), rng.uniform(0, plan.height_px)
        angle = float(rng.uniform(0, 2 * np.pi))
        patch = polygon_patch(turned(outline, angle, x, y), canvas.shape)
        if patch is not None:
            _paint(
                rng, canvas, plan, patch, (float(x), float(y), angle), str(rng.choice(inks)), "scale piece"
            )


def _outline(rng: Generator, length: float, width: float) -> NDArray[np.float64]:
    """Outline about 0, stalk to the left: belly of drawn fullness, then a rounded or toothed end."""
    u = np.linspace(0, 1, 24)
    belly = np.interp(
        u, [0, 0.15, rng.uniform(0.35, 0.7), 1], [0.12, rng.uniform(0.5, 0.8), 1, rng.uniform(0.55, 1)]
    )
    side = cv2.GaussianBlur(belly[None, :], (0, 0), 1.2)[0] * width / 2
    side *= 1 + 0.03 * rng.standard_normal(len(u))
    teeth = int(rng.integers(2, 6)) if rng.random() < 0.5 else 0
    depth = length * rng.uniform(0.05, 0.18)
    across = np.linspace(1, -1, 2 * teeth + 9)
    end = length + depth * (np.sqrt(np.maximum(1 - across**2, 0)) - 1)
    if teeth:
        end += depth * (np.abs((across * teeth) % 1 - 0.5) * 2 - 0.5) * rng.uniform(0.6, 1.2, len(across))
    tip = np.stack([end, across * side[-1]], axis=1)
    stalk_long, stalk_wide = length * rng.uniform(0.05, 0.12), width * rng.uniform(0.03, 0.07)
    stalk = np.array([[-stalk_long, -stalk_wide], [-stalk_long, stalk_wide]])
    body = u[:-1] * length
    points = np.vstack(
        [stalk, np.stack([body, side[:-1]], axis=1), tip, np.stack([body, -side[:-1]], axis=1)[::-1]]
    )
    return points - (length / 2, 0)


def _polygon_area(points: NDArray[np.float64]) -> float:
    x, y = points.T
    return float(abs(np.dot(x, np.roll(y, 1)) - np.dot(y, np.roll(x, 1))) / 2)


def _paint(
    rng: Generator,
    canvas: Canvas,
    plan: Plan,
    patch: Patch,
    pose: tuple[float, float, float],
    ink: str,
    kind: str,
) -> None:
    """Fill with the photo's look: ridges along, ribs across, noise or flat, with a darker edge."""
    x, y, angle = pose
    u, v = own_axes(patch, x, y, angle)
    shade: Floats = np.ones_like(patch.cover)
    # ridges are 1.5 to 3 µm apart; where pixels are coarser they would only alias
    period = max(float(rng.uniform(1.6, 3.2)) / plan.um_per_px, 2.6)
    if plan.scale_look in ("stripes", "ribs"):
        shade += np.float32(rng.uniform(0.08, 0.3)) * np.sin(v * np.float32(2 * np.pi / period))
    if plan.scale_look == "ribs":
        shade += np.float32(rng.uniform(0.05, 0.15)) * np.sin(u * np.float32(2 * np.pi / (0.7 * period)))
    if plan.scale_look == "noise":
        shade += np.float32(rng.uniform(0.05, 0.15)) * smooth_noise(rng, patch.cover.shape, period)
    inner = cv2.GaussianBlur(patch.cover, (0, 0), max(0.6, 1.5 / plan.um_per_px))
    shade += np.float32(rng.uniform(0, 0.5)) * (inner - 1)
    shade *= 1 + np.float32(rng.normal(0, 0.1) / max(patch.cover.shape)) * u
    tone = np.asarray(INKS[ink], np.float32) * np.exp(rng.normal(0, 0.12) + rng.normal(0, 0.03, 3)).astype(
        np.float32
    )
    if canvas.blend == "multiply":
        tone = tone ** np.float32(rng.uniform(0.4, 1.0))
    colour = np.clip(shade, 0.2, 1.6)[..., None] * np.minimum(tone, 0.95)
    hides = canvas.blend == "alpha" or float(tone.mean()) < SEEN_THROUGH
    canvas.paste(patch, colour, kind, opacity=float(rng.uniform(0.85, 1.0)), hides=hides)
