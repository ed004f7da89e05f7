"""Butterfly scales and their torn pieces: warped superellipses with teeth, ridges and cross-ribs."""

from __future__ import annotations

import numpy as np

from tests.recipes.rover.fields import (
    FAR_UM,
    Array,
    Rng,
    coverage,
    distance_um,
    half_planes,
    superellipse,
    warp_um,
)
from tests.recipes.rover.sheet import Paint, Patch, Sheet

COLOURS: dict[str, tuple[tuple[float, float, float], tuple[float, float, float], tuple[float, float]]] = {
    "black": ((0.9, 1.0, 1.1), (0.06, 0.05, 0.05), (0.7, 1.6)),
    "brown": ((0.65, 1.0, 1.4), (0.2, 0.12, 0.07), (0.35, 0.9)),
    "orange": ((0.15, 0.8, 2.2), (0.6, 0.25, 0.05), (0.2, 0.5)),
    "pale": ((0.9, 1.0, 1.2), (0.55, 0.52, 0.46), (0.04, 0.15)),
}
"""Hue of the density, colour thrown back, range of the density."""


def ribbed(rng: Rng, sheet: Sheet, patch: Patch) -> Array:
    """Ridges along and ribs across, 1 in the mean; fades where the pixels cannot show them."""
    out = np.ones_like(patch.u_um)
    for axis, spacing, depth in (
        (patch.v_um, rng.uniform(1.4, 2.6), 0.5),
        (patch.u_um, rng.uniform(0.8, 1.6), 0.2),
    ):
        seen = depth * rng.uniform(0.3, 1.0) * float(np.exp(-2.5 * (sheet.um_per_px / spacing) ** 2))
        out = out + seen * np.cos(2 * np.pi * axis / spacing)
    return out


def _paint(rng: Rng, sheet: Sheet, patch: Patch, level: Array, palette: str) -> Paint:
    hue, colour, (low, high) = COLOURS[palette]
    strength = float(rng.uniform(low, high))
    worn = 1 + 0.25 * np.sin(patch.u_um / rng.uniform(9, 30) + rng.uniform(0, 6))
    rim = 1 + 0.35 * np.exp(-((level / (1.0 + sheet.um_per_px)) ** 2))
    pigment = strength * worn * rim * ribbed(rng, sheet, patch)
    back = float(rng.uniform(0.4, 1.0))
    return Paint(hue, np.maximum(pigment, 0.01), back, colour, 1.0 if strength > 0.32 else 0.3)


def put_scale(rng: Rng, sheet: Sheet, palette: str) -> bool:
    """Lay one whole scale anywhere; tells whether it lies in view."""
    height, width = sheet.size_um
    x, y = rng.uniform(-30, width + 30), rng.uniform(-30, height + 30)
    half_short = float(rng.uniform(15, 32))
    half_long = float(half_short * np.exp(rng.uniform(np.log(1.2), np.log(4.0))))
    patch = sheet.patch(x, y, half_long * 1.5 + 8, float(rng.uniform(0, 2 * np.pi)))
    if patch is None:
        return False
    u, v = warp_um(rng, patch.u_um, patch.v_um, rng.uniform(0.5, 3.0), rng.uniform(60, 160))
    # teeth: the tip reaches further where the cosine is high
    teeth = rng.uniform(0, 0.16) * np.abs(np.cos(v / half_short * np.pi * rng.integers(1, 4))) * (u > 0)
    narrowed = v / np.clip(0.75 + 0.3 * u / half_long, 0.4, 1.2)
    field = superellipse(
        u / (1 + teeth), narrowed, half_long, half_short, rng.uniform(2.2, 5), rng.uniform(2, 3.5)
    )
    level = distance_um(field, sheet.um_per_px)
    stalk = np.maximum(np.abs(v) - rng.uniform(1.2, 2.5), np.abs(u + half_long * 1.1) - half_long * 0.2 - 3)
    level = np.minimum(level, stalk)
    paint = _paint(rng, sheet, patch, level, palette)
    sheet.put(patch, level, paint, "scale")
    return 0 <= x <= width and 0 <= y <= height


def put_piece(rng: Rng, sheet: Sheet, palette: str) -> None:
    """Lay a torn piece of a scale, 4 to 60 µm, most of them small."""
    height, width = sheet.size_um
    radius = float(np.exp(rng.uniform(np.log(2.2), np.log(30.0) if rng.random() < 0.4 else np.log(9.0))))
    patch = sheet.patch(
        rng.uniform(0, width), rng.uniform(0, height), radius * 2.2, float(rng.uniform(0, 2 * np.pi))
    )
    if patch is None:
        return
    u, v = warp_um(rng, patch.u_um, patch.v_um, 0.22 * radius, 2.4 * radius)
    level = half_planes(rng, u, v, radius, int(rng.integers(3, 7)), rng.uniform(1.0, 1.9))
    paint = _paint(rng, sheet, patch, level, palette)
    sheet.put(patch, np.clip(level, -FAR_UM, FAR_UM), paint, "scale piece")


def put_scale_dust(rng: Rng, sheet: Sheet, count: int) -> None:
    """Lay many specks of crushed scale, too small to tell: 0.5 to 2 µm."""
    height, width = sheet.size_um
    for _ in range(count):
        radius = float(rng.uniform(0.5, 2.0))
        patch = sheet.patch(rng.uniform(0, width), rng.uniform(0, height), radius * 2, 0.0)
        if patch is None:
            continue
        level = np.hypot(patch.u_um, patch.v_um) - radius
        share = float(coverage(level, sheet.um_per_px).max())
        strength = float(rng.uniform(0.15, 0.7)) * share
        sheet.put(patch, level, Paint((0.9, 1.0, 1.15), strength, 0.02, (0.2, 0.2, 0.2), 0.0), "dust")
