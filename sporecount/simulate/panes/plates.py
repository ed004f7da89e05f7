"""Butterfly scales and torn pieces of them: thin ribbed plates with pigment."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sporecount.simulate.panes.canvas import Patch, Scene, cloud

PIGMENTS = {
    "dark": ((1.0, 1.14, 1.3), (0.45, 1.1)),
    "brown": ((0.7, 1.0, 1.5), (0.25, 0.6)),
    "orange": ((0.22, 1.0, 2.1), (0.16, 0.42)),
    "yellow": ((0.4, 1.0, 3.2), (0.05, 0.14)),
    "pale": ((0.9, 1.0, 1.15), (0.03, 0.1)),
}
"""Density of red, green, blue over green, and range of the green density."""


def draw_mixture(rng: np.random.Generator) -> NDArray:
    """Draw the shares of the pigments on one animal's print."""
    return rng.dirichlet([0.8, 1.0, 1.4, 0.6, 1.2])


def _pigment(rng: np.random.Generator, mixture: NDArray) -> tuple[NDArray, float]:
    colour, span = list(PIGMENTS.values())[rng.choice(len(PIGMENTS), p=mixture)]
    return np.array(colour) * (1 + 0.05 * rng.standard_normal(3)), rng.uniform(*span)


def _texture(rng: np.random.Generator, patch: Patch) -> NDArray:
    """Ribs along the plate, granules and blotches: multiples of the mean density."""
    px = patch.px_um
    spacing = rng.uniform(1.4, 2.6)
    # Ribs finer than the grid would alias; the microscope would not resolve them either.
    seen = np.clip((spacing / px - 2.2) / 3, 0, 1)
    sway = 0.35 * cloud(rng, patch.v.shape, 40 / px)
    ribs = 0.35 * seen * np.cos(2 * np.pi * patch.v / spacing + sway)
    if spacing / px > 5:
        ribs += 0.08 * np.cos(2 * np.pi * patch.u / rng.uniform(0.9, 1.4)) * np.clip(1 / px - 3, 0, 1)
    coarse = 0.1 * np.cos(2 * np.pi * patch.v / rng.uniform(6, 11) + 2 * sway)
    grain = rng.uniform(0.04, 0.13) * cloud(rng, patch.v.shape, max(1.2, 1.1 / px))
    blotch = rng.uniform(0.05, 0.14) * cloud(rng, patch.v.shape, 22 / px)
    return np.clip(1 + ribs + coarse + grain + blotch, 0.15, 2.2).astype(np.float32)


def _tear(rng: np.random.Generator, patch: Patch, away_um: float) -> NDArray:
    """Depth inside a ragged line at a distance from the centre."""
    t = rng.uniform(0, 2 * np.pi)
    line = away_um - patch.u * np.cos(t) - patch.v * np.sin(t)
    return line + rng.uniform(0.4, 1.8) * cloud(rng, patch.u.shape, 7 / patch.px_um)


def scale(
    rng: np.random.Generator, scene: Scene, mixture: NDArray, raised: bool
) -> tuple[Patch, NDArray, bool]:
    """Draw one scale; give its patch, its coverage, and whether it is whole or nearly so."""
    rows, cols = scene.shape
    x, y = rng.uniform(-20, cols + 20), rng.uniform(-20, rows + 20)
    length = np.clip(rng.lognormal(np.log(105), 0.24), 55, 210)
    width = np.clip(length * rng.uniform(0.32, 0.62), 26, 85)
    patch = scene.patch(x, y, 0.54 * length + 6, rng.uniform(0, 360))
    s = patch.u / length + 0.5
    t = np.clip(s, 1e-4, 1 - 1e-4)
    form = rng.choice(["paddle", "lance", "notched", "strap"])
    if form == "lance":
        half = np.sin(np.pi * t**0.8) ** 0.8
    elif form == "strap":
        half = np.minimum(1, (t / 0.18) ** 0.6) * (1 - 0.12 * t)
    else:
        half = np.minimum(1, (t / 0.45) ** rng.uniform(0.45, 0.8)) * (1 - 0.15 * (1 - t) ** 2)
    half = half * width / 2
    tip = 0.5 * length - 0.04 * length * (2 * patch.v / width) ** 2
    if form in ("notched", "strap"):
        teeth, deep = rng.integers(2, 6), rng.uniform(0.03, 0.13) * length
        tip = tip - deep * (0.5 + 0.5 * np.cos(2 * np.pi * teeth * patch.v / width + rng.uniform(0, 6)))
    elif form == "paddle":
        tip = tip - 0.1 * length * np.abs(2 * patch.v / width) ** 3
    depth = np.minimum(np.minimum(half - np.abs(patch.v), tip - patch.u), patch.u + 0.5 * length)
    stalk = np.minimum(1.6 - np.abs(patch.v), np.minimum(patch.u + 0.54 * length, -0.42 * length - patch.u))
    whole = np.maximum(depth, stalk)
    body = patch.inside(whole)
    full = body.sum()
    if rng.random() < 0.22:
        body = patch.inside(np.minimum(whole, _tear(rng, patch, rng.uniform(-0.1, 0.4) * length)))
    colour, level = _pigment(rng, mixture)
    fade = 1 + rng.uniform(-0.35, 0.35) * (2 * s - 1) + rng.uniform(0, 0.3) * (2 * patch.v / width) ** 2
    rim = 1 + rng.uniform(0, 0.5) * np.exp(-np.maximum(depth, 0) / 1.2)
    texture = _texture(rng, patch)
    density = level * body * np.clip(fade, 0.3, 2) * rim * texture
    curl = rng.uniform(-0.25, 0.25) * (2 * patch.v / width) ** 2
    path = body * (rng.uniform(0.03, 0.09) * (1 + 0.3 * (texture - 1)) + curl * 0.15)
    scene.lay(
        patch.corner,
        "scale",
        body,
        colour,
        density.astype(np.float32),
        path,
        raised=raised,
        haze=rng.uniform(0.08, 0.5),
    )
    return patch, body, bool(body.sum() >= 0.75 * full)


def piece(rng: np.random.Generator, scene: Scene, mixture: NDArray) -> None:
    """Draw a torn piece of a scale: an angular, ribbed scrap."""
    rows, cols = scene.shape
    size = np.clip(rng.lognormal(np.log(17), 0.5), 5, 48)
    patch = scene.patch(rng.uniform(0, cols), rng.uniform(0, rows), 0.9 * size, rng.uniform(0, 360))
    depth = np.full(patch.u.shape, 1e3, np.float32)
    slender = rng.uniform(0.45, 1)
    for turn in np.linspace(0, 2 * np.pi, rng.integers(3, 6), endpoint=False):
        t = turn + rng.uniform(-0.35, 0.35)
        depth = np.minimum(
            depth, rng.uniform(0.28, 0.5) * size - patch.u * np.cos(t) - patch.v / slender * np.sin(t)
        )
    depth += 0.05 * size * cloud(rng, depth.shape, 0.3 * size / patch.px_um)
    depth += 0.018 * size * cloud(rng, depth.shape, 2.5 / patch.px_um)
    body = patch.inside(depth)
    colour, level = _pigment(rng, mixture)
    density = (level * body * _texture(rng, patch)).astype(np.float32)
    path = body * rng.uniform(0.03, 0.1)
    scene.lay(patch.corner, "scale piece", body, colour, density, path, haze=rng.uniform(0.08, 0.4))
