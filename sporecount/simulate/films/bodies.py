"""Solid bodies: spores and the small things that could be taken for them, as thickness, index and pigment."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from sporecount.simulate.films.stack import Array, Stack
from sporecount.simulate.films.style import TONES, Rng, Style


def noise(rng: Rng, shape: tuple[int, int], grain_px: float) -> Array:
    """Smooth noise of unit spread, with hills of about `grain_px`."""
    rows, cols = (max(2, int(np.ceil(n / grain_px)) + 2) for n in shape)
    small = rng.normal(0, 1.25, (rows, cols)).astype(np.float32)
    return np.asarray(cv2.resize(small, (shape[1], shape[0]), interpolation=cv2.INTER_CUBIC), np.float32)


def in_colour(tone: str, density: float) -> tuple[float, float]:
    """Density in red and blue of a tint."""
    red, blue, _ = TONES[tone]
    return density * red, density * blue


@dataclass(frozen=True)
class SporeKind:
    """What the spores of one print have in common: a lemon of revolution, a wall and a filling.

    `point` is 0.5 for an ellipse, and more for pointed ends; the indices are over that of the glue around;
    `density` is that of the middle; `wall_share` is the wall's pigment per micrometre over the filling's.
    """

    point: float
    lopsided: float
    wall_um: float
    wall_index: float
    filling_index: float
    density: float
    wall_share: float
    granule: float
    tone: str

    def half_width(self, u: Array, length_um: float, width_um: float) -> Array:
        """Half the thickness at a place along the axis, 0 beyond the ends."""
        t = np.clip(np.abs(2 * u / length_um), 0, 1)
        lemon = (1 - t**2) ** self.point * (1 + self.lopsided * 2 * u / length_um)
        return np.asarray(width_um / 2 * lemon, np.float32)

    def area_um2(self, length_um: float, width_um: float) -> float:
        """Area of the outline."""
        u = np.linspace(-length_um / 2, length_um / 2, 401).astype(np.float32)
        return float(2 * np.trapezoid(self.half_width(u, length_um, width_um), u))


def draw_spore_kind(rng: Rng, style: Style) -> SporeKind:
    """Draw the looks of a print's spores."""
    dark = {"brown": 1.5, "straw": 0.5, "grey": 0.7, "olive": 0.8}.get(style.tone, 1.0)
    density = float(np.clip(0.26 * dark * np.exp(rng.normal(0, 0.4)), 0.09, 0.75))
    return SporeKind(
        point=float(rng.uniform(0.54, 0.8)),
        lopsided=float(rng.normal(0, 0.05)),
        wall_um=float(rng.uniform(0.5, 1.3)),
        wall_index=float(rng.uniform(0.015, 0.075)),
        filling_index=float(rng.uniform(-0.03, 0.05)),
        density=density,
        wall_share=float(rng.uniform(1.0, 4.0)),
        granule=float(rng.uniform(-0.05, 0.06)) if rng.random() < 0.4 else 0.0,
        tone=style.tone,
    )


class Spores(NamedTuple):
    """Places and sizes, in working pixels, micrometres and radians."""

    x: Array
    y: Array
    length_um: Array
    width_um: Array
    angle: Array


