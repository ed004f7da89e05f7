"""Spores: the look that one print's spores share, where they lie, and how they are laid."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from sporecount.simulate.depths.plan import Plan
from sporecount.simulate.depths.sheets import LUMA, Array, Canvas, Inside

Rng = np.random.Generator
Column = NDArray[np.float64]
LOOKS = {
    "amber": ((0.4, 0.75), (1.4, 2.3), (0.2, 0.56), (1.0, 1.0), (0.3, 1.6), (0.1, 0.8)),
    "pale": ((0.75, 0.95), (1.05, 1.5), (0.2, 0.38), (0.4, 0.8), (1.4, 2.8), (0.4, 1.1)),
    "brown": ((0.7, 0.9), (1.2, 1.7), (0.34, 0.74), (1.0, 1.0), (0.0, 0.7), (-0.2, 0.5)),
    "grey": ((0.9, 1.05), (0.95, 1.15), (0.2, 0.5), (0.6, 1.0), (0.5, 2.0), (0.0, 0.9)),
}
"""Ranges of red and blue against green, mean density, and shares of body, rim and (bright) middle."""


@dataclass(frozen=True)
class SporeLook:
    """What the spores of one print share; lengths in um, the rest as shares of the mean density."""

    name: str
    tint: Array
    strength: float
    length_um: float
    aspect: float
    point: float
    rim_um: float
    middle_share: float
    halo_um: float
    oblique_way: float
    body: float
    rim: float
    middle: float
    halo: float
    oblique: float

    def outline(self, along: Array, across: Array, length: float, width: float) -> tuple[Array, Array]:
        """Depth inside the outline (negative outside) and the shares of the half length, um grids alike."""
        a, b = length / 2, width / 2
        t = np.abs(along) / a
        core = np.clip(1 - t**2, 1e-4, 1)
        half = b * core**self.point
        slope = np.minimum(2 * self.point * b / a * t * core ** (self.point - 1), 1.3)
        depth = (half - np.abs(across)) / np.sqrt(1 + slope**2)
        beyond = -np.hypot(np.maximum(np.abs(along) - a, 0), np.abs(across))
        return np.where(t < 1, depth, beyond).astype(np.float32), t.astype(np.float32)

    def pattern(
        self, along: Array, across: Array, length: float, width: float, turn: float = 0.0
    ) -> tuple[Array, Inside]:
        """Density in units of the print's strength, and what is inside the outline of a spore turned by `turn`."""
        slope = self.oblique_way - turn  # the lamp stands to one side of the view, not of the spore
        depth, t = self.outline(along, across, length, width)
        skin = np.clip(depth / 0.3 + 0.5, 0, 1)
        rim = np.exp(-(((depth - self.rim_um) / (0.9 * self.rim_um)) ** 2))
        m = self.middle_share
        middle = np.exp(-0.5 * ((across / (m * width / 2)) ** 2 + (t / (1.15 * m)) ** 2))
        way = along * np.cos(slope) + across * np.sin(slope)
        slant = self.oblique * way / (width / 2)
        density = skin * (self.body + self.rim * rim - self.middle * middle + slant)
        density -= (1 - skin) * self.halo * np.exp(np.minimum(depth, 0) / self.halo_um)
        return density.astype(np.float32), depth > 0


@dataclass
class Spores:
    """Columns of all spores, the lowest first; places in pixels of the canvas, `angle` in radians."""

    x: Column
    y: Column
    length_um: Column
    width_um: Column
    angle: Column
    strength: Column
    soft_um: Column
    drawn_px: Column
    contrast: Column


