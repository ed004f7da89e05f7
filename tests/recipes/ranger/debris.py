"""Everything that is neither spore nor scale: round, ragged and thread-like look-alikes."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from tests.recipes.ranger.canvas import Canvas
from tests.recipes.ranger.radial import THETA, Field, Patch, lumpy, outline_from
from tests.recipes.ranger.world import World

Grain = Callable[[np.random.Generator, Canvas, float, float], None]
GREY = np.array([0.98, 1.0, 1.02])
BROWN = np.array([0.6, 1.0, 1.4])


def _tint(rng: np.random.Generator) -> NDArray[np.float64]:
    """Draw a pigment between grey and strong brown."""
    share = rng.uniform(0, 1.3)
    return np.asarray(GREY + share * (BROWN - GREY))


def _lay(
    canvas: Canvas, patch: Patch, amount: Field, pigment: NDArray[np.float64], body: float, kind: str
) -> None:
    canvas.lay((patch.rows, patch.cols), patch.cover, amount.astype(np.float32), pigment, body, kind)


def _droplet(rng: np.random.Generator, canvas: Canvas, x: float, y: float) -> None:
    """Round brown droplet of about a spore's size: a lens, with a dark rim and a bright spot."""
    patch = canvas.patch(
        lumpy(np.clip(rng.lognormal(1.6, 0.45), 2, 20), 0.015, rng.uniform(1, 1.15), rng), x, y, 0
    )
    if patch is not None:
        shade = (
            0.5 + patch.rho ** rng.uniform(1, 6) - rng.uniform(0, 0.8) * np.exp(-((patch.rho / 0.35) ** 2))
        )
        _lay(canvas, patch, patch.cover * rng.uniform(0.08, 0.45) * shade, _tint(rng), 0.3, "other")


def _stain(rng: np.random.Generator, canvas: Canvas, x: float, y: float) -> None:
    """Dried stain: soft, ragged, often with a darker shore."""
    outline = lumpy(np.clip(rng.lognormal(2.0, 0.6), 3, 50), 0.12, rng.uniform(1, 2), rng)
    patch = canvas.patch(outline, x, y, rng.uniform(0, 3))
    if patch is not None:
        shore = 0.5 + rng.uniform(-0.3, 1) * np.exp(-(((patch.rho - 0.9) / 0.12) ** 2))
        _lay(canvas, patch, patch.cover * rng.uniform(0.04, 0.25) * shore, _tint(rng), 0.1, "other")


def _bubble(rng: np.random.Generator, canvas: Canvas, x: float, y: float) -> None:
    """Microbubble of the glue: dark ring, middle as bright as the ground or brighter."""
    patch = canvas.patch(
        lumpy(np.clip(rng.lognormal(1.7, 0.6), 1.5, 40), 0.01, rng.uniform(1, 1.1), rng), x, y, 0
    )
    if patch is not None:
        ring = np.exp(-(((patch.rho - 0.85) / rng.uniform(0.08, 0.2)) ** 2))
        gleam = rng.uniform(0, 0.2) * np.exp(-((patch.rho / 0.4) ** 2))
        _lay(canvas, patch, patch.cover * (rng.uniform(0.15, 0.7) * ring - gleam), GREY, 0.0, "bubble")


def _dust(rng: np.random.Generator, canvas: Canvas, x: float, y: float) -> None:
    """Ragged grain of dust or soot."""
    outline = lumpy(
        np.clip(rng.lognormal(1.3, 0.6), 0.8, 25), rng.uniform(0.15, 0.4), rng.uniform(1, 2.2), rng
    )
    patch = canvas.patch(outline, x, y, rng.uniform(0, 3))
    if patch is not None:
        lumps = 1 + 0.3 * np.sin(patch.u_um * rng.uniform(0.2, 0.9) + 3 * patch.rho) - 0.3 * patch.rho
        _lay(canvas, patch, patch.cover * rng.uniform(0.15, 1.2) * lumps, _tint(rng), 0.7, "dust")


