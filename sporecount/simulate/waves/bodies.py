"""Small things on a fine grid: what each takes from the light and by how much it delays it."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from sporecount.simulate.waves.optics import Floats

TINTS = {
    "amber": (0.32, 0.85, 1.9),
    "brown": (0.7, 1.02, 1.45),
    "grey": (0.94, 1.0, 1.1),
    "yellow": (0.12, 0.45, 1.9),
    "olive": (0.85, 0.85, 1.35),
    "rust": (0.3, 1.1, 1.7),
    "soot": (1.0, 1.0, 1.0),
    "blue": (1.6, 1.0, 0.45),
}
"""Density in red, green and blue of a layer of density one."""


@dataclass(frozen=True)
class Body:
    """Density in three colours, optical path and coverage of a thing in the middle of a square grid."""

    density: Floats
    path_um: Floats
    cover: Floats


@dataclass(frozen=True)
class Grid:
    """A square grid with its middle at 0."""

    size: int
    step_um: float

    def axes(self) -> tuple[Floats, Floats]:
        """Give u to the right and v downwards, in µm."""
        line = (np.arange(self.size, dtype=np.float32) - (self.size - 1) / 2) * np.float32(self.step_um)
        shape = (self.size, self.size)
        return np.broadcast_to(line, shape), np.broadcast_to(line[:, None], shape)


def clouds(rng: np.random.Generator, shape: tuple[int, int], grain_px: float, octaves: int = 1) -> Floats:
    """Smooth noise of mean about 0 and standard deviation 1, with lumps of about `grain_px`."""
    total = np.zeros(shape, np.float32)
    for k in range(octaves):
        grain = max(1.0, grain_px / 2**k)
        coarse = rng.normal(0, 0.6**k, (int(shape[0] / grain) + 3, int(shape[1] / grain) + 3)).astype(
            np.float32
        )
        total += cv2.resize(coarse, (shape[1], shape[0]), interpolation=cv2.INTER_CUBIC)
    return np.asarray((total - total.mean()) / (total.std() + 1e-6))


def mixed_tint(rng: np.random.Generator, *names: str) -> NDArray[np.float32]:
    """Mix a tint of some by random shares."""
    shares = rng.dirichlet(np.full(len(names), 0.7))
    return np.sum([s * np.array(TINTS[n]) for s, n in zip(shares, names, strict=True)], axis=0).astype(
        np.float32
    )


@dataclass(frozen=True)
class SporeLook:
    """What the spores of one print share. Lengths in µm, indices over those of the adhesive around."""

    length_um: float
    spread: float
    aspect: float
    point: float
    wall_um: float
    density: float
    density_spread: float
    wall_share: float
    wall_tint: NDArray[np.float32]
    inner_tint: NDArray[np.float32]
    wall_index: float
    inner_index: float
    granules: int
    granule_um: float
    granule_path_um: float
    granule_density: float
    skin: float
    kind: str


def draw_spore_look(rng: np.random.Generator) -> SporeLook:
    """Draw the spores' look of one print, from wide ranges."""
    kind = str(rng.choice(["amber", "pale", "brown", "grey"], p=[0.4, 0.27, 0.2, 0.13]))
    low, high = {"amber": (0.1, 0.34), "pale": (0.045, 0.12), "brown": (0.14, 0.5), "grey": (0.07, 0.3)}[kind]
    main = {"amber": "amber", "pale": "amber", "brown": "brown", "grey": "grey"}[kind]
    wall = mixed_tint(rng, main, main, "brown" if kind != "grey" else "olive")
    inner = mixed_tint(rng, main, "yellow" if kind in ("amber", "pale") else main, "grey")
    refractive = rng.uniform(0.3, 1.0) ** 1.5
    return SporeLook(
        length_um=float(rng.uniform(9.3, 15.7)),
        spread=float(rng.uniform(0.03, 0.08)),
        aspect=float(rng.uniform(1.38, 1.72)),
        point=float(rng.uniform(0.56, 0.95)),
        wall_um=float(rng.uniform(0.3, 1.25)),
        density=float(np.exp(rng.uniform(np.log(low), np.log(high)))),
        density_spread=float(rng.uniform(0.06, 0.3)),
        wall_share=float(rng.uniform(0.35, 0.97)),
        wall_tint=wall,
        inner_tint=inner,
        wall_index=float(rng.uniform(0.0, 0.11) * refractive * rng.choice([1, 1, 1, -0.6])),
        inner_index=float(rng.uniform(0.0, 0.075) * refractive * rng.choice([1, 1, -0.7])),
        granules=int(rng.choice([0, 1, 2, 4, 8, 14])),
        granule_um=float(rng.uniform(0.5, 1.5)),
        granule_path_um=float(rng.uniform(-0.12, 0.15)),
        granule_density=float(rng.uniform(0.0, 0.6)),
        skin=float(rng.uniform(0, 0.35)),
        kind=kind,
    )