def draw_look(rng: Rng, plan: Plan) -> SporeLook:
    """Draw what the spores of a print have in common."""
    name = str(rng.choice(list(LOOKS), p=[0.42, 0.24, 0.2, 0.14]))
    red, blue, strength, body, rim, middle = (float(rng.uniform(*ends)) for ends in LOOKS[name])
    if plan.preset == "hard":
        strength *= rng.uniform(0.55, 1.0)
    colour = np.array([red, 1.0, blue], np.float32)
    # Below focus the middle gathers light, above it looks dark.
    middle += 0.27 * float(np.clip(plan.defocus_um, -1.5, 1.5))
    slant = rng.uniform(0, 0.3 if rng.random() < 0.4 else 0.06)
    halo = 0.8 * rng.beta(1.3, 3)
    ends = (9.6, 15.2), (1.4, 1.72), (0.56, 0.85), (0.45, 1.0), (0.25, 0.5), (0.5, 1.4), (0, 2 * np.pi)
    shape = [float(rng.uniform(*pair)) for pair in ends]
    tint = np.asarray(colour / (colour @ LUMA), np.float32)
    look = SporeLook(name, tint, strength, *(*shape, body, rim, middle, halo, slant))
    # Strength means the mean density inside the outline, so the pattern's own mean must be one.
    u, v = np.mgrid[-9:9:120j, -6:6:80j].astype(np.float32)
    pattern, inside = look.pattern(u, v, look.length_um, look.length_um / look.aspect)
    mean = max(0.25, float(pattern[inside].mean()))
    body, rim, middle, halo, slant = (part / mean for part in (body, rim, middle, halo, slant))
    return replace(look, body=body, rim=rim, middle=middle, halo=halo, oblique=slant)


def place_spores(rng: Rng, look: SporeLook, plan: Plan, margin_px: int, shape: tuple[int, int]) -> Spores:
    """Place spores singly and in touching groups; `shape` is that of the view, inside the margin."""
    n, px = plan.spores, plan.um_per_px
    spread = rng.uniform(0.03, 0.08)
    length = np.clip(look.length_um * (1 + spread * rng.standard_normal(n)), 8.5, 17.0)
    aspect = np.clip(look.aspect * (1 + 0.7 * spread * rng.standard_normal(n)), 1.3, 1.8)
    edge = 3 / px
    x, y = rng.uniform(-edge, shape[1] - 1 + edge, n), rng.uniform(-edge, shape[0] - 1 + edge, n)
    angle = rng.uniform(0, np.pi, n)
    # Groups grow from a spore outwards, each newcomer touching an earlier one; in piles they overlap.
    k, pile = 0, rng.uniform(0.6, 0.95)
    to_group = int(plan.clumped * n)
    while k < to_group:
        size = min(2 + int(rng.exponential(5.0 if plan.preset == "heavy" else 1.6)), to_group - k)
        if plan.preset == "heavy" and k == 0:
            size = min(n, max(size, 6))
        for j in range(k + 1, k + size):
            mate = int(rng.integers(k, j))
            way = rng.uniform(0, 2 * np.pi)
            if rng.random() < 0.4:
                angle[j] = angle[mate] + rng.normal(0, 0.2)
            pair = np.array([mate, j])
            reach = _reach(length[pair], length[pair] / aspect[pair], way - angle[pair])
            gap = rng.uniform(pile, 1.02) * reach.sum()
            x[j] = np.clip(x[mate] + gap * np.cos(way) / px, -edge, shape[1] - 1 + edge)
            y[j] = np.clip(y[mate] + gap * np.sin(way) / px, -edge, shape[0] - 1 + edge)
        k += max(size, 1)
    order = rng.permutation(n)
    strength = look.strength * np.exp(0.13 * rng.standard_normal(n))
    strength[rng.random(n) < 0.06] *= 0.6
    soft = np.abs(rng.normal(0, 0.25 if plan.preset == "good_focus" else 0.45, n))
    x, y, length, aspect, angle = (a[order] for a in (x + margin_px, y + margin_px, length, aspect, angle))
    return Spores(x, y, length, length / aspect, angle % np.pi, strength, soft, np.ones(n), np.zeros(n))


def _reach(length: Column, width: Column, way: Column) -> Column:
    """Radius of ovals in a direction from their long axes."""
    return np.asarray(length * width / 2 / np.hypot(width * np.cos(way), length * np.sin(way)))


