"""What the animal left besides spores: scales, pieces of them, hairs."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sporecount.simulate.relief.forms import roughness, turned, wandering
from sporecount.simulate.relief.matters import pigmented, spectrum
from sporecount.simulate.relief.recipe import log_uniform
from sporecount.simulate.relief.terrain import Matter, Terrain
from sporecount.simulate.truth import KIND_NAMES

_SCALE, _PIECE, _HAIR = (KIND_NAMES.index(name) for name in ("scale", "scale piece", "hair"))


@dataclass(frozen=True)
class Wing:
    """What the scales of one photo have in common."""

    length_um: float
    ratio: float
    matters: tuple[Matter, ...]
    rib_um: float
    ribbed: float
    teeth: int
    sheen: float


def random_wing(rng: np.random.Generator) -> Wing:
    """Make up the scales of a photo: one to three colours, ribs, teeth."""
    matters = []
    for _ in range(int(rng.integers(1, 4))):
        density = log_uniform(rng, 0.06, 0.9)
        dye = density * spectrum(rng, rng.uniform(-0.1, 1.2), 0.25)
        hue = rng.uniform(0.1, 1.0, 3) if rng.random() < 0.5 else np.full(3, rng.uniform(0.1, 0.95))
        matters.append(
            Matter(
                dye.astype(np.float32),
                hue.astype(np.float32),
                float(rng.uniform(0.35, 0.95)),
                float(rng.uniform(0.1, 1.0)),
                float(rng.uniform(0.02, 0.12)),
            )
        )
    return Wing(
        length_um=float(rng.uniform(60, 150)),
        ratio=float(rng.uniform(1.4, 4.5)),
        matters=tuple(matters),
        rib_um=float(rng.uniform(1.4, 3.0)),
        ribbed=float(rng.uniform(0.0, 0.5)),
        teeth=int(rng.integers(0, 7)),
        sheen=float(rng.choice([0.0, rng.uniform(0.2, 0.7)])),
    )


def scale_outline(rng: np.random.Generator, length: float, wide: float, teeth: int) -> np.ndarray:
    """Trace the outline from the stalk at -length/2 to the far edge, shape (n, 2)."""
    t = np.linspace(0, 1, 26)
    belly = np.clip(t / 0.06, 0, 1) * (0.1 + 0.9 * np.sin(np.pi / 2 * np.clip(t / 0.55, 0, 1)) ** 1.4)
    belly *= 1 - 0.35 * np.clip((t - 0.7) / 0.3, 0, 1) ** 2
    upper = np.stack((length * (t - 0.5), belly * wide / 2), axis=1)
    edge_y = np.linspace(1, -1, 4 * max(teeth, 2) + 1)
    bulge = 0.08 * length * (1 - edge_y**2)
    if teeth:
        bulge = bulge + 0.07 * length * np.abs(np.sin(np.pi * teeth * (edge_y + 1) / 2)) * rng.uniform(
            0.4, 1.2
        )
    edge = np.stack((length / 2 + bulge, edge_y * belly[-1] * wide / 2), axis=1)
    return np.concatenate((upper, edge, upper[::-1] * (1, -1)))


def _lay_leaf(
    rng: np.random.Generator, terrain: Terrain, wing: Wing, points: np.ndarray, turn: float, kind: int
) -> float:
    """Lay a thin ribbed sheet; its area in view in um²."""
    found = terrain.polygon(points)
    if found is None:
        return 0.0
    at, cover, depth_um = found
    matter = wing.matters[rng.integers(len(wing.matters))]
    rows, cols = np.indices(cover.shape, np.float32)
    across = (rows * np.float32(np.cos(turn)) - cols * np.float32(np.sin(turn))) * np.float32(terrain.px_um)
    rib = np.cos(across * np.float32(2 * np.pi / wing.rib_um))
    if wing.rib_um < 2.5 * terrain.px_um:
        rib = rib * 0
    cloud = roughness(rng, cover.shape, 25 / terrain.px_um, 2)
    pigment = np.clip(1 + wing.ribbed * rib + 0.15 * cloud, 0.1, 3)
    pigment = pigment + 0.5 * np.exp(-depth_um / 1.5)
    rise = 0.9 + 0.35 * wing.ribbed * rib + 0.5 * cloud
    terrain.lay(at, cover, rise.astype(np.float32), pigment.astype(np.float32), matter, kind)
    if wing.sheen:
        hue = np.float32(0.5) + np.float32(0.5) * np.cos(
            np.array([0, 2.1, 4.2], np.float32) + np.float32(0.6) * cloud[..., None] + rng.uniform(0, 6.3)
        )
        terrain.skin[at] += (cover * wing.sheen * matter.opacity)[..., None] * (hue - terrain.skin[at])
    return float((cover >= 0.5).sum() * terrain.px_um**2)


def lay_scale(rng: np.random.Generator, terrain: Terrain, wing: Wing, x_um: float, y_um: float) -> bool:
    """Lay a whole scale; whether most of it is in view."""
    length = wing.length_um * np.exp(rng.normal(0, 0.18))
    wide = length / wing.ratio * np.exp(rng.normal(0, 0.1))
    turn = float(rng.uniform(0, 2 * np.pi))
    outline = scale_outline(rng, length, wide, wing.teeth)
    area = _lay_leaf(rng, terrain, wing, turned(outline, turn) + np.array([x_um, y_um]), turn, _SCALE)
    x, y = outline.T
    whole = 0.5 * abs(np.dot(x, np.roll(y, 1)) - np.dot(y, np.roll(x, 1)))
    return area > 0.6 * whole


def lay_piece(
    rng: np.random.Generator, terrain: Terrain, wing: Wing, x_um: float, y_um: float, size_um: float
) -> None:
    """Lay a torn piece: angular, or the tip or the stalk of a scale."""
    turn = float(rng.uniform(0, 2 * np.pi))
    which = rng.random()
    if which < 0.55:
        corners = int(rng.integers(5, 12))
        angle = np.sort(rng.uniform(0, 2 * np.pi, corners))
        reach = rng.uniform(0.3, 0.55, corners) * size_um
        ratio = np.sqrt(rng.uniform(1, 2.5))
        points = np.stack((reach * np.cos(angle) * ratio, reach * np.sin(angle) / ratio), axis=1)
    elif which < 0.8:
        wide = size_um * rng.uniform(0.25, 0.6)
        points = np.array([(-0.5, -0.5), (0.2, -0.45), (0.5, 0.0), (0.15, 0.5), (-0.45, 0.4)]) * (
            size_um,
            wide,
        )
    else:
        wide = size_um * rng.uniform(0.15, 0.35)
        points = np.array([(-0.5, -0.1), (0.5, -0.6), (0.4, 0.1), (0.5, 0.6), (-0.5, 0.1)]) * (size_um, wide)
    points = turned(points + rng.normal(0, 0.03 * size_um, points.shape), turn)
    _lay_leaf(rng, terrain, wing, points + np.array([x_um, y_um]), turn, _PIECE)


def lay_hair(
    rng: np.random.Generator, terrain: Terrain, x_um: float, y_um: float, length_um: float, wide_um: float
) -> None:
    """Lay a brown hair that tapers to one end, or a piece cut short."""
    path = wandering(
        rng, np.array([x_um, y_um]), length_um, rng.uniform(0, 2 * np.pi), rng.uniform(0.02, 0.6)
    )
    taper = np.linspace(1, rng.uniform(0.2, 1.0), len(path))
    found = terrain.strand(path, wide_um / 2 * taper)
    if found is None:
        return
    at, cover, depth_um = found
    share = np.clip(depth_um / (wide_um / 2), 0, 1)
    matter = pigmented(rng, log_uniform(rng, 0.1, 1.0), rng.uniform(0.1, 1.0))
    hollow = rng.choice([0.0, rng.uniform(0.2, 0.7)])
    rise = wide_um * np.sqrt(share * (2 - share))
    terrain.lay(at, cover, rise, (1 - hollow * share).astype(np.float32), matter, _HAIR)
