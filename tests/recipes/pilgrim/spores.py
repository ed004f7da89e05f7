"""Spores: how a print's population looks, where its members lie, and how one of them is drawn."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from tests.recipes.pilgrim.palette import SPORE, Floats, Pigment, Rng, varied
from tests.recipes.pilgrim.scene import Scene


class Spore(NamedTuple):
    """One spore as it lies."""

    x_px: float
    y_px: float
    length_um: float
    width_um: float
    angle_deg: float
    density: float
    pointed: float
    bend: float
    pigment: Pigment


class Strain(NamedTuple):
    """What the spores of one print have in common."""

    hue: str
    length_um: float
    spread: float
    aspect: float
    density: float
    pointed: float
    rim: float


def draw_strain(rng: Rng) -> Strain:
    """Draw the strain of a print."""
    hue = str(rng.choice(list(SPORE), p=[0.4, 0.28, 0.12, 0.1, 0.1]))
    dark = {"straw": (0.1, 0.24), "chocolate": (0.35, 0.62)}.get(hue, (0.16, 0.48))
    return Strain(
        hue=hue,
        length_um=float(rng.uniform(10.2, 15.0)),
        spread=float(rng.uniform(0.04, 0.09)),
        aspect=float(rng.uniform(1.42, 1.66)),
        density=float(rng.uniform(*dark)),
        pointed=float(rng.uniform(0.55, 0.8)),
        rim=float(rng.choice([-1, 1], p=[0.3, 0.7]) * rng.uniform(0.25, 0.75)),
    )


def draw_spore(strain: Strain, x_px: float, y_px: float, rng: Rng) -> Spore:
    """Draw an individual of a strain at a place."""
    length = float(np.clip(strain.length_um * np.exp(rng.normal(0, strain.spread)), 9.0, 17.0))
    aspect = float(np.clip(strain.aspect + rng.normal(0, 0.06), 1.3, 1.8))
    pale = rng.uniform(0.4, 0.75) if rng.random() < 0.06 else 1.0
    return Spore(
        x_px,
        y_px,
        length,
        length / aspect,
        float(rng.uniform(0, 180) % 180),
        float(np.clip(strain.density * pale * np.exp(rng.normal(0, 0.13)), 0.07, 0.72)),
        float(np.clip(strain.pointed + rng.normal(0, 0.04), 0.5, 0.88)),
        float(rng.normal(0, 0.02)),
        varied(SPORE[strain.hue], rng, 0.05),
    )


def reach_um(spore: Spore, towards_deg: float) -> float:
    """Tell how far its outline goes from the middle, as that of an ellipse."""
    turn = np.radians(towards_deg - spore.angle_deg)
    return float(0.5 / np.hypot(np.cos(turn) / spore.length_um, np.sin(turn) / spore.width_um))


def grow_clump(
    strain: Strain, size: int, x_px: float, y_px: float, um_per_px: float, rng: Rng
) -> list[Spore]:
    """Let spores stick one after the other to a clump; some lie over others."""
    members = [draw_spore(strain, x_px, y_px, rng)]
    pressed = rng.uniform(0.78, 1.0)
    while len(members) < size:
        # a loose clump grows from its newest, a dense one from anywhere
        host = members[int(rng.integers(max(0, len(members) - 6), len(members)))]
        new = draw_spore(strain, 0.0, 0.0, rng)
        away = float(rng.uniform(0, 360))
        apart = (reach_um(host, away) + reach_um(new, away)) * min(pressed + rng.normal(0, 0.1), 1.1)
        x = host.x_px + apart * np.cos(np.radians(away)) / um_per_px
        y = host.y_px + apart * np.sin(np.radians(away)) / um_per_px
        near = 0.42 * new.length_um / um_per_px
        # it settles beside the others, and on top of them only now and then
        if rng.random() > 0.12 and any(np.hypot(m.x_px - x, m.y_px - y) < near * 1.35 for m in members[-14:]):
            continue
        members.append(new._replace(x_px=float(x), y_px=float(y)))
    return members


def scatter(scene: Scene, strain: Strain, count: int, clumping: float, rng: Rng) -> list[Spore]:
    """Lay out a print's spores: single ones, pairs and clumps."""
    spores: list[Spore] = []
    while len(spores) < count:
        size = 1
        if rng.random() < clumping:
            size = int(
                np.clip(rng.geometric(0.5) + 1 if rng.random() < 0.6 else rng.pareto(0.9) * 4 + 3, 2, 60)
            )
        x, y = scene.somewhere(rng, 6.0)
        spores += grow_clump(strain, min(size, count - len(spores)), x, y, scene.um_per_px, rng)
    return spores