def place_spores(rng: Rng, style: Style, box: tuple[float, float, float, float], step_um: float) -> Spores:
    """Scatter spores over a box of left, top, width and height: evenly, in drifts, and in touching piles."""
    number = style.spores
    spread = rng.uniform(0.03, 0.08)
    length = np.clip(style.length_um * np.exp(rng.normal(0, spread, number)), 8.5, 17)
    width = length / np.clip(style.aspect * np.exp(rng.normal(0, 0.045, number)), 1.3, 1.8)
    angle = rng.uniform(0, np.pi, number)
    x, y = np.empty(number), np.empty(number)
    left, top, wide, tall = box
    drifts = rng.uniform((left, top), (left + wide, top + tall), (int(rng.integers(2, 12)), 2))
    drifted = rng.uniform(0, 0.8)
    side = float(np.sqrt(wide * tall)) * rng.uniform(0.05, 0.2)
    # A pile lies flatter or higher from print to print.
    closeness = rng.uniform(0.8, 1.02)
    for k in range(number):
        piled = k > 0 and rng.random() < style.piled
        for _ in range(8):
            if piled:
                mate = int(rng.integers(max(0, k - 60), k))
                if rng.random() < 0.3:
                    angle[k] = (angle[mate] + rng.normal(0, 0.2)) % np.pi
                way = rng.uniform(0, 2 * np.pi)
                gap = _reach(way, mate, length, width, angle) + _reach(way, k, length, width, angle)
                gap *= closeness / step_um
                x[k], y[k], apart = x[mate] + gap * np.cos(way), y[mate] + gap * np.sin(way), 0.85 * width[k]
            else:
                x[k], y[k], apart = left + rng.random() * wide, top + rng.random() * tall, 0.95 * length[k]
                if rng.random() < drifted:
                    x[k], y[k] = drifts[int(rng.integers(len(drifts)))] + rng.normal(0, side, 2)
            if k == 0 or np.min((x[:k] - x[k]) ** 2 + (y[:k] - y[k]) ** 2) > (apart / step_um) ** 2:
                break
    return Spores(*(np.asarray(a, np.float32) for a in (x, y, length, width, angle)))


def _reach(way: float, k: int, length: NDArray, width: NDArray, angle: NDArray) -> float:
    turn = way - float(angle[k])
    half = np.cos(turn) ** 2 / (length[k] / 2) ** 2 + np.sin(turn) ** 2 / (width[k] / 2) ** 2
    return float(1 / np.sqrt(half))


def touching(spores: Spores, step_um: float) -> NDArray[np.int64]:
    """Size of each spore's touching group."""
    number = len(spores.x)
    if number < 2:
        return np.ones(number, np.int64)
    tree = cKDTree(np.stack([spores.x, spores.y], 1))
    pairs = tree.query_pairs(float(spores.length_um.max()) / step_um, output_type="ndarray")
    joined = []
    for a, b in pairs:
        dx, dy = float(spores.x[b] - spores.x[a]), float(spores.y[b] - spores.y[a])
        way, apart = np.arctan2(dy, dx), np.hypot(dx, dy) * step_um
        parts = spores.length_um, spores.width_um, spores.angle
        joined.append(apart < 1.03 * (_reach(way, a, *parts) + _reach(way, b, *parts)))
    kept = pairs[np.asarray(joined, bool)] if len(pairs) else pairs
    graph = coo_matrix((np.ones(len(kept)), (kept[:, 0], kept[:, 1])), shape=(number, number))
    _, group = connected_components(graph, directed=False)
    return np.bincount(group)[group]


def lay_spore(rng: Rng, stack: Stack, kind: SporeKind, spores: Spores, k: int, layer: int) -> None:
    """Lay the k-th spore into a layer."""
    length, width, angle = (float(a[k]) for a in (spores.length_um, spores.width_um, spores.angle))
    window = stack.window(float(spores.x[k]), float(spores.y[k]), length / 2)
    # The print's spores differ a little in pigment and filling.
    density, filling = kind.density * np.exp(rng.normal(0, 0.12)), kind.filling_index + rng.normal(0, 0.006)
    if window is None:
        return
    at, dx, dy = window
    u = dx * np.cos(angle) + dy * np.sin(angle)
    v = dy * np.cos(angle) - dx * np.sin(angle)
    square = kind.half_width(u, length, width) ** 2 - v**2
    inside = square > 0
    whole = _cap(square)
    wall = kind.wall_um
    inner = kind.half_width(u, length - 2.6 * wall, width - 2 * wall) ** 2 - v**2
    hollow = _cap(inner) * (np.abs(u) < length / 2 - 1.3 * wall)
    path = kind.wall_index * (whole - hollow) + filling * hollow
    if kind.granule:
        path += kind.granule * _cap((width / 5) ** 2 - (u - 0.1 * length) ** 2 - v**2)
    middle = kind.wall_share * 2 * wall + (width - 2 * wall)
    pigment = (kind.wall_share * (whole - hollow) + hollow) / middle
    red, blue = in_colour(kind.tone, float(density))
    stack.lay_body(layer, at, path, (pigment * red, pigment * blue), inside, "spore")
    stack.owner[at][inside] = k
    stack.crowd[at][inside] += 1


