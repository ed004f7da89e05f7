"""Spores: the photo's look functions for them, where they lie, and laying them on the canvas."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from sporecount.simulate.curves.functions import Array, Curve, draw_curve
from sporecount.simulate.curves.plan import Plan, Rng
from sporecount.simulate.curves.things import KIND, Canvas

LUMA = np.array([0.3, 0.59, 0.11], np.float32)
Floats = NDArray[np.float64]
_TURN = np.linspace(0, 2 * np.pi, 40, endpoint=False)


@dataclass(frozen=True)
class SporeLook:
    """How the spores of one print look.

    The outline is (u / a)^2 + (|v| / b)^power = 1: an ellipse at power 2, the more pointed the smaller it is.
    Depth is 1 - g^`depth_power`, g being the left side: 0 at the rim, 1 in the middle. `body` is density in focus
    and `ring` what a unit of signed defocus adds, by depth; `pole` a factor by |u| / a; `tints` factors of the
    channels by depth; `halo` density by distance outside, in `halo_um`; `scale` a factor to all.
    """

    power: float
    depth_power: float
    body: Curve
    ring: Curve
    pole: Curve
    tints: tuple[Curve, ...]
    halo: Curve
    halo_um: float
    glint: float
    scale: float = 1.0

    def density(
        self, u: Array, v: Array, a: float, b: float, focus: float, step_um: float
    ) -> tuple[Array, Array]:
        """Optical density per channel, and coverage, of a spore along u with half axes a and b, in um."""
        across = np.abs(v) / b
        g = (u / a) ** 2 + across**self.power
        slope = np.hypot(2 * u / a**2, self.power / b * across ** (self.power - 1))
        distance = (g - 1) / np.maximum(slope, 0.5 / b)
        cover = np.clip(0.5 - distance / step_um, 0, 1)
        depth = 1 - np.minimum(g, 1) ** self.depth_power
        body = (self.body(depth) + focus * self.ring(depth)) * self.pole(np.abs(u) / a) * cover
        body -= self.glint * np.exp(-((u - 0.25 * a) ** 2 + (v + 0.2 * b) ** 2) / (0.25 * b) ** 2) * cover
        halo = self.halo(distance / self.halo_um) * (1 - cover) * (0.4 + focus)
        shown = np.stack([body * tint(depth) + halo for tint in self.tints], axis=-1)
        return np.asarray(shown * self.scale, np.float32), cover


def draw_look(rng: Rng, plan: Plan) -> SporeLook:
    """Draw the look functions of a print's spores, of mean optical density `plan.strength`."""
    start = float(rng.uniform(0.12, 0.4))
    if rng.random() < 0.8:
        # A darker rim, a paler or even bright middle.
        low = rng.uniform(-0.25, 0.75)
        ranges = [(0.7, 1.3), (0.9, 1.7), (low, low + 0.5), (low - 0.15, low + 0.25), (low - 0.2, low + 0.3)]
    else:
        # An evenly filled, rather pale or glassy one with only a hint of a rim.
        ranges = [(0.7, 1.3), (0.8, 1.2), (0.7, 1.1), (0.7, 1.2), (0.6, 1.3)]
    body = draw_curve(rng, ranges, (0, start * 0.4, start, (1 + start) / 2, 1))
    amber = rng.uniform(0.42, 1.0)
    middle = (1 - 0.55 * amber, 1.0, 1 + 0.9 * amber)
    look = SporeLook(
        power=float(rng.uniform(1.2, 1.65)),
        depth_power=float(rng.uniform(0.5, 0.85)),
        body=body,
        ring=draw_curve(rng, [(-0.2, 0.3), (-0.2, 0.4), (-0.45, 0.45), (-0.7, 0.7)]),
        pole=draw_curve(rng, [(0.85, 1.15), (0.85, 1.15), (0.8, 1.35)]),
        tints=tuple(draw_curve(rng, [(m * 0.88, m * 1.12)] * 4) for m in middle),
        halo=draw_curve(rng, [(-0.35, 0.12), (-0.12, 0.08), (-0.05, 0.06), (0, 0)]),
        halo_um=float(rng.uniform(1.5, 4)),
        glint=float(rng.uniform(0, 0.5)) * (rng.random() < 0.4),
    )
    # The whole to the planned mean density; what takes too little light on the whole gets a filled body.
    v, u = np.mgrid[-5:5:0.1, -7:7:0.1].astype(np.float32)
    shown, cover = look.density(u, v, 6, 4, 0.0, 0.1)
    mean = float((shown @ LUMA)[cover > 0.5].mean())
    # Focus moves light between rim and middle; it takes none on the whole.
    depth = 1 - np.clip((u / 6) ** 2 + (np.abs(v) / 4) ** look.power, 0, 1) ** look.depth_power
    look = replace(look, ring=Curve(look.ring.table - look.ring(depth)[cover > 0.5].mean()))
    if mean < 0.45:
        look = replace(look, body=Curve(body.table + np.float32(0.5 - mean)))
    return replace(look, scale=plan.strength / max(mean, 0.45))


