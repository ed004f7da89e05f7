"""Spores: superellipse lemons with a soft dark rim and a paler or darker middle."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from tests.recipes.wanderer.canvas import Array, Canvas
from tests.recipes.wanderer.plan import Plan

LUMA = np.array([0.3, 0.59, 0.11], np.float32)


@dataclass(frozen=True)
class SporeLook:
    """How the spores of one print look; the pattern is scaled so that its mean over the outline is 1."""

    along: float
    across: float
    rim: float
    rim_um: float
    middle: float
    middle_size: float
    halo: float
    tint: Array
    length_um: float
    aspect: float
    spread: float

    def area_um2(self, length_um: float, width_um: float) -> float:
        t = (np.arange(400) + 0.5) / 400
        return length_um * width_um * float(np.mean((1 - t**self.along) ** (1 / self.across)))

    def pattern(self, u: Array, v: Array, a: float, b: float) -> tuple[Array, Array]:
        """Signed distance from the outline in µm (about right near it) and density, before scaling."""
        p, q = np.float32(self.along), np.float32(self.across)
        x, y = np.abs(u) / np.float32(a) + 1e-4, np.abs(v) / np.float32(b) + 1e-4
        xp, yq = x**p, y**q
        value = xp + yq
        slope = np.hypot(p * xp / (x * a), q * yq / (y * b))
        distance = np.clip((value - 1) / np.maximum(slope, 1e-3), -b, 3 * b).astype(np.float32)
        inner = np.sqrt(value)
        rim = np.exp(-0.5 * ((distance + 0.8 * self.rim_um) / self.rim_um) ** 2)
        middle = np.exp(-0.5 * (inner / self.middle_size) ** 2)
        body = np.clip(1 + self.rim * rim + self.middle * middle, -0.3, None)
        halo = self.halo * np.exp(-0.5 * ((distance - 1.0) / 0.7) ** 2) * (distance > 0)
        return distance, (body * np.clip(0.5 - distance / 0.4, 0, 1) - halo).astype(np.float32)

    def shown(self) -> tuple[Array, Array]:
        """Blur in µm and the mean density over the outline less that around it, after that blur."""
        step = 0.2
        grid = np.arange(-15, 15 + step, step, dtype=np.float32)
        a, b = self.length_um / 2, self.length_um / self.aspect / 2
        distance, density = self.pattern(grid[None, :], grid[:, None], a, b)
        inside, ring = distance < 0, (distance > 1.5) & (distance < 3)
        sigmas = np.array([0.1, 0.5, 0.8, 1.2, 1.8, 2.5, 3.5, 5], np.float32)
        blurred = [cv2.GaussianBlur(density, (0, 0), float(s) / step) for s in sigmas]
        sharp = density[inside].mean()
        return sigmas, np.array([(d[inside].mean() - d[ring].mean()) / sharp for d in blurred], np.float32)


def draw_look(rng: np.random.Generator, plan: Plan) -> SporeLook:
    """Draw the look of a print's spores; amber takes blue most."""
    pale = rng.random() < 0.3
    return SporeLook(
        along=float(rng.uniform(1.75, 2.2)),
        across=float(rng.uniform(1.25, 1.8)),
        rim=float(rng.uniform(1.0, 2.5) if pale else rng.uniform(0.3, 1.4)),
        rim_um=float(rng.uniform(0.45, 0.9)),
        middle=float(rng.uniform(-1.1, -0.5) if pale else rng.uniform(-0.8, 0.4)),
        middle_size=float(rng.uniform(0.25, 0.5)),
        halo=float(rng.uniform(0, 0.22)),
        tint=np.array([rng.uniform(0.5, 0.85), 1, rng.uniform(1.15, 1.8)], np.float32),
        length_um=plan.length_um,
        aspect=float(rng.uniform(1.38, 1.72)),
        spread=float(rng.uniform(0.03, 0.08)),
    )


@dataclass(frozen=True)
class Spores:
    """Columns, one row a spore; centres in canvas pixels, angles in radians."""

    x: NDArray[np.float64]
    y: NDArray[np.float64]
    length_um: NDArray[np.float64]
    width_um: NDArray[np.float64]
    angle: NDArray[np.float64]
    strength: NDArray[np.float64]
    soft_um: NDArray[np.float64]