SIZES_UM = {
    # Kind, middle radius, spread (of the logarithm), least and most.
    "bubble": ("bubble", 5.0, 0.6, 1.5, 35.0),
    "droplet": ("other", 4.0, 0.45, 1.5, 14.0),
    "pollen": ("pollen", 10.5, 0.25, 7.0, 16.0),
    "mould": ("other", 2.2, 0.2, 1.6, 3.0),
    "dust": ("dust", 2.0, 0.65, 0.6, 12.0),
    "grain": ("other", 4.5, 0.35, 2.5, 8.0),
    "toner": ("other", 3.8, 0.35, 2.0, 7.0),
}


def _cap(square: Array | NDArray[np.float64]) -> Array:
    """Thickness of a ball, from the square of its half thickness."""
    return (2 * np.sqrt(np.clip(square, 0, None))).astype(np.float32)


def lay_small(rng: Rng, stack: Stack, name: str, x: float, y: float, layer: int) -> None:
    """Lay one look-alike; each differs from a spore in outline, size, structure or tint."""
    if name == "stub":
        lay_thread(rng, stack, x, y, layer, rng.uniform(12, 50))
        return
    kind, usual, spread, least, most = SIZES_UM[name]
    size = float(np.clip(usual * np.exp(rng.normal(0, spread)), least, most))
    window = stack.window(x, y, size * (4.5 if name == "mould" else 1.7))
    if window is None:
        return
    at, dx, dy = window
    turn = rng.uniform(0, np.pi)
    u, v = dx * np.cos(turn) + dy * np.sin(turn), dy * np.cos(turn) - dx * np.sin(turn)
    around, off = np.arctan2(v, u), np.hypot(u, v)
    index = rng.uniform(0.01, 0.05)
    tint, deep_um = (0.0, 0.0), 2 * size
    if name == "bubble":
        height = _cap(size**2 - u**2 - (v / rng.uniform(0.8, 1.0)) ** 2)
        # Flat ones between tape and print bend less.
        index = -float(rng.choice([0.03, 0.12, 0.48]))
    elif name == "droplet":
        egg = size * (1 + rng.normal(0, 0.04) * np.cos(2 * around))
        height = 0.6 * _cap(egg**2 - off**2)
        if rng.random() < 0.4:  # dried, with a ring of what it carried
            height += 0.7 * size * np.exp(-(((off / egg - 0.85) / 0.12) ** 2)) * (height > 0)
        strong, index = rng.uniform(0.02, 0.5), rng.uniform(-0.09, 0.07)
        tint = strong * rng.uniform(0.2, 0.8), strong * rng.uniform(1, 1.8)
    elif name == "pollen":
        lobes, depth = int(rng.integers(9, 26)), rng.choice([0.0, 0.03, 0.1])
        edge = size * (1 + depth * np.abs(np.sin(lobes / 2 * around)) + 0.02 * np.cos(3 * around))
        pores = np.exp(-(((np.cos(3 * around) - 1) / 0.1) ** 2) - ((off / size - 0.7) / 0.15) ** 2)
        texture = 1 + rng.uniform(0.05, 0.4) * noise(rng, off.shape, max(1.5, 1.3 / stack.step_um))
        height = (
            (_cap(edge**2 - off**2) - 0.6 * _cap((edge - 1.6) ** 2 - off**2)) * texture * (1 - 0.6 * pores)
        )
        strong = rng.uniform(0.3, 1.4)
        tint = strong * rng.uniform(0.2, 0.6), strong * rng.uniform(1, 2)
    elif name == "mould":
        # A chain of round cells, or two cells end to end with a cross wall.
        places = np.array([[-0.9, 0.0], [0.9, 0.0]]) * size
        if rng.random() < 0.5:
            steps = rng.normal(0, 0.25, (int(rng.integers(1, 6)), 2)) + np.array([1.75, 0])
            places = (np.cumsum(steps, 0) - steps.sum(0) / 2) * size
        height = np.max([_cap(size**2 - (u - p[0]) ** 2 - (v - p[1]) ** 2) for p in places], 0)
        tint, index = (
            in_colour(str(rng.choice(["grey", "olive", "brown"])), rng.uniform(0.08, 0.8)),
            index - 0.02,
        )
    elif name in ("dust", "toner"):
        waves = [rng.normal(0, 0.35 / m) * np.cos(m * around + rng.uniform(0, 6)) for m in range(1, 7)]
        stretch = np.hypot(u * rng.uniform(0.6, 1.0), v)
        height = np.clip(size * (1 + sum(waves)) - stretch, 0, 0.5 * size)
        height = height * (1 + 0.3 * noise(rng, off.shape, 3))
        strong = rng.uniform(1.0, 2.5) if name == "toner" else rng.gamma(1.0, 0.35)
        tint, deep_um = in_colour(str(rng.choice(["grey", "grey", "brown", "olive"])), strong), 0.5 * size
        index = 0.0 if name == "toner" else rng.normal(0.03, 0.05)
    else:
        edge = size * (1 + rng.normal(0, 0.05) * np.cos(3 * around) + 0.12 * np.cos(around))
        # The hilum: a cleft from the middle of the grain.
        cleft = np.exp(-((v / 0.5) ** 2)) * (np.abs(u) < 0.45 * size)
        height, tint = 0.8 * _cap(edge**2 - off**2) * (1 - 0.5 * cleft), (0.01, 0.02)
    solid = np.clip(height, 0, None).astype(np.float32)
    red, blue = tint[0] / deep_um, tint[1] / deep_um
    stack.lay_body(layer, at, index * solid, (red * solid, blue * solid), solid > 0, kind)