@dataclass(frozen=True)
class Spores:
    """Where spores lie on the canvas, in its pixels and radians; columns of one length."""

    x: Floats
    y: Floats
    length_um: Floats
    width_um: Floats
    angle: Floats
    strength: Floats
    soft_um: Floats


def outline(look: SporeLook, length: Floats, width: Floats, angle: Floats, grow: float = 1.0) -> Floats:
    """Points of outlines around their centres, in um: shape (n, points, 2)."""
    u = np.cos(_TURN)
    v = np.sign(np.sin(_TURN)) * np.clip(1 - u**2, 0, 1) ** (1 / look.power)
    a, b = u * length[:, None] * grow / 2, v * width[:, None] * grow / 2
    cos, sin = np.cos(angle)[:, None], np.sin(angle)[:, None]
    return np.stack([a * cos - b * sin, a * sin + b * cos], axis=-1)


def _within(
    look: SporeLook, dx: Floats, dy: Floats, length: Floats, width: Floats, angle: Floats
) -> NDArray[np.bool_]:
    cos, sin = np.cos(angle), np.sin(angle)
    u, v = dx * cos + dy * sin, dy * cos - dx * sin
    inside: NDArray[np.bool_] = (2 * u / length) ** 2 + np.abs(2 * v / width) ** look.power < 1
    return inside


def _clump(
    rng: Rng, look: SporeLook, length: Floats, width: Floats, angle: Floats, heap: float
) -> tuple[Floats, Floats]:
    """Slide spores against one another; `heap` 0 just touches, towards 1 they lie across one another."""
    n = len(length)
    x, y = np.zeros(n), np.zeros(n)
    steps = np.linspace(1.05, 0.25, 40)
    for k in range(1, n):
        anchor = int(rng.integers(k))
        way = rng.uniform(0, 2 * np.pi)
        reach = (length[anchor] + length[k]) / 2
        px, py = x[anchor] + steps * reach * np.cos(way), y[anchor] + steps * reach * np.sin(way)
        near = np.flatnonzero(np.hypot(x[:k] - x[anchor], y[:k] - y[anchor]) < 2.2 * length.max())
        shrink = 1 - heap * rng.uniform(0, 0.8)
        mine = outline(look, length[k : k + 1], width[k : k + 1], angle[k : k + 1], shrink)[0]
        theirs = outline(look, length[near], width[near], angle[near], shrink)
        sx, sy = px[:, None, None], py[:, None, None]
        ox, oy = x[near][:, None], y[near][:, None]
        size = length[near][:, None] * shrink, width[near][:, None] * shrink, angle[near][:, None]
        there = _within(look, sx + mine[:, 0] - ox, sy + mine[:, 1] - oy, *size)
        size = length[k] * shrink, width[k] * shrink, angle[k]
        here = _within(look, ox + theirs[..., 0] - sx, oy + theirs[..., 1] - sy, *size)
        hit = (there | here).any(axis=(1, 2))
        # The last place before the first collision on the way in; in a crowd the far end of the way.
        first = int(np.argmax(hit)) if hit.any() else len(steps)
        x[k], y[k] = px[max(first - 1, 0)], py[max(first - 1, 0)]
    return x - x.mean(), y - y.mean()


def _group_sizes(rng: Rng, plan: Plan) -> list[tuple[int, float]]:
    """Sizes of groups with how heaped each is."""
    groups: list[tuple[int, float]] = []
    left = plan.spores
    while left > 0:
        kind = rng.random()
        size, heap = 1, 0.0
        if kind < plan.piled / 16:
            size, heap = int(rng.integers(6, 30)), float(rng.uniform(0.1, 0.7))
        elif kind < plan.piled / 16 + plan.touching * 0.6:
            size = int(rng.choice([2, 3, 4, 5], p=[0.45, 0.27, 0.17, 0.11]))
            heap = float(rng.choice([0.0, 0.1, 0.3]))
        size = min(size, left)
        groups.append((size, heap))
        left -= size
    return groups