def clump_sizes(spores: list[Spore], um_per_px: float) -> NDArray[np.int64]:
    """Count the touching group of each spore."""
    if not spores:
        return np.zeros(0, np.int64)
    at = np.array([(s.x_px, s.y_px) for s in spores]) * um_per_px
    near = cKDTree(at).query_pairs(18.0, output_type="ndarray")
    size = np.array([(s.length_um, s.width_um, np.radians(s.angle_deg)) for s in spores])
    way = at[near[:, 1]] - at[near[:, 0]]
    towards = np.arctan2(way[:, 1], way[:, 0])
    both = np.zeros(len(near))
    for end in (0, 1):
        length, width, angle = size[near[:, end]].T
        both += 0.5 / np.hypot(np.cos(towards - angle) / length, np.sin(towards - angle) / width)
    touch = near[np.hypot(way[:, 0], way[:, 1]) < both + 0.3]
    links = coo_matrix((np.ones(len(touch)), (touch[:, 0], touch[:, 1])), shape=(len(spores), len(spores)))
    group = connected_components(links, directed=False)[1]
    return np.asarray(np.bincount(group)[group], np.int64)


def lay_spore(scene: Scene, spore: Spore, number: int, rim: float, rng: Rng) -> float:
    """Draw one spore by sampling its lemon in and between the pixels; return its whole area in px."""
    um = scene.um_per_px
    fine = max(2, int(np.ceil(um / 0.35)))
    half = int(0.55 * spore.length_um / um) + 2
    x0, y0 = round(spore.x_px) - half, round(spore.y_px) - half
    step = ((np.arange((2 * half + 1) * fine) + 0.5) / fine - 0.5).astype(np.float32)
    dx = (step + np.float32(x0 - spore.x_px)) * np.float32(um)
    dy = ((step + np.float32(y0 - spore.y_px)) * np.float32(um))[:, None]
    c, s = np.float32(np.cos(np.radians(spore.angle_deg))), np.float32(np.sin(np.radians(spore.angle_deg)))
    along = (c * dx + s * dy) * np.float32(2 / spore.length_um)
    across = (c * dy - s * dx) * np.float32(2 / spore.width_um)
    across = across - np.float32(spore.bend) * (5 * along * along - 1)
    full = 1 - np.abs(along) ** 2.1 - np.abs(across) ** np.float32(1 / spore.pointed)
    inside = full > 0
    depth = np.maximum(full, 0)
    wall = np.exp(-((depth / 0.28) ** 2))  # the wall is seen edge-on at the rim
    density = 1 - 0.55 * rim + rim * wall if rim > 0 else 1 + 0.35 * rim - rim * depth
    spot = rng.uniform(-0.35, 0.35, 2)
    density += rng.uniform(-0.15, 0.25) * np.exp(-((along - spot[0]) ** 2 + (across - spot[1]) ** 2) / 0.06)
    density = inside * density
    density *= np.float32(spore.density / max(float(density[inside].mean()), 1e-3))

    def pixels(image: Floats) -> Floats:
        n = 2 * half + 1
        return np.asarray(image.reshape(n, fine, n, fine).mean(axis=(1, 3)), np.float32)

    cover = pixels(inside.astype(np.float32))
    rows, cols = scene.shape
    top, left = max(0, -y0), max(0, -x0)
    bottom, right = min(cover.shape[0], rows - y0), min(cover.shape[1], cols - x0)
    area = float((cover >= 0.5).sum())
    if top < bottom and left < right:
        part = (slice(top, bottom), slice(left, right))
        box = (slice(y0 + top, y0 + bottom), slice(x0 + left, x0 + right))
        height = pixels(depth) * np.float32(0.55 * spore.width_um)
        body = Pigment(spore.pigment.absorb, spore.pigment.body * np.float32(1.25 - 0.8 * spore.density))
        scene.press(
            box, cover[part], pixels(density)[part], height[part], body, "spore", scatter=0.6, owner=number
        )
    return area
