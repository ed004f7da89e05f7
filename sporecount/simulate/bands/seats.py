"""Where spores sit: alone, in loose groups, in heaps."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from sporecount.simulate.bands.spores import SporeLook, Spores

Column = NDArray[np.float64]
_GAP_UM = 0.4


def reach_towards(length: Column, width: Column, angle_deg: Column, towards_rad: Column) -> Column:
    """Give the radius of an ellipse with those axes in a direction."""
    t = towards_rad - np.radians(angle_deg)
    a, b = length / 2, width / 2
    return a * b / np.hypot(b * np.cos(t), a * np.sin(t))


def touching_groups(
    x_um: Column, y_um: Column, length: Column, width: Column, angle: Column
) -> NDArray[np.int64]:
    """Give for each spore the number of spores in its touching group."""
    n = len(x_um)
    if n < 2:
        return np.ones(n, np.int64)
    pairs = cKDTree(np.stack([x_um, y_um], axis=1)).query_pairs(
        float(length.max()) + _GAP_UM, output_type="ndarray"
    )
    i, j = pairs[:, 0], pairs[:, 1]
    dx, dy = x_um[j] - x_um[i], y_um[j] - y_um[i]
    turn = np.arctan2(dy, dx)
    both = reach_towards(length[i], width[i], angle[i], turn) + reach_towards(
        length[j], width[j], angle[j], turn
    )
    near = np.hypot(dx, dy) <= both + _GAP_UM
    graph = coo_matrix((np.ones(near.sum()), (i[near], j[near])), (n, n))
    _, label = connected_components(graph, directed=False)
    return np.bincount(label)[label]


def group_sizes(
    rng: np.random.Generator, total: int, alone: float, mean_group: float, largest: int
) -> list[int]:
    """Split spores in groups: a share of them alone, the others in groups of a mean size."""
    sizes = [1] * int(rng.binomial(total, alone))
    while (left := total - sum(sizes)) > 0:
        drawn = 2 + rng.geometric(1 / max(mean_group - 1, 1.01)) - 1
        sizes.append(int(min(drawn, left, largest)))
    return sizes


def seat(
    rng: np.random.Generator,
    look: SporeLook,
    sizes: list[int],
    area_px: tuple[float, float],
    um_per_px: float,
    pressed: float,
) -> Spores:
    """Seat groups of spores anywhere on a field.

    Parameters
    ----------
    pressed : float
        How far members of a group may overlap: 0 beside one another, 1 on top of one another.
    """
    n = sum(sizes)
    length = np.clip(look.length_um * np.exp(rng.normal(0, look.spread, n)), 8.0, 16.0)
    ratio = np.clip(look.ratio * np.exp(rng.normal(0, 0.05, n)), 1.3, 1.8)
    width, angle = length / ratio, rng.uniform(0, 180, n)
    x, y = np.zeros(n), np.zeros(n)
    start = 0
    for size in sizes:
        x[start], y[start] = rng.uniform(0, area_px[0]) * um_per_px, rng.uniform(0, area_px[1]) * um_per_px
        for k in range(start + 1, start + size):
            for _ in range(6):
                # Heaps grow round: the one with the fewest turns to be built on is the nearest to the first.
                near = (
                    int(rng.integers(start, k)) if size < 12 else start + int((k - start) * rng.beta(1, 1.4))
                )
                turn = rng.uniform(0, 2 * np.pi)
                angles = np.array([angle[near], angle[k]])
                reach = reach_towards(
                    length[[near, k]], width[[near, k]], angles, np.array([turn, turn])
                ).sum()
                step = reach * rng.uniform(1 - 0.55 * pressed, 1.06)
                x[k], y[k] = x[near] + step * np.cos(turn), y[near] + step * np.sin(turn)
                away = np.hypot(x[start:k] - x[k], y[start:k] - y[k])
                if away.min() > (0.85 - 0.5 * pressed) * width[k]:
                    break
        start += size
    order = rng.permutation(n)
    return Spores(x[order] / um_per_px, y[order] / um_per_px, length[order], width[order], angle[order])
