"""Spores: where they lie, alone or in clumps, and how each is painted."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from tests.recipes.rambler.canvas import Canvas, Floats, Patch
from tests.recipes.rambler.plan import SPORE_INKS, Plan, SporeLook

LENGTH_UM = (8.5, 17.5)
ASPECT = (1.3, 1.8)


@dataclass(frozen=True)
class Spores:
    """Spores of one photo, a row each; places in pixels, `angle` in radians from +x towards +y."""

    x_px: NDArray[np.float64]
    y_px: NDArray[np.float64]
    length_um: NDArray[np.float64]
    width_um: NDArray[np.float64]
    angle: NDArray[np.float64]
    density: NDArray[np.float64]

    def __len__(self) -> int:
        return len(self.x_px)


def place_spores(rng: Generator, plan: Plan) -> Spores:
    """Draw places, sizes and darkness of all spores, single ones first."""
    count = plan.singles + sum(plan.clumps)
    look = plan.spore
    length = np.clip(look.length_um * (1 + look.spread * rng.standard_normal(count)), *LENGTH_UM)
    aspect = np.clip(look.aspect * (1 + 0.05 * rng.standard_normal(count)), *ASPECT)
    angle = rng.uniform(0, np.pi, count)
    density = look.density * np.exp(look.unevenness * rng.standard_normal(count))
    x, y = rng.uniform(-3, plan.width_px + 2, count), rng.uniform(-3, plan.height_px + 2, count)
    first = plan.singles
    for size in plan.clumps:
        members = np.arange(first, first + size)
        x[first] = rng.uniform(0.15, 0.85) * plan.width_px
        y[first] = rng.uniform(0.15, 0.85) * plan.height_px
        _grow_clump(rng, members, x, y, length / plan.um_per_px, aspect, angle)
        first += size
    return Spores(x, y, length, length / aspect, angle, density)


def move_onto_scales(
    rng: Generator, plan: Plan, spores: Spores, free: NDArray[np.bool_], scale_here: NDArray[np.bool_]
) -> None:
    """Carry some single spores of the `free` ones onto the scales: in some photos they gather there."""
    on_scale = np.flatnonzero(scale_here)
    single = np.arange(len(spores)) < plan.singles
    moved = np.flatnonzero(free & single & (rng.random(len(spores)) < rng.choice((0.0, 0.3))))
    if len(on_scale):
        spores.y_px[moved], spores.x_px[moved] = np.divmod(rng.choice(on_scale, len(moved)), plan.width_px)


def _grow_clump(
    rng: Generator,
    members: NDArray[np.int64],
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    length_px: NDArray[np.float64],
    aspect: NDArray[np.float64],
    angle: NDArray[np.float64],
) -> None:
    """Lay each further spore against one that lies already; loose rafts in some clumps, piles in others."""
    close = rng.uniform(0.72, 1.0)
    compact = rng.random() < 0.6
    for rank in range(1, len(members)):
        new = members[rank]
        spots = []
        for _ in range(6):
            old = members[rng.integers(rank)]
            way = rng.uniform(0, 2 * np.pi)
            apart = sum(
                _radius(length_px[one], length_px[one] / aspect[one], angle[one] - way) for one in (old, new)
            )
            px, py = x[old] + close * apart * np.cos(way), y[old] + close * apart * np.sin(way)
            gaps = np.hypot(x[members[:rank]] - px, y[members[:rank]] - py)
            gap = float(gaps.min())
            if compact and gap > 0.45 * length_px[new]:
                # of the places with enough room, the one nearest to the middle
                gap = 1e6 - float(np.hypot(px - x[members[:rank]].mean(), py - y[members[:rank]].mean()))
            spots.append((gap, px, py))
        _, x[new], y[new] = max(spots)


def _radius(length: Floats | float, width: Floats | float, off: Floats | float) -> NDArray[np.float64]:
    """Distance from centre to outline of an ellipse, in a direction `off` its long axis."""
    return np.asarray(0.5 / np.hypot(np.cos(off) / length, np.sin(off) / width), float)


def clump_sizes(spores: Spores, um_per_px: float) -> NDArray[np.int64]:
    """Number of spores in each one's touching group."""
    group = np.arange(len(spores))
    if len(spores) < 2:
        return np.ones(len(spores), np.int64)
    tree = cKDTree(np.stack([spores.x_px, spores.y_px], axis=1))
    pairs = tree.query_pairs(float(spores.length_um.max()) / um_per_px, output_type="ndarray")
    dx = spores.x_px[pairs[:, 1]] - spores.x_px[pairs[:, 0]]
    dy = spores.y_px[pairs[:, 1]] - spores.y_px[pairs[:, 0]]
    way = np.arctan2(dy, dx)
    reach = sum(
        _radius(spores.length_um[one], spores.width_um[one], spores.angle[one] - way) for one in pairs.T
    )
    for a, b in pairs[np.hypot(dx, dy) * um_per_px <= reach]:
        if group[a] != group[b]:
            group[group == group[b]] = group[a]
    _, back, counts = np.unique(group, return_inverse=True, return_counts=True)
    return np.asarray(counts[back], np.int64)