def half_width(
    u: NDArray[np.floating], half_length: float, half: float, point: float
) -> NDArray[np.floating]:
    """Half width of a lemon at `u` along it; `point` 0.5 is an ellipse, 1 has two pointed ends."""
    return half * np.maximum(1 - (u / half_length) ** 2, 0) ** point


def spore_body(
    rng: np.random.Generator, look: SporeLook, grid: Grid, length_um: float, width_um: float
) -> Body:
    """Build a spore with its long axis along u: a wall around a paler body, round across."""
    u, v = grid.axes()
    a, b = length_um / 2, width_um / 2
    # A slight bow and a blunter end; both leave the outline's middle in place.
    v = v - np.float32(rng.normal(0, 0.012) * length_um) * ((u / a) ** 2 - 0.33)
    point = np.clip(
        look.point + rng.normal(0, 0.04) + np.float32(rng.normal(0, 0.04)) * np.sign(u), 0.52, 1.0
    )
    outer = half_width(u, a, b, point)
    wall = min(look.wall_um * float(np.exp(rng.normal(0, 0.12))), 0.45 * b)
    inner = half_width(u, a - 1.3 * wall, b - wall, point) * (np.abs(u) < a - 1.3 * wall)
    flat = np.float32(rng.uniform(0.75, 1.0))
    whole = 2 * flat * np.sqrt(np.maximum(outer**2 - v**2, 0))
    core = np.minimum(2 * flat * np.sqrt(np.maximum(inner**2 - v**2, 0)), whole)
    shell = whole - core
    cover = np.clip((outer - np.abs(v)) / np.float32(grid.step_um) + 0.5, 0, 1) * (np.abs(u) < a)
    dots = np.zeros_like(cover)
    if look.granules:
        number = int(rng.poisson(look.granules)) + 1
        at = rng.normal(0, 0.38, (number, 2)) * [a, b]
        for x, y in at:
            size = look.granule_um * float(rng.uniform(0.6, 1.4))
            dots += np.exp(-((u - x) ** 2 + (v - y) ** 2) / np.float32(2 * (0.5 * size) ** 2))
        dots = np.minimum(dots, 1.5) * (core > 0)
    area = float(cover.sum()) + 1e-6
    shares = (shell + look.skin * cover) / float((shell + look.skin * cover).sum() / area)
    body = core * (1 + look.granule_density * dots)
    body = body / max(float(body.sum()) / area, 1e-6)
    amount = look.density * float(np.exp(rng.normal(0, look.density_spread)))
    density = amount * (
        look.wall_share * look.wall_tint[:, None, None] * shares
        + (1 - look.wall_share) * look.inner_tint[:, None, None] * body
    )
    path = look.wall_index * shell + look.inner_index * core + look.granule_path_um * dots
    return Body(
        np.minimum(density, 2.0).astype(np.float32), path.astype(np.float32), cover.astype(np.float32)
    )


