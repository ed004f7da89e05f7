"""Spores of one print: how they are built, and where they lie."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree
from scipy.special import beta

from sporecount.simulate.lamps.bench import Bench, Patch, light_up
from sporecount.simulate.lamps.style import LUMA, Array, Light, Style, log_uniform

BLURS_UM = (0.3, 0.6, 1.0, 1.5, 2.2, 3.2, 4.5)


@dataclass(frozen=True)
class Build:
    """What the spores of one print have in common."""

    length_um: float
    aspect: float
    spread: float  # relative, of the length
    pointed: float  # 0.5 for an ellipse, 1 for ends like those of a lemon
    pigment: Array  # density of the thick middle
    wall: float  # density of the wall, relative to the pigment
    wall_um: float
    middle: float  # above 0 a paler middle, below 0 a darker one
    bend: float  # this and the next two as in `Patch`
    white: float
    gloss: float

    def area_um2(self, length_um: float, width_um: float) -> float:
        """Area inside the outline."""
        return float(length_um * width_um * beta(0.5, self.pointed + 1) / 2)

    def level(self, along: NDArray[np.float64], across: NDArray[np.float64]) -> NDArray[np.float64]:
        """Shape function, 1 on the outline, of coordinates in half lengths and half widths."""
        return np.asarray(along**2 + np.abs(across) ** (1 / self.pointed), np.float64)

    def draw(
        self,
        rng: np.random.Generator,
        px_um: float,
        at: tuple[float, float],
        size: tuple[float, float],
        angle: float,
    ) -> tuple[Patch, int, int]:
        """Draw one spore with its centre (x, y) in grid pixels and its length and width in um.

        Returns its patch with the row and column of the patch's corner.
        """
        a, b = size[0] / 2, size[1] / 2
        reach = int((a + 2.0) / px_um) + 2
        col, row = int(np.floor(at[0])), int(np.floor(at[1]))
        steps = np.arange(-reach, reach + 2, dtype=np.float32)
        x = ((steps - np.float32(at[0] - col)) * np.float32(px_um))[None]
        y = ((steps - np.float32(at[1] - row)) * np.float32(px_um))[:, None]
        c, s = np.float32(np.cos(angle)), np.float32(np.sin(angle))
        u, v = (x * c + y * s) / np.float32(a), np.abs(y * c - x * s) / np.float32(b)
        power = np.float32(1 / self.pointed)
        raised = np.maximum(v, 1e-3) ** (power - 1)
        level = u**2 + raised * v
        steep = np.sqrt((2 * u / a) ** 2 + (power * raised / b) ** 2) + 1e-3
        depth_um = (1 - level) / steep
        inside = np.clip(depth_um / px_um + 0.5, 0, 1)
        thick = np.sqrt(np.clip(1 - level, 0, 1))
        wall = np.exp(-(((depth_um - 0.5 * self.wall_um) / self.wall_um) ** 2))
        shift = rng.normal(0, 0.12)
        core = np.exp(-(((u - shift) / 0.55) ** 2 + (v / 0.5) ** 2))
        amount = inside * (0.25 + 0.75 * thick) * (1 - self.middle * core) + inside * self.wall * wall
        own = np.float32(np.exp(rng.normal(0, 0.1)))
        density = amount[..., None].astype(np.float32) * (self.pigment * own)
        height = (thick * b * 0.8).astype(np.float32)
        patch = Patch(density, height, inside.astype(np.float32), self.bend, self.white, self.gloss)
        return patch, row - reach, col - reach


def draw_build(rng: np.random.Generator) -> Build:
    """Draw the spores' common look: from almost colourless or pale straw to dark chestnut."""
    small = rng.random() < 0.45
    amber = np.array([rng.uniform(0.12, 0.4), rng.uniform(0.5, 0.72), 1.0])
    grey = rng.uniform(0, 0.85) if rng.random() < 0.25 else rng.uniform(0, 0.3)
    tint = (1 - grey) * amber + grey * np.array([0.75, 0.75, 0.75])
    tint /= tint @ LUMA
    return Build(
        length_um=float(rng.uniform(9.3, 10.5) if small else rng.uniform(9.3, 15.5)),
        aspect=float(rng.uniform(1.38, 1.72)),
        spread=float(rng.uniform(0.03, 0.08)),
        pointed=float(rng.uniform(0.55, 0.92)),
        pigment=(tint * log_uniform(rng, 0.075, 0.55)).astype(np.float32),
        wall=float(rng.uniform(0.1, 1.3)),
        wall_um=float(rng.uniform(0.45, 1.1)),
        middle=float(rng.uniform(-0.3, 0.75)),
        bend=float(rng.uniform(0.4, 1.1)),
        white=float(rng.uniform(0.01, 0.08)),
        gloss=float(rng.uniform(0, 0.6)),
    )


