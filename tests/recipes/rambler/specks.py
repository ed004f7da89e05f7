"""Small things that look like spores or not: dust, soot, pollen, bubbles, droplets, stains, mould, crystals."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.random import Generator

from tests.recipes.rambler.canvas import Canvas, Floats, Patch, own_axes, polygon_patch, smooth_noise, turned
from tests.recipes.rambler.plan import USUAL_VIEW_UM2, Plan

MOST = 120
"""Specks of one sort that one photo may hold, to bound its time."""


def draw_specks(rng: Generator, canvas: Canvas, plan: Plan, part: float) -> None:
    """Draw a part of the photo's small things; called below and above the spores."""
    share = part * plan.crowd * max(plan.area_um2 / USUAL_VIEW_UM2, 0.1)
    empty = 1.6 if plan.preset == "no_spores" else 1.0
    many: tuple[tuple[Callable[[Generator, Canvas, Plan], None], float], ...] = (
        (_dust, 14.0),
        (_soot, 10.0),
        (_pollen, 1.2),
        (_bubble, 8.0),
        (_droplet, 5.0 * empty),
        (_stain, 2.0 * empty),
        (_mould, 2.5 * empty),
        (_crystal, 3.0),
    )
    for draw, mean in many:
        # many photos lack a sort altogether, some have much of it
        weight = rng.choice((0.0, 0.6, 2.2), p=(0.35, 0.4, 0.25))
        for _ in range(min(int(rng.poisson(weight * mean * share)), MOST)):
            draw(rng, canvas, plan)


def _spot(rng: Generator, plan: Plan) -> tuple[float, float]:
    return float(rng.uniform(0, plan.width_px)), float(rng.uniform(0, plan.height_px))


def _disc(x: float, y: float, radius_px: float, flat: float, angle: float) -> tuple[Patch, Floats]:
    """Cover of an ellipse of half-axes `radius_px` and `flat` times it, and how far out each pixel lies."""
    side = int(np.ceil(radius_px)) + 2
    bare = Patch(round(y) - side, round(x) - side, np.zeros((2 * side + 1, 2 * side + 1), np.float32))
    u, v = own_axes(bare, x, y, angle)
    out = np.hypot(u, v / np.float32(flat)) / np.float32(radius_px)
    cover = np.clip(0.5 + (1 - out) * np.float32(radius_px * flat), 0, 1)
    return Patch(bare.top, bare.left, cover.astype(np.float32)), out


def _blob(rng: Generator, canvas: Canvas, plan: Plan, size_um: float, tone: Floats) -> None:
    """Paint a ragged lump cut from smooth noise."""
    x, y = _spot(rng, plan)
    radius = max(size_um / 2 / plan.um_per_px, 0.8)
    patch, out = _disc(x, y, 1.5 * radius, rng.uniform(0.5, 1), rng.uniform(0, np.pi))
    lumps = smooth_noise(rng, patch.cover.shape, max(1.5, radius * 0.6))
    cover = np.clip((0.67 - out + 0.18 * lumps) * np.float32(1.5 * radius) + 0.5, 0, 1) * patch.cover
    shade = np.clip(1 + np.float32(0.2) * smooth_noise(rng, cover.shape, max(1.5, radius * 0.4)), 0.3, 1.5)
    canvas.paste(
        Patch(patch.top, patch.left, cover), shade[..., None] * tone, "dust", opacity=rng.uniform(0.6, 1)
    )


def _dust(rng: Generator, canvas: Canvas, plan: Plan) -> None:
    tone = np.array([0.6, 0.52, 0.42], np.float32) * np.float32(rng.uniform(0.5, 1.45))
    _blob(rng, canvas, plan, float(np.exp(rng.normal(np.log(8), 0.6)).clip(2, 45)), np.minimum(tone, 0.93))


def _soot(rng: Generator, canvas: Canvas, plan: Plan) -> None:
    _blob(rng, canvas, plan, float(rng.uniform(1.5, 9)), np.full(3, rng.uniform(0.05, 0.3), np.float32))


def _pollen(rng: Generator, canvas: Canvas, plan: Plan) -> None:
    """A round grain, yellow to brown, smooth or with spines."""
    x, y = _spot(rng, plan)
    radius = rng.uniform(7.5, 20) / plan.um_per_px
    tone = np.array([0.85, 0.68, 0.3], np.float32) * np.float32(rng.uniform(0.55, 1.05))
    if rng.random() < 0.45:
        around = np.linspace(0, 2 * np.pi, 2 * int(rng.integers(12, 20)), endpoint=False)
        reach = radius * np.where(np.arange(len(around)) % 2, 1.2, 0.97)
        spines = polygon_patch(
            turned(np.stack([reach * np.cos(around), reach * np.sin(around)], axis=1), 0.1, x, y),
            canvas.shape,
        )
        if spines is not None:
            canvas.paste(spines, tuple(tone * 0.8), "pollen")
    patch, out = _disc(x, y, radius, rng.uniform(0.85, 1), rng.uniform(0, np.pi))
    shade = 1.1 - np.float32(rng.uniform(0.2, 0.6)) * out**3
    shade += np.float32(0.06) * smooth_noise(rng, out.shape, max(1.5, 1.5 / plan.um_per_px))
    canvas.paste(patch, np.clip(shade, 0.2, 1.3)[..., None] * tone, "pollen")


