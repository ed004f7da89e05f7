"""Where spores lie: alone, in touching groups and in piles."""

from __future__ import annotations

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from sporecount.simulate.chords.solids import Array


def reach(length: Array, width: Array, angle_deg: Array, towards_rad: Array) -> Array:
    """Radius of ellipses in a direction."""
    t = towards_rad - np.radians(angle_deg)
    return 0.5 * length * width / np.hypot(width * np.cos(t), length * np.sin(t))


def seat(
    rng: np.random.Generator, length: Array, width: Array, view_um: Array, alone: float, mean: float
) -> tuple[Array, Array]:
    """Places in µm (n, 2) and angles of spores; `alone` is the share of single ones, `mean` the size of groups."""
    n, k = len(length), 0
    xy, angle = np.zeros((n, 2)), rng.uniform(0, 180, n)
    press, spread = rng.uniform(0.65, 1.0), int(rng.integers(1, 7))
    while k < n:
        group = 1 if rng.random() < alone else min(1 + int(rng.geometric(1 / mean)), n - k)
        xy[k] = rng.uniform(-4, 4, 2) + rng.random(2) * view_um
        for j in range(k + 1, k + group):
            near = rng.integers(k, j, spread)
            way = rng.uniform(0, 2 * np.pi, spread)
            both = reach(length[near], width[near], angle[near], way) + reach(
                length[j], width[j], angle[j], way
            )
            tries = xy[near] + (both * rng.uniform(press, 1.02))[:, None] * np.stack(
                [np.cos(way), np.sin(way)], 1
            )
            # More tries make flatter groups, as the freest place is taken; one try makes piles.
            room = np.linalg.norm(tries[:, None] - xy[None, k:j], axis=2).min(axis=1)
            xy[j] = tries[np.argmax(room)]
        k += group
    return xy, angle


def touching(xy_um: Array, length: Array, width: Array, angle_deg: Array) -> Array:
    """Count the spores in the touching group of each."""
    n = len(xy_um)
    pairs = (
        cKDTree(xy_um).query_pairs(float(length.max()), output_type="ndarray") if n else np.zeros((0, 2), int)
    )
    i, j = pairs.T
    dx, dy = (xy_um[j] - xy_um[i]).T
    both = sum(reach(length[k], width[k], angle_deg[k], np.arctan2(dy, dx)) for k in (i, j))
    i, j = i[np.hypot(dx, dy) <= both], j[np.hypot(dx, dy) <= both]
    label = connected_components(coo_matrix((np.ones(len(i)), (i, j)), shape=(n, n)), directed=False)[1]
    return np.bincount(label, minlength=1)[label]
