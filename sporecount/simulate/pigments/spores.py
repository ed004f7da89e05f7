"""Spores of one print: alike in size, tint and inner look, each with its own outline."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from sporecount.simulate.pigments.shapes import SPORE, Points, Sheet, lemon, turned
from sporecount.simulate.pigments.spectrum import Array, density, mix

TINTS: dict[str, tuple[float, dict[str, float]]] = {
    "amber": (0.42, {"melanin": 0.5, "carotene": 0.8, "rust": 0.3}),
    "straw": (0.2, {"melanin": 0.2, "carotene": 0.5, "glue": 0.5, "grey": 0.15}),
    "grey": (0.3, {"grey": 0.9, "melanin": 0.15}),
    "olive": (0.36, {"melanin": 0.6, "carotene": 0.35, "leaf": 0.4, "grey": 0.3}),
    "reddish": (0.45, {"rust": 0.9, "melanin": 0.35}),
    "dark brown": (0.75, {"melanin": 1.0, "rust": 0.25, "grey": 0.15}),
}
"""Of each tint, the usual natural absorbance through the middle and the pigments."""

T = np.linspace(0, 1, 64)


@dataclass(frozen=True)
class SporeLook:
    """What the spores of one print have in common.

    `body` (pigment), `edge_near` and `edge_far` (grey when the lens stands too near or too far, negative where
    light is gathered) run over the relative depth from outline to middle; a negative `spot` is bright.
    """

    tint: str
    pigments: Array
    rim_pigments: Array
    body: NDArray[np.float64]
    edge_near: NDArray[np.float64]
    edge_far: NDArray[np.float64]
    length_um: float
    spread: float
    aspect: float
    point: float
    wall_um: float
    halo: float
    spots: int
    spot: float
    cap: float
    wrinkle: float


def draw_look(rng: np.random.Generator, hard: bool) -> SporeLook:
    """Draw the look of one print's spores; in hard prints they are pale more often."""
    tint = str(rng.choice(list(TINTS), p=(0.27, 0.15, 0.13, 0.15, 0.15, 0.15)))
    dark, parts = TINTS[tint]
    dark *= np.exp(rng.normal(-0.25 if hard else 0, 0.3))
    pigments = mix(**{name: amount * np.exp(rng.normal(0, 0.25)) for name, amount in parts.items()})
    pigments *= dark / density(pigments)
    wall, wide = rng.uniform(0.2, 1.6), rng.uniform(0.12, 0.45)
    middle = rng.choice([-0.6, -0.3, 0.0, 0.3]) * rng.uniform(0.5, 1.1)
    body = 1 + wall * np.exp(-((T / wide) ** 2)) + middle * T ** rng.uniform(1.2, 3)
    body *= rng.uniform(0.85, 1.15) / body.mean()
    strength = rng.uniform(0.08, 0.5)
    glow, ring = rng.uniform(0.2, 0.8, 2)
    line = np.exp(-((T / rng.uniform(0.12, 0.25)) ** 2))
    inner = np.exp(-(((T - rng.uniform(0.25, 0.45)) / 0.14) ** 2))
    core = np.exp(-(((T - 1) / rng.uniform(0.35, 0.6)) ** 2))
    return SporeLook(
        tint=tint,
        pigments=pigments,
        rim_pigments=mix(melanin=0.5, grey=0.3),
        body=np.clip(body, 0.08, None),
        edge_near=strength * (line - 0.5 * glow * core - 0.35 * ring * inner),
        edge_far=strength * (0.35 * line - ring * inner * 0.7 + 0.55 * glow * core),
        length_um=float(rng.uniform(9.2, 15.8)),
        spread=float(rng.uniform(0.03, 0.08)),
        aspect=float(rng.uniform(1.38, 1.7)),
        point=float(rng.uniform(0.58, 0.92)),
        wall_um=float(rng.uniform(0.3, 0.8)),
        halo=float(rng.uniform(0.0, 0.16)),
        spots=int(rng.choice([0, 1, 2], p=(0.4, 0.3, 0.3))),
        spot=float(rng.choice([-1, 1]) * rng.uniform(0.15, 0.55)),
        cap=float(rng.choice([0.0, rng.uniform(0.15, 0.5)])),
        wrinkle=float(rng.choice([0.0, rng.uniform(0.05, 0.25)])),
    )


