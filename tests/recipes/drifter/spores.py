"""Spores: where they lie, alone or in clumps, and how each takes light."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from tests.recipes.drifter.canvas import HIGH, LOW, Canvas
from tests.recipes.drifter.optics import disc_deviation_um
from tests.recipes.drifter.style import Array, Style

PRINT_VIEW_MM2 = 0.33
"""The view that the counts of the presets hold for."""


@dataclass
class Spore:
    """One spore as it is drawn."""

    x_um: float
    y_um: float
    length_um: float
    width_um: float
    angle_rad: float
    point: float
    density: float
    under: bool
    layer: int = LOW
    full_px: int = 0
    """Points of the fine grid within its whole outline, outside the view too."""

    def inside_um(self, along: Array, across: Array) -> Array:
        """Distance inside the lemon outline, about right near it."""
        a, b = self.length_um / 2, self.width_um / 2
        t = np.clip(np.abs(along) / a, 0, 1)
        rest = np.maximum(1 - t * t, 1e-4)
        half = b * rest**self.point
        slope = np.minimum(2 * self.point * b / a * t * rest ** (self.point - 1), 4.0)
        inside = (half - np.abs(across)) / np.sqrt(1 + slope**2)
        return np.asarray(
            np.where(np.abs(along) > a, -np.hypot(np.abs(along) - a, across), inside), np.float32
        )


def plan_spores(rng: np.random.Generator, canvas: Canvas, style: Style) -> list[Spore]:
    """Choose all spores and their places, those beneath other things included."""
    share = min(canvas.area_mm2 / PRINT_VIEW_MM2, 1.0)
    preset = style.preset
    room = 0.3 * canvas.area_mm2 * 1e6 / (0.55 * style.spore.length_um**2)
    if preset == "no_spores":
        return []
    if preset == "heavy":
        wanted = int(np.clip(rng.uniform(300, 2000) * canvas.area_mm2 / PRINT_VIEW_MM2, 12, min(room, 2400)))
    else:
        low, high = {"good_focus": (5, 80), "hard": (5, 150), "scan_4x": (5, 400)}.get(preset, (0, 60))
        wanted = int(np.clip(round(rng.uniform(low, high) * np.sqrt(share)), low, room + low))
    spores: list[Spore] = []
    while len(spores) < wanted:
        x_um, y_um = rng.uniform(-4, canvas.width_um + 4), rng.uniform(-4, canvas.height_um + 4)
        size = 1
        if preset == "heavy" and not spores:
            size = min(int(rng.integers(6, 60)), wanted)
            x_um, y_um = rng.uniform(0.2, 0.8) * canvas.width_um, rng.uniform(0.2, 0.8) * canvas.height_um
        elif rng.uniform() < {"heavy": 0.3, "hard": 0.2}.get(preset, 0.1):
            size = 2 if rng.uniform() < 0.5 else int(np.exp(rng.uniform(np.log(2), np.log(60))))
            size = min(size, 60 if preset in ("heavy", "scan_4x") else 12, wanted - len(spores))
        spores += _clump(rng, style, x_um, y_um, size)
    return spores


def _clump(rng: np.random.Generator, style: Style, x_um: float, y_um: float, size: int) -> list[Spore]:
    """Grow a clump: each new spore is pushed against, or a little over, one that is there."""
    under = bool(rng.uniform() < 0.12)
    tight = rng.uniform(0.72, 1.12)
    clump = [_one(rng, style, x_um, y_um, under)]
    while len(clump) < size:
        best: Spore | None = None
        for _ in range(8):
            beside = clump[int(rng.integers(len(clump)))]
            way = rng.uniform(0, 2 * np.pi)
            new = _one(rng, style, 0, 0, under)
            if rng.uniform() < 0.45:
                new.angle_rad = beside.angle_rad + rng.normal(0, 0.2)
            apart = tight * (reach_um(beside, way) + reach_um(new, way))
            new.x_um, new.y_um = beside.x_um + apart * np.cos(way), beside.y_um + apart * np.sin(way)
            best = new
            nearest = min(np.hypot(o.x_um - new.x_um, o.y_um - new.y_um) for o in clump)
            if nearest > 0.85 * tight * style.spore.length_um / style.spore.aspect:
                break
        if best is not None:
            clump.append(best)
    return clump


def _one(rng: np.random.Generator, style: Style, x_um: float, y_um: float, under: bool) -> Spore:
    look = style.spore
    length_um = float(np.clip(look.length_um * rng.normal(1, look.spread), 9, 17))
    aspect = float(np.clip(rng.normal(look.aspect, 0.07), 1.3, 1.8))
    single = rng.choice([1.0, 0.5, 1.4], p=[0.88, 0.07, 0.05])
    density = float(np.clip(look.density * single * np.exp(rng.normal(0, 0.1)), 0.05, 0.95))
    point = float(np.clip(rng.normal(look.point, 0.06), 0.5, 1.0))
    return Spore(x_um, y_um, length_um, length_um / aspect, rng.uniform(0, np.pi), point, density, under)


def reach_um(spore: Spore, way_rad: float) -> float:
    """Distance from the centre to the outline, as of an ellipse a little leaner than its box."""
    a, b, turn = spore.length_um / 2, spore.width_um / 2, way_rad - spore.angle_rad
    return float(a * b / np.hypot(b * np.cos(turn), a * np.sin(turn)))


def draw_spore(rng: np.random.Generator, canvas: Canvas, style: Style, spore: Spore, number: int) -> None:
    """Lay one spore on the canvas."""
    g = canvas.grain_um
    row, col = canvas.place(spore.x_um, spore.y_um)
    spore.layer = HIGH if canvas.on_scale[row, col] and not spore.under else LOW
    reach = 0.5 * spore.length_um + 3
    patch = canvas.patch(spore.x_um, spore.y_um, reach)
    if patch is None:
        spore.full_px = 1
        return
    along, across = patch.turned(spore.angle_rad)
    inside = spore.inside_um(along, across)
    cover = canvas.edge(inside)
    whole = _lemon_share(spore.point) * spore.length_um * spore.width_um
    spore.full_px = max(round(whole / g**2), 1)
    body, halo = _body(rng, style, spore, inside, along, across)
    density = spore.density * body / max(float((body * cover).sum() / (cover.sum() + 1e-6)), 0.3)
    gleam = 0.05 * np.float32(rng.uniform(0.3, 1.5))
    shine = tuple(float(gleam * c) for c in (0.5, 0.8, 1.0, 1.1))
    canvas.put(
        patch,
        cover,
        density,
        style.spore.hue,
        "spore",
        layer=spore.layer,
        shine=shine,
        owner=number,
        halo=halo,
    )


def _body(
    rng: np.random.Generator, style: Style, spore: Spore, inside: Array, along: Array, across: Array
) -> tuple[Array, Array]:
    """How the wall and the middle share the light lost, and the bright or dark line outside."""
    look, lens = style.spore, style.lens
    height_um = lens.high_um if spore.layer == HIGH else 0.0
    signed_um = float(disc_deviation_um(lens, height_um, 0.0, 0.0).mean())
    side = np.tanh(signed_um / 0.5 + 0.6)  # a wall is seen dark in focus and a little beyond it
    rim = look.rim * side * np.exp(-(((inside - 0.7) / 0.8) ** 2))
    middle = np.clip(inside / (spore.width_um / 2), 0, 1)
    spot_um = rng.normal(0, 0.08 * spore.length_um)
    core = look.core * np.exp(-(((along - spot_um) / (0.18 * spore.length_um)) ** 2 + (across / 1.8) ** 2))
    body = 0.8 + 0.35 * np.sqrt(middle) + rim - 0.45 * look.rim * side * middle**2 + core
    halo = -0.16 * spore.density * side * np.exp(-(((inside + 0.9) / 0.7) ** 2))
    return np.maximum(body, 0.15).astype(np.float32), halo.astype(np.float32)


def _lemon_share(point: float) -> float:
    """Share of its box that a lemon fills."""
    t = (np.arange(200) + 0.5) / 200
    return float(((1 - t * t) ** point).mean())


def clump_sizes(spores: list[Spore]) -> list[int]:
    """Count for each spore the spores of its touching group."""
    if not spores:
        return []
    places = np.array([(s.x_um, s.y_um) for s in spores])
    pairs = []
    for i, j in cKDTree(places).query_pairs(18.0):
        dx, dy = places[j] - places[i]
        way = float(np.arctan2(dy, dx))
        if np.hypot(dx, dy) <= 1.03 * (reach_um(spores[i], way) + reach_um(spores[j], way)):
            pairs.append((i, j))
    i, j = np.array(pairs, int).reshape(-1, 2).T
    links = coo_array((np.ones(len(i)), (i, j)), shape=(len(spores), len(spores)))
    group = connected_components(links, directed=False)[1]
    return [int(n) for n in np.bincount(group)[group]]
