"""Small bodies as (optical density, optical path, cover) on a square grid with the body in its middle."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import gamma

from sporecount.simulate.condenser.exam import SporeLook
from sporecount.simulate.condenser.noise import Rng, clouds

Grid = NDArray[np.float64]


@dataclass(frozen=True)
class Body:
    """Density (n, n, 3), path in µm (n, n), cover 0 to 1 (n, n)."""

    density: Grid
    path_um: Grid
    cover: Grid


def axes(n: int, grid_um: float) -> tuple[Grid, Grid]:
    """Give x and y in µm from the middle, each (n, n)."""
    at = (np.arange(n) - (n - 1) / 2) * grid_um
    x, y = np.meshgrid(at, at)
    return x, y


def _edge(inside_um: Grid, grid_um: float) -> Grid:
    return np.clip(0.5 + inside_um / grid_um, 0, 1)


def half_width(u: Grid, tip: float) -> Grid:
    """Half width of a lemon at u in [-1, 1] along it, over its largest: (1 - u²)^tip."""
    return np.clip(1 - u**2, 0, None) ** tip


def outline_area(tip: float) -> float:
    """Area of a lemon over length times width: the integral of (1 - u²)^tip from 0 to 1."""
    return float(0.5 * np.sqrt(np.pi) * gamma(tip + 1) / gamma(tip + 1.5))


def spore(rng: Rng, n: int, grid_um: float, length_um: float, width_um: float, look: SporeLook) -> Body:
    """Draw a lemon along x whose wall and body absorb, with a few grains in it."""
    x, y = axes(n, grid_um)
    u, v = 2 * x / length_um, 2 * y / width_um
    h = half_width(u, look.tip)
    inside = (h - np.abs(v)) * width_um / 2
    cover = _edge(inside, grid_um) * (np.abs(u) < 1)
    thick = width_um * np.sqrt(np.clip(h**2 - v**2, 0, None))
    # Light through the wall: what the outer lemon has and the inner one, a wall smaller, has not.
    ui, vi = 2 * x / (length_um - 2 * look.wall_um), 2 * y / (width_um - 2 * look.wall_um)
    inner = (width_um - 2 * look.wall_um) * np.sqrt(np.clip(half_width(ui, look.tip) ** 2 - vi**2, 0, None))
    wall = np.clip(thick - inner, 0, None)
    wall = np.minimum(wall / (2 * look.wall_um), 2.2)
    body = thick / width_um
    amount = look.wall * wall * 0.75 + (1 - look.wall) * 1.15 * body
    grains = np.zeros_like(x)
    for _ in range(int(rng.integers(0, 5))):
        gx, gy = rng.normal(0, 0.18 * length_um), rng.normal(0, 0.13 * width_um)
        size = rng.uniform(0.4, 1.0)
        grains += rng.uniform(-0.5, 0.5) * np.exp(-((x - gx) ** 2 + (y - gy) ** 2) / (2 * size**2))
    uneven = 1 + rng.normal(0, 0.12) * u + 0.6 * grains * body
    density = np.clip(amount * uneven, 0, None)[..., None] * look.density
    path = look.contrast_index * (0.8 * thick + 0.5 * grains * body)
    return Body(density * cover[..., None], path, cover)


def _ball(x: Grid, y: Grid, rx: float, ry: float) -> Grid:
    return np.sqrt(np.clip(1 - (x / rx) ** 2 - (y / ry) ** 2, 0, None))


def bubble(rng: Rng, n: int, grid_um: float, size_um: float) -> Body:
    """Draw air in the glue: no colour, strong refraction, flattened by the tape."""
    x, y = axes(n, grid_um)
    ry = size_um / 2 * rng.uniform(0.8, 1.0)
    cap = _ball(x, y, size_um / 2, ry)
    flat = rng.uniform(0.25, 0.9)
    path = -rng.uniform(0.15, 0.4) * np.minimum(cap * size_um * 0.3, flat * size_um * 0.3)
    cover = _edge((1 - np.hypot(x / (size_um / 2), y / ry)) * ry, grid_um)
    # What the steep side bends out of the aperture is lost: a thin line where the tape has pressed the
    # bubble flat, a broad black ring where it is a ball.
    thick, dark = (rng.uniform(0.5, 1.4), rng.uniform(0.15, 0.7)) if rng.random() < 0.6 else (
        rng.uniform(0.1, 0.22) * size_um, rng.uniform(0.6, 1.6)
    )  # fmt: skip
    rim = np.exp(-(((1 - np.hypot(x / (size_um / 2), y / ry)) * ry / thick) ** 2))
    density = (dark * rim * cover)[..., None] * np.ones(3)
    return Body(density, np.clip(path, -4, 4), cover)


def droplet(rng: Rng, n: int, grid_um: float, size_um: float) -> Body:
    """Draw a dried brown drop: flat or with a raised, darker rim."""
    x, y = axes(n, grid_um)
    turn = np.arctan2(y, x)
    lobes = sum(rng.normal(0, 0.08) * np.cos(k * turn + rng.uniform(0, 6.3)) for k in (2, 3, 4))
    r = np.hypot(x, y * rng.uniform(1.0, 1.25)) / (size_um / 2 * (1 + lobes))
    cover = _edge((1 - r) * size_um / 2, grid_um)
    rim = np.exp(-(((1 - r) * size_um / 2 / rng.uniform(0.6, 1.6)) ** 2))
    amount = (
        rng.uniform(0.15, 0.8) * np.clip(1 - r**2, 0, 1) ** rng.uniform(0.2, 0.8) + rng.uniform(0, 0.6) * rim
    ) * cover
    colour = np.array([0.3, 0.7, 1.2]) * rng.uniform(0.8, 1.25, 3) + rng.uniform(0, 0.4)
    return Body(amount[..., None] * colour * rng.uniform(0.3, 1.0), 0.05 * size_um * 0.3 * amount, cover)


def pollen(rng: Rng, n: int, grid_um: float, size_um: float) -> Body:
    """Draw a round or three-lobed grain, smooth, netted or with spines."""
    x, y = axes(n, grid_um)
    turn, r = np.arctan2(y, x), np.hypot(x, y * rng.uniform(1, 1.35))
    kind = rng.choice(["smooth", "spines", "lobes"])
    radius = size_um / 2 * np.ones_like(x)
    if kind == "spines":
        number = int(rng.integers(12, 22))
        radius *= 1 - 0.2 * np.abs(np.sin(number * turn / 2))
    elif kind == "lobes":
        radius *= 1 - 0.1 * np.cos(3 * turn)
    ball = np.sqrt(np.clip(1 - (r / radius) ** 2, 0, None))
    cover = _edge(radius - r, grid_um)
    net = 1 + 0.25 * clouds(rng, (n, n), (1.6 / grid_um,))
    wall = np.exp(-(((radius - r) / 1.2) ** 2))
    colour = np.array([0.15, 0.35, 1.0]) + rng.uniform(0, 0.5)
    amount = (0.45 * ball * net + rng.uniform(0.2, 0.7) * wall) * cover
    return Body(amount[..., None] * colour * rng.uniform(0.5, 1.1), 0.05 * size_um * ball, cover)


def mould(rng: Rng, n: int, grid_um: float, size_um: float) -> Body:
    """Draw conidia: small olive cells, single, in a chain or as a club with cross walls."""
    x, y = axes(n, grid_um)
    cells = int(rng.integers(1, 6))
    cell = size_um / max(cells * 0.8, 1)
    density, path, cover = np.zeros_like(x), np.zeros_like(x), np.zeros_like(x)
    bend, at, turn = rng.normal(0, 0.35), np.zeros(2), 0.0
    places = []
    for _ in range(cells):
        places.append((at.copy(), turn))
        at = at + cell * 0.85 * np.array([np.cos(turn), np.sin(turn)])
        turn += bend + rng.normal(0, 0.15)
    middle = np.mean([p for p, _ in places], axis=0)
    slim = rng.uniform(0.55, 0.95)
    for k, (place, turned) in enumerate(places):
        px, py = x - (place - middle)[0], y - (place - middle)[1]
        a, b = px * np.cos(turned) + py * np.sin(turned), -px * np.sin(turned) + py * np.cos(turned)
        rx, ry = cell / 2, cell / 2 * slim * (1 - 0.08 * k)
        ball = _ball(a, b, rx, ry)
        here = _edge((1 - np.hypot(a / rx, b / ry)) * ry, grid_um)
        rim = np.exp(-(((1 - np.hypot(a / rx, b / ry)) * ry / 0.5) ** 2))
        density = np.maximum(density, (0.5 * ball + 0.5 * rim) * here)
        path, cover = np.maximum(path, ball * cell * 0.5), np.maximum(cover, here)
    colour = np.array([0.75, 0.8, 1.0]) * rng.uniform(0.15, 1.0)
    return Body(density[..., None] * colour, rng.uniform(0.01, 0.06) * path, cover)


def dust(rng: Rng, n: int, grid_um: float, size_um: float) -> Body:
    """Draw an angular grain: soot, brown soil or a clear crystal."""
    x, y = axes(n, grid_um)
    inside = np.full_like(x, np.inf)
    stretch = rng.uniform(0.5, 1.0)
    for _ in range(int(rng.integers(4, 9))):
        turn = rng.uniform(0, 2 * np.pi)
        inside = np.minimum(
            inside, size_um / 2 * rng.uniform(0.55, 1.0) - x * np.cos(turn) - y / stretch * np.sin(turn)
        )
    inside += 0.06 * size_um * clouds(rng, (n, n), (max(0.25 * size_um / grid_um, 2.0),))
    # Corners that the cuts left open end at the grain's size.
    inside = np.minimum(inside, size_um * 0.6 - np.hypot(x, y / stretch))
    cover = _edge(inside, grid_um)
    kind = rng.choice(["soot", "soil", "clear"], p=[0.35, 0.4, 0.25])
    amount = {"soot": rng.uniform(0.7, 2.0), "soil": rng.uniform(0.2, 1.0), "clear": rng.uniform(0.0, 0.1)}[
        kind
    ]
    colour = np.array([0.55, 0.75, 1.0]) if kind == "soil" else np.ones(3)
    uneven = np.clip(1 + 0.3 * clouds(rng, (n, n), (max(0.2 * size_um / grid_um, 2.0),)), 0.2, None)
    path = (0.1 if kind == "clear" else 0.04) * np.clip(inside, 0, size_um / 5)
    return Body((amount * uneven * cover)[..., None] * colour, path, cover)


SPECKS = {
    "bubble": (bubble, (4.0, 45.0)),
    "droplet": (droplet, (4.0, 26.0)),
    "pollen": (pollen, (14.0, 38.0)),
    "mould": (mould, (3.5, 20.0)),
    "dust": (dust, (2.0, 24.0)),
}
"""Drawer and span of sizes in µm of each kind of speck."""
