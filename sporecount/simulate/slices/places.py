"""Where things lie: spores single and in clumps, scales side by side, the rest anywhere."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from sporecount.simulate.slices.conditions import Conditions
from sporecount.simulate.slices.stack import Grid

Rng = np.random.Generator


@dataclass(frozen=True)
class Seats:
    """Places of n spores: x, y, z (n, 3) and length, width (n, 2) in µm, direction (n,) in radians."""

    xyz_um: NDArray[np.float64]
    size_um: NDArray[np.float64]
    turn: NDArray[np.float64]


def anywhere(rng: Rng, grid: Grid, per_mm2: float, around_um: float = 0.0) -> NDArray[np.float64]:
    """Independent places (n, 2), also up to `around_um` outside of the grid."""
    w, h = (side + 2 * around_um for side in grid.size_um)
    number = rng.poisson(per_mm2 * w * h / 1e6)
    return rng.uniform(0, 1, (number, 2)) * [w, h] - around_um


def _sizes(rng: Rng, here: Conditions, n: int) -> NDArray[np.float64]:
    stock = here.stock
    length = np.clip(stock.length_um * np.exp(rng.normal(0, stock.spread, n)), 8.0, 16.0)
    ratio = np.clip(stock.ratio * np.exp(rng.normal(0, 0.035, n)), 1.3, 1.8)
    return np.stack([length, length / ratio], axis=1)


def reach_towards(
    size_um: NDArray[np.float64], turn: NDArray[np.float64], way: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Half extent (support) of ellipses in directions `way`, same number of each."""
    c, s = np.cos(way - turn), np.sin(way - turn)
    return np.hypot(size_um[:, 0] / 2 * c, size_um[:, 1] / 2 * s)


def _clump(
    rng: Rng, size: NDArray[np.float64], turn: NDArray[np.float64], tight: float
) -> NDArray[np.float64]:
    """Offsets of a clump's spores: each is set against one that lies already."""
    at = np.zeros((len(size), 2))
    for i in range(1, len(size)):
        best = np.inf
        for _ in range(6):
            j = int(rng.integers(i))
            way = rng.uniform(0, 2 * np.pi)
            gap = reach_towards(size[[i, j]], turn[[i, j]], np.array([way, way])).sum() * rng.uniform(
                tight, 1.05
            )
            tried = at[j] + gap * np.array([np.cos(way), np.sin(way)])
            others = np.delete(at[:i], j, axis=0)
            near = np.hypot(*(others - tried).T).min() if len(others) else np.inf
            # Of several tries the roomiest, or the first that overlaps no more than the clump's habit.
            cost = max(0.0, tight * size[i, 1] - near)
            if cost < best:
                best, at[i] = cost, tried
            if cost == 0:
                break
    return at - at.mean(axis=0)


def spore_seats(rng: Rng, grid: Grid, here: Conditions) -> Seats:
    """Draw where the spores lie: single and in clumps, denser on one side of the view."""
    w, h = grid.size_um
    crowd = 3.0 if here.objective >= 35 else 1.6 if here.objective >= 18 else 1.0
    n = int(rng.poisson(here.spores_per_mm2 * crowd * w * h / 1e6))
    if here.spores_per_mm2 and here.objective >= 18:
        n = max(n, int(rng.integers(1, 5)))
    size, turn = _sizes(rng, here, n), rng.uniform(0, np.pi, n)
    xyz = np.zeros((n, 3))
    # Density of a print changes over it: a smooth slope in a direction drawn at random.
    slope = rng.normal(0, 0.7, 2)
    k = 0
    while k < n:
        group = 1
        if rng.random() < here.clumped:
            group = int(min(2 + rng.geometric(0.38 if here.preset != "heavy" else 0.2) - 1, n - k, 40))
        part = slice(k, k + group)
        place = rng.uniform(0, 1, 2)
        while rng.random() > np.exp(np.clip((place - 0.5) @ slope - 0.7, -4, 0)):
            place = rng.uniform(0, 1, 2)
        if group > 1 and rng.random() < 0.4:
            # Spores in a row lie alike.
            turn[part] = (turn[k] + rng.normal(0, 0.25, group)) % np.pi
        xyz[part, :2] = place * [w, h] + _clump(rng, size[part], turn[part], float(rng.uniform(0.72, 1.0)))
        xyz[part, 2] = rng.normal(0, 1.2) + rng.normal(0, 0.7, group)
        k += group
    return Seats(xyz, size, turn)


def touching(seats: Seats) -> NDArray[np.int64]:
    """Size of each spore's touching group."""
    n = len(seats.turn)
    if n == 0:
        return np.zeros(0, np.int64)
    xy = seats.xyz_um[:, :2]
    i, j = cKDTree(xy).query_pairs(float(seats.size_um[:, 0].max()) * 1.05, output_type="ndarray").T
    way = np.arctan2(*(xy[j] - xy[i]).T[::-1])
    both = reach_towards(seats.size_um[i], seats.turn[i], way) + reach_towards(
        seats.size_um[j], seats.turn[j], way
    )
    near = np.hypot(*(xy[j] - xy[i]).T) <= both * 1.03
    graph = coo_matrix((np.ones(near.sum()), (i[near], j[near])), (n, n))
    _, label = connected_components(graph, directed=False)
    return np.bincount(label)[label]