def _pollen(rng: np.random.Generator, canvas: Canvas, x: float, y: float) -> None:
    """Pollen grain, 15 to 40 µm: round or three-cornered, smooth or spiny, with a thick wall."""
    radius, spines = rng.uniform(7.5, 20), int(rng.integers(12, 26))
    spiny = rng.uniform(0.05, 0.16) if rng.random() < 0.5 else 0.0
    saw = np.abs(np.mod(THETA * spines / (2 * np.pi), 1) - 0.5) * 2
    lobes = rng.uniform(0, 0.08) * np.cos(3 * THETA + rng.uniform(0, 6))
    patch = canvas.patch(outline_from(radius * (1 - spiny + spiny * saw**2 + lobes)), x, y, rng.uniform(0, 6))
    if patch is not None:
        wall = 0.55 + 0.6 * np.exp(-(((patch.rho - 0.88) / 0.1) ** 2))
        bumps = 0.15 * np.cos(patch.u_um * 1.9) * np.cos(patch.v_um * 1.9) * (spiny > 0)
        tint = np.array([0.45, 0.85, 1.7]) if rng.random() < 0.7 else _tint(rng)
        _lay(canvas, patch, patch.cover * rng.uniform(0.15, 0.6) * (wall + bumps), tint, 0.7, "pollen")


def _mould(rng: np.random.Generator, canvas: Canvas, x: float, y: float) -> None:
    """Chain of small round mould spores, olive to black."""
    radius, way = rng.uniform(1.2, 3.6), rng.uniform(0, 6)
    density, tint = rng.uniform(0.15, 0.8), np.array([1.05, 0.9, 1.1])
    for _ in range(int(rng.integers(1, 12))):
        patch = canvas.patch(lumpy(radius * rng.uniform(0.9, 1.1), 0.02, rng.uniform(1, 1.2), rng), x, y, way)
        if patch is not None:
            _lay(canvas, patch, patch.cover * density * (0.5 + 0.6 * patch.rho**2), tint, 0.6, "other")
        x += 2 * radius * np.cos(way) / canvas.um_per_px
        y += 2 * radius * np.sin(way) / canvas.um_per_px
        way += rng.normal(0, 0.5)


def _crystal(rng: np.random.Generator, canvas: Canvas, x: float, y: float) -> None:
    """Clear crystal: facets that lose or gather light, dark edges."""
    sides = int(rng.integers(3, 7))
    radius = np.clip(rng.lognormal(1.7, 0.5), 2, 30)
    wedge = np.pi / sides
    outline = outline_from(radius * np.cos(wedge) / np.cos(np.mod(THETA, 2 * wedge) - wedge))
    patch = canvas.patch(outline, x, y, rng.uniform(0, 6))
    if patch is not None:
        facet = np.sign(patch.u_um * rng.normal() + patch.v_um * rng.normal()) * rng.uniform(0.02, 0.15)
        edge = rng.uniform(0.2, 0.6) * np.exp(-(((patch.rho - 0.95) / 0.07) ** 2))
        _lay(canvas, patch, patch.cover * (facet + edge), GREY, 0.0, "other")


GRAINS: dict[str, tuple[Grain, float]] = {
    "droplet": (_droplet, 45.0),
    "stain": (_stain, 25.0),
    "bubble": (_bubble, 50.0),
    "dust": (_dust, 110.0),
    "pollen": (_pollen, 10.0),
    "mould": (_mould, 12.0),
    "crystal": (_crystal, 18.0),
}
"""Each kind of grain with its median number per mm2 (chosen by eye)."""


def amounts(rng: np.random.Generator, world: World) -> dict[str, int]:
    """Draw the number of each look-alike: log-normal, some kinds absent, all present where there is no spore."""
    drawn = {}
    for name, median in {**{k: v[1] for k, v in GRAINS.items()}, "piece": 90.0}.items():
        rate = median * world.clutter * float(rng.lognormal(0, 0.9)) * min(world.area_mm2, 0.8)
        absent = rng.random() < 0.25 and world.preset != "no_spores"
        drawn[name] = 0 if absent else min(int(rng.poisson(rate)), 350)
        if world.preset == "no_spores":
            drawn[name] = max(drawn[name], 1)
    return drawn


def lay_grains(
    rng: np.random.Generator, canvas: Canvas, world: World, drawn: dict[str, int], share: float
) -> None:
    """Lay a share of the drawn grains, kinds in random order; half of a kind may gather around one place."""
    for name in rng.permutation(list(GRAINS)):
        number = int(rng.binomial(drawn[name], share))
        x, y = rng.uniform(0, world.width_px, number), rng.uniform(0, world.height_px, number)
        near = rng.random(number) < rng.choice((0.0, 0.5))
        spread = rng.uniform(20, 120) / world.um_per_px
        x[near] = rng.uniform(0, world.width_px) + rng.normal(0, spread, int(near.sum()))
        y[near] = rng.uniform(0, world.height_px) + rng.normal(0, spread, int(near.sum()))
        for one_x, one_y in zip(x, y, strict=True):
            GRAINS[name][0](rng, canvas, float(one_x), float(one_y))