def lay_spores(
    canvas: Canvas, look: SporeLook, spores: Spores, us: range, sheet: str, blur_um: Array
) -> None:
    """Lay spores on a sheet and note what contrast each keeps under the `blur_um` of its place."""
    for k in us:
        length, width = float(spores.length_um[k]), float(spores.width_um[k])
        win = canvas.window(spores.x[k], spores.y[k], length / 2 + 2.5, float(spores.angle[k]))
        at = round(spores.y[k]), round(spores.x[k])
        cell_um, keep = canvas.px_um / win.finer, cv2.BORDER_REPLICATE
        density, inside = look.pattern(win.along, win.across, length, width, float(spores.angle[k]))
        density *= np.float32(spores.strength[k])
        soft = float(spores.soft_um[k]) / cell_um
        if soft > 0.3:
            density = np.asarray(cv2.GaussianBlur(density, (0, 0), soft, borderType=keep))
        hidden = np.zeros(canvas.kinds[win.box].shape, bool)
        if sheet == "under":
            clear = canvas.clear[win.box]
            density = density * np.kron(clear, np.ones((win.finer, win.finer), np.float32))
            # Beneath a scale that hides it nobody would see a spore there.
            hidden = (clear * spores.strength[k] < 0.08) & (clear < 1)
        blurred = max(float(blur_um[at]) / cell_um, 0.2)
        passed = np.exp(-np.log(10.0) * density)
        passed = np.asarray(cv2.GaussianBlur(passed, (0, 0), blurred, borderType=keep))
        if inside.any():
            spores.contrast[k] = float(-np.log10(np.clip(passed[inside], 1e-4, None)).mean())
        before = canvas.kinds[win.box].copy()
        mine = canvas.lay(sheet, win, density, inside, "spore", look.tint)
        spores.drawn_px[k] = max(1, int(mine.sum()))
        canvas.owner[win.box][mine & ~hidden] = k
        canvas.kinds[win.box][mine & hidden] = before[mine & hidden]


def touching(spores: Spores, px_um: float) -> tuple[NDArray[np.int64], Column]:
    """Size of each spore's touching group, and the share of its outline that can be followed.

    A stretch inside a higher spore is lost; over a lower spore it is half as good as on bare ground.
    """
    n = len(spores.x)
    if n == 0:
        return np.zeros(0, np.int64), np.zeros(0)
    place = np.column_stack([spores.x, spores.y]) * px_um
    pairs = cKDTree(place).query_pairs(float(spores.length_um.max()) + 0.5, output_type="ndarray")
    i, j = pairs[:, 0], pairs[:, 1]
    step = place[j] - place[i]
    way, gap = np.arctan2(step[:, 1], step[:, 0]), np.hypot(step[:, 0], step[:, 1])
    a, b = spores.length_um / 2, spores.width_um / 2
    radii = [_reach(spores.length_um[k], spores.width_um[k], way - spores.angle[k]) for k in (i, j)]
    touch = gap <= radii[0] + radii[1] + 0.3
    i, j = i[touch], j[touch]
    graph = coo_array((np.ones(len(i)), (i, j)), shape=(n, n))
    label = connected_components(graph, directed=False)[1]
    size = np.bincount(label)[label]
    turns = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    cos, sin = np.cos(spores.angle), np.sin(spores.angle)
    u, v = a[:, None] * np.cos(turns), b[:, None] * np.sin(turns)
    edge_x = place[:, :1] + u * cos[:, None] - v * sin[:, None]
    edge_y = place[:, 1:] + u * sin[:, None] + v * cos[:, None]
    followed = np.ones((n, len(turns)))
    for low, high in zip(np.minimum(i, j), np.maximum(i, j), strict=True):
        for mine, other, left in ((low, high, 0.0), (high, low, 0.5)):
            dx, dy = edge_x[mine] - place[other, 0], edge_y[mine] - place[other, 1]
            along, across = dx * cos[other] + dy * sin[other], dy * cos[other] - dx * sin[other]
            within = (along / a[other]) ** 2 + (across / b[other]) ** 2 < 1
            followed[mine, within] = np.minimum(followed[mine, within], left)
    return size.astype(np.int64), followed.mean(axis=1)
