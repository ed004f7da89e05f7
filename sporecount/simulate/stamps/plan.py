"""What one photo is about: magnification, load, clutter, light; and the seats of its spores."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

Array = NDArray[Any]
PRESETS = ("good_focus", "ordinary", "hard", "no_spores", "heavy", "scan_4x")
_SCALE_OF = {4.0: (1.0, 2.2), 10.0: (0.3, 1.0), 20.0: (0.18, 0.5), 40.0: (0.1, 0.25)}
# Usual number of small things per mm² of an ordinary print.
_PER_MM2 = {
    "scale": 28.0,
    "piece": 45.0,
    "dust": 90.0,
    "pollen": 7.0,
    "droplet": 20.0,
    "bubble": 25.0,
    "mould": 14.0,
}
_MOST = {"scale": 130, "piece": 150, "dust": 350, "pollen": 60, "droplet": 120, "bubble": 140, "mould": 80}


def log_uniform(rng: np.random.Generator, low: float, high: float) -> float:
    """Draw a number whose logarithm is even between two bounds."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


@dataclass(frozen=True)
class Plan:
    """One photo's circumstances; lengths in µm of the specimen."""

    shape: tuple[int, int]
    um_per_px: float
    objective: float
    aperture: float
    spores: int
    alone: float
    group_mean: float
    piled: float
    beneath: float
    from_above: bool
    dim: bool
    rough: float
    ground: str
    focus_um: float
    tilt_um: float
    strands: tuple[int, int]
    things: dict[str, int] = field(default_factory=dict)


def _spores(rng: np.random.Generator, preset: str, megapixels: float) -> int:
    if preset == "no_spores":
        return 0
    if preset == "good_focus":
        return round(log_uniform(rng, 5, 80))
    if preset == "ordinary":
        return 0 if rng.random() < 0.12 else round(log_uniform(rng, 1, 150))
    if preset == "hard":
        return round(log_uniform(rng, 8, 300))
    if preset == "heavy":
        return max(60, round(log_uniform(rng, 300, 2000) * megapixels))
    if rng.random() < 0.5:
        return int(rng.integers(0, 9))
    return max(151, round(log_uniform(rng, 180, 2200) * megapixels))


def draw_plan(
    rng: np.random.Generator,
    shape: tuple[int, int],
    um_per_px: float | None,
    objective: float | None,
    preset: str,
) -> Plan:
    """Draw what a photo of a preset is about.

    Raises
    ------
    ValueError
        For a preset that there is not.
    """
    if preset not in PRESETS:
        raise ValueError(f"preset must be one of {', '.join(PRESETS)}, got {preset!r}")
    if objective is None:
        choices = {"ordinary": (10, 10, 20, 40), "hard": (10, 10, 20), "no_spores": (10, 10, 20, 40)}
        objective = 4.0 if preset == "scan_4x" else float(rng.choice(choices.get(preset, (10,))))
    nearest = min(_SCALE_OF, key=lambda known: abs(np.log(known / objective)))
    px_um = log_uniform(rng, *_SCALE_OF[nearest]) if um_per_px is None else float(um_per_px)
    area_mm2 = shape[0] * shape[1] * px_um**2 / 1e6
    # A spore of 12 by 8 µm covers about 70 µm²; a pile may lie two or three deep, a view not.
    most = area_mm2 * 1e6 * {"heavy": 0.55, "scan_4x": 0.3}.get(preset, 0.2) / 70
    spores = min(_spores(rng, preset, shape[0] * shape[1] / 1e6), max(round(most), 5))
    hard, clean = preset == "hard", preset == "good_focus"
    level = log_uniform(rng, 0.25, 1.3) if clean else log_uniform(rng, 0.35, 3.0)
    things = {}
    for name, usual in _PER_MM2.items():
        reach = 0.12 if name == "scale" else 0.01
        side = np.sqrt(area_mm2)
        wanted = usual * level * log_uniform(rng, 0.3, 3.0) * (side + 2 * reach) ** 2
        if name in ("droplet", "bubble", "mould", "pollen") and rng.random() < 0.3 and preset != "no_spores":
            wanted *= 0.05
        things[name] = min(int(rng.poisson(wanted)), _MOST[name])
        if preset == "no_spores" and name != "scale":
            things[name] = max(things[name], int(rng.integers(3, 12)))
    aperture = float(
        np.interp(objective, [4, 10, 20, 40], [0.10, 0.25, 0.40, 0.65]) * rng.uniform(0.85, 1.05)
    )
    slope = float(np.tan(np.arcsin(aperture)))
    # Defocus is drawn as the blur disc that it makes, since readers turn the knob until they like the view.
    disc_um = {"good_focus": 0.5, "ordinary": 1.6, "hard": 1.8, "scan_4x": 1.2}.get(preset, 1.0)
    tilt_um = {"good_focus": 0.5, "ordinary": 3.0, "hard": 5.0}.get(preset, 1.5)
    above = bool(
        rng.random() < {"hard": 0.4, "ordinary": 0.1, "no_spores": 0.15, "scan_4x": 0.1}.get(preset, 0.03)
    )
    grounds = ("glass", "film", "card", "ruled", "dirty")
    shares = [0.4, 0.25, 0.15, 0.05, 0.15] if clean else [0.2, 0.22, 0.26, 0.1, 0.22]
    strands = rng.poisson([1.2, 3.5] if hard else [0.5, 0.6 if clean else 1.0])
    if preset == "no_spores":
        strands = strands + rng.integers(0, 3, 2)
    return Plan(
        shape=shape,
        um_per_px=px_um,
        objective=float(objective),
        aperture=aperture,
        spores=spores,
        alone=float(rng.uniform(0.1, 0.6) if preset in ("heavy", "hard") else rng.uniform(0.4, 0.95)),
        group_mean=log_uniform(rng, 4, 25) if preset == "heavy" else log_uniform(rng, 2.5, 7),
        piled=float(rng.uniform(0.0, 0.35) if preset in ("heavy", "hard") else rng.uniform(0, 0.15)),
        beneath=float(rng.beta(1.2, 6)),
        from_above=above,
        dim=bool(rng.random() < (0.4 if hard else 0.08)),
        rough=float(rng.beta(1.3, 2) + (0.25 if hard else 0)),
        ground=str(rng.choice(grounds, p=shares)),
        focus_um=float(rng.normal(0, disc_um) / slope),
        tilt_um=float(abs(rng.normal(0, tilt_um)) / slope),
        strands=(int(strands[0]), int(strands[1])),
        things=things,
    )