@dataclass(frozen=True)
class Spores:
    """Where spores lie on the sheet, in its pixels, and their sizes."""

    x: NDArray[np.float64]
    y: NDArray[np.float64]
    angle: NDArray[np.float64]
    length_um: NDArray[np.float64]
    width_um: NDArray[np.float64]


def _reach(spores: Spores, k: NDArray[np.int64], towards: NDArray[np.float64]) -> NDArray[np.float64]:
    a, b = spores.length_um[k] / 2, spores.width_um[k] / 2
    t = towards - spores.angle[k]
    return a * b / np.hypot(b * np.cos(t), a * np.sin(t))


def touching(spores: Spores, px_um: float) -> NDArray[np.int64]:
    """Size of the touching group of each spore."""
    number = len(spores.x)
    if number < 2:
        return np.ones(number, np.int64)
    places = np.stack([spores.x, spores.y], 1) * px_um
    pairs = cKDTree(places).query_pairs(18.0, output_type="ndarray")
    gap = places[pairs[:, 1]] - places[pairs[:, 0]]
    towards = np.arctan2(gap[:, 1], gap[:, 0])
    near = (
        np.hypot(*gap.T) < _reach(spores, pairs[:, 0], towards) + _reach(spores, pairs[:, 1], towards) + 0.3
    )
    pairs = pairs[near]
    links = coo_matrix((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), (number, number))
    group = connected_components(links, directed=False)[1]
    return np.bincount(group)[group]


def place_spores(
    rng: np.random.Generator,
    look: SporeLook,
    number: int,
    clumped: float,
    area: tuple[float, float, float, float],
    px_um: float,
) -> Spores:
    """Scatter spores over an area (first x, first y, width, height); a share `clumped` joins others."""
    length = np.clip(look.length_um * np.exp(rng.normal(0, look.spread, number)), 8.5, 17)
    aspect = np.clip(look.aspect * np.exp(rng.normal(0, 0.045, number)), 1.3, 1.8)
    angle = rng.uniform(0, np.pi, number)
    x = area[0] + rng.uniform(0, 1, number) * area[2]
    y = area[1] + rng.uniform(0, 1, number) * area[3]
    # Growing clumps: each joiner lies beside an earlier spore; few seeds make few large heaps.
    seeds = max(1, int(number * rng.uniform(0.05, 0.6)))
    deepest = int(rng.integers(1, 5))
    for k in np.nonzero(rng.random(number) < clumped)[0].tolist():
        if k == 0:
            continue
        for _ in range(6):
            host = int(rng.integers(min(k, seeds))) if rng.random() < 0.5 else int(rng.integers(k))
            way = rng.uniform(0, 2 * np.pi)
            far = rng.uniform(0.55, 1.05) * (length[k] + length[host]) / 2 / px_um
            x[k], y[k] = x[host] + far * np.cos(way), y[host] + far * np.sin(way)
            crowd = np.hypot(x[:k] - x[k], y[:k] - y[k]) < 0.55 * length[k] / px_um
            if crowd.sum() < deepest:
                break
        if rng.random() < 0.5:
            angle[k] = (angle[host] + rng.normal(0, 0.25)) % np.pi
    # What would lie outside is mirrored in, so that no row of spores forms at the edge.
    x = area[0] + area[2] - np.abs(area[2] - np.abs(x - area[0]))
    y = area[1] + area[3] - np.abs(area[3] - np.abs(y - area[1]))
    return Spores(x, y, angle, length, length / aspect)


