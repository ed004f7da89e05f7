"""All that is no spore and no scale, each a level set: hairs, fibres, pollen, droplets, bubbles, mould, ..."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from tests.recipes.rover.fields import (
    FAR_UM,
    Rng,
    distance_um,
    half_planes,
    metaballs,
    warp_um,
    wavy_band,
)
from tests.recipes.rover.sheet import Paint, Patch, Sheet

Put = Callable[[Rng, Sheet], None]


def _anywhere(rng: Rng, sheet: Sheet, reach_um: float) -> Patch | None:
    height, width = sheet.size_um
    angle = float(rng.uniform(0, 2 * np.pi))
    return sheet.patch(rng.uniform(0, width), rng.uniform(0, height), reach_um, angle)


def put_hair(rng: Rng, sheet: Sheet) -> None:
    """Lay a tapered dark bristle of the butterfly."""
    length, radius = float(rng.uniform(60, 500)), float(rng.uniform(1.0, 3.5))
    patch = _anywhere(rng, sheet, length / 2)
    if patch is None:
        return
    level, across = wavy_band(rng, patch.u_um, patch.v_um, length, radius, length * rng.uniform(0, 0.08))
    core = rng.uniform(0.25, 1.2) * (1 - 0.5 * np.exp(-((across / (0.4 * radius)) ** 2)))
    sheet.put(patch, level, Paint((0.75, 1.0, 1.3), core, 0.1, (0.3, 0.22, 0.15)), "hair")


def put_fibre(rng: Rng, sheet: Sheet) -> None:
    """Lay a paper or cloth fibre: a pale ribbon with dark edges, at times dyed."""
    length, radius = float(rng.uniform(100, 900)), float(rng.uniform(3, 11))
    patch = _anywhere(rng, sheet, length / 2)
    if patch is None:
        return
    level, _ = wavy_band(rng, patch.u_um, patch.v_um, length, radius, length * rng.uniform(0, 0.16))
    edge = np.exp(-((level / rng.uniform(0.8, 2.0)) ** 2))
    twist = 1 + 0.4 * np.sin(patch.u_um / rng.uniform(10, 40))
    dyed = rng.random() < 0.15
    hue = tuple(rng.uniform(0.2, 1.6, 3)) if dyed else (0.9, 1.0, 1.15)
    strength = rng.uniform(0.03, 0.16) * twist + rng.uniform(0.08, 0.35) * edge
    bright = float(rng.uniform(0.05, 0.35))
    sheet.put(patch, level, Paint(hue, strength, bright, (0.7, 0.7, 0.68), 0.3), "fibre")


def put_pollen(rng: Rng, sheet: Sheet) -> None:
    """Lay a round grain of pollen, some with spines."""
    radius = float(rng.uniform(7.5, 20))
    patch = _anywhere(rng, sheet, radius * 1.4)
    if patch is None:
        return
    around = np.arctan2(patch.v_um, patch.u_um)
    spines = (rng.random() < 0.5) * rng.uniform(0.05, 0.14) * np.cos(around * rng.integers(9, 18)) ** 4
    level = np.hypot(patch.u_um, patch.v_um * rng.uniform(1.0, 1.15)) - radius * (1 + spines)
    wall = np.exp(-((level / 1.6) ** 2))
    strength = rng.uniform(0.15, 0.5) * (
        0.6 + 0.9 * wall + 0.15 * np.sin(patch.u_um * 1.4) * np.sin(patch.v_um * 1.4)
    )
    sheet.put(patch, level, Paint((0.3, 0.7, 1.9), strength, 0.3, (0.8, 0.6, 0.15)), "pollen")


def put_droplet(rng: Rng, sheet: Sheet) -> None:
    """Lay a round brown droplet or stain of about a spore's size."""
    radius = float(rng.uniform(2.5, 10))
    patch = _anywhere(rng, sheet, radius * 1.6)
    if patch is None:
        return
    u, v = warp_um(rng, patch.u_um, patch.v_um, radius * rng.uniform(0, 0.12), 3 * radius)
    level = np.hypot(u, v * rng.uniform(1.0, 1.12)) - radius
    ring = np.exp(-((level / rng.uniform(0.6, 1.8)) ** 2))
    strength = rng.uniform(0.08, 0.55) * (rng.uniform(0.3, 1.0) + rng.uniform(-0.3, 1.0) * ring)
    hue = (rng.uniform(0.4, 0.9), 1.0, rng.uniform(1.1, 1.9))
    sheet.put(patch, level, Paint(hue, np.maximum(strength, 0.02), 0.05, (0.5, 0.4, 0.3), 0.5), "other")


def put_bubble(rng: Rng, sheet: Sheet) -> None:
    """Lay a bubble in the glue: dark rim, bright middle."""
    radius = float(np.exp(rng.uniform(np.log(2.5), np.log(30))))
    patch = _anywhere(rng, sheet, radius * 1.3)
    if patch is None:
        return
    level = np.hypot(patch.u_um, patch.v_um * rng.uniform(1.0, 1.1)) - radius
    rim = np.exp(-(((level + 0.12 * radius) / (0.13 * radius + 0.4)) ** 2))
    glint = np.exp(-((np.hypot(patch.u_um + 0.3 * radius, patch.v_um) / (0.25 * radius)) ** 2))
    strength = rng.uniform(0.2, 0.9) * rim - rng.uniform(0.0, 0.12) * glint
    sheet.put(patch, level, Paint((1, 1, 1.02), strength, 0.1, (0.8, 0.8, 0.8), 0.2), "bubble")


