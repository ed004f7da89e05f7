"""Where the spores of a print lie, which of them touch, and which lie on which."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from sporecount.simulate.condenser.bodies import half_width
from sporecount.simulate.condenser.exam import Exam
from sporecount.simulate.condenser.noise import Rng

BEADS = np.array([-0.82, -0.45, 0.0, 0.45, 0.82])
"""Places along the half axis where a spore is taken for a bead as wide as its outline."""


@dataclass(frozen=True)
class Seats:
    """Spores in the order in which they are laid down; all arrays (n,), places in pixels.

    `lift_um` is the height over the plane of the print; `clump` the size of the touching group.
    """

    x_px: NDArray[np.float64]
    y_px: NDArray[np.float64]
    length_um: NDArray[np.float64]
    width_um: NDArray[np.float64]
    angle_deg: NDArray[np.float64]
    lift_um: NDArray[np.float64]
    clump: NDArray[np.int64]


def _beads(xy: NDArray, size: NDArray, angle: NDArray, tip: float) -> tuple[NDArray, NDArray]:
    """Give the beads of each spore: places (n, 5, 2) and radii (n, 5); all in one unit of length."""
    along = BEADS[None, :] * size[:, :1] / 2
    places = xy[:, None, :] + along[..., None] * np.stack([np.cos(angle), np.sin(angle)], axis=1)[:, None, :]
    return places, half_width(BEADS, tip)[None, :] * size[:, 1:] / 2


def _gap(a: tuple[NDArray, NDArray], b: tuple[NDArray, NDArray]) -> NDArray:
    """Least distance between the outlines of spores a and b, row by row; negative where they overlap."""
    apart = np.linalg.norm(a[0][:, :, None, :] - b[0][:, None, :, :], axis=-1)
    return (apart - a[1][:, :, None] - b[1][:, None, :]).min(axis=(1, 2))


def touching_groups(xy_um: NDArray, size_um: NDArray, angle: NDArray, tip: float) -> NDArray[np.int64]:
    """Give for each spore how many there are in its touching group, itself with them."""
    n = len(xy_um)
    if not n:
        return np.zeros(0, np.int64)
    pairs = cKDTree(xy_um).query_pairs(float(size_um[:, 0].max()) + 0.3, output_type="ndarray")
    i, j = pairs[:, 0], pairs[:, 1]
    places, radii = _beads(xy_um, size_um, angle, tip)
    near = _gap((places[i], radii[i]), (places[j], radii[j])) < 0.3
    graph = coo_matrix((np.ones(near.sum()), (i[near], j[near])), (n, n))
    _, group = connected_components(graph, directed=False)
    return np.bincount(group)[group]


def _clump(rng: Rng, size: NDArray, tip: float, piled: float) -> tuple[NDArray, NDArray]:
    """Grow a clump from its first member: each next one is pushed in from a random side until it touches."""
    n = len(size)
    xy, angle = np.zeros((n, 2)), rng.uniform(0, np.pi, n)
    common = rng.uniform(0, np.pi)
    if rng.random() < 0.4:  # side by side, as spores lie that left one cyst together
        angle = (common + rng.normal(0, 0.25, n)) % np.pi
    for k in range(1, n):
        turn = rng.uniform(0, 2 * np.pi)
        way = np.array([np.cos(turn), np.sin(turn)])
        start = xy[:k].mean(0)
        # Only those beside the way can be met.
        beside = np.abs((xy[:k] - start) @ np.array([-way[1], way[0]])) < size[:, 0].max()
        old = _beads(xy[:k][beside], size[:k][beside], angle[:k][beside], tip)
        steps = np.arange(0, np.sqrt(n) * 18 + 20, 1.0)
        trial = start + steps[:, None] * way
        new = _beads(trial, np.repeat(size[k : k + 1], len(steps), 0), np.full(len(steps), angle[k]), tip)
        apart = np.hypot(*(new[0][:, :, None, None, i] - old[0][None, None, :, :, i] for i in (0, 1)))
        gap = (apart - new[1][:, :, None, None] - old[1]).min(axis=(1, 2, 3), initial=np.inf)
        over = gap + piled * rng.random() * size[k, 1]
        last = int(np.flatnonzero(over < 0)[-1]) if (over < 0).any() else 0
        after = min(last + 1, len(steps) - 1)
        # Between two steps the gap grows evenly enough.
        share = np.clip(-over[last] / max(over[after] - over[last], 1e-9), 0, 1)
        xy[k] = trial[last] + share * (trial[after] - trial[last])
    return xy - xy.mean(0), angle


def draw_seats(rng: Rng, exam: Exam) -> Seats:
    """Draw places, sizes and directions of all spores, also of some that are cut by the photo's border."""
    look, px = exam.look, exam.um_per_px
    high, wide = exam.shape
    number = int(rng.poisson(exam.spores_per_mm2 * exam.view_mm2)) if exam.spores_per_mm2 else 0
    if exam.spores_per_mm2 and number == 0 and exam.preset != "scan_4x":
        number = 1
    length = look.length_um * (1 + look.length_spread * np.clip(rng.normal(size=number), -2.2, 2.2))
    length = np.clip(length, 8.0, 16.0)
    ratio = np.clip(look.ratio * (1 + 0.05 * rng.normal(size=number)), 1.3, 1.8)
    size = np.stack([length, length / ratio], axis=1)
    xy, angle, lift = np.zeros((number, 2)), rng.uniform(0, np.pi, number), np.zeros(number)
    # A few spots of the print gather more spores than the rest.
    spots = rng.uniform((0, 0), (wide, high), (int(rng.integers(1, 5)), 2)) * px
    spot_um = rng.uniform(40, 200)
    spotted = rng.uniform(0, 0.6)
    piled = rng.uniform(0.0, 0.2) if exam.preset != "heavy" else rng.uniform(0.0, 0.3)
    done = 0
    while done < number:
        many = 1
        if rng.random() < exam.clump / max(exam.clump_size * (1 - exam.clump) + exam.clump, 1):
            many = int(np.clip(rng.geometric(1 / exam.clump_size) + 1, 2, min(60, number - done)))
        here = slice(done, done + many)
        centre = rng.uniform((-8, -8), (wide * px + 8, high * px + 8))
        if rng.random() < spotted:
            centre = spots[rng.integers(len(spots))] + rng.normal(0, spot_um, 2)
        if many > 1:
            xy[here], angle[here] = _clump(rng, size[here], look.tip, piled)
            lift[here] = rng.normal(0, 0.6) + rng.normal(0, 0.5, many)
        else:
            lift[here] = rng.normal(0, 0.8)
        xy[here] += centre
        done += many
    inside = ((xy > -8) & (xy < np.array([wide, high]) * px + 8)).all(axis=1)
    xy, size, angle, lift = xy[inside], size[inside], angle[inside], lift[inside]
    return Seats(
        x_px=xy[:, 0] / px,
        y_px=xy[:, 1] / px,
        length_um=size[:, 0],
        width_um=size[:, 1],
        angle_deg=np.degrees(angle) % 180,
        lift_um=lift,
        clump=touching_groups(xy, size, angle, look.tip),
    )
