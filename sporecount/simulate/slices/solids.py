"""Small bodies: spores of the parasite and the round, oval and angular things that lie among them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sporecount.simulate.slices.conditions import SporeStock, log_between
from sporecount.simulate.slices.stack import Grid, Map, Patch, Solid, patch

Rng = np.random.Generator


def half_width(u: Map, half_length: float, half: float, point: float) -> Map:
    """Half width of a spore along its axis: an ellipse at `point` 0.5, two parabolas at 1."""
    return half * np.clip(1 - (u / half_length) ** 2, 0, None) ** point


def outline_share(point: float) -> float:
    """Area of the outline over length times width."""
    u = (np.arange(4000) + 0.5) / 4000
    return float(np.mean((1 - u**2) ** point))


def spore(
    rng: Rng,
    grid: Grid,
    stock: SporeStock,
    place: tuple[float, float, float],
    size: tuple[float, float],
    turn: float,
) -> Solid:
    """Draw a solid of revolution with a wall; `place` is x, y, z and `size` length, width, all in µm."""
    (x, y, z), a, b = place, size[0] / 2, size[1] / 2
    at = patch(grid, x, y, a + grid.step_um, turn)
    wall = min(stock.wall_um, 0.4 * b)
    outer = 2 * np.sqrt(np.clip(half_width(at.u, a, b, stock.point) ** 2 - at.v**2, 0, None))
    inner = 2 * np.sqrt(np.clip(half_width(at.u, a - wall, b - wall, stock.point) ** 2 - at.v**2, 0, None))
    # Density is given through the middle of a mean spore; larger ones are darker in proportion.
    b_mean = stock.length_um / stock.ratio / 2
    unit = 1 / (2 * (b_mean - wall) + 2 * wall * stock.wall_share)
    strength = unit * np.exp(rng.normal(0, stock.varied))
    grain = 1 + 0.12 * np.cos(at.u * rng.uniform(1.2, 2.2) + rng.uniform(0, 6)) * np.cos(
        at.v * rng.uniform(1.2, 2.2) + rng.uniform(0, 6)
    )
    grey = strength * (inner * grain + (outer - inner) * stock.wall_share)
    path = inner * stock.index_inside + (outer - inner) * stock.index_wall
    density = grey[..., None] * np.array(stock.density, np.float32)
    return Solid(
        at, "spore", outer, density.astype(np.float32), path.astype(np.float32), z, (0.05, 0.045, 0.04), 0.10
    )


def _radius(at: Patch) -> tuple[Map, Map]:
    return np.hypot(at.u, at.v), np.arctan2(at.v, at.u)


def _waves(rng: Rng, angle: Map, orders: range, strength: float) -> Map:
    """Draw a rough outline: the sum of a few harmonics of the angle."""
    out = np.zeros_like(angle)
    for n in orders:
        out += strength * rng.normal() / n**0.8 * np.cos(n * angle + rng.uniform(0, 2 * np.pi))
    return out


def pollen(rng: Rng, grid: Grid, x: float, y: float, _stock: SporeStock) -> Solid:
    """Draw pollen: round, oval with furrows, or spiny; larger than the spores and yellow."""
    form = str(rng.choice(["smooth", "spiny", "furrowed", "netted"]))
    a = log_between(rng, 10.5, 21)
    b = a * (rng.uniform(0.6, 0.78) if form == "furrowed" else rng.uniform(0.9, 1))
    at = patch(grid, x, y, a * 1.35 + 1, rng.uniform(0, np.pi))
    r, angle = np.hypot(at.u / a, at.v / b), np.arctan2(at.v, at.u)
    edge = np.ones_like(r)
    if form == "spiny":
        n = int(rng.integers(12, 22))
        edge = 0.88 + 0.2 * np.abs(np.cos(n * angle / 2 + 1)) ** 7
    thick = 2 * b * np.sqrt(np.clip(1 - (r / edge) ** 2, 0, None))
    wall = rng.uniform(1.0, 1.9)
    inner = 2 * (b - wall) * np.sqrt(np.clip(1 - (r / edge / (1 - wall / b)) ** 2, 0, None))
    shell = thick - inner
    if form == "netted":
        k = rng.uniform(1.1, 1.8)
        shell = shell * (1 + 0.5 * np.cos(at.u * k) * np.cos(at.v * k + 0.5 * at.u * k))
    if form == "spiny":
        k = rng.uniform(1.3, 2.0)
        shell = shell * (1 + 0.6 * np.clip(np.cos(at.u * k) + np.cos(0.5 * at.u * k + 0.87 * at.v * k), 0, 2))
    if form == "furrowed":
        for shift in (-0.42, 0.05, 0.45):
            furrow = np.exp(-(((at.v - shift * b * np.sqrt(np.clip(1 - (at.u / a) ** 2, 0, 1))) / 0.9) ** 2))
            shell = shell * (1 + 0.5 * furrow * (np.abs(at.u) < 0.85 * a))
    yellow = np.array([rng.uniform(0.05, 0.14), rng.uniform(0.16, 0.32), rng.uniform(0.6, 1.2)], np.float32)
    grey = shell * rng.uniform(0.06, 0.12) + inner * rng.uniform(0.004, 0.012)
    path = np.minimum(thick * 0.02, 1.2) + shell * 0.05
    return Solid(
        at, "pollen", thick, grey[..., None] * yellow, path, rng.uniform(-1, 4), (0.05, 0.05, 0.03), 0.45
    )


def bubble(rng: Rng, grid: Grid, x: float, y: float) -> Solid:
    """Draw air in the glue, flattened between tape and ground."""
    a = log_between(rng, 3.5, 45 if rng.random() < 0.5 else 16)
    b = a * (rng.uniform(0.55, 0.9) if rng.random() < 0.35 else rng.uniform(0.94, 1))
    at = patch(grid, x, y, a * 1.15 + 1, rng.uniform(0, np.pi))
    r, angle = np.hypot(at.u / a, at.v / b), np.arctan2(at.v, at.u)
    r = r * (1 + (_waves(rng, angle, range(2, 4), 0.04) if a > 14 else 0))
    high = min(2 * b, rng.uniform(8, 18))
    thick = (high * np.sqrt(np.clip(1 - r**2, 0, None))).astype(np.float32)
    none = np.zeros((*thick.shape, 3), np.float32)
    return Solid(at, "bubble", thick, none, thick * np.float32(-0.42), rng.uniform(-1, 5), (0.16, 0.16, 0.16))


def droplet(rng: Rng, grid: Grid, x: float, y: float, _stock: SporeStock) -> Solid:
    """Draw a round flat drop of oil or dried juice: colourless, yellow or brown, with a smooth face."""
    a = log_between(rng, 2.2, 15)
    at = patch(grid, x, y, a * 1.1 + 1)
    r, angle = _radius(at)
    r = r / a * (1 + _waves(rng, angle, range(2, 4), 0.02))
    thick = rng.uniform(0.25, 0.6) * a * np.clip(1 - r**2, 0, None) ** 0.8
    tint = [(0.01, 0.012, 0.02), (0.02, 0.06, 0.25), (0.08, 0.17, 0.36)][int(rng.integers(3))]
    density = (thick * rng.uniform(0.5, 1.3))[..., None] * np.array(tint, np.float32)
    return Solid(at, "other", thick, density.astype(np.float32), (thick * rng.choice([-0.06, 0.05, 0.08])).astype(
        np.float32), rng.uniform(-2, 4), (0.12, 0.12, 0.11), 0.05)  # fmt: skip


def mould(rng: Rng, grid: Grid, x: float, y: float) -> list[Solid]:
    """Draw mould spores of one kind: round ones single, in pairs or chains, or slim ones with cross walls."""
    slim = rng.random() < 0.3
    olive = rng.random() < 0.45
    tint = np.array((0.035, 0.036, 0.06) if olive else (0.004, 0.004, 0.006), np.float32)
    number = int(rng.choice([1, 2, int(rng.integers(3, 9))], p=[0.5, 0.25, 0.25]))
    a = log_between(rng, 1.4, 2.9)
    heading, z = rng.uniform(0, 2 * np.pi), rng.uniform(-3, 4)
    out = []
    for _ in range(1 if slim else number):
        half = a * rng.uniform(0.9, 1.1)
        long = half * rng.uniform(2.8, 4.2) if slim else half * rng.uniform(1, 1.15)
        at = patch(grid, x, y, long + 1, heading)
        thick = 2 * half * np.sqrt(np.clip(1 - (at.u / long) ** 2 - (at.v / half) ** 2, 0, None))
        grey = thick.copy()
        if slim:
            grey = grey * (1 + 1.5 * (np.abs(np.sin(at.u / long * 4.7)) > 0.96))
        else:
            grey = grey + 1.2 * (thick > 0) * np.exp(-((thick / half) ** 2))
        density = (grey[..., None] * tint).astype(np.float32)
        out.append(Solid(at, "other", thick, density, thick * np.float32(0.045), z, cloud=0.15))
        heading += rng.normal(0, 0.35)
        x, y = x + 1.9 * half * np.cos(heading), y + 1.9 * half * np.sin(heading)
    return out


def crystal(rng: Rng, grid: Grid, x: float, y: float, _stock: SporeStock) -> Solid:
    """Draw a colourless block with straight edges."""
    a = log_between(rng, 3, 16)
    at = patch(grid, x, y, a * 1.5 + 1, rng.uniform(0, np.pi))
    sides = int(rng.choice([4, 4, 6]))
    long = rng.uniform(1, 1.7)
    depth = np.full(np.broadcast_shapes(at.u.shape, at.v.shape), 1e3, np.float32)
    for k in range(sides):
        angle = 2 * np.pi * k / sides + (rng.normal(0, 0.08) if sides > 4 else 0)
        reach = a * (long if abs(np.cos(angle)) > 0.9 else 1) / 1.3 * rng.uniform(0.9, 1)
        depth = np.minimum(depth, reach - at.u * np.cos(angle) - at.v * np.sin(angle))
    thick = np.clip(depth * rng.uniform(0.6, 1.6), 0, rng.uniform(0.35, 0.8) * a).astype(np.float32)
    density = np.zeros((*thick.shape, 3), np.float32) + 0.01 * (thick > 0)[..., None]
    return Solid(at, "other", thick, density.astype(np.float32), thick * np.float32(0.06), rng.uniform(-1, 3),
                 (0.2, 0.2, 0.2), 0.1)  # fmt: skip


def _dirt(rng: Rng) -> NDArray[np.float32]:
    colours = ((0.8, 0.85, 0.9), (0.5, 0.65, 0.9), (0.35, 0.4, 0.45), (0.5, 0.45, 0.42), (0.2, 0.24, 0.3))
    return np.array(colours[int(rng.choice(5, p=[0.35, 0.25, 0.2, 0.08, 0.12]))], np.float32)


def speck(rng: Rng, grid: Grid, x: float, y: float, stock: SporeStock) -> Solid:
    """Draw fine dust, well below the spores' size."""
    a = log_between(rng, 0.5, min(2.3, 0.2 * stock.length_um))
    at = patch(grid, x, y, 1.3 * a + grid.step_um, rng.uniform(0, np.pi))
    r = np.hypot(at.u, at.v * rng.uniform(1, 1.7)) / a
    thick = (1.4 * a * np.clip(1 - r**2, 0, None) ** 0.4).astype(np.float32)
    density = (thick * rng.uniform(0.1, 0.45))[..., None] * _dirt(rng)
    return Solid(
        at, "dust", thick, density.astype(np.float32), thick * np.float32(0.05), rng.uniform(-5, 5), cloud=0.2
    )


