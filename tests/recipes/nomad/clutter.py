"""All else that a print catches; much of it is as large and as brown as a spore."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy.ndimage import gaussian_filter1d

from tests.recipes.nomad.field import Field, Floats
from tests.recipes.nomad.shapes import bent_line, blob, depth_um, dome_um, fill, ribbon, shard

Place = tuple[float, float]
_BROWNS = ((0.42, 1.0, 1.75), (0.62, 1.0, 1.4), (0.8, 1.0, 1.2), (0.3, 0.8, 1.9))


def anywhere(rng: np.random.Generator, field: Field) -> Place:
    """Draw a place in the view."""
    return rng.uniform(0, field.width_um), rng.uniform(0, field.height_um)


def _brown(rng: np.random.Generator) -> Floats:
    return (np.array(_BROWNS[int(rng.integers(len(_BROWNS)))]) * rng.normal(1, 0.06, 3)).astype(np.float32)


def _ball(
    field: Field,
    at: Place,
    radius_um: float,
    flat: float,
    step: float,
    ink: Floats,
    kind: str,
    hides: float = 0.0,
) -> None:
    """Lay a round lens of an index step; `flat` is its height over that of a ball."""
    box = field.window(*at, radius_um)
    if box is None:
        return
    x, y = field.axes(box, *at, 0.0)
    far = np.hypot(x, y)
    cover = np.clip((radius_um - far) / field.um_per_px + 0.5, 0, 1).astype(np.float32)
    thick = (2 * flat * np.sqrt(np.clip(radius_um**2 - far**2, 0, None))).astype(np.float32)
    tone = (thick / (2 * flat * radius_um))[..., None] * ink
    field.lay(box, cover, kind, path_um=step * thick, ink=tone.astype(np.float32), hides=hides)


def lay_bubbles(rng: np.random.Generator, field: Field) -> None:
    """A family of air bubbles in the glue: strong lenses of the other sign, with black rims."""
    x, y = anywhere(rng, field)
    typical = rng.uniform(1.5, 7)
    for _ in range(int(rng.integers(1, 9))):
        radius = float(np.clip(typical * rng.lognormal(0, 0.4), 0.8, 22))
        at = (x + rng.normal(0, 5 * typical), y + rng.normal(0, 5 * typical))
        nothing = np.full(3, 0.02, np.float32)
        _ball(field, at, radius, rng.uniform(0.15, 0.8), -rng.uniform(0.2, 0.45), nothing, "bubble", 0.2)


def lay_droplets(rng: np.random.Generator, field: Field) -> None:
    """Round brown drops of spore size, lenses of the spores' sign."""
    x, y = anywhere(rng, field)
    brown = _brown(rng) * rng.uniform(0.08, 0.55)
    for _ in range(int(rng.integers(1, 6))):
        radius = float(np.clip(rng.lognormal(np.log(4.5), 0.35), 1.5, 12))
        at = (x + rng.normal(0, 30), y + rng.normal(0, 30))
        _ball(field, at, radius, rng.uniform(0.25, 1), rng.uniform(0.01, 0.09), brown, "other")


def lay_pollen(rng: np.random.Generator, field: Field) -> None:
    """A pollen grain with a thick wall, some spiny, some with furrows."""
    at, radius = anywhere(rng, field), rng.uniform(7.5, 20)
    yellow = np.array([0.12, 0.4, 1.2], np.float32) * rng.uniform(0.3, 1.1)
    turn = np.linspace(0, 2 * np.pi, 240, endpoint=False)
    spines, spiny = int(rng.integers(12, 26)), rng.random() < 0.5
    spike = np.maximum(np.cos(spines * turn), 0) ** 4 * rng.uniform(0.1, 0.22) * spiny
    curve = (radius * (1 + spike))[:, None] * np.stack([np.cos(turn), np.sin(turn)], 1)
    got = fill(field, curve, *at)
    if got is None:
        return
    box, cover = got
    depth = depth_um(cover, field.um_per_px)
    thick = dome_um(depth, radius) * cover
    wall = np.exp(-(((depth - 1.2) / 1.0) ** 2))
    x, y = field.axes(box, *at, rng.uniform(0, 6))
    knots = np.cos(spines * 0.6 * x / radius) * np.cos(spines * 0.6 * y / radius) * spiny
    furrow = np.exp(-((y / (0.12 * radius)) ** 2)) * (not spiny)
    tone = cover * (0.45 * thick / (2 * radius) + 0.4 * wall + 0.12 * knots - 0.1 * furrow).clip(0.05)
    field.lay(box, cover, "pollen", path_um=0.05 * thick, ink=tone[..., None] * yellow, scatter=0.2)


def lay_stain(rng: np.random.Generator, field: Field) -> None:
    """A dried stain: thin, brown, darker at its rim."""
    radius = float(np.clip(rng.lognormal(np.log(7), 0.6), 2.5, 45))
    got = fill(field, blob(rng, radius, 0.07, rng.uniform(1, 1.8)), *anywhere(rng, field))
    if got is None:
        return
    box, cover = got
    depth = depth_um(cover, field.um_per_px)
    tone = cover * (0.4 + np.exp(-depth / (0.12 * radius + 0.5))) * (1 - np.exp(-depth / 0.6))
    ink = (tone[..., None] * _brown(rng) * rng.uniform(0.05, 0.4)).astype(np.float32)
    field.lay(box, cover, "other", path_um=0.05 * tone, ink=ink)


