"""Spores: lemons of revolution with a wall, contents and a bright drop, seen from any side."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from tests.recipes.nomad.field import Box, Field, Floats
from tests.recipes.nomad.presets import Preset

LENGTH_UM = (8.0, 18.0)
ASPECT = (1.3, 1.8)
_TINTS: dict[str, tuple[float, float, float]] = {
    "amber": (0.42, 1.0, 1.75),
    "brown": (0.62, 1.0, 1.40),
    "straw": (0.35, 0.85, 1.90),
    "grey-brown": (0.86, 1.0, 1.16),
    "chocolate": (0.76, 1.0, 1.22),
}
"""Optical density of red, green and blue, over green."""


@dataclass(frozen=True)
class Spore:
    """One spore as it lies, its outline as seen."""

    x_um: float
    y_um: float
    length_um: float
    width_um: float
    angle_rad: float
    stretch: float
    point: float
    skew: float
    density: float
    wall: float
    empty: bool
    drop_at: float
    drop_size_um: float

    def half_width_um(self, along_um: Floats | np.ndarray, share: float = 1.0) -> np.ndarray:
        """Half the width of the outline at a place along the axis; `share` shrinks it to the inner wall."""
        u = np.asarray(along_um) / (self.length_um / 2 * (0.5 + 0.5 * share))
        body = np.clip(1 - u**2, 0, 1) ** self.point * (1 + self.skew * u * (1 - u**2))
        return self.width_um / 2 * share * body

    @property
    def area_um2(self) -> float:
        """Area of the whole outline."""
        along = np.linspace(-0.5, 0.5, 61) * self.length_um
        return float(2 * self.half_width_um(along).mean() * self.length_um)


@dataclass(frozen=True)
class Brood:
    """What the spores of one photo share."""

    length_um: float
    spread: float
    aspect: float
    point: float
    colour: str
    tint: Floats
    density: float
    wall_step: float
    core_step: float

    @staticmethod
    def drawn(rng: np.random.Generator, preset: Preset) -> Brood:
        """Draw lineage, age and mounting."""
        colour = str(rng.choice(list(_TINTS), p=[0.3, 0.34, 0.16, 0.1, 0.1]))
        dark = {"straw": 0.6, "chocolate": 1.35}.get(colour, 1.0)
        tint = np.array(_TINTS[colour]) * rng.normal(1, 0.06, 3)
        return Brood(
            length_um=rng.uniform(9.8, 15.6),
            spread=rng.uniform(0.04, 0.09),
            aspect=rng.uniform(1.42, 1.72),
            point=rng.uniform(0.56, 0.92),
            colour=colour,
            tint=tint.astype(np.float32),
            density=float(np.clip(rng.uniform(*preset.density) * dark, 0.1, 0.7)),
            wall_step=rng.uniform(0.04, 0.10),
            core_step=rng.uniform(0.01, 0.05),
        )

    def spore(self, rng: np.random.Generator, x_um: float, y_um: float, angle_rad: float) -> Spore:
        """Draw one; a tilted one looks shorter and rounder, and is thicker along the light."""
        length = self.length_um * (1 + np.clip(rng.normal(0, self.spread), -2.2, 2.2))
        width = length / np.clip(self.aspect + rng.normal(0, 0.07), ASPECT[0] + 0.02, ASPECT[1])
        tilt = rng.uniform(0.3, 1.2) if rng.random() < 0.12 else abs(rng.normal(0, 0.12))
        seen = np.hypot(length * np.cos(tilt), width * np.sin(tilt))
        seen = float(
            np.clip(seen, max(LENGTH_UM[0], width * ASPECT[0]), min(LENGTH_UM[1], width * ASPECT[1]))
        )
        width = min(width, seen / ASPECT[0])
        empty = bool(rng.random() < 0.05)
        return Spore(
            x_um=x_um,
            y_um=y_um,
            length_um=seen,
            width_um=float(width),
            angle_rad=angle_rad % np.pi,
            stretch=float(length / seen),
            point=float(0.5 + (self.point - 0.5 + rng.normal(0, 0.05)) * seen / length),
            skew=float(rng.normal(0, 0.03)),
            density=float(np.clip(self.density * rng.lognormal(0, 0.16), 0.08, 0.75)) * (0.5 if empty else 1),
            wall=float(1.0 if empty else rng.uniform(0.35, 0.8)),
            empty=empty,
            drop_at=float(rng.uniform(-0.3, 0.3)),
            drop_size_um=float(rng.uniform(0.8, 1.7) if rng.random() < 0.45 and not empty else 0),
        )


@dataclass
class Laid:
    """A spore in the field, with what is needed to tell later what lies on it."""

    spore: Spore
    box: Box
    cover: Floats
    veil: Floats


def paint(field: Field, number: int, spore: Spore, brood: Brood) -> Laid | None:
    """Add one spore's path and pigment, on top of all there is."""
    box = field.window(spore.x_um, spore.y_um, spore.length_um / 2)
    if box is None:
        return None
    fine = max(1, int(np.ceil(field.um_per_px / 0.25)))
    along, across = field.axes(box, spore.x_um, spore.y_um, spore.angle_rad, fine)
    half = spore.half_width_um(along)
    inner = spore.half_width_um(along, 0.8 if spore.empty else 0.76)
    thick = 2 * np.sqrt(np.clip(half**2 - across**2, 0, None)) * spore.stretch
    core = 2 * np.sqrt(np.clip(inner**2 - across**2, 0, None)) * spore.stretch
    wall = thick - core
    edge = np.clip((half - np.abs(across)) / (field.um_per_px / fine) + 0.5, 0, 1) * (half > 0)
    pigment = spore.wall * wall + (1 - spore.wall) * core
    path = brood.wall_step * wall + (-0.01 if spore.empty else brood.core_step) * core
    if spore.drop_size_um:
        off = np.hypot(along - spore.drop_at * spore.length_um, across) / spore.drop_size_um
        drop = np.sqrt(np.clip(1 - off**2, 0, None))
        path += 0.10 * 2 * spore.drop_size_um * drop
        pigment *= 1 - 0.35 * drop
    usual = (pigment.mean() / max(1e-6, edge.mean())) if edge.mean() > 0.05 else 1.0
    cover, bent, dark = _shrunk(edge, fine), _shrunk(path, fine), _shrunk(pigment, fine)
    if not cover.any():
        return None
    ink = (dark * (spore.density / max(float(usual), 0.2)))[..., None] * brood.tint
    field.path_um[box] += bent
    field.spore_path_um[box] += bent
    field.ink[box] += ink
    field.spore_ink[box] += ink
    field.veil[box] += ink[..., 1]
    field.kind[box][cover > 0.5] = 1
    field.owner[box][cover > 0.5] = number
    return Laid(spore, box, cover, field.veil[box].copy())