def put_mould(rng: Rng, sheet: Sheet) -> None:
    """Lay a chain of round mould spores on a thread."""
    step = float(rng.uniform(3.0, 6.0))
    count = int(rng.integers(3, 12))
    reach = step * count / 2 + 8
    patch = _anywhere(rng, sheet, reach)
    if patch is None:
        return
    x = (np.arange(count) - count / 2) * step
    y = np.cumsum(rng.normal(0, 0.25 * step, count))
    level = distance_um(metaballs(patch.u_um, patch.v_um, x, y, np.full(count, 0.36 * step)), sheet.um_per_px)
    hue = (rng.uniform(0.7, 1.1), 1.0, rng.uniform(0.9, 1.4))
    wall = 0.6 + 0.7 * np.exp(-((level / 0.7) ** 2))
    paint = Paint(hue, rng.uniform(0.12, 0.6) * wall, 0.05, (0.3, 0.35, 0.3))
    sheet.put(patch, level, paint, "other")


def put_dust(rng: Rng, sheet: Sheet) -> None:
    """Lay a ragged grain of dust or soot: balls melted together."""
    radius = float(np.exp(rng.uniform(np.log(1.5), np.log(14))))
    patch = _anywhere(rng, sheet, radius * 2.6)
    if patch is None:
        return
    count = int(rng.integers(3, 8))
    x, y = rng.normal(0, 0.5 * radius, (2, count))
    field = metaballs(patch.u_um, patch.v_um, x, y, radius * rng.uniform(0.2, 0.45, count))
    level = distance_um(field, sheet.um_per_px)
    soot = rng.random() < 0.4
    hue = (0.95, 1.0, 1.05) if soot else (rng.uniform(0.5, 0.9), 1.0, rng.uniform(1.1, 1.6))
    strength = rng.uniform(0.6, 1.4) if soot else rng.uniform(0.1, 0.6) * (1 + 0.4 * np.sin(patch.u_um * 1.1))
    sheet.put(patch, level, Paint(hue, strength, 0.05, (0.4, 0.35, 0.3)), "dust")


def put_crystal(rng: Rng, sheet: Sheet) -> None:
    """Lay a clear crystal with dark edges."""
    radius = float(rng.uniform(3, 14))
    patch = _anywhere(rng, sheet, radius * 2.4)
    if patch is None:
        return
    level = half_planes(rng, patch.u_um, patch.v_um, radius, int(rng.integers(4, 7)), rng.uniform(1.0, 2.0))
    edge = np.exp(-((level / 0.9) ** 2))
    facet = 0.08 * np.sign(patch.u_um * rng.uniform(-1, 1) + patch.v_um)
    strength = rng.uniform(0.15, 0.6) * edge + facet
    sheet.put(patch, level, Paint((1, 1, 1), strength, 0.15, (0.9, 0.9, 0.9), 0.2), "other")


def put_scratch(rng: Rng, sheet: Sheet) -> None:
    """Draw a fine scratch or glue ridge, paler or darker than the ground."""
    length = float(rng.uniform(100, 900))
    patch = _anywhere(rng, sheet, length / 2)
    if patch is None:
        return
    radius = float(rng.uniform(0.5, 3.0))
    level, across = wavy_band(rng, patch.u_um, patch.v_um, length, radius, length * rng.uniform(0, 0.05))
    relief = rng.uniform(-0.18, 0.25) + 0.12 * np.clip(across / radius, -1, 1)
    sheet.put(patch, level, Paint((1, 1, 1), relief, 0.05, (0.8, 0.8, 0.8), 0.0), "other")


def put_ink(rng: Rng, sheet: Sheet) -> None:
    """Draw a ruled or inked straight line with ragged edges."""
    patch = _anywhere(rng, sheet, 2 * FAR_UM)
    if patch is None:
        return
    _, v = warp_um(rng, patch.u_um, patch.v_um, rng.uniform(0.5, 3), rng.uniform(60, 400))
    level = np.abs(v) - rng.uniform(15, 60)
    hue = ((1.6, 0.9, 0.3), (0.3, 1.3, 1.2), (1, 1, 1))[int(rng.integers(3))]
    sheet.put(patch, level, Paint(hue, rng.uniform(0.1, 0.5), 0, opaque=0.3), "other")


COMMON: tuple[tuple[Put, float, float], ...] = (
    (put_hair, 0, 5),
    (put_fibre, 0, 4),
    (put_pollen, 0, 4),
    (put_droplet, 0, 14),
    (put_bubble, 0, 10),
    (put_mould, 0, 6),
    (put_dust, 2, 18),
    (put_crystal, 0, 5),
    (put_scratch, 0, 3),
)
"""Each thing with the range of its count in a view of 0.3 mm²."""
