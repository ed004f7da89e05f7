"""The spores: one look for the whole print, their places, and the laying of each."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from sporecount.simulate.outlines.fields import LUMA, Array, Sheet, transmission
from sporecount.simulate.outlines.style import HouseStyle

TABLE_STEP = 1 / 96
"""Step of the table of distances, in half lengths."""
TABLE_REACH = 2.0
SIGMAS_UM = (0.0, 0.5, 1.0, 1.6, 2.4, 3.6, 5.5, 9.0)


def outline_halfwidth(t: Array, point: float) -> Array:
    """Half width of a lemon at `t` half lengths from its middle; `point` 0.5 is an ellipse, 1 a lens."""
    return np.asarray(np.clip(1 - t * t, 0, None) ** point, np.float32)


def distance_table(aspect: float, point: float) -> Array:
    """Signed distance to a lemon's outline, in half lengths, on a grid from -2 to 2 half lengths."""
    axis = np.arange(-TABLE_REACH, TABLE_REACH + TABLE_STEP / 2, TABLE_STEP).astype(np.float32)
    inside = np.abs(axis)[:, None] < outline_halfwidth(axis, point)[None] / aspect
    out = cv2.distanceTransform((~inside).astype(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
    into = cv2.distanceTransform(inside.astype(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
    # Each is measured to the nearest grid point of the other side: the outline is half a step nearer.
    return np.asarray((np.maximum(out - 0.5, 0) - np.maximum(into - 0.5, 0)) * TABLE_STEP, np.float32)


@dataclass(frozen=True)
class SporeLook:
    """How one print's spores look; densities are for the green channel."""

    length_um: float
    spread: float
    aspect: float
    point: float
    table: Array
    tint: Array
    wall: float
    rounded: float
    rim: float
    rim_um: float
    middle: float
    middle_size: float
    slot: float
    halo: float
    halo_um: float
    grain: float
    uneven: float

    def density(
        self, u: Array, v: Array, half_um: tuple[float, float], edge_um: float
    ) -> tuple[Array, Array]:
        """Density and signed distance at points along and across the long axis, in um."""
        a, b = half_um
        scale = np.float32(1 / (a * TABLE_STEP))
        squeeze = np.float32(a / b / self.aspect)
        origin = np.float32(TABLE_REACH / TABLE_STEP)
        distance = a * cv2.remap(
            self.table, u * scale + origin, v * scale * squeeze + origin, cv2.INTER_LINEAR, borderValue=1.5
        )
        inside = np.clip(0.5 - distance / np.float32(edge_um), 0, 1)
        depth = np.clip(-distance / np.float32(b), 0, 1)
        body = 1 - self.rounded + self.rounded * np.sqrt(depth * (2 - depth))
        along, across = u / np.float32(a), v / np.float32(b)
        heart = np.exp(-(along**2 * self.slot + across**2) * np.float32(2 / self.middle_size**2))
        density = inside * (self.wall * body + self.middle * heart)
        density += inside * self.rim * np.exp(-(((distance + 0.7 * self.rim_um) / self.rim_um) ** 2))
        density -= (1 - inside) * self.halo * np.exp(-(((distance - 0.5 * self.halo_um) / self.halo_um) ** 2))
        return np.asarray(density, np.float32), np.asarray(distance, np.float32)

    def area_um2(self, length_um: float, width_um: float) -> float:
        """Area of the outline."""
        share = float((self.table < 0).sum()) * TABLE_STEP**2 / 4 * self.aspect
        return share * length_um * width_um

    def shown(self, edge_um: float, strength: float) -> tuple[Array, Array]:
        """Mean and root mean square density (luma) inside the outline for each of `SIGMAS_UM` of blur."""
        step = 0.25
        axis = np.arange(-30, 30 + step / 2, step, dtype=np.float32)
        u, v = np.meshgrid(axis, axis)
        half = (self.length_um / 2, self.length_um / 2 / self.aspect)
        density, distance = self.density(u, v, half, edge_um)
        inside = distance < 0
        means, squares = [], []
        passed = transmission(density * np.float32(strength), self.tint)
        for sigma in SIGMAS_UM:
            blurred = cv2.GaussianBlur(passed, (0, 0), sigma / step) if sigma else passed
            lost = -np.log10(blurred[inside] @ LUMA / LUMA.sum())
            means.append(lost.mean())
            squares.append(np.sqrt((lost**2).mean()))
        return np.array(means, np.float32), np.array(squares, np.float32)


def draw_look(rng: np.random.Generator, style: HouseStyle) -> SporeLook:
    """Draw the look of a print's spores."""
    aspect = float(rng.uniform(1.4, 1.7))
    point = float(rng.uniform(0.62, 0.9))
    # From amber, which eats blue, to a dark brown that eats nearly all.
    brown = rng.random()
    tint = (1 - brown) * np.array([0.38, 0.95, 1.9]) + brown * np.array([0.78, 1.05, 1.4])
    tint = tint * rng.uniform([0.75, 0.97, 0.85], [1.05, 1.1, 1.15])
    wall = rng.uniform(0.2, 0.5) + 0.45 * brown * rng.random()
    rim = rng.uniform(0.12, 0.5)
    middle = wall * rng.uniform(-0.8, 0.25)
    halo = rng.uniform(0, 0.12)
    rim_um = rng.uniform(0.5, 1.2)
    if style.unusual == "pale":
        tint = np.array([0.9, 1.0, 1.1]) + rng.uniform(-0.1, 0.2, 3)
        wall, rim, rim_um = rng.uniform(0.0, 0.06), rng.uniform(0.3, 0.6), rng.uniform(0.4, 0.7)
        middle, halo = rng.uniform(-0.1, 0.0), rng.uniform(0.02, 0.12)
    elif style.unusual == "faint":
        wall, rim, middle, halo = 0.75 * wall, 0.75 * rim, 0.6 * middle, 0.5 * halo
    length, spread, rounded, size, halo_um, grain, uneven = rng.uniform(
        (9.3, 0.03, 0, 0.5, 0.8, 0, 0.05), (15.5, 0.08, 0.6, 1.0, 2.2, 0.12, 0.18)
    ).tolist()
    slot = float(rng.choice([1.0, 0.35], p=[0.7, 0.3]))
    table = distance_table(aspect, point)
    outline, body = (length, spread, aspect, point, table), (tint, wall, rounded)
    return SporeLook(*outline, *body, rim, rim_um, middle, size, slot, halo, halo_um, grain, uneven)


@dataclass(frozen=True)
class Spores:
    """All spores of a photo; places in pixels of the sheet, one entry a spore."""

    x: NDArray[np.float64]
    y: NDArray[np.float64]
    angle: NDArray[np.float64]
    length_um: NDArray[np.float64]
    width_um: NDArray[np.float64]
    gain: NDArray[np.float64]


def place_spores(
    rng: np.random.Generator, look: SporeLook, style: HouseStyle, margin_px: float, shape: tuple[int, int]
) -> Spores:
    """Draw places and sizes: some alone, the rest grown into clumps, each new one beside an older one."""
    number, (clumped, piled, _) = style.spores, style.crowding
    length = np.clip(look.length_um * (1 + look.spread * rng.standard_normal(number)), 8.5, 17.0)
    aspect = np.clip(look.aspect * (1 + 0.6 * look.spread * rng.standard_normal(number)), 1.3, 1.8)
    angle = rng.uniform(0, np.pi, number)
    x = margin_px + rng.uniform(0, shape[1], number)
    y = margin_px + rng.uniform(0, shape[0], number)
    keen = rng.uniform(0.55, 0.9)
    first = 0
    for k in range(1, number):
        # A clump goes on with chance `keen`; the place of the next lone one is the one drawn above.
        if rng.random() > clumped or rng.random() > keen:
            first = k
            continue
        beside = int(rng.integers(first, k))
        away = rng.uniform(0, 2 * np.pi)
        if rng.random() < 0.5:
            angle[k] = angle[beside] + rng.normal(0, 0.3)
        both = np.array([beside, k])
        reach = _reach(away - angle[both], length[both], aspect[both]).sum()
        near = rng.uniform(0.3, 0.8) if rng.random() < piled else rng.uniform(0.92, 1.12)
        x[k] = x[beside] + near * reach / style.um_per_px * np.cos(away)
        y[k] = y[beside] + near * reach / style.um_per_px * np.sin(away)
    # The laying order decides who lies on top: mix it, so that clumps lie partly beneath scales.
    order = rng.permutation(number)
    gain = np.clip(1 + look.uneven * rng.standard_normal(number), 0.6, 1.5)
    x, y, angle, length, aspect = x[order], y[order], angle[order], length[order], aspect[order]
    return Spores(x, y, angle % np.pi, length, length / aspect, gain)


def _reach(turn: Array, length_um: Array, aspect: Array) -> Array:
    """Distance from the centre to about the outline, in a direction from the long axis."""
    return np.asarray(length_um / 2 / np.hypot(np.cos(turn), aspect * np.sin(turn)))


def lay_spores(
    rng: np.random.Generator, sheet: Sheet, look: SporeLook, spores: Spores, which: Iterable[int]
) -> None:
    """Lay spores on the sheet, later ones on top."""
    for k in which:
        half = (spores.length_um[k] / 2, spores.width_um[k] / 2)
        patch = sheet.patch(spores.x[k], spores.y[k], half[0] + 2 * look.halo_um)
        u, v = patch.turned(spores.angle[k])
        edge = max(sheet.edge_um, patch.step_um)
        density, distance = look.density(u, v, half, edge)
        if look.grain > 0.03:
            density *= 1 + look.grain * patch.noise(rng, 1.5, 1)
        sheet.darken(patch, density * np.float32(spores.gain[k]), look.tint)
        sheet.claim(patch, np.clip(0.5 - distance / np.float32(edge), 0, 1), "spore", k)


def outline_seen(sheet: Sheet, look: SporeLook, spores: Spores) -> NDArray[np.float64]:
    """Share of each spore's outline, just inside it, where the spore is on top."""
    t = np.concatenate([np.linspace(-0.9, 0.9, 12)] * 2)
    side = np.repeat([-0.88, 0.88], 12) * outline_halfwidth(t.astype(np.float32), look.point)
    u, v = 0.5 * spores.length_um[:, None] * t, 0.5 * spores.width_um[:, None] * side
    c, s = np.cos(spores.angle)[:, None], np.sin(spores.angle)[:, None]
    rows, cols = sheet.owner.shape
    x = np.rint(spores.x[:, None] + (u * c - v * s) / sheet.px_um).astype(int)
    y = np.rint(spores.y[:, None] + (u * s + v * c) / sheet.px_um).astype(int)
    on = (x >= 0) & (x < cols) & (y >= 0) & (y < rows)
    owner = sheet.owner[np.clip(y, 0, rows - 1), np.clip(x, 0, cols - 1)]
    return (on & (owner == np.arange(len(spores.x))[:, None])).mean(axis=1)


def touching(spores: Spores, px_um: float) -> NDArray[np.int64]:
    """Size of each spore's group of touching spores."""
    number = len(spores.x)
    places = np.column_stack([spores.x, spores.y]) * px_um
    pairs = cKDTree(places).query_pairs(float(spores.length_um.max()), output_type="ndarray")
    i, j = pairs[:, 0], pairs[:, 1]
    gap = places[j] - places[i]
    away = np.arctan2(gap[:, 1], gap[:, 0])
    aspect = spores.length_um / spores.width_um
    reach = sum(_reach(away - spores.angle[k], spores.length_um[k], aspect[k]) for k in (i, j))
    near = np.hypot(gap[:, 0], gap[:, 1]) <= reach
    graph = coo_matrix((np.ones(int(near.sum())), (i[near], j[near])), shape=(number, number))
    _, group = connected_components(graph, directed=False)
    return np.asarray(np.bincount(group)[group], np.int64)