def _shrunk(fine_field: np.ndarray, fine: int) -> Floats:
    rows, cols = fine_field.shape
    blocks = fine_field.reshape(rows // fine, fine, cols // fine, fine)
    return np.asarray(blocks.mean(axis=(1, 3)), np.float32)


def visible_share(field: Field, number: int, laid: Laid) -> float:
    """Share of the outline in the view that nothing later hides; spores on it hide it too."""
    on_top = field.veil[laid.box] - laid.veil
    owner = field.owner[laid.box]
    free = (on_top < 0.45) & (owner <= number)
    share = (laid.cover * free).sum() * field.um_per_px**2 / laid.spore.area_um2
    return float(np.clip(share, 0, 1))


def spots(rng: np.random.Generator, field: Field, brood: Brood, count: int, preset: Preset) -> list[Spore]:
    """Place spores singly and in clumps that grow by one touching the next."""
    out: list[Spore] = []
    margin = brood.length_um * 0.4
    while len(out) < count:
        x = rng.uniform(-margin, field.width_um + margin)
        y = rng.uniform(-margin, field.height_um + margin)
        out.append(brood.spore(rng, x, y, rng.uniform(0, np.pi)))
        if rng.random() > rng.uniform(*preset.clumped) * 0.45:
            continue
        size = int(np.clip(2 + rng.pareto(1.1) * 1.5, 2, preset.largest_clump))
        out += grown(rng, out[-1], brood, min(size, count - len(out) + 1) - 1)
    return out


def grown(rng: np.random.Generator, first: Spore, brood: Brood, more: int) -> list[Spore]:
    """Grow a clump round a first spore."""
    group = [first]
    tight = rng.uniform(0.86, 1.04)
    while len(group) <= more:
        at = group[int(rng.integers(max(0, len(group) - 12), len(group)))]
        way = rng.uniform(0, 2 * np.pi)
        angle = at.angle_rad + rng.normal(0, 0.35) if rng.random() < 0.5 else rng.uniform(0, np.pi)
        one = brood.spore(rng, 0.0, 0.0, angle)
        far = (reach_um(at, way) + reach_um(one, way)) * tight * rng.uniform(0.95, 1.05)
        x, y = at.x_um + far * np.cos(way), at.y_um + far * np.sin(way)
        near = min(np.hypot(o.x_um - x, o.y_um - y) for o in group[-40:])
        if near > one.width_um * 0.72 or rng.random() < 0.12:
            group.append(brood.spore(rng, x, y, angle))
    return group[1:]


def reach_um(spore: Spore, way_rad: float | np.ndarray) -> np.ndarray:
    """Distance from the centre to the outline in a direction, that of an ellipse of its axes."""
    a = way_rad - spore.angle_rad
    return 1 / np.hypot(2 * np.cos(a) / spore.length_um, 2 * np.sin(a) / spore.width_um)


def clump_sizes(spores: list[Spore]) -> list[int]:
    """Count the spores in each one's touching group."""
    if not spores:
        return []
    places = np.array([(s.x_um, s.y_um) for s in spores])
    pairs = cKDTree(places).query_pairs(max(s.length_um for s in spores), output_type="ndarray")
    if len(pairs) == 0:
        return [1] * len(spores)
    step = places[pairs[:, 1]] - places[pairs[:, 0]]
    way = np.arctan2(step[:, 1], step[:, 0])
    shape = np.array([(s.length_um, s.width_um, s.angle_rad) for s in spores])
    reach = sum(
        1 / np.hypot(2 * np.cos(way - a[:, 2]) / a[:, 0], 2 * np.sin(way - a[:, 2]) / a[:, 1])
        for a in (shape[pairs[:, 0]], shape[pairs[:, 1]])
    )
    touch = pairs[np.hypot(step[:, 0], step[:, 1]) < reach * 1.02]
    graph = coo_matrix((np.ones(len(touch)), (touch[:, 0], touch[:, 1])), shape=(len(spores), len(spores)))
    _, label = connected_components(graph, directed=False)
    return [int(n) for n in np.bincount(label)[label]]
