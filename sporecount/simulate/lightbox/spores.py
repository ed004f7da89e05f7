"""Spores: outline, look, where they lie, and how one is laid on the canvas."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from sporecount.simulate.lightbox.optics import LN10, Array, Canvas, Rng
from sporecount.simulate.lightbox.style import Style

# Density of the body and of the dark edge, in green, and how much paler the middle is.
_LOOKS = {
    "amber": ((0.2, 0.45), (0.1, 0.4), (0, 0.35)),
    "rimmed": ((0.1, 0.25), (0.45, 1.0), (0.4, 0.9)),
    "pale": ((0.06, 0.13), (0.25, 0.5), (0.1, 0.7)),
    "dark": ((0.4, 0.75), (0.3, 0.8), (0.1, 0.6)),
}


class SporeLook:
    """How one print's spores look, drawn once: from uniform amber to a thick dark rim around a pale middle.

    `point` is the exponent of the outline (0.5 an ellipse, 1 two crossing arcs), `lens` how much light turns with
    defocus, `core` a bright middle, `shine` the colour in light from above.
    """

    def __init__(self, rng: Rng) -> None:
        kind = str(rng.choice(list(_LOOKS), p=[0.34, 0.36, 0.16, 0.14]))
        self.fill, self.rim, self.pale = (rng.uniform(*low_high) for low_high in _LOOKS[kind])
        self.point = float(rng.uniform(0.6, 0.85))
        self.rim_um = rng.uniform(0.7, 1.7)
        self.grains = rng.choice([0.1, rng.uniform(0.2, 0.7)])
        self.lens, self.core = rng.uniform(0.05, 0.4), rng.choice([0.0, rng.uniform(0.05, 0.35)])
        grey = rng.uniform(0.0, 0.75)
        amber = np.array([rng.uniform(0.35, 0.6), 1.0, rng.uniform(1.3, 2.1)])
        self.tint = np.float32(amber * (1 - grey) + grey)
        self.shine = np.float32(np.array([0.55, 0.36, 0.17]) * rng.uniform(0.35, 0.9) + rng.uniform(0, 0.08))


@dataclass
class Spores:
    """Where the spores lie, as arrays: x, y in photo pixels, angle in radians, depth as the radius of a disc."""

    x: Array
    y: Array
    length_um: Array
    width_um: Array
    angle: Array
    depth_um: Array


def outline(u: Array, v: Array, length: Array | float, width: Array | float, point: float) -> Array:
    """Level of the outline: -1 in the middle, 0 on it, positive outside."""
    return (2 * np.abs(v) / width) ** (1 / point) + (2 * u / length) ** 2 - 1


_AROUND = np.linspace(-0.97, 0.97, 13)


def _edge(length: Array, width: Array, angle: Array, point: float) -> tuple[Array, Array]:
    """Points on outlines, shape (n, 26), from their centres."""
    half = (1 - _AROUND**2) ** point
    u = np.concatenate([_AROUND, _AROUND])[None] * length[:, None] / 2
    v = np.concatenate([half, -half])[None] * width[:, None] / 2
    c, s = np.cos(angle)[:, None], np.sin(angle)[:, None]
    return u * c - v * s, u * s + v * c


def _meets(spores: Spores, a: Array, b: Array, point: float, px_um: float, grown: float) -> Array:
    """Tell which pairs of spores meet when the second is grown by a factor."""
    ex, ey = _edge(spores.length_um[a], spores.width_um[a], spores.angle[a], point)
    ex += ((spores.x[a] - spores.x[b]) * px_um)[:, None]
    ey += ((spores.y[a] - spores.y[b]) * px_um)[:, None]
    c, s = np.cos(spores.angle[b])[:, None], np.sin(spores.angle[b])[:, None]
    size = (spores.length_um[b] * grown)[:, None], (spores.width_um[b] * grown)[:, None]
    return np.asarray((outline(ex * c + ey * s, ey * c - ex * s, *size, point) < 0).any(axis=1))


def touching(spores: Spores, point: float, px_um: float) -> Array:
    """Count the spores in each one's touching group, itself included."""
    number = len(spores.x)
    tree = cKDTree(np.column_stack([spores.x, spores.y]) * px_um)
    pairs = tree.query_pairs(float(spores.length_um.max(initial=1)) * 1.05, output_type="ndarray")
    if not len(pairs):
        return np.ones(number, int)
    meet = _meets(spores, pairs[:, 0], pairs[:, 1], point, px_um, 1.06)
    kept = pairs[meet | _meets(spores, pairs[:, 1], pairs[:, 0], point, px_um, 1.06)]
    graph = coo_matrix((np.ones(len(kept)), (kept[:, 0], kept[:, 1])), shape=(number, number))
    label = connected_components(graph, directed=False)[1]
    return np.bincount(label)[label]