def place_spores(
    rng: np.random.Generator,
    look: SporeLook,
    plan: Plan,
    field: tuple[float, float, float, float],
    px_um: float,
) -> Spores:
    """Scatter spores over a field (left, top, width, height; canvas px): singly, and in clumps that touch."""
    n = plan.spores
    left, top, wide, high = field
    x, y = left + rng.uniform(0, 1, n) * wide, top + rng.uniform(0, 1, n) * high
    angle = rng.uniform(0, np.pi, n)
    length = np.clip(look.length_um * np.exp(rng.normal(0, look.spread, n)), 8.5, 17)
    width = length / np.clip(look.aspect * np.exp(rng.normal(0, 0.04, n)), 1.3, 1.8)
    loose = rng.uniform(0.95, 1.1)
    start = 0
    while start < n:
        size = min(
            n - start,
            1
            if rng.random() > plan.clumped
            else 1 + int(rng.geometric(0.25 if plan.preset == "heavy" else 0.5)),
        )
        for i in range(start + 1, start + size):
            j, pile = int(rng.integers(start, i)), rng.random() < 0.12
            if rng.random() < 0.5:
                angle[i] = angle[j] + rng.normal(0, 0.25)
            for _ in range(6):
                way = rng.uniform(0, 2 * np.pi)
                # Reach of either outline that way: most touch side by side, a few lie half upon another.
                reach = sum(
                    0.5 / np.hypot(np.cos(way - angle[k]) / length[k], np.sin(way - angle[k]) / width[k])
                    for k in (i, j)
                )
                step = reach * loose * (0.6 if pile else rng.uniform(0.9, 1.02)) / px_um
                x[i], y[i] = x[j] + step * np.cos(way), y[j] + step * np.sin(way)
                near = np.hypot(x[start:i] - x[i], y[start:i] - y[i]).min() * px_um
                if pile or near > 0.85 * width[i]:
                    break
        start += size
    sigmas, shown = look.shown()
    # Halved at most by blur and rim: a pale spore must not get a rim of ink.
    kept = max(0.5, float(np.interp(plan.sharp_um, sigmas, shown) * (look.tint * LUMA).sum()))
    strength = plan.contrast / kept * np.exp(rng.normal(0, 0.13, n))
    return Spores(x, y, length, width, angle % np.pi, strength, np.abs(rng.normal(0, 0.35, n)))


def touching(spores: Spores, px_um: float) -> NDArray[np.int_]:
    """Size of each spore's touching group; an outline is taken as a row of discs."""
    n = len(spores.x)
    if n < 2:
        return np.ones(n, int)
    xy = np.stack([spores.x, spores.y], 1) * px_um
    way = np.stack([np.cos(spores.angle), np.sin(spores.angle)], 1)
    t = np.linspace(-1, 1, 7)
    points = xy[:, None] + 0.5 * spores.length_um[:, None, None] * t[:, None] * 0.92 * way[:, None]
    radius = 0.5 * spores.width_um[:, None] * np.sqrt(1 - t**2 * 0.96)
    pairs = cKDTree(xy).query_pairs(17.5, output_type="ndarray")
    i, j = pairs[:, 0], pairs[:, 1]
    gap = np.linalg.norm(points[i][:, :, None] - points[j][:, None], axis=-1)
    close = (gap < radius[i][:, :, None] + radius[j][:, None]).any(axis=(1, 2))
    graph = coo_array((np.ones(close.sum()), (i[close], j[close])), shape=(n, n))
    group = connected_components(graph, directed=False)[1]
    return np.bincount(group)[group]


def lay_spores(canvas: Canvas, look: SporeLook, spores: Spores, numbers: range) -> None:
    """Lay the numbered spores onto the canvas, one after another."""
    whole = np.linspace(-9, 9, 91, dtype=np.float32)
    distance, density = look.pattern(
        whole[None], whole[:, None], look.length_um / 2, look.length_um / look.aspect / 2
    )
    mean = float(density[distance < 0].mean())
    for k in numbers:
        frame = canvas.frame(spores.x[k], spores.y[k], spores.angle[k], 0.5 * spores.length_um[k] + 2.5)
        if frame is None:
            continue
        half = 0.5 * spores.length_um[k], 0.5 * spores.width_um[k]
        distance, density = look.pattern(frame.u, frame.v, *half)
        density *= np.float32(spores.strength[k] / mean)
        canvas.lay(
            frame, density, look.tint, "spore", distance < 0, soft_um=float(spores.soft_um[k]), owner=k
        )
