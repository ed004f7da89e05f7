"""Spores: their outline, five ways of painting them, and how they lie singly and in touching groups."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from sporecount.simulate.primitives.ground import KIND, LUMA, Array, Sheet
from sporecount.simulate.primitives.style import Plan

PAINTERS = ("rimmed", "glassy", "solid", "pale", "shiny")
TURNS = np.linspace(0, 2 * np.pi, 28, endpoint=False)


class Look:
    """How the spores of one print look: an outline |u|^p + |v|^q = 1, painted in one of the `PAINTERS`.

    `colour` is the optical density of red, green and blue at a `strength` of one; `rim` and `middle` are densities
    relative to the body's; `uneven` is the spread of density between spores.
    """

    def __init__(self, rng: np.random.Generator, plan: Plan) -> None:
        weights = (0.2, 0.05, 0.25, 0.1, 0.4) if plan.from_above else (0.36, 0.26, 0.16, 0.14, 0.08)
        painter = str(rng.choice(PAINTERS, p=weights))
        lens = rng.random() < 0.5
        strength, rim, middle = {
            "rimmed": (rng.uniform(0.12, 0.32), rng.uniform(1.3, 2.6), rng.uniform(0.35, 0.9)),
            "glassy": (rng.uniform(0.16, 0.3), rng.uniform(1.6, 2.8), rng.uniform(-0.15, 0.3)),
            "solid": (rng.uniform(0.25, 0.6), rng.uniform(1, 1.5), 1.0),
            "pale": (rng.uniform(0.09, 0.17), rng.uniform(1.8, 3.2), rng.uniform(0.2, 0.7)),
            "shiny": (rng.uniform(0.25, 0.55), rng.uniform(1, 1.6), rng.uniform(0.6, 1.1)),
        }[painter]
        colour = np.array([rng.uniform(0.45, 0.85), 1.0, rng.uniform(1.25, 2.3)])
        self.painter = painter
        self.p = float(rng.uniform(1.9, 2.2) if lens else rng.uniform(1.85, 2.1))
        self.q = float(rng.uniform(1.15, 1.45) if lens else rng.uniform(1.45, 1.95))
        self.colour = (colour / (colour @ LUMA)).astype(np.float32)
        self.strength = float(strength)
        self.rim = float(rim)
        self.middle = float(middle)
        self.rim_um = float(rng.uniform(0.6, 1.7))
        self.halo = float(rng.uniform(0.0, 0.3) if painter == "glassy" else rng.uniform(-0.02, 0.14))
        self.halo_um = float(rng.uniform(0.5, 1.6))
        self.grain = float(rng.uniform(0, 0.25)) if rng.random() < 0.5 else 0.0
        self.line = float(rng.uniform(-0.35, 0.35)) if rng.random() < 0.3 else 0.0
        self.uneven = float(rng.uniform(0.04, 0.16))

    def depth(self, u: Array, v: Array, a: float, b: float) -> Array:
        """Distance inside the outline, nearly in the unit of the axes; negative outside."""
        x, y = np.abs(u) / a + 1e-4, np.abs(v) / b + 1e-4
        level = x**self.p + y**self.q
        slope = np.hypot(self.p * x ** (self.p - 1) / a, self.q * y ** (self.q - 1) / b)
        return np.asarray(np.clip((1 - level) / slope, -4 * b, b), np.float32)

    def outline(self, a: float | Array, b: float | Array) -> tuple[Array, Array]:
        """Points along the outline."""
        c, s = np.cos(TURNS), np.sin(TURNS)
        u = np.sign(c) * np.abs(c) ** (2 / self.p)
        v = np.sign(s) * np.abs(s) ** (2 / self.q)
        return np.asarray(u * a, np.float32), np.asarray(v * b, np.float32)

    def paint(
        self, depth: Array, u: Array, v: Array, a: float, b: float, share: float, grain: Array
    ) -> Array:
        """Transmission of a spore, in colour; 1 outside but for the halo."""
        inner = np.clip(depth / b, 0, 1)
        edge = np.exp(-0.5 * ((depth - 0.5 * self.rim_um) / (0.45 * self.rim_um)) ** 2)
        heart = np.clip((inner - 0.25) / 0.6, 0, 1)
        heart = heart * heart * (3 - 2 * heart)
        density = 1 + (self.rim - 1) * edge + (self.middle - 1) * heart
        if self.painter == "solid":
            density = 0.55 + 0.45 * np.sqrt(inner) + (self.rim - 1) * 0.3 * edge
        elif self.painter == "shiny":
            spot = np.exp(-(((u - 0.15 * a) / (0.4 * a)) ** 2) - ((v + 0.3 * b) / (0.3 * b)) ** 2)
            density = density * (1 - 0.55 * spot)
        density = density + self.line * np.exp(-((v / (0.16 * b)) ** 2)) * (np.abs(u) < 0.6 * a)
        density = density * (1 + self.grain * grain)
        # A pale spore is nearly without colour.
        colour = 0.55 * self.colour + 0.45 if self.painter == "pale" else self.colour
        od = self.strength * share * density[..., None] * colour
        inside = (depth > 0)[..., None]
        ring = np.exp(-((np.minimum(depth, 0) / self.halo_um) ** 2)) * (depth <= 0)
        return np.asarray(np.where(inside, 10 ** (-od), 1 + self.halo * ring[..., None]), np.float32)


@dataclass
class Spores:
    """The spores of one photo, one row each: sheet pixels, radians, um; the last three are known once painted."""

    x: Array
    y: Array
    angle: Array
    length_um: Array
    width_um: Array
    whole_px: Array
    contrast: Array
    clear: Array

    def outlines(self, look: Look, px_um: float, grow: float = 1.0) -> Array:
        """Points along each outline, of shape (n, points, 2), in sheet pixels."""
        half = 0.5 * grow / px_um
        u, v = look.outline(half * self.length_um[:, None], half * self.width_um[:, None])
        c, s = np.cos(self.angle)[:, None], np.sin(self.angle)[:, None]
        return np.stack([self.x[:, None] + u * c - v * s, self.y[:, None] + u * s + v * c], axis=2)

    def level(self, look: Look, which: Array, points: Array, px_um: float) -> Array:
        """Where rows of points lie in the spores `which`: below 1 inside, 1 at the outline."""
        dx = (points[..., 0] - self.x[which][:, None]) * px_um
        dy = (points[..., 1] - self.y[which][:, None]) * px_um
        c, s = np.cos(self.angle[which])[:, None], np.sin(self.angle[which])[:, None]
        u, v = np.abs(dx * c + dy * s), np.abs(dy * c - dx * s)
        half_u, half_v = self.length_um[which][:, None] / 2, self.width_um[which][:, None] / 2
        return np.asarray((u / half_u) ** look.p + (v / half_v) ** look.q)


def _group(rng: np.random.Generator, look: Look, number: int, size: Array, pile: bool) -> Array:
    """Lay a touching group around (0, 0): rows of x, y in um and angle."""
    a, b = size[:, 0] / 2, size[:, 1] / 2
    placed = np.zeros((number, 3))
    placed[0, 2] = rng.uniform(0, np.pi)
    for k in range(1, number):
        best, found = -np.inf, placed[0]
        for _ in range(4 if pile else 7):
            at = int(rng.integers(k))
            turn = rng.uniform(0, 2 * np.pi)
            beside = rng.choice([0.0, 0.0, np.pi / 2, rng.uniform(0, np.pi)])
            angle = placed[at, 2] + beside + rng.normal(0, 0.15)
            steps = np.linspace(0.25, 1.02, 40) * (a[at] + a[k])
            u, v = look.outline(a[k], b[k])
            c, s = np.cos(angle), np.sin(angle)
            # The new one slides in along its direction until the outlines meet.
            dx = steps[:, None] * np.cos(turn) + (u * c - v * s)
            dy = steps[:, None] * np.sin(turn) + (u * s + v * c)
            c, s = np.cos(placed[at, 2]), np.sin(placed[at, 2])
            inside = (np.abs(dx * c + dy * s) / a[at]) ** look.p + (np.abs(dy * c - dx * s) / b[at]) ** look.q
            free = inside.min(axis=1) > (rng.uniform(0.25, 1) if pile else rng.uniform(0.8, 1.0))
            gap = steps[int(np.argmax(free))] if free.any() else steps[-1]
            spot = placed[at, :2] + gap * np.array([np.cos(turn), np.sin(turn)])
            others = np.delete(placed[:k, :2], at, axis=0)
            apart = float(np.hypot(*(others - spot).T).min() - b[:k].mean() * 1.9) if k > 1 else 1.0
            if apart > best:
                best, found = apart, np.array([*spot, angle])
            if best > 0:
                break
        placed[k] = found
    return np.asarray(placed)


def place_spores(
    rng: np.random.Generator, look: Look, plan: Plan, view: tuple[float, float, float, float]
) -> Spores:
    """Lay all spores in the view (left, top, right, bottom), singly and in groups, in random order."""
    px_um = plan.um_per_px
    n = plan.spores
    length = np.clip(plan.length_um * (1 + plan.spread * rng.normal(size=n)), 8.5, 17)
    width = length / np.clip(plan.aspect * (1 + 0.04 * rng.normal(size=n)), 1.3, 1.8)
    left, top, right, bottom = view
    rows = np.zeros((n, 3))
    centres = np.full((n, 2), np.inf)
    done = 0
    while done < n:
        many = 1
        if rng.random() < plan.clumped / 2:
            big = plan.preset == "heavy" and rng.random() < 0.15
            many = int(rng.integers(6, plan.largest + 1) if big else rng.choice([2, 2, 3, 4, 5]))
        if plan.preset == "heavy" and done == 0:
            many = min(n, 4 + int(rng.integers(3)))
        many = min(many, n - done)
        pile = many > 5 and rng.random() < 0.6
        here = slice(done, done + many)
        group = _group(rng, look, many, np.stack([length[here], width[here]], 1), pile)
        radius = (np.hypot(group[:, 0], group[:, 1]).max() + length[done] / 2) / px_um
        spot = np.zeros(2)
        for _ in range(8):
            spot = np.array([rng.uniform(left, right), rng.uniform(top, bottom)])
            near = np.hypot(*(centres[:done] - spot).T) if done else np.array([np.inf])
            if near.min() > radius + 0.6 * length[done] / px_um:
                break
        rows[here, :2] = spot + group[:, :2] / px_um
        rows[here, 2] = group[:, 2]
        centres[here] = rows[here, :2]
        done += many
    order = rng.permutation(n)
    x, y, angle = rows[order].T
    return Spores(x, y, angle, length[order], width[order], np.zeros(n), np.zeros(n), np.ones(n))


def lay_spores(
    rng: np.random.Generator, sheet: Sheet, look: Look, spores: Spores, which: range, variance_um2: Array
) -> None:
    """Paint spores on the sheet, and note what each one shows by itself, blurred as at its place."""
    px = sheet.um_per_px
    fine = int(np.clip(np.ceil(px / 0.28), 1, 6))
    rows, cols = sheet.kinds.shape
    for k in which:
        x, y, a, b = spores.x[k], spores.y[k], spores.length_um[k] / 2, spores.width_um[k] / 2
        reach = int((a + 2 * look.halo_um) / px) + 2
        x0, y0 = round(x) - reach, round(y) - reach
        side = 2 * reach + 1
        at = (np.arange(side * fine) + 0.5) / fine - 0.5
        dx, dy = ((at + x0 - x) * px)[None], ((at + y0 - y) * px)[:, None]
        c, s = np.cos(spores.angle[k]), np.sin(spores.angle[k])
        u, v = (dx * c + dy * s).astype(np.float32), (dy * c - dx * s).astype(np.float32)
        depth = look.depth(u, v, a, b)
        grain: Array = np.zeros((1, 1), np.float32)
        if look.grain:
            coarse = rng.normal(size=(9, 9)).astype(np.float32)
            grain = cv2.resize(coarse, (side * fine, side * fine), interpolation=cv2.INTER_CUBIC)
        tint: Array = look.paint(depth, u, v, a, b, 1 + look.uneven * rng.normal(), grain)
        alpha: Array = np.clip(depth / (px / fine) + 0.5, 0, 1)
        if fine > 1:
            tint = cv2.resize(tint, (side, side), interpolation=cv2.INTER_AREA)
            alpha = cv2.resize(alpha, (side, side), interpolation=cv2.INTER_AREA)
        mine = alpha > 0.5
        spores.whole_px[k] = max(1, mine.sum())
        top, left = max(0, y0), max(0, x0)
        bottom, right = min(rows, y0 + side), min(cols, x0 + side)
        if bottom <= top or right <= left:
            continue
        box = slice(top, bottom), slice(left, right)
        cut = slice(top - y0, bottom - y0), slice(left - x0, right - x0)
        old = sheet.light[box]
        solid = sheet.solid * alpha[cut][..., None] * 0.8
        before = float(np.median(old @ LUMA))
        sheet.light[box] = tint[cut] * ((1 - solid) * old + solid * sheet.level)
        row, col = int(np.clip(round(y), 0, rows - 1)), int(np.clip(round(x), 0, cols - 1))
        sigma = float(np.sqrt(variance_um2[row, col])) / px
        body = sheet.solid * 0.8 * alpha
        alone = (tint @ LUMA) * (1 - body + body * float(sheet.level @ LUMA) / max(before, 1e-3))
        soft = cv2.GaussianBlur(alone, (0, 0), max(sigma, 0.3), borderType=cv2.BORDER_REPLICATE)
        spores.contrast[k] = -float(np.log10(max(1e-3, soft[mine].mean() if mine.any() else 1.0)))
        spores.clear[k] = max(1e-3, float(sheet.clear[row, col]))
        sheet.kinds[box][mine[cut]] = KIND["spore"]
        sheet.owner[box][mine[cut]] = k


def _pairs(look: Look, spores: Spores, px_um: float, grow: float) -> tuple[Array, Array, Array]:
    """Ordered pairs of near spores, and where the grown outline of the first lies in the second."""
    if len(spores.x) < 2:
        return np.zeros(0, np.intp), np.zeros(0, np.intp), np.zeros((0, len(TURNS)), np.float32)
    tree = cKDTree(np.stack([spores.x, spores.y], 1))
    near = tree.query_pairs(float(spores.length_um.max()) * 1.1 / px_um, output_type="ndarray")
    first, second = np.concatenate([near, near[:, ::-1]]).T
    points = spores.outlines(look, px_um, grow)
    return first, second, spores.level(look, second, points[first], px_um)


def touching(look: Look, spores: Spores, px_um: float) -> Array:
    """Size of the touching group of each spore; a gap below about a third of a micrometre is none."""
    n = len(spores.x)
    first, second, level = _pairs(look, spores, px_um, 1.05)
    meet = level.min(axis=1, initial=9.0) < 1.05
    graph = coo_array((np.ones(int(meet.sum())), (first[meet], second[meet])), shape=(n, n))
    _, label = connected_components(graph, directed=False)
    return np.asarray(np.bincount(label, minlength=1)[label], np.intp)


def followed(look: Look, spores: Spores, px_um: float, soft: Array) -> Array:
    """Share of each outline that an eye can follow: not lost in a neighbour, least where that one lies on top.

    `soft` is the blur at each spore in um; a neighbour closer than the blur melts into it.
    """
    n = len(spores.x)
    worth = np.ones((n, len(TURNS)))
    first, second, level = _pairs(look, spores, px_um, 1.0)
    near = 1 + 2.5 * soft[second] / (spores.width_um[second] / 2)
    inside = np.where(second > first, 0.1, 0.5)[:, None]
    loss = np.where(level < 0.9, inside, np.where(level < near[:, None], 0.4, 1))
    np.minimum.at(worth, first, loss)
    return np.asarray(worth.mean(axis=1))
