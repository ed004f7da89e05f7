"""Where the spores sit: single, in pairs, in heaps; and which of them touch."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from sporecount.simulate.aperture.bodies import Brood, Seat, seat_spore

DISCS = np.array([-0.62, 0.0, 0.62])
"""A lemon as three discs on its axis, in half lengths."""
DISC_RADII = np.array([0.30, 0.48, 0.30])
"""Their radii, in widths."""


def _discs(seat: Seat, um_per_px: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    turn = np.deg2rad(seat.angle_deg)
    along = DISCS * (seat.length_um / 2 / um_per_px)
    centers = np.stack([seat.x_px + along * np.cos(turn), seat.y_px + along * np.sin(turn)], axis=1)
    return centers, DISC_RADII * (seat.width_um / um_per_px)


class _Floor:
    """Discs laid so far, in square cells, to ask whether a new spore would overlap."""

    def __init__(self, um_per_px: float, cell_um: float) -> None:
        self.um_per_px, self.cell_px = um_per_px, cell_um / um_per_px
        self.cells: dict[tuple[int, int], list[tuple[NDArray[np.float64], NDArray[np.float64]]]] = {}

    def _cell(self, seat: Seat) -> tuple[int, int]:
        return int(seat.x_px // self.cell_px), int(seat.y_px // self.cell_px)

    def fits(self, seat: Seat, tight: float) -> bool:
        i, j = self._cell(seat)
        near = [one for a in (-1, 0, 1) for b in (-1, 0, 1) for one in self.cells.get((i + a, j + b), ())]
        if not near:
            return True
        centers, radii = _discs(seat, self.um_per_px)
        others = np.concatenate([c for c, _ in near])
        sizes = np.concatenate([r for _, r in near])
        gaps = np.hypot(*(centers[:, None] - others[None]).transpose(2, 0, 1))
        return bool((gaps >= tight * (radii[:, None] + sizes[None])).all())

    def add(self, seat: Seat) -> None:
        self.cells.setdefault(self._cell(seat), []).append(_discs(seat, self.um_per_px))


def draw_seats(
    rng: np.random.Generator,
    brood: Brood,
    shape: tuple[int, int],
    um_per_px: float,
    count: int,
    group: tuple[int, int],
    clumped: float,
    below: float,
    overlapping: float,
) -> list[Seat]:
    """Seat `count` spores on a canvas.

    Parameters
    ----------
    group : (int, int)
        Smallest and largest number in a clump.
    clumped : float
        Share of the spores in clumps.
    below : float
        Share that lies below the scales.
    overlapping : float
        Share that may lie partly on a neighbour.
    """
    rows, cols = shape
    floor = _Floor(um_per_px, 1.3 * brood.length_um)
    seats: list[Seat] = []
    tries = 0
    while len(seats) < count and tries < 20 * count + 60:
        size = (
            int(rng.integers(group[0], group[1] + 1))
            if rng.random() < clumped / max(float(np.mean(group)), 1) * 2
            else 1
        )
        size = min(size, count - len(seats))
        under = bool(rng.random() < below)
        members: list[Seat] = []
        for _ in range(size * 25):
            tries += 1
            near = members[int(rng.integers(len(members)))] if members else None
            x, y = (near.x_px, near.y_px) if near else (rng.uniform(0, cols), rng.uniform(0, rows))
            seat = seat_spore(rng, brood, x, y, under)
            tight, turn = (
                0.55 if rng.random() < overlapping else rng.uniform(0.9, 1.05),
                rng.uniform(0, 2 * np.pi),
            )
            # A new one is slid outwards from its neighbour until it fits.
            for reach in np.linspace(0.42, 1.1, 8) * brood.length_um / um_per_px if near else (0.0,):
                seat.x_px, seat.y_px = x + reach * np.cos(turn), y + reach * np.sin(turn)
                if floor.fits(seat, tight):
                    floor.add(seat)
                    members.append(seat)
                    break
            if len(members) == size:
                break
        seats += members
    return seats


def clump_sizes(seats: list[Seat], um_per_px: float) -> NDArray[np.int64]:
    """Count the spores of each one's touching group; two touch when their discs come within half a um."""
    if not seats:
        return np.zeros(0, np.int64)
    made = [_discs(seat, um_per_px) for seat in seats]
    centers, radii = np.concatenate([c for c, _ in made]), np.concatenate([r for _, r in made])
    tree = cKDTree(centers)
    pairs = tree.query_pairs(2 * radii.max() + 0.5 / um_per_px, output_type="ndarray")
    gap = np.hypot(*(centers[pairs[:, 0]] - centers[pairs[:, 1]]).T)
    pairs = pairs[gap <= radii[pairs].sum(axis=1) + 0.5 / um_per_px] // 3
    n = len(seats)
    graph = coo_matrix((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), (n, n))
    _, label = connected_components(graph, directed=False)
    return np.bincount(label)[label]