def _grow_group(rng: Rng, spores: Spores, members: list[int], piled: float, px_um: float) -> None:
    """Set all but the first member against one before it: side by side, end to end or askew."""
    for n, k in enumerate(members[1:], start=1):
        best = (np.inf, 0.0, 0.0)
        for _ in range(5):
            host = members[int(rng.integers(n))]
            way = rng.uniform(0, 2 * np.pi)
            # Half extents in a direction, of the ellipses with the same axes.
            pair = np.array([host, k])
            turn = way - spores.angle[pair]
            reach = (
                np.hypot(spores.length_um[pair] * np.cos(turn), spores.width_um[pair] * np.sin(turn)).sum()
                / 2
            )
            gap = reach * (0.93 - piled * rng.uniform() ** 1.5) / px_um
            x, y = spores.x[host] + gap * np.cos(way), spores.y[host] + gap * np.sin(way)
            others = np.array([m for m in members[:n] if m != host], int)
            near = np.hypot(spores.x[others] - x, spores.y[others] - y) * px_um
            crowd = float((near < spores.width_um[k] * (0.95 - piled)).sum())
            best = min(best, (crowd, x, y), key=lambda one: one[0])
            if crowd == 0:
                break
        spores.x[k], spores.y[k] = best[1], best[2]


def place_spores(rng: Rng, style: Style, shape: tuple[int, int]) -> Spores:
    """Lay out all spores: single ones, small touching groups, and drifts where a print is heavy."""
    (rows, cols), number, px = shape, style.spores, style.um_per_px
    length = style.length_um * (1 + rng.normal(0, rng.uniform(0.03, 0.08), number))
    aspect = np.clip(rng.uniform(1.38, 1.7) + rng.normal(0, 0.06, number), 1.3, 1.8)
    length = np.clip(length, 8.5, 17.0)
    width = length / aspect
    # Now and then one stands on end and shows less of its length.
    raised = rng.random(number) < rng.choice([0.0, 0.03, 0.07])
    length = np.where(raised, np.maximum(width * rng.uniform(1.05, 1.3, number), 0.6 * length), length)
    x, y = rng.uniform(-4, cols + 3, number), rng.uniform(-4, rows + 3, number)
    if style.preset in ("heavy", "hard", "scan_4x") and number > 20:
        # Drifts: denser around a few places.
        at = rng.uniform(0, 1, (int(rng.integers(2, 7)), 2)) * (cols, rows)
        wide = rng.uniform(0.05, 0.25, len(at)) * min(shape)
        drifted = rng.random(number) < rng.uniform(0, 0.6)
        which = rng.integers(len(at), size=number)
        x = np.where(drifted, np.clip(at[which, 0] + rng.normal(0, 1, number) * wide[which], 0, cols - 1), x)
        y = np.where(drifted, np.clip(at[which, 1] + rng.normal(0, 1, number) * wide[which], 0, rows - 1), y)
    angle, depth = rng.uniform(0, np.pi, number), rng.normal(0, 1, number) * style.depth_um
    spores = Spores(x, y, length, width, angle, depth)
    members = rng.permutation(number)[: round(style.clumped * number)]
    start, heaped = 0, style.preset in ("heavy", "hard")
    while start < len(members):
        size = 2 + min(int(rng.geometric(0.5)) - 1, 3)
        if heaped and rng.random() < 0.12:
            size = int(rng.integers(6, 30))
        group = [int(m) for m in members[start : start + size]]
        if len(group) > 1:
            spread_rad = rng.choice([0.15, 0.6, 3.0])
            turn = rng.uniform(-1, 1, len(group)) * spread_rad
            spores.angle[group] = (spores.angle[group[0]] + turn) % np.pi
            spores.depth_um[group] = spores.depth_um[group[0]] + 0.4 * spores.depth_um[group]
            _grow_group(rng, spores, group, style.piled, px)
        start += size
    return spores