def lay_dust(rng: np.random.Generator, field: Field) -> None:
    """Dust and soot: ragged, from clear splinters to black."""
    soot = rng.random() < 0.35
    radius = float(np.clip(rng.lognormal(np.log(2.2 if soot else 4), 0.55), 0.6, 25))
    curve = (
        blob(rng, radius, 0.28, rng.uniform(1, 2.2))
        if soot
        else shard(rng, radius, int(rng.integers(4, 9)), 1.4)
    )
    got = fill(field, curve, *anywhere(rng, field))
    if got is None:
        return
    box, cover = got
    thick = dome_um(depth_um(cover, field.um_per_px), radius) * cover / (2 * radius)
    tint = np.ones(3, np.float32) * rng.uniform(0.6, 1.6) if soot else _brown(rng) * rng.uniform(0.05, 0.8)
    ink = ((0.3 * cover + 0.7 * thick)[..., None] * tint).astype(np.float32)
    field.lay(box, cover, "dust", path_um=rng.uniform(0.02, 0.06) * 2 * radius * thick, ink=ink, scatter=0.15)


def lay_crystal(rng: np.random.Generator, field: Field) -> None:
    """A clear crystal with flat faces: bright, with dark edges."""
    radius = float(np.clip(rng.lognormal(np.log(6), 0.5), 2, 25))
    got = fill(field, shard(rng, radius, int(rng.integers(4, 7)), rng.uniform(1, 3)), *anywhere(rng, field))
    if got is None:
        return
    box, cover = got
    thick = np.minimum(depth_um(cover, field.um_per_px), 0.35 * radius) * cover
    field.lay(
        box,
        cover,
        "other",
        path_um=rng.uniform(0.06, 0.14) * thick,
        ink=(cover[..., None] * 0.02).repeat(3, 2),
    )


def lay_fibre(rng: np.random.Generator, field: Field) -> None:
    """A paper fibre: a pale flat tube with a lumen, twisted here and there."""
    line = bent_line(rng, rng.uniform(200, 1200), rng.uniform(0.4, 1.8), 120)
    width = rng.uniform(8, 26)
    twist = 0.7 + 0.3 * np.abs(np.cos(np.linspace(0, rng.uniform(2, 14), len(line)) + rng.uniform(0, 3)))
    got = fill(field, ribbon(line, width * twist), *anywhere(rng, field))
    if got is None:
        return
    box, cover = got
    depth = depth_um(cover, field.um_per_px)
    wall = (np.exp(-(((depth - 1.5) / 1.3) ** 2)) + 0.35) * cover
    tint = np.array([0.9, 1.0, 1.15], np.float32) * rng.uniform(0.02, 0.2)
    path = rng.uniform(0.1, 0.4) * wall
    field.lay(box, cover, "fibre", path_um=path, ink=wall[..., None] * tint, scatter=rng.uniform(0.1, 0.35))


def lay_mould(rng: np.random.Generator, field: Field) -> None:
    """Threads of mould with round or oval spores of 3 to 8 µm beside them."""
    x, y = anywhere(rng, field)
    brown = _brown(rng)
    for _ in range(int(rng.integers(0, 4))):
        line = bent_line(rng, rng.uniform(40, 220), 1.6)
        got = fill(field, ribbon(line, np.full(len(line), rng.uniform(1.5, 4))), x, y)
        if got is not None:
            tint = brown * rng.uniform(0.03, 0.3)
            field.lay(got[0], got[1], "other", path_um=0.12 * got[1], ink=got[1][..., None] * tint)
    size, aspect = rng.uniform(1.5, 4), rng.choice([1.0, 1.2, 1.9])
    for _ in range(int(rng.integers(2, 22))):
        got = fill(field, blob(rng, size * rng.lognormal(0, 0.1), 0.02, aspect), *rng.normal((x, y), 22))
        if got is not None:
            box, cover = got
            thick = dome_um(depth_um(cover, field.um_per_px), size) * cover
            ink = (thick[..., None] / (2 * size) * brown * rng.uniform(0.1, 0.6)).astype(np.float32)
            field.lay(box, cover, "other", path_um=0.05 * thick, ink=ink)


def lay_scratch(rng: np.random.Generator, field: Field) -> None:
    """A fine scratch in tape or glass: a groove without pigment."""
    line = bent_line(rng, rng.uniform(80, 900), 0.25)
    got = fill(field, ribbon(line, np.full(len(line), rng.uniform(0.8, 2.5))), *anywhere(rng, field))
    if got is not None:
        ink = (got[1][..., None] * rng.uniform(0, 0.15)).repeat(3, 2).astype(np.float32)
        field.lay(got[0], got[1], "other", path_um=-rng.uniform(0.05, 0.35) * got[1], ink=ink)


def lay_ink(rng: np.random.Generator, field: Field) -> None:
    """A ruled or written line, far wider than a spore, with a ragged edge."""
    line = bent_line(rng, 2.2 * max(field.width_um, field.height_um), 0.05, 160)
    wide = rng.uniform(40, 160) * (1 + 0.2 * gaussian_filter1d(rng.normal(0, 0.5, 160), 1.5))
    got = fill(field, ribbon(line, wide), *anywhere(rng, field))
    if got is not None:
        tint = np.array([(0.8, 0.55, 0.2), (0.7, 0.7, 0.7), (0.1, 0.7, 0.5)])[int(rng.integers(3))]
        ink = (got[1][..., None] * tint * rng.uniform(0.3, 1.1)).astype(np.float32)
        field.lay(got[0], got[1], "other", ink=ink)


PER_MM2: tuple[tuple[Callable[[np.random.Generator, Field], None], float], ...] = (
    (lay_bubbles, 14),
    (lay_droplets, 12),
    (lay_stain, 16),
    (lay_dust, 70),
    (lay_crystal, 8),
    (lay_pollen, 4),
    (lay_fibre, 6),
    (lay_mould, 5),
    (lay_scratch, 6),
    (lay_ink, 0.15),
)
"""What else lies on a square millimetre of a print, typically."""