@dataclass(frozen=True)
class Spores:
    """Places and sizes of all spores, as columns, in pixels of the bench and um."""

    x: NDArray[np.float64]
    y: NDArray[np.float64]
    length_um: NDArray[np.float64]
    width_um: NDArray[np.float64]
    angle: NDArray[np.float64]

    def outline(self, build: Build, px_um: float, out_um: float, points: int = 24) -> NDArray[np.float64]:
        """Points on each outline, pushed outwards by `out_um`: an array of (n, points, 2)."""
        turn = np.linspace(0, 2 * np.pi, points, endpoint=False)
        along, across = np.cos(turn), np.sign(np.sin(turn)) * np.abs(np.sin(turn)) ** (2 * build.pointed)
        u = (self.length_um[:, None] / 2 + out_um) * along / px_um
        v = (self.width_um[:, None] / 2 + out_um) * across / px_um
        c, s = np.cos(self.angle)[:, None], np.sin(self.angle)[:, None]
        return np.stack([self.x[:, None] + u * c - v * s, self.y[:, None] + u * s + v * c], axis=2)

    def crossings(
        self, build: Build, px_um: float, out_um: float
    ) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
        """Near pairs (m, 2) and which outline points of the first lie in the second (m, points)."""
        if len(self.x) < 2:
            return np.zeros((0, 2), np.int64), np.zeros((0, 24), bool)
        tree = cKDTree(np.stack([self.x, self.y], axis=1))
        half = tree.query_pairs((float(self.length_um.max()) + 2 * out_um) / px_um, output_type="ndarray")
        pairs = np.concatenate([half, half[:, ::-1]]).astype(np.int64)
        points = self.outline(build, px_um, out_um)[pairs[:, 0]]
        other = pairs[:, 1]
        dx = (points[..., 0] - self.x[other][:, None]) * px_um
        dy = (points[..., 1] - self.y[other][:, None]) * px_um
        c, s = np.cos(self.angle[other])[:, None], np.sin(self.angle[other])[:, None]
        u = (dx * c + dy * s) / (self.length_um[other][:, None] / 2)
        v = (dy * c - dx * s) / (self.width_um[other][:, None] / 2)
        return pairs, np.asarray(build.level(u, v) < 1)

    def groups(self, build: Build, px_um: float) -> NDArray[np.int64]:
        """Count the spores in each one's touching group; a gap below 0.5 um counts as touching."""
        number = len(self.x)
        pairs, crossed = self.crossings(build, px_um, 0.5)
        hit = pairs[crossed.any(axis=1)]
        links = coo_array((np.ones(len(hit)), (hit[:, 0], hit[:, 1])), shape=(number, number))
        names = connected_components(links, directed=False)[1]
        return np.asarray(np.bincount(names, minlength=1)[names], np.int64)

    def followed(self, build: Build, px_um: float, blur_um: float) -> NDArray[np.float64]:
        """Share of each outline that borders on something else than another spore, within the blur."""
        pairs, crossed = self.crossings(build, px_um, min(1.2, 0.2 + 0.4 * blur_um))
        covered = np.zeros((len(self.x), 24), bool)
        np.logical_or.at(covered, pairs[:, 0], crossed)
        return np.asarray(1 - covered.mean(axis=1), np.float64)