def _reach(length: Array, width: Array, turn: Array) -> Array:
    """Half extent of an ellipse in a direction turned from its long axis."""
    return 0.5 * length * width / np.hypot(width * np.cos(turn), length * np.sin(turn))


def seat_spores(
    rng: np.random.Generator, plan: Plan, length_um: float, width_um: float, magnets: Array
) -> Array:
    """Seat spores alone and in touching groups.

    Parameters
    ----------
    magnets : ndarray of shape (m, 2)
        Places (x, y) in px where groups like to gather, such as scales.

    Returns
    -------
    ndarray of shape (n, 4)
        x and y in px, direction in degrees, and group number.
    """
    rows, cols = plan.shape
    long_px, wide_px = length_um / plan.um_per_px, width_um / plan.um_per_px
    seats: list[tuple[float, float, float, float]] = []
    group = 0
    edge = min(4.0, 0.3 * long_px)
    crowd = rng.uniform(0, 1, (3, 2)) * [cols, rows]
    crowded = float(rng.uniform(0, 0.6))
    while len(seats) < plan.spores:
        size = 1 if rng.random() < plan.alone else 1 + int(rng.geometric(1 / plan.group_mean))
        size = min(size, plan.spores - len(seats))
        x, y = rng.uniform(-edge, cols + edge), rng.uniform(-edge, rows + edge)
        if len(magnets) and rng.random() < 0.25:
            x, y = magnets[rng.integers(len(magnets))] + rng.normal(0, 35 / plan.um_per_px, 2)
        elif rng.random() < crowded:
            x, y = crowd[rng.integers(3)] + rng.normal(0, 0.16 * cols, 2)
        if not (-edge <= x <= cols + edge and -edge <= y <= rows + edge):
            continue
        mine = [(x, y, float(rng.uniform(0, 180)), float(group))]
        raft = rng.random() < 0.3
        tries = 0
        while len(mine) < size and tries < 12 * size:
            tries += 1
            # A late member makes a string, any member a heap.
            px, py, pa, _ = mine[-1 if raft else int(rng.integers(len(mine)))]
            angle = pa + rng.normal(0, 12) if raft and rng.random() < 0.8 else rng.uniform(0, 180)
            way = (
                np.radians(pa + rng.choice([90, -90]) + rng.normal(0, 20))
                if raft
                else rng.uniform(0, 2 * np.pi)
            )
            turns = np.array([way - np.radians(pa), way - np.radians(angle)])
            far = _reach(np.full(2, long_px), np.full(2, wide_px), turns).sum()
            far *= rng.uniform(0.35, 0.9) if rng.random() < plan.piled else rng.uniform(0.92, 1.04)
            new = (px + far * np.cos(way), py + far * np.sin(way), angle % 180, float(group))
            gaps = np.hypot(*(np.array(mine)[:, :2] - new[:2]).T)
            if gaps.min() > 0.8 * wide_px or rng.random() < plan.piled:
                mine.append(new)
        seats += mine
        group += 1
    return np.array(seats, float).reshape(-1, 4)


def clump_sizes(
    xy: Array,
    length: Array,
    width: Array,
    angle_deg: Array,
) -> Array:
    """Count for each spore the members of its touching group; all lengths in one unit."""
    n = len(xy)
    if n == 0:
        return np.zeros(0, np.int64)
    pairs = cKDTree(xy).query_pairs(float(length.max()) * 1.05, output_type="ndarray")
    i, j = pairs[:, 0], pairs[:, 1]
    step = xy[j] - xy[i]
    way = np.arctan2(step[:, 1], step[:, 0])
    both = sum(_reach(length[k], width[k], way - np.radians(angle_deg[k])) for k in (i, j))
    near = np.hypot(step[:, 0], step[:, 1]) <= 1.04 * both
    links = coo_matrix((np.ones(near.sum()), (i[near], j[near])), shape=(n, n))
    _, label = connected_components(links, directed=False)
    return np.bincount(label)[label].astype(np.int64)
