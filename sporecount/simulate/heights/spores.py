"""Spores: how one print's spores look, where they lie, and how each is laid."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from sporecount.simulate.heights.plan import Array, Plan
from sporecount.simulate.heights.stage import Body, Stage

Numbers = NDArray[np.float64]


class SporeLook(NamedTuple):
    """What the spores of one print have in common.

    `tips` are the exponents of the outline (full sides, sharp ends); `core`, `rim`, `dot` are optical densities of
    body, wall and an inner spot; `pale` is how far the middle is cleared; `tint` is density over that of green.
    """

    length_um: float
    spread: float
    aspect: float
    tips: tuple[float, float]
    core: float
    rim: float
    pale: float
    wall_um: float
    dot: float
    tint: tuple[float, float, float]
    bend: float
    solid: float
    gloss: float


def half_width(look: SporeLook, t: Array) -> Array:
    """Half the width along the axis; `t` is -1 and 1 at the ends, the widest place counts as 1."""
    full, sharp = look.tips
    return np.asarray(np.clip(1 - np.abs(t) ** full, 0, None) ** sharp, np.float32)


def area_share(look: SporeLook) -> float:
    """Area of the outline over length times width."""
    return float(half_width(look, np.linspace(-1, 1, 401, dtype=np.float32)).mean())


def draw_look(rng: np.random.Generator, plan: Plan) -> SporeLook:
    """Draw the look of one print's spores: absorbing, refractile, in between, or pale."""
    sort = str(rng.choice(["absorbing", "refractile", "both", "pale"], p=[0.32, 0.28, 0.28, 0.12]))
    core, rim, bend = {
        "absorbing": (rng.uniform(0.16, 0.5), rng.uniform(0.05, 0.35), rng.uniform(0, 0.03)),
        "refractile": (rng.uniform(0.05, 0.16), rng.uniform(0.08, 0.3), rng.uniform(0.06, 0.13)),
        "both": (rng.uniform(0.1, 0.35), rng.uniform(0.1, 0.45), rng.uniform(0.03, 0.09)),
        "pale": (rng.uniform(0.035, 0.09), rng.uniform(0.06, 0.2), rng.uniform(0.03, 0.09)),
    }[sort]
    # A closed condenser gives darker walls.
    rim *= 1.25 - 0.5 * plan.condenser
    warm = rng.uniform(0.05, 0.3) if sort == "pale" else rng.uniform(0.25, 0.75)
    return SporeLook(
        length_um=float(np.clip(rng.normal(12.3, 1.9), 9.0, 16.0)),
        spread=float(rng.uniform(0.03, 0.08)),
        aspect=float(rng.uniform(1.38, 1.72)),
        tips=(float(rng.uniform(1.7, 2.3)), float(rng.uniform(0.55, 0.85))),
        core=float(core),
        rim=float(rim),
        pale=float(rng.uniform(0, 0.8) if rng.random() < 0.7 else rng.uniform(-0.4, 0)),
        wall_um=float(rng.uniform(0.4, 1.3)),
        dot=float(rng.choice([0, 0, 0, 1, -1]) * rng.uniform(0.03, 0.15)),
        tint=(float(1 - warm * rng.uniform(0.6, 1.1)), 1.0, float(1 + warm * rng.uniform(0.8, 1.6))),
        bend=float(bend),
        solid=float(rng.uniform(0.25, 0.9)),
        gloss=float(rng.uniform(0.1, 1.0)),
    )


class Spores(NamedTuple):
    """Places (fine grid), sizes and strengths, one row a spore; `below` marks those under the scales."""

    x: Numbers
    y: Numbers
    length_um: Numbers
    width_um: Numbers
    angle: Numbers
    strength: Numbers
    z_um: Numbers
    below: NDArray[np.bool_]


def place_spores(
    rng: np.random.Generator,
    look: SporeLook,
    plan: Plan,
    box: tuple[float, float, float, float],
    px_um: float,
    beds: Numbers,
) -> Spores:
    """Scatter spores over a box (x, y, width, height), singly, in touching groups, and about `beds`.

    `beds` are rows of a scale's middle (x, y) and radius, all in fine pixels.
    """
    n = plan.counts["spore"]
    left, top, width, height = box
    xy = rng.uniform(0, 1, (n, 2)) * [width, height] + [left, top]
    near = rng.random(n) < plan.at_scales
    if len(beds) and near.any():
        mine = beds[rng.integers(len(beds), size=int(near.sum()))]
        wanted = mine[:, :2] + rng.normal(0, 0.6, (len(mine), 2)) * mine[:, 2:]
        inside = (np.abs(wanted - [left + width / 2, top + height / 2]) < [width / 2, height / 2]).all(1)
        xy[np.flatnonzero(near)[inside]] = wanted[inside]
    length = np.clip(look.length_um * (1 + look.spread * rng.standard_normal(n)), 8.5, 17.0)
    aspect = np.clip(look.aspect * (1 + 0.035 * rng.standard_normal(n)), 1.3, 1.8)
    angle = rng.uniform(0, np.pi, n)
    below = rng.random(n) < plan.beneath
    mean_um = look.length_um * (1 + 1 / look.aspect) / 2
    # Groups grow: each newcomer settles at the side of one that lies there already.
    group_of, open_groups = np.arange(n), max(1.0, n * rng.uniform(0.04, 0.2))
    starts: list[int] = []
    tight = rng.uniform(0.55, 0.9)
    flat = rng.random() < 0.4
    for k in np.flatnonzero(rng.random(n) < plan.clumped):
        if len(starts) < 2 or (len(starts) < open_groups and rng.random() < 0.3):
            starts.append(int(k))
            continue
        seed = starts[int(rng.integers(len(starts)))]
        members = np.flatnonzero(group_of[:n] == seed)
        host = int(members[int(len(members) * rng.random() ** 1.5)])
        turn = rng.uniform(0, 2 * np.pi)
        gap = mean_um * rng.uniform(tight, 1.05) / px_um
        xy[k] = xy[host] + gap * np.array([np.cos(turn), np.sin(turn)])
        group_of[k], below[k] = seed, below[host]
        if flat:
            angle[k] = angle[host] + rng.normal(0, 0.35)
    return Spores(
        x=xy[:, 0],
        y=xy[:, 1],
        length_um=length,
        width_um=length / aspect,
        angle=angle % np.pi,
        strength=np.exp(rng.normal(0, 0.13, n)),
        z_um=rng.normal(0, 1.5, n),
        below=below,
    )