def _body(tint: NDArray[np.float32], amount: Floats, path: Floats, cover: Floats) -> Body:
    density = np.clip(tint[:, None, None] * amount, 0, 2.5)
    return Body(density.astype(np.float32), path.astype(np.float32), cover.astype(np.float32))


def pollen_body(rng: np.random.Generator, grid: Grid, size_um: float) -> Body:
    """Build a round or three-sided grain with a thick wall, a net or spines."""
    u, v = grid.axes()
    turn = np.arctan2(v, u)
    r = np.hypot(u, v * np.float32(rng.uniform(1, 1.2)))
    sides = int(rng.choice([3, 3, 5, 9]))
    radius = size_um / 2 * (1 + rng.uniform(0, 0.06) * np.cos(sides * turn + rng.uniform(0, 6)))
    spines = rng.random() < 0.45
    tips = 0.1 * np.maximum(np.cos(int(rng.integers(11, 23)) * turn), 0) ** 3 if spines else 0.0 * turn
    wall = size_um * rng.uniform(0.05, 0.13)
    whole = 2 * np.sqrt(np.maximum(radius**2 - r**2, 0))
    core = 2 * np.sqrt(np.maximum((radius - wall) ** 2 - r**2, 0)) * (r < radius - wall)
    cover = np.clip((radius * (1 + tips) - r) / grid.step_um + 0.5, 0, 1)
    net = clouds(rng, r.shape, size_um / 9 / grid.step_um) * rng.uniform(0.0, 0.22)
    amount = (whole - core + wall * (cover > 0)) / wall * 0.3 + core / size_um * rng.uniform(0.2, 1)
    amount = rng.uniform(0.05, 0.3) * amount * (1 + net)
    path = rng.uniform(0.02, 0.08) * (whole - core) + rng.uniform(-0.01, 0.03) * core + 0.2 * net * cover
    return _body(mixed_tint(rng, "yellow", "amber", "olive", "brown"), amount, path, cover)


def droplet_body(rng: np.random.Generator, grid: Grid, size_um: float) -> Body:
    """Build a coloured or clear droplet, round or pulled out: a smooth lens without a wall."""
    u, v = grid.axes()
    long = rng.uniform(1, 1.55)
    r = np.hypot(u / long**0.5, v * long**0.5)
    radius = size_um / 2
    cap = np.maximum(1 - (r / radius) ** 2, 0) ** rng.uniform(0.5, 1.1)
    cover = np.clip((radius - r) / grid.step_um + 0.5, 0, 1)
    index = rng.uniform(0.02, 0.1) * rng.choice([1, -1])
    height = size_um * rng.uniform(0.25, 0.7)
    amount = np.exp(rng.uniform(np.log(0.03), np.log(0.45))) * (cap + rng.uniform(0, 0.4) * cover)
    return _body(mixed_tint(rng, "amber", "brown", "yellow", "grey"), amount, index * height * cap, cover)


def mould_body(rng: np.random.Generator, grid: Grid, size_um: float, cells: int) -> Body:
    """Build a mould spore of one or some cells in a row, or a small heap of round ones."""
    u, v = grid.axes()
    thick = np.zeros_like(u)
    wall = np.zeros_like(u)
    heap = rng.random() < 0.4
    x, y, way = 0.0, 0.0, rng.uniform(0, 6.3)
    places = []
    for _ in range(cells):
        places.append((x, y))
        way = rng.uniform(0, 6.3) if heap else way + rng.normal(0, 0.25)
        x, y = x + size_um * 0.9 * np.cos(way), y + size_um * 0.9 * np.sin(way)
    middle = np.mean(places, axis=0)
    for x, y in places:
        r = np.hypot(u - (x - middle[0]), v - (y - middle[1])) / (0.5 * size_um * rng.uniform(0.85, 1.1))
        one = size_um * np.sqrt(np.maximum(1 - r**2, 0))
        thick = np.maximum(thick, one)
        wall = np.maximum(wall, np.exp(-(((r - 0.9) / 0.16) ** 2)))
    cover = np.clip(thick / (1.5 * grid.step_um), 0, 1)
    amount = rng.uniform(0.08, 0.5) * (0.5 * thick / size_um + rng.uniform(0.2, 1) * wall * cover)
    path = rng.uniform(0.01, 0.07) * thick
    return _body(mixed_tint(rng, "olive", "brown", "grey"), amount, path, cover)


