"""Spores: point processes that place them, and their painting by radial density."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from tests.recipes.ranger.canvas import Canvas
from tests.recipes.ranger.radial import Outline, from_half_width
from tests.recipes.ranger.scales import Scale
from tests.recipes.ranger.world import PROFILE_TO, World

LENGTH_UM = (9.0, 17.0)
ASPECT = (1.3, 1.8)
TOUCH_UM = 0.3
"""Gap up to which two outlines count as touching."""


@dataclass
class Spore:
    """One spore of the scene, in pixels and µm; `painted_px` is set by `paint`."""

    outline: Outline
    x_px: float
    y_px: float
    length_um: float
    width_um: float
    angle_rad: float
    density: float
    painted_px: float = field(default=0.0)


def _individual(rng: np.random.Generator, world: World) -> Spore:
    """Draw one spore, not placed yet."""
    common = world.spore
    length = float(np.clip(common.length_um * rng.lognormal(0, common.spread), *LENGTH_UM))
    aspect = float(np.clip(common.aspect * rng.lognormal(0, 0.05), *ASPECT))
    outline = from_half_width(
        length / 2, length / aspect / 2, common.flat, common.point, rng.normal(0, 0.015), rng
    )
    density = float(np.clip(common.density * rng.lognormal(0, common.density_spread), 0.06, 0.8))
    return Spore(outline, 0.0, 0.0, length, length / aspect, float(rng.uniform(0, np.pi)), density)


def _clump_size(rng: np.random.Generator, world: World, left: int) -> int:
    """Clumps of 2 to 60: most small, some large."""
    most = 60 if world.preset == "heavy" else 9
    return min(
        left, int(np.clip(np.exp(rng.exponential(1.0 if world.preset == "heavy" else 0.6)) * 2, 2, most))
    )


def _grow(rng: np.random.Generator, world: World, members: list[Spore]) -> None:
    """Place the members of a clump: each touches an earlier one, away from the others if it can."""
    depth = rng.uniform(0.78, 1.02)
    for k, new in enumerate(members[1:], start=1):
        for attempt in range(6):
            host = members[int(rng.integers(0, k))]
            way = rng.uniform(0, 2 * np.pi)
            apart = float(
                host.outline.radius_towards(np.array(way - host.angle_rad))
                + new.outline.radius_towards(np.array(way + np.pi - new.angle_rad))
            )
            reach = apart * (depth + rng.normal(0, 0.05)) / world.um_per_px
            new.x_px, new.y_px = host.x_px + reach * np.cos(way), host.y_px + reach * np.sin(way)
            gaps = [np.hypot(m.x_px - new.x_px, m.y_px - new.y_px) for m in members[:k]]
            if min(gaps) * world.um_per_px > 0.9 * new.width_um or attempt == 5:
                break


def place(rng: np.random.Generator, world: World, scales: list[Scale]) -> list[Spore]:
    """Draw and place all spores of the photo.

    Clumps grow around parents (Neyman-Scott); single ones keep apart by a soft core (Strauss-like); some photos
    hold a row along the edge of a scale.
    """
    placed: list[Spore] = []
    soft = rng.uniform(0, 1)
    heart = rng.uniform(0.2, 0.8, 2)
    gathered = rng.uniform(0, 0.6)

    def somewhere() -> tuple[float, float]:
        share = rng.uniform(0.005, 0.995, 2)
        if rng.random() < gathered:
            share = np.clip(heart + rng.normal(0, 0.25, 2), 0.01, 0.99)
        return float(share[0] * (world.width_px - 1)), float(share[1] * (world.height_px - 1))

    if world.preset == "heavy":
        first = [_individual(rng, world) for _ in range(min(7, world.count))]
        first[0].x_px, first[0].y_px = rng.uniform(0.3, 0.7, 2) * (world.width_px, world.height_px)
        _grow(rng, world, first)
        placed += first
    if scales and rng.random() < 0.35:
        scale = scales[int(rng.integers(len(scales)))]
        for theta in rng.uniform(0, 1.5) + np.cumsum(
            rng.uniform(0.05, 0.4, min(6, world.count - len(placed)))
        ):
            one = _individual(rng, world)
            reach = (
                float(scale.outline.radius_towards(np.array(theta))) * rng.uniform(0.9, 1.1) / world.um_per_px
            )
            one.x_px = scale.x_px + reach * np.cos(theta + scale.angle_rad)
            one.y_px = scale.y_px + reach * np.sin(theta + scale.angle_rad)
            placed.append(one)
    while len(placed) < world.count:
        if rng.random() < world.clumping * 0.5 and world.count - len(placed) >= 2:
            members = [
                _individual(rng, world) for _ in range(_clump_size(rng, world, world.count - len(placed)))
            ]
            members[0].x_px, members[0].y_px = somewhere()
            _grow(rng, world, members)
            placed += members
            continue
        one = _individual(rng, world)
        for _ in range(4):
            one.x_px, one.y_px = somewhere()
            near = [np.hypot(p.x_px - one.x_px, p.y_px - one.y_px) for p in placed[-400:]]
            if not near or min(near) * world.um_per_px > 1.3 * one.length_um or rng.random() > soft:
                break
        placed.append(one)
    # A print is nearly one layer: most of those that would lie right upon another one lie elsewhere.
    for _ in range(3):
        centre = np.array([(s.x_px, s.y_px) for s in placed]).reshape(-1, 2)
        upon = cKDTree(centre).query_pairs(0.6 * world.spore.length_um / world.um_per_px) if placed else set()
        for k in sorted({max(pair) for pair in upon}):
            if rng.random() < 0.75 and not (world.preset == "heavy" and k < 7):
                placed[k].x_px, placed[k].y_px = somewhere()
    return placed


def paint(rng: np.random.Generator, canvas: Canvas, world: World, spore: Spore, number: int) -> None:
    """Paint a spore: pigment by radius within its outline, fringe of defocus outside, a gleam under top light."""
    common = world.spore
    patch = canvas.patch(spore.outline, spore.x_px, spore.y_px, spore.angle_rad, margin=PROFILE_TO)
    if patch is None:
        return
    place_in = np.minimum(patch.rho, PROFILE_TO) * np.float32((common.profile.size - 1) / PROFILE_TO)
    curve = common.profile[place_in.astype(np.int32)]
    shading = rng.normal(0, 0.06, 2).astype(np.float32) / np.float32(spore.length_um / 2)
    mix = np.float32(rng.uniform(0.6, 1.0))
    inside = (1 + mix * (curve - 1)) * (1 + shading[0] * patch.u_um + shading[1] * patch.v_um)
    fringe = -np.float32(common.halo) * np.exp(-(((patch.rho - 1.15) / 0.12) ** 2))
    gleam = np.float32(common.glint * canvas.top_share) * np.exp(-((patch.rho / 0.3) ** 2))
    amount = np.float32(spore.density) * (patch.cover * (inside - gleam) + (1 - patch.cover) * fringe)
    box = (patch.rows, patch.cols)
    canvas.lay(box, patch.cover, amount, common.pigment, 0.0, "spore")
    painted = canvas.own(box, patch.cover, number)
    spore.painted_px = painted if patch.whole else max(painted, spore.outline.area_um2 / world.um_per_px**2)


def groups(spores: list[Spore], um_per_px: float) -> NDArray[np.int64]:
    """Size of each spore's touching group, from their outlines along the line between their centres."""
    if len(spores) < 2:
        return np.ones(len(spores), np.int64)
    centre = np.array([(s.x_px, s.y_px) for s in spores]) * um_per_px
    pairs = cKDTree(centre).query_pairs(max(s.length_um for s in spores) + TOUCH_UM, output_type="ndarray")
    kept = []
    for i, j in pairs:
        dx, dy = centre[j] - centre[i]
        way = np.arctan2(dy, dx)
        reach = spores[i].outline.radius_towards(np.array(way - spores[i].angle_rad))
        reach = reach + spores[j].outline.radius_towards(np.array(way + np.pi - spores[j].angle_rad))
        if np.hypot(dx, dy) <= reach + TOUCH_UM:
            kept.append((i, j))
    if not kept:
        return np.ones(len(spores), np.int64)
    i, j = np.array(kept).T
    links = coo_matrix((np.ones(len(i)), (i, j)), shape=(len(spores), len(spores)))
    label = connected_components(links, directed=False)[1]
    return np.asarray(np.bincount(label)[label], np.int64)