def touching(spores: Spores, px_um: float) -> NDArray[np.int64]:
    """Size of the touching group of each spore, from the reach of both towards one another."""
    n = len(spores.x)
    if n < 2:
        return np.ones(n, np.int64)
    xy = np.stack([spores.x, spores.y], 1) * px_um
    pairs = cKDTree(xy).query_pairs(float(spores.length_um.max()), output_type="ndarray")
    i, j = pairs[:, 0], pairs[:, 1]
    step = xy[j] - xy[i]
    direction = np.arctan2(step[:, 1], step[:, 0])

    def reach(k: NDArray[np.int64]) -> Numbers:
        off = direction - spores.angle[k]
        a, b = spores.length_um[k] / 2, spores.width_um[k] / 2
        return np.asarray(1 / np.sqrt((np.cos(off) / a) ** 2 + (np.sin(off) / b) ** 2), np.float64)

    close = np.hypot(step[:, 0], step[:, 1]) < reach(i) + reach(j)
    graph = coo_matrix((np.ones(int(close.sum())), (i[close], j[close])), shape=(n, n))
    _, label = connected_components(graph, directed=False)
    return np.asarray(np.bincount(label)[label], np.int64)


def lemon(
    look: SporeLook, u: Array, v: Array, length_um: float, width_um: float, edge_um: float
) -> tuple[Array, Array, Array]:
    """Cover, depth beneath the outline (um) and share of the full thickness of a spore on its own axes.

    `u` and `v` run along and across, in um from the centre; the outline is soft over `edge_um`, a fine pixel.
    """
    t = np.clip(2 * u / length_um, -1.2, 1.2)
    profile = half_width(look, t) * (width_um / 2)
    slope = np.abs(half_width(look, t + 0.02) - half_width(look, t - 0.02)) / 0.04 * (width_um / length_um)
    depth = (profile - np.abs(v)) / np.sqrt(1 + np.minimum(slope, 2.5) ** 2)
    # Beyond the ends there is no outline to be near to.
    depth = np.minimum(depth, (length_um / 2 - np.abs(u)) * 1.2)
    cover = np.clip(depth / edge_um + 0.5, 0, 1)
    share = np.clip(depth / (width_um / 2), 0, 1)
    thick = np.sqrt(share * (2 - share))
    return np.asarray(cover, np.float32), np.asarray(depth, np.float32), np.asarray(thick, np.float32)


def lay_spore(stage: Stage, look: SporeLook, spores: Spores, k: int) -> None:
    """Lay one spore: a wall, a body that absorbs by its thickness, and a height that bends and shades."""
    px = stage.px_um
    length, width = float(spores.length_um[k]), float(spores.width_um[k])
    reach_um = length * 0.56 + (2 * stage.plan.shadow_um if stage.plan.above else 0.5)
    win = stage.window(spores.x[k], spores.y[k], reach_um / px)
    if win is None:
        return
    u, v = stage.axes_um(win, spores.x[k], spores.y[k], spores.angle[k])
    cover, depth, thick = lemon(look, u, v, length, width, px)
    # Thin walls are finer than the grid: keep their whole density, spread over a pixel.
    wall = np.hypot(look.wall_um, 0.6 * px)
    rim = look.rim * look.wall_um / wall * np.exp(-(((depth - 0.7 * wall) / wall) ** 2))
    middle = np.exp(-((u / (0.3 * length)) ** 2) - (v / (0.28 * width)) ** 2)
    density = look.core * (0.35 + 0.65 * thick) * (1 - look.pale * middle) + rim
    density = density + look.dot * np.exp(-((u / 1.6) ** 2) - (v / 0.9) ** 2)
    density = np.clip(density, 0.01, None) * cover * spores.strength[k]
    tinted = np.asarray(density[..., None] * np.array(look.tint, np.float32), np.float32)
    height, z_um = thick * np.float32(0.8 * width), float(spores.z_um[k])
    stage.lay(win, Body(tinted, cover, height, look.solid, look.bend, z_um, look.gloss), "spore", k)