@dataclass(frozen=True)
class Laid:
    """What a laid spore shows: mean density, root mean square of it, variance of its blur, its pixels in all."""

    density: float
    strength: float
    variance_um2: float
    pixels: float


def lay_spore(
    rng: Rng, canvas: Canvas, look: SporeLook, spores: Spores, k: int, grains: Array
) -> Laid | None:
    """Lay one spore; `grains` is a sheet of noise that its inside is cut from. None where it is out of view."""
    length, width = float(spores.length_um[k]), float(spores.width_um[k])
    x, y, depth = float(spores.x[k]), float(spores.y[k]), float(spores.depth_um[k])
    at = canvas.window(x, y, 0.5 * length + 1.2, depth, 0.45 if canvas.um_per_px < 1 else 0.65)
    u, v = at.turned(float(spores.angle[k]))
    level = outline(u, v, length, width, look.point)
    power = 1 / look.point
    across = power * (2 * np.abs(v) / width) ** (power - 1) * 2 / width
    slope = np.sqrt((8 * u / length**2) ** 2 + across**2)
    distance = level / np.maximum(slope, 1.2 / width)
    inside = at.cover(distance)
    # Height of the body above the tape, 0 to 1.
    body = np.sqrt(np.clip(-level, 0, 1))
    edge = np.exp(-(((distance + 0.5 * look.rim_um) / (0.62 * look.rim_um)) ** 2))
    h, w = (min(n, 200) for n in u.shape)
    top, left = rng.integers(grains.shape[0] - h), rng.integers(grains.shape[1] - w)
    grain = cv2.resize(grains[top : top + h, left : left + w], u.shape[::-1])
    filled = look.fill * (1 - look.pale * body**2) * (1 + look.grains * grain * body)
    density = np.maximum(filled + look.rim * edge, 0) * inside * rng.normal(1, 0.1)
    soft = cv2.GaussianBlur(body, (0, 0), max(0.45 / at.px_um, 0.6))
    bend = np.clip(-cv2.Laplacian(soft, cv2.CV_32F, ksize=3) / at.px_um**2 * width, -1.6, 1.0)
    core = np.exp(-((u / (0.22 * length)) ** 2 + (v / (0.2 * width)) ** 2))
    gain = 1 + look.lens * np.tanh(at.defocus_um / 1.3) * bend + look.core * core
    through = np.exp(-LN10 * density[..., None] * look.tint) * np.clip(gain, 0.2, 1.9)[..., None]
    shine = None
    if canvas.from_above:
        alpha = inside * (0.75 + 0.2 * edge)
        spot = ((u * 0.7 - v + 0.15 * width) / (0.16 * width)) ** 2 + ((u + v) / (0.4 * width)) ** 2
        lit = look.shine * (1 - 0.45 * edge[..., None]) + 0.25 * np.exp(-spot)[..., None]
        shine, through = alpha[..., None] * lit, np.repeat(1 - alpha[..., None], 3, axis=2)
    pixels = float(inside.sum()) / at.fine**2
    shown = canvas.lay(at, through, inside, 1, shine)
    on = shown[..., 1] >= 0.5
    if not on.any():
        return None
    rows, cols = slice(max(at.top, 0), at.bottom), slice(max(at.left, 0), at.right)
    canvas.owner[rows, cols][on] = k
    canvas.stack[rows, cols][on] += 1
    values = shown[..., 0][on]
    return Laid(float(values.mean()), float(np.sqrt((values**2).mean())), at.variance_um2, pixels)
