"""Spores: where they lie, how they look, and which of them touch."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from tests.recipes.roamer.settings import Settings
from tests.recipes.roamer.shapes import ball, lemon
from tests.recipes.roamer.sheets import Matter, Stack

LENGTH_UM = (7.5, 19.5)
PIGMENTS = {
    "amber": (0.42, 0.95, 1.75),
    "straw": (0.55, 0.85, 1.8),
    "grey-brown": (0.8, 1.0, 1.25),
    "chocolate": (0.75, 1.05, 1.3),
    "honey": (0.4, 0.95, 2.0),
}
"""Density of red, green and blue of each hue, for a mean density of about 1."""
MIDDLE = {
    "amber": (0.3, 0.6),
    "straw": (0.16, 0.34),
    "grey-brown": (0.25, 0.6),
    "chocolate": (0.55, 0.95),
    "honey": (0.12, 0.28),
}
"""Density at the thickest place."""


@dataclass(frozen=True)
class Spores:
    """All spores of a photo, one entry each."""

    x_px: NDArray[np.float64]
    y_px: NDArray[np.float64]
    angle_rad: NDArray[np.float64]
    length_um: NDArray[np.float64]
    width_um: NDArray[np.float64]
    clump: NDArray[np.int64]
    hue: str


def how_many(rng: np.random.Generator, preset: str, area_mm2: float) -> int:
    """Draw the number of spores for a view of this size."""
    if preset == "no_spores":
        return 0
    if preset == "heavy":
        whole = np.exp(rng.uniform(np.log(300), np.log(2000)))
        return int(np.clip(whole * area_mm2 / 0.9, 8, 2000))
    low, high = {"good_focus": (5, 80), "hard": (5, 150)}.get(preset, (0, 60))
    count = low + (high - low) * rng.beta(0.9, 1.8)
    return round(max(count * min(1.0, area_mm2 / 0.12), 1 if low else 0))


def reach_um(
    turn: NDArray[np.float64], a: NDArray[np.float64], b: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Half extent of ellipses in the direction at this angle from their long axes."""
    return np.asarray(a * b / np.hypot(b * np.cos(turn), a * np.sin(turn)))


def scatter(
    rng: np.random.Generator, count: int, heavy: bool, view_um: tuple[float, float], pitch_um: float
) -> NDArray[np.float64]:
    """Centres in µm: singles, pairs and clumps that grow from their own members."""
    places: list[tuple[float, float]] = []
    loose = rng.uniform(0.15, 0.6) if heavy else rng.uniform(0.5, 0.95)
    tight = rng.uniform(0.75, 1.15)
    while len(places) < count:
        size = 1
        if heavy and not places:
            size = 8
        elif rng.random() > loose:
            few = int(rng.choice([2, 3, 4, 6], p=[0.6, 0.2, 0.12, 0.08]))
            size = int(2 + min(rng.exponential(9.0), 58)) if heavy else few
        edge = 0.2 if size == 8 and not places else 0.0
        group = [(rng.uniform(edge, 1 - edge) * view_um[0], rng.uniform(edge, 1 - edge) * view_um[1])]
        for _ in range(min(size, count - len(places)) - 1):
            x, y = group[int(rng.integers(max(0, len(group) - 9), len(group)))]
            turn, step = rng.uniform(0, 2 * np.pi), pitch_um * tight * rng.uniform(0.75, 1.2)
            group.append((x + step * np.cos(turn), y + step * np.sin(turn)))
        places += group
    return np.array(places[:count], float).reshape(-1, 2)


def draw_spores(rng: np.random.Generator, settings: Settings, shape: tuple[int, int]) -> Spores:
    """Draw all that is known of the spores before they are laid."""
    um = settings.um_per_px
    view_um = (shape[1] * um, shape[0] * um)
    count = how_many(rng, settings.preset, view_um[0] * view_um[1] / 1e6)
    mean_um, spread = rng.uniform(10.0, 15.5), rng.uniform(0.04, 0.09)
    length_um = np.clip(mean_um * (1 + spread * rng.normal(size=count).clip(-2.5, 2.5)), *LENGTH_UM)
    aspect = np.clip(rng.uniform(1.42, 1.68) + 0.07 * rng.normal(size=count), 1.3, 1.8)
    xy_um = scatter(rng, count, settings.preset == "heavy", view_um, mean_um * 0.78)
    angle = rng.uniform(0, np.pi, count)
    hue = str(rng.choice(list(PIGMENTS), p=[0.38, 0.12, 0.13, 0.12, 0.25]))
    clump = np.ones(count, np.int64)
    if count > 1:
        near = cKDTree(xy_um).query_pairs(length_um.max() + 1, output_type="ndarray")
        i, j = near[:, 0], near[:, 1]
        gap = xy_um[j] - xy_um[i]
        turn = np.arctan2(gap[:, 1], gap[:, 0])
        a, b = length_um / 2, length_um / aspect / 2
        reach = reach_um(turn - angle[i], a[i], b[i]) + reach_um(turn - angle[j], a[j], b[j])
        touch = np.hypot(gap[:, 0], gap[:, 1]) < reach + 0.3
        links = coo_matrix((np.ones(touch.sum()), (i[touch], j[touch])), shape=(count, count))
        _, group = connected_components(links, directed=False)
        clump = np.bincount(group)[group].astype(np.int64)
    return Spores(
        xy_um[:, 0] / um - 0.5, xy_um[:, 1] / um - 0.5, angle, length_um, length_um / aspect, clump, hue
    )


def lay_spores(
    rng: np.random.Generator, stack: Stack, spores: Spores, settings: Settings
) -> NDArray[np.int64]:
    """Lay them among the grains, some in a small pool of glue; tell the pixels of each."""
    pigment = np.array(PIGMENTS[spores.hue])
    middle = rng.uniform(*MIDDLE[spores.hue])
    bend = rng.uniform(0.03, 0.075) if spores.hue != "honey" else rng.uniform(0.06, 0.1)
    pointed, pools = rng.uniform(0.55, 0.95), rng.random() < 0.35
    pale = np.array([0.62, 0.52, 0.38]) * rng.uniform(0.7, 1.1)
    brown = 0.75 * 10 ** (-pigment * (0.25 + 0.75 * middle))
    colour = pale if settings.dark_card else brown
    pixels = np.zeros(len(spores.x_px), np.int64)
    for i, (x, y) in enumerate(zip(spores.x_px, spores.y_px, strict=True)):
        half_px = (spores.length_um[i] / 2 / settings.um_per_px, spores.width_um[i] / 2 / settings.um_per_px)
        person = float(np.exp(0.18 * rng.normal()))
        if pools and rng.random() < 0.5:
            pool = ball(x, y, half_px[0] * rng.uniform(1.2, 1.6))
            water = Matter(np.zeros(3), rng.uniform(0.03, 0.12), np.zeros(3), 0.0)
            stack.lay(stack.low, pool, water, "background")
        matter = Matter(pigment * middle * person, bend * spores.width_um[i], colour * person**-0.6, 0.85)
        body = lemon(
            x, y, spores.angle_rad[i], half_px, float(np.clip(pointed + 0.08 * rng.normal(), 0.5, 1))
        )
        pixels[i] = stack.lay(stack.grains, body, matter, "spore", spores.width_um[i] / 2, i)
    return pixels