def place_spores(
    rng: np.random.Generator,
    style: Style,
    build: Build,
    shape: tuple[int, int],
    px_um: float,
    scales: NDArray[np.float64],
) -> Spores:
    """Strew single spores and touching groups over the bench, some of them towards the scales (x, y)."""
    number = style.spores
    length = np.clip(build.length_um * np.exp(rng.normal(0, build.spread, number)), 8.6, 16.9)
    aspect = np.clip(build.aspect * np.exp(rng.normal(0, 0.03, number)), 1.31, 1.79)
    angle = rng.uniform(0, np.pi, number)
    places = np.zeros((number, 2))
    near = log_uniform(rng, 0.05, 0.6)
    inward = np.array(shape[::-1])
    done = 0
    while done < number:
        for _ in range(12):
            spot = rng.uniform(0, 1, 2) * inward
            if len(scales) and rng.random() < near:
                spot = scales[rng.integers(len(scales))] + rng.normal(0, 35 / px_um, 2)
            # Spores that were not meant to touch mostly keep apart.
            apart = np.hypot(*(places[:done] - spot).T) * px_um > 1.2 * build.length_um
            if apart.all() and (spot > 0).all() and (spot < inward).all():
                break
        many = 1
        if rng.random() < style.clumped / 2:
            many = int(min(2 + rng.geometric(0.5) - 1, 5))
            if style.largest > 5 and rng.random() < 0.15:
                many = int(rng.integers(5, style.largest + 1))
        places[done] = spot
        first, last = done, min(done + many, number)
        manner = rng.choice(["side", "chain", "any"], p=[0.4, 0.2, 0.4])
        tight = rng.uniform(0.9, 1.02) if many > 5 else rng.uniform(0.94, 1.06)
        for k in range(first + 1, last):
            back = k - 1 if manner != "any" and rng.random() < 0.8 else int(rng.integers(first, k))
            if manner != "any":
                angle[k] = angle[back] + rng.normal(0, 0.25)
            turns = {"side": angle[back] + np.pi / 2, "chain": angle[back], "any": rng.uniform(0, 2 * np.pi)}
            turn = turns[manner]
            turn += rng.normal(0, 0.25) + np.pi * (rng.random() < 0.5 and manner != "chain")
            gap_um = 0.0
            for one in (back, k):
                a, b = length[one] / 2, length[one] / aspect[one] / 2
                gap_um += a * b / np.hypot(b * np.cos(turn - angle[one]), a * np.sin(turn - angle[one]))
            reach = gap_um * tight / px_um
            for _ in range(6):
                places[k] = places[back] + reach * np.array([np.cos(turn), np.sin(turn)])
                # In a small group each lies beside the others; only piles grow upwards.
                least = np.hypot(*(places[first:k] - places[k]).T).min() * px_um / build.length_um
                if least > (0.55 if many < 9 else 0.35):
                    break
                turn += 1.1
        done = last
    return Spores(places[:, 0], places[:, 1], length, length / aspect, angle % np.pi)


def specimen(build: Build, light: Light, focus: float, ground: Array) -> tuple[Array, Array]:
    """Look at one mean spore in this light: mean and root mean square density over its outline, by blur."""
    px_um, side = 0.4, 96
    bench = Bench((side, side), px_um, light)
    size = (build.length_um, build.length_um / build.aspect)
    patch, top, left = build.draw(np.random.default_rng(0), px_um, (side / 2, side / 2), size, 0.4)
    bench.lay(patch, top, left, "spore", focus=focus, owner=0)
    scene = light_up(bench, ground, np.zeros((side, side, 3), np.float32)) @ LUMA
    mine = bench.owner == 0
    mean, spread = [], []
    for blur_um in BLURS_UM:
        seen = cv2.GaussianBlur(scene, (0, 0), blur_um / px_um)
        density = np.log10(seen[0, 0] / np.maximum(seen[mine], 1e-4))
        mean.append(density.mean())
        spread.append(np.sqrt((density**2).mean()))
    return np.array(mean, np.float32), np.array(spread, np.float32)