def lay_thread(rng: Rng, stack: Stack, x: float, y: float, layer: int, long_um: float) -> None:
    """Lay a hair (even, pigmented) or a fibre (clear, flat, twisting) across the view."""
    hair, count = bool(rng.random() < 0.4), 60
    bend = np.cumsum(rng.normal(0, (0.035 if hair else 0.09) * min(1, long_um / 100), count)) + rng.uniform(
        0, 2 * np.pi
    )
    path = np.cumsum(np.stack([np.cos(bend), np.sin(bend)], 1), 0) * long_um / count / stack.step_um
    path += np.array([x, y]) - path.mean(0)
    radius = rng.uniform(1.5, min(9, long_um / 6 + 1)) / stack.step_um
    reach = radius * 1.5 + 2
    c0, r0 = np.clip(np.floor(path.min(0) - reach), 0, None).astype(int)
    c1, r1 = np.minimum(np.ceil(path.max(0) + reach), [stack.shape[1], stack.shape[0]]).astype(int)
    if c1 - c0 < 3 or r1 - r0 < 3:
        return
    drawn = np.full((r1 - r0, c1 - c0), 255, np.uint8)
    spots = np.round((path - [c0, r0]) * 16).astype(np.int32)
    cv2.polylines(drawn, [spots], False, 0, 1, cv2.LINE_8, 4)
    off = cv2.GaussianBlur(cv2.distanceTransform(drawn, cv2.DIST_L2, 5), (0, 0), 0.7)
    grown = radius if hair else radius * (1 + 0.25 * noise(rng, drawn.shape, 30 / stack.step_um))
    height = 2 * np.sqrt(np.clip(grown**2 - off**2, 0, None)) * stack.step_um
    if not hair:
        height *= rng.uniform(0.3, 0.8)
        height -= 0.3 * height * np.exp(-((off / (0.4 * radius)) ** 2))
    strong = rng.uniform(0.1, 1.0) if hair else rng.uniform(0, 0.1)
    tint = in_colour(str(rng.choice(["brown", "grey", "amber"])), strong)
    red, blue = (part / (2 * radius * stack.step_um) * height for part in tint)
    path_um = rng.uniform(0.006, 0.035) * height
    at = (slice(r0, r1), slice(c0, c1))
    stack.lay_body(layer, at, path_um, (red, blue), height > 0, "hair" if hair else "fibre")