def _bubble(rng: Generator, canvas: Canvas, plan: Plan) -> None:
    """A bubble in the glue: a dark ring about a bright middle."""
    x, y = _spot(rng, plan)
    radius = max(float(np.exp(rng.normal(np.log(5), 0.6)).clip(1.5, 40)) / plan.um_per_px, 1.0)
    patch, out = _disc(x, y, radius, rng.uniform(0.8, 1), rng.uniform(0, np.pi))
    ring = np.exp(-(((out - 0.85) / np.float32(rng.uniform(0.08, 0.22))) ** 2))
    shade = 1 + np.float32(rng.uniform(0, 0.25)) * np.exp(-((out / 0.5) ** 2))
    shade -= np.float32(rng.uniform(0.2, 0.75)) * ring
    grey = np.repeat(shade[..., None], 3, axis=2)
    canvas.paste(patch, grey, "bubble", hides=False, filters=True)


def _droplet(rng: Generator, canvas: Canvas, plan: Plan) -> None:
    """A brown droplet of a spore's size: round where a spore is long."""
    x, y = _spot(rng, plan)
    radius = max(rng.uniform(3, 8) / plan.um_per_px, 1.0)
    patch, out = _disc(x, y, radius, rng.uniform(0.88, 1), rng.uniform(0, np.pi))
    tone = np.array([0.6, 0.38, 0.16], np.float32) ** np.float32(rng.uniform(0.3, 1.4))
    shade = 1 + np.float32(rng.uniform(-0.35, 0.35)) * (0.5 - out**2)
    canvas.paste(patch, np.clip(shade[..., None] * tone, 0, 1), "other")


def _stain(rng: Generator, canvas: Canvas, plan: Plan) -> None:
    """A dried drop: faint, with a darker rim."""
    x, y = _spot(rng, plan)
    radius = max(rng.uniform(5, 40) / plan.um_per_px, 1.5)
    patch, out = _disc(x, y, radius, rng.uniform(0.7, 1), rng.uniform(0, np.pi))
    rim = np.exp(-(((out - 0.92) / 0.08) ** 2))[..., None]
    depth = np.float32(rng.uniform(0.05, 0.3)) * (0.5 + rim)
    ink = np.array([0.4, 0.8, 1.4], np.float32)
    canvas.paste(patch, np.clip(1 - depth * ink, 0.05, 1), "other", hides=False, filters=True)


def _mould(rng: Generator, canvas: Canvas, plan: Plan) -> None:
    """A chain or heap of small round mould spores."""
    x, y = _spot(rng, plan)
    radius = max(rng.uniform(1.2, 3) / plan.um_per_px, 0.7)
    tone = np.array([0.5, 0.45, 0.32], np.float32) ** np.float32(rng.uniform(0.4, 1.5))
    way = rng.uniform(0, 2 * np.pi)
    for _ in range(int(rng.integers(1, 14))):
        patch, out = _disc(x, y, radius * rng.uniform(0.85, 1.15), 0.92, way)
        canvas.paste(
            patch, (1 - np.float32(0.3) * out**2)[..., None].clip(0.3, 1) * tone, "other", opacity=0.9
        )
        way += rng.normal(0, 0.5)
        x, y = x + 2 * radius * np.cos(way), y + 2 * radius * np.sin(way)


def _crystal(rng: Generator, canvas: Canvas, plan: Plan) -> None:
    """A clear angular grain: dark sides, bright middle."""
    x, y = _spot(rng, plan)
    size = max(rng.uniform(3, 18) / plan.um_per_px, 1.5)
    around = np.sort(rng.uniform(0, 2 * np.pi, int(rng.integers(4, 7))))
    outline = np.stack([np.cos(around), rng.uniform(0.4, 1) * np.sin(around)], axis=1) * size / 2
    turn = rng.uniform(0, np.pi)
    for grow, tone in ((1.0, rng.uniform(0.3, 0.7)), (0.65, rng.uniform(0.85, 1.15))):
        patch = polygon_patch(turned(outline * grow, turn, x, y), canvas.shape)
        if patch is not None:
            canvas.paste(patch, (tone, tone, tone), "other", opacity=0.9)