def spore_patch(
    rng: Generator, spores: Spores, which: int, look: SporeLook, um_per_px: float
) -> tuple[Patch, Floats, Floats, Floats]:
    """Cover of one spore, how far out each pixel lies (0 centre, 1 outline), and the pixels' own axes.

    The outline lies between an ellipse and a pointed lens (what two discs share), both of the same axes.
    """
    half_length = spores.length_um[which] / um_per_px / 2
    half_width = spores.width_um[which] / um_per_px / 2
    x, y = spores.x_px[which], spores.y_px[which]
    side = int(np.ceil(half_length * 1.1)) + 3
    left, top = round(x) - side, round(y) - side
    grid = np.arange(2 * side + 1, dtype=np.float32)
    dx, dy = (grid + np.float32(left - x))[None, :], (grid + np.float32(top - y))[:, None]
    cos, sin = np.float32(np.cos(spores.angle[which])), np.float32(np.sin(spores.angle[which]))
    u, v = dx * cos + dy * sin, dy * cos - dx * sin
    disc = (half_length**2 + half_width**2) / (2 * half_width)
    lens = 1 - (disc - np.hypot(u, np.abs(v) + np.float32(disc - half_width))) / np.float32(half_width)
    out = np.hypot(u / np.float32(half_length), v / np.float32(half_width))
    out += np.float32(look.pointed) * (lens - out)
    if look.jitter > 0:
        around = np.arctan2(v, u)
        wobble = np.zeros_like(out)
        for waves in (3, 4, 5):
            wobble += np.float32(rng.normal(0, look.jitter / 2)) * np.cos(
                waves * around + np.float32(rng.uniform(0, 2 * np.pi))
            )
        out /= 1 + wobble
    down, right = np.gradient(out)
    cover = np.clip(0.5 + (1 - out) / np.maximum(np.hypot(down, right), 1e-3), 0, 1)
    return (
        Patch(top, left, cover.astype(np.float32)),
        out.astype(np.float32),
        (u / half_length).astype(np.float32),
        (v / half_width).astype(np.float32),
    )


def paint_spore(
    rng: Generator, canvas: Canvas, plan: Plan, spores: Spores, which: int, focus_um: float, lit: float
) -> float:
    """Paint one spore; give back the pixels that its whole outline holds.

    `focus_um` is the signed defocus at its place: from one side rims look darker, from the other brighter.
    `lit` shades one flank, for light from aside.
    """
    look = plan.spore
    patch, out, u, v = spore_patch(rng, spores, which, look, plan.um_per_px)
    rim = look.edge + float(np.clip(0.3 * focus_um, -0.5, 0.5))
    darkness = 1 + np.float32(look.gradient) * (0.5 - out**2)
    darkness += np.float32(rim) * np.exp(-(((out - 0.92) / np.float32(look.edge_width)) ** 2))
    darkness -= np.float32(look.spot) * np.exp(-((out / 0.35) ** 2))
    if lit:
        turn = spores.angle[which]
        darkness *= 1 + np.float32(lit) * np.clip(u * np.cos(turn) - v * np.sin(turn), -1, 1)
    ink = -np.log10(np.asarray(SPORE_INKS[look.ink], np.float32))
    ink *= np.float32(spores.density[which] / ink.mean())
    ink *= np.exp(rng.normal(0, 0.04, 3)).astype(np.float32)
    colour = np.power(np.float32(10), -np.maximum(darkness, 0.05)[..., None] * ink)
    canvas.paste(patch, colour, "spore", owner=which, opacity=look.opacity)
    return float((patch.cover > 0.5).sum())