def lay_spore(
    rng: np.random.Generator, sheet: Sheet, look: SporeLook, spores: Spores, k: int, far: float
) -> tuple[Points, float] | None:
    """Draw one spore; `far` is 0 for a lens too near and 1 for one too far.

    Returns
    -------
    tuple of (ndarray, float) or None
        The outline relative to its centre in µm, and its area on the sheet in pixels; None off the sheet.
    """
    length, width = float(spores.length_um[k]), float(spores.width_um[k])
    bend = rng.normal(0, 0.05)
    angle = float(spores.angle[k])
    points = turned(lemon(rng, length, width, look.point * rng.uniform(0.93, 1.07), 0.015, bend), angle)
    stencil = sheet.stencil(points, float(spores.x[k]), float(spores.y[k]), 1.0)
    if stencil is None:
        return None
    deep = stencil.deep_um * np.float32(2 / width)
    at = np.minimum(deep * np.float32(63), 63).astype(np.int32)
    amount = look.body.astype(np.float32)[at]
    edge = ((1 - far) * look.edge_near + far * look.edge_far).astype(np.float32)[at]
    edge += np.float32(0.22) * np.exp(-((stencil.deep_um / np.float32(look.wall_um)) ** 2))
    c, s = np.float32(np.cos(angle)), np.float32(np.sin(angle))
    u = (stencil.x_um * c + stencil.y_um * s) * np.float32(2 / length)
    v = (stencil.y_um * c - stencil.x_um * s) * np.float32(2 / length)
    for spot in range(look.spots):
        where = (0.38 if spot else -0.38) if look.spots == 2 else rng.uniform(-0.4, 0.4)
        wide = rng.uniform(0.13, 0.22)
        amount *= 1 + look.spot * np.exp(-((u - np.float32(where)) ** 2 + v**2) / np.float32(wide**2))
    if look.cap:
        side = 1 if rng.random() < 0.5 else -1
        amount *= 1 - np.float32(look.cap) / (1 + np.exp(-(side * u - np.float32(0.72)) * 24))
    if look.wrinkle:
        amount *= 1 + look.wrinkle * np.cos(
            u * rng.uniform(7, 14) + v * rng.uniform(-8, 8) + rng.uniform(0, 6)
        )
    inside = stencil.inside
    halo = np.float32(-look.halo) * np.exp(-((stencil.out_um - np.float32(0.5)) ** 2) / np.float32(0.12))
    amount *= inside * np.float32(np.exp(rng.normal(0, 0.12)))
    stain = inside * np.float32(abs(rng.normal(0, 0.05)))
    parts = (amount, stain, edge * inside + halo * (1 - inside) * (stencil.out_um < 0.95))
    box = stencil.box
    for layer, part in zip(sheet.spore_parts, parts, strict=True):
        layer[box] += stencil.coarse(part)
    mask = stencil.coarse(inside)
    # Seen from above, a spore is bright where its wall stands on edge and where it gathers the lamp.
    shine = stencil.coarse(inside * np.clip(0.34 + 0.5 * edge + 0.12 * amount, 0.1, 0.9))
    sheet.spore_cover[box] = 1 - (1 - sheet.spore_cover[box]) * (1 - shine)
    shown = mask > 0.5
    sheet.owner[box][shown] = k
    sheet.kind[box][shown] = SPORE
    return points, float(mask.sum())


def outline_share(sheet: Sheet, points_um: Points, x: float, y: float, k: int) -> float:
    """Share of a spore's outline, a little inwards, where it lies on top of its neighbours."""
    inner = points_um * 0.86 / sheet.px_um + (x, y)
    cols, rows = np.round(inner).astype(int).T
    good = (cols >= 0) & (rows >= 0) & (cols < sheet.shape[1]) & (rows < sheet.shape[0])
    return float((sheet.owner[rows[good], cols[good]] == k).sum() / len(inner))