def clod(rng: Rng, grid: Grid, x: float, y: float, _stock: SporeStock) -> Solid:
    """Draw a grain of soil, soot or quartz: angular, uneven within."""
    a = log_between(rng, 2.2, 14)
    at = patch(grid, x, y, a * 1.6 + 1, rng.uniform(0, np.pi))
    r, angle = _radius(at)
    edge = np.full(r.shape, 1.35 * a, np.float32) * (1 + _waves(rng, angle, range(3, 9), 0.09))
    # Broken faces: a few straight cuts.
    cut = np.full(r.shape, 1e3, np.float32)
    for _ in range(int(rng.integers(3, 7))):
        way = rng.uniform(0, 2 * np.pi)
        cut = np.minimum(
            cut, a * rng.uniform(0.5, 1.1) - at.u * float(np.cos(way)) - at.v * float(np.sin(way))
        )
    depth = np.minimum(cut, edge - r)
    lumps = 1 + 0.5 * np.sin(at.u * 2.4 / a * 1.5 + rng.uniform(0, 6)) * np.sin(
        at.v * 3.1 / a * 1.5 + rng.uniform(0, 6)
    )
    thick = (np.clip(depth * 2.2, 0, rng.uniform(0.5, 1.2) * a) * lumps).astype(np.float32)
    clear = rng.random() < 0.3
    strength = rng.uniform(0.005, 0.03) if clear else log_between(rng, 0.06, 0.5)
    density = (thick * strength)[..., None] * _dirt(rng)
    return Solid(at, "dust", thick, density.astype(np.float32), thick * np.float32(0.07), rng.uniform(-2, 4),
                 (0.1, 0.1, 0.1) if clear else (0.03, 0.03, 0.03), 0.25)  # fmt: skip


def flake(rng: Rng, grid: Grid, x: float, y: float, _stock: SporeStock) -> Solid:
    """Draw a thin torn skin, colourless to straw yellow, with folds."""
    a = log_between(rng, 5, 40)
    at = patch(grid, x, y, a * 1.7 + 1, rng.uniform(0, np.pi))
    r, angle = _radius(at)
    edge = a * (1 + _waves(rng, angle, range(2, 10), 0.22))
    inside = np.clip((edge - r) / 0.6, 0, 1)
    fold = rng.uniform(0, 6)
    wrinkle = np.exp(-(((np.sin(at.u / a * 2 + fold) * a / 3 + at.v * 0.6) / 0.8) ** 2))
    thick = (inside * (rng.uniform(0.4, 1.2) + 1.2 * wrinkle)).astype(np.float32)
    tint = np.array((0.03, 0.06, 0.16) if rng.random() < 0.5 else (0.03, 0.03, 0.035), np.float32)
    density = (thick * rng.uniform(0.6, 2))[..., None] * tint
    path = thick * np.float32(0.09)
    z_um = rng.uniform(-3, 4)
    return Solid(at, "other", thick, density.astype(np.float32), path, z_um, (0.15, 0.14, 0.12), 0.12)