def _polygon(
    rng: np.random.Generator,
    u: Floats,
    v: Floats,
    normals: NDArray[np.float64],
    low_um: float,
    high_um: float,
) -> Floats:
    """Distance inwards from the nearest of some straight edges, each `low_um` to `high_um` from the middle."""
    edges = [rng.uniform(low_um, high_um) - (u * float(np.cos(t)) + v * float(np.sin(t))) for t in normals]
    return np.asarray(np.min(edges, axis=0))


def grain_body(rng: np.random.Generator, grid: Grid, size_um: float) -> Body:
    """Dust: soot, an earthy crumb or a clear splinter."""
    u, v = grid.axes()
    sort = rng.choice(["soot", "crumb", "splinter"], p=[0.3, 0.4, 0.3])
    turn = np.arctan2(v, u)
    r = np.hypot(u, v * np.float32(rng.uniform(1, 2.0)))
    if sort == "splinter":
        normals = rng.uniform(0, 2 * np.pi, int(rng.integers(4, 8)))
        inside = np.minimum(_polygon(rng, u, v, normals, 0.25 * size_um, 0.5 * size_um), 0.6 * size_um - r)
    else:
        lobes = sum(rng.normal(0, 0.22 / k) * np.cos(k * turn + rng.uniform(0, 6.3)) for k in range(2, 8))
        inside = size_um / 2 * (1 + np.clip(lobes, -0.55, 0.6)) - r
    cover = np.clip(inside / grid.step_um + 0.5, 0, 1)
    rough = clouds(rng, r.shape, 0.15 * size_um / grid.step_um + 1, 2)
    height = np.clip(inside, 0, 0.3 * size_um) * (1 + 0.3 * rough)
    low, high = {"soot": (0.5, 1.4), "crumb": (0.1, 0.6), "splinter": (0, 0.08)}[str(sort)]
    dark = rng.uniform(low, high)
    tint = (
        mixed_tint(rng, "soot", "grey")
        if sort == "soot"
        else mixed_tint(rng, "brown", "grey", "rust", "amber")
    )
    path = (rng.uniform(0.04, 0.16) if sort == "splinter" else rng.uniform(0, 0.06)) * height
    return _body(tint, dark * cover * np.clip(1 + 0.3 * rough, 0.2, 2), path, cover)


def flake_body(
    rng: np.random.Generator, grid: Grid, size_um: float, tint: NDArray[np.float32], amount: float
) -> Body:
    """Build a torn bit of a scale with a few of its ridges."""
    u, v = grid.axes()
    ragged = clouds(rng, u.shape, rng.uniform(4, 9) / grid.step_um, 2) * rng.uniform(
        0.1, 0.04 * size_um + 0.2
    )
    cuts = np.sort(rng.uniform(0, 2 * np.pi, int(rng.integers(3, 6))))
    inside = _polygon(rng, u, v, cuts, 0.28 * size_um, 0.5 * size_um)
    inside = np.minimum(inside, 0.62 * size_um - np.hypot(u, 1.3 * v)) + ragged
    cover = np.clip(inside / grid.step_um + 0.5, 0, 1)
    pitch = rng.uniform(1.5, 2.8)
    ridges = 0.5 + 0.5 * np.cos(2 * np.pi * v / np.float32(pitch) + rng.uniform(0, 6))
    taken = amount * cover * (0.75 + 0.5 * ridges)
    return _body(tint, taken, cover * (0.12 + rng.uniform(0.02, 0.12) * ridges), cover)