def place_spores(
    rng: Rng, look: SporeLook, plan: Plan, view: tuple[int, int, int, int], px_um: float, spots: Floats
) -> Spores:
    """Draw where the spores lie: in and just around `view` (x, y, width, height), some at `spots` (n, 2).

    All in canvas pixels.
    """
    n = plan.spores
    low, high = (8.5, 17.0) if n <= 3 else (8.7, 16.8)
    length = np.clip(plan.length_um * (1 + plan.spread * rng.normal(size=n).clip(-2.5, 2.5)), low, high)
    aspect = np.clip(plan.aspect * (1 + 0.04 * rng.normal(size=n).clip(-2.5, 2.5)), 1.3, 1.8)
    width = length / aspect
    angle = rng.uniform(0, np.pi, n)
    x, y = np.zeros(n), np.zeros(n)
    start = 0
    edge = 0 if plan.preset == "good_focus" else 4 / px_um
    for size, heap in _group_sizes(rng, plan):
        part = slice(start, start + size)
        if size > 1 and rng.random() < 0.3:
            # Side by side, as they often stick.
            angle[part] = angle[start] + rng.normal(0, 0.25, size)
        dx, dy = _clump(rng, look, length[part], width[part], angle[part], heap)
        cx = rng.uniform(view[0] - edge, view[0] + view[2] + edge)
        cy = rng.uniform(view[1] - edge, view[1] + view[3] + edge)
        if len(spots) and rng.random() < plan.on_scales:
            spot = spots[int(rng.integers(len(spots)))] + rng.normal(0, 32 / px_um, 2)
            if view[0] < spot[0] < view[0] + view[2] and view[1] < spot[1] < view[1] + view[3]:
                cx, cy = spot
        x[part], y[part] = cx + dx / px_um, cy + dy / px_um
        start += size
    soft = np.where(rng.random(n) < 0.15, rng.uniform(0, 0.9, n), 0.0)
    if plan.preset == "good_focus":
        soft *= 0.4
    return Spores(x, y, length, width, angle, np.exp(rng.normal(0, 0.1, n)), soft)


def touching(look: SporeLook, spores: Spores, px_um: float) -> NDArray[np.int64]:
    """Count the spores in each one's touching group, from their outlines."""
    n = len(spores.x)
    if n < 2:
        return np.ones(n, np.int64)
    at = np.stack([spores.x, spores.y], axis=1) * px_um
    pairs = cKDTree(at).query_pairs(1.05 * spores.length_um.max(), output_type="ndarray")
    i, j = pairs[:, 0], pairs[:, 1]
    points = outline(look, spores.length_um[i], spores.width_um[i], spores.angle[i], 1.06)
    points += (at[i] - at[j])[:, None]
    size = 1.06 * spores.length_um[j][:, None], 1.06 * spores.width_um[j][:, None]
    meet = _within(look, points[..., 0], points[..., 1], *size, spores.angle[j][:, None]).any(axis=1)
    links = coo_array((np.ones(int(meet.sum())), (i[meet], j[meet])), shape=(n, n))
    _, label = connected_components(links, directed=False)
    return np.bincount(label)[label]


def lay_spores(
    canvas: Canvas, look: SporeLook, spores: Spores, which: Iterable[int], focus: Array, blur_um: Array
) -> tuple[Floats, Floats]:
    """Lay spores one by one, `which` from the lowest up, with signed defocus and blur from the canvas's maps.

    Returns
    -------
    contrast, shown : ndarray of shape (n,)
        Mean density over the surroundings after blur, and its root mean square; 0 for those not laid.
    """
    contrast, seen = np.zeros(len(spores.x)), np.zeros(len(spores.x))
    px = canvas.px_um
    fine = int(np.ceil(px / 0.3))
    rows, cols = canvas.kinds.shape
    for k in which:
        a, b = spores.length_um[k] / 2, spores.width_um[k] / 2
        soft = spores.soft_um[k]
        reach = int(np.ceil((1.15 * a + look.halo_um + 2 * soft) / px)) + 1
        x, y = round(float(spores.x[k])), round(float(spores.y[k]))
        side = 2 * reach + 1
        grid = (((np.arange(side * fine) + 0.5) / fine - 0.5 - reach) * px).astype(np.float32)
        dx = grid[None] - np.float32((spores.x[k] - x) * px)
        dy = grid[:, None] - np.float32((spores.y[k] - y) * px)
        cos, sin = np.float32(np.cos(spores.angle[k])), np.float32(np.sin(spores.angle[k]))
        at = int(np.clip(y, 0, rows - 1)), int(np.clip(x, 0, cols - 1))
        u, v = dx * cos + dy * sin, dy * cos - dx * sin
        shown, cover = look.density(u, v, a, b, float(focus[at]), px / fine)
        shown *= np.float32(spores.strength[k])
        # Light adds up within a pixel, density does not.
        through = np.power(np.float32(10), -shown)
        if fine > 1:
            through = through.reshape(side, fine, side, fine, 3).mean(axis=(1, 3))
            cover = cover.reshape(side, fine, side, fine).mean(axis=(1, 3))
        if soft / px > 0.3:
            through = cv2.GaussianBlur(through, (0, 0), soft / px, borderType=cv2.BORDER_REPLICATE)
        sigma = max(float(blur_um[at]) / px, 0.3)
        density = -np.log10(np.maximum(cv2.GaussianBlur(through, (0, 0), sigma) @ LUMA, 1e-3))
        inside = cover > 0.5
        if inside.any():
            over = density[inside] - density[cover < 0.02].mean()
            contrast[k], seen[k] = over.mean(), np.sqrt((over**2).mean())
        canvas.lay_centred(x, y, through, inside, KIND["spore"], owner=k)
    return contrast, seen
