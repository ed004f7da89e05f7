"""The spores: how one print's spores look, where they lie and how one is laid on the sheet."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from sporecount.simulate.phases.sheet import Array, Sheet, cover, lay, tint_of, window
from sporecount.simulate.phases.style import Style

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class SporeLook:
    """What the spores of one print have in common.

    `taper` is 0.5 for an ellipse and 1 for a lens of two arcs; `rim` (the wall on edge) and `hollow` (the paler
    middle) are shares of the density `strength`; `index` is the refractive index over that of the glue.
    """

    length_um: float
    aspect: float
    spread: float
    taper: float
    strength: float
    rim: float
    rim_um: float
    hollow: float
    flatness: float
    index: float
    tint: Array


@dataclass(frozen=True)
class Spores:
    """Places in pixels of the sheet, sizes and each one's own darkness."""

    x: Floats
    y: Floats
    length_um: Floats
    width_um: Floats
    angle: Floats
    darkness: Floats


def draw_look(rng: Generator, style: Style) -> SporeLook:
    """Draw a print's spores: amber to dark brown, or now and then pale or grey."""
    brown = rng.uniform(0, 1)
    tint = tint_of(0.42 + 0.28 * brown, 1.0, rng.uniform(1.8, 2.6) - 0.5 * brown)
    strength = rng.uniform(0.22, 0.42) + 0.3 * brown
    rim = rng.uniform(0.3, 1.3)
    if style.unusual == "pale spores":
        strength, rim = rng.uniform(0.07, 0.16), rng.uniform(1.0, 2.5)
    elif style.unusual == "grey spores":
        tint = tint_of(0.95, 1.0, rng.uniform(1.0, 1.2))
        strength = rng.uniform(0.15, 0.4)
    length, aspect, spread, taper = rng.uniform((9.3, 1.38, 0.03, 0.6), (15.6, 1.7, 0.08, 0.9)).tolist()
    rim_um, hollow, flatness, index = rng.uniform((0.45, 0, 0.15, 0.015), (1.1, 0.6, 0.6, 0.07)).tolist()
    return SporeLook(length, aspect, spread, taper, strength, rim, rim_um, hollow, flatness, index, tint)


def place_spores(rng: Generator, look: SporeLook, style: Style, sheet: Sheet, edge_px: float) -> Spores:
    """Strew spores over the view, some alone and some side by side or in piles; `edge_px` lies around the view."""
    n = style.spores
    rows, cols = sheet.kinds.shape
    length = np.clip(look.length_um * (1 + look.spread * rng.normal(size=n)), 8.5, 17.0)
    aspect = np.clip(look.aspect * (1 + 0.05 * rng.normal(size=n)), 1.3, 1.8)
    x = rng.uniform(edge_px, cols - 1 - edge_px, n)
    y = rng.uniform(edge_px, rows - 1 - edge_px, n)
    angle = rng.uniform(0, np.pi, n)
    tight = rng.uniform(0.62, 0.95)
    grouped, k = round(style.huddle * n), 1
    while k < grouped:
        first, members = k - 1, 1 + int(rng.geometric(1 / style.group))
        heading = rng.uniform(0, np.pi)
        for j in range(k, min(k + members, grouped)):
            # Each next one leans on one that is there, so groups grow like those washed together.
            host = int(rng.integers(first, j))
            way, gap = rng.uniform(0, 2 * np.pi), length[j] * tight * rng.uniform(0.85, 1.1) / sheet.px_um
            x[j], y[j] = x[host] + gap * np.cos(way), y[host] + gap * np.sin(way)
            angle[j] = (heading + rng.normal(0, 0.6)) % np.pi
        k += members + 1
    # What would lie outside the view is mirrored into it; clipped, it would line the frame.
    wide, high = cols - 1 - 2 * edge_px, rows - 1 - 2 * edge_px
    x = edge_px + wide - np.abs((x - edge_px) % (2 * wide) - wide)
    y = edge_px + high - np.abs((y - edge_px) % (2 * high) - high)
    darkness = np.exp(rng.normal(0, 0.14, n))
    # Otherwise those beneath the scales would all come from the groups.
    mixed = rng.permutation(n)
    return Spores(
        x[mixed], y[mixed], length[mixed], (length / aspect)[mixed], angle[mixed] % np.pi, darkness[mixed]
    )


def outline(
    look: SporeLook, u: Array, v: Array, half_length: float, half_width: float
) -> tuple[Array, Array]:
    """Signed distance to a spore's outline (negative inside) and the half width there, in um."""
    t = np.clip(np.abs(u) / half_length, 0, 1)
    inner = np.maximum(1 - t * t, 1e-4)
    half = half_width * inner**look.taper
    slope = half_width * look.taper * inner ** (look.taper - 1) * 2 * t / half_length
    beside = (np.abs(v) - half) / np.sqrt(1 + np.minimum(slope, 3) ** 2)
    beyond = np.hypot(np.abs(u) - half_length, v)
    return np.where(np.abs(u) > half_length, beyond, beside).astype(np.float32), half.astype(np.float32)


def lay_spore(sheet: Sheet, look: SporeLook, spores: Spores, k: int) -> None:
    """Lay spore `k` on the sheet."""
    a, b = float(spores.length_um[k]) / 2, float(spores.width_um[k]) / 2
    cut = window(sheet, float(spores.x[k]), float(spores.y[k]), a, float(spores.angle[k]))
    if cut is None:
        return
    box, u, v = cut
    distance, half = outline(look, u, v, a, b)
    share = cover(distance, sheet.px_um)
    thick = np.sqrt(np.clip(half**2 - v**2, 0, None))
    body = (thick / b) ** look.flatness
    middle = np.exp(-2.2 * ((u / a) ** 2 + (v / b) ** 2))
    wall = np.exp(-((distance / look.rim_um) ** 2))
    amount = look.strength * float(spores.darkness[k]) * (body * (1 - look.hollow * middle) + look.rim * wall)
    path = 2 * look.index * thick
    lay(sheet, box, share, "spore", amount.astype(np.float32), look.tint, path, 0.16, number=k)


def touching(spores: Spores, px_um: float) -> NDArray[np.int64]:
    """Count the spores in each one's touching group."""
    n = len(spores.x)
    where = np.column_stack([spores.x, spores.y]) * px_um
    pairs = cKDTree(where).query_pairs(float(spores.length_um.max()), output_type="ndarray")
    i, j = pairs[:, 0], pairs[:, 1]
    way = np.arctan2(where[j, 1] - where[i, 1], where[j, 0] - where[i, 0])

    def reach(k: NDArray[np.intp]) -> Floats:
        turn = way - spores.angle[k]
        a, b = spores.length_um[k] / 2, spores.width_um[k] / 2
        return np.asarray(a * b / np.hypot(b * np.cos(turn), a * np.sin(turn)), np.float64)

    near = np.hypot(*(where[j] - where[i]).T) < reach(i) + reach(j)
    graph = coo_array((np.ones(near.sum()), (i[near], j[near])), shape=(n, n))
    _, group = connected_components(graph, directed=False)
    return np.bincount(group)[group].astype(np.int64)
