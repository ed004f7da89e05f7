"""Which spores a careful person could count, by what the finished photo shows of their outline."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates

from tests.recipes.roamer.optics import Plane, soften
from tests.recipes.roamer.sheets import KIND, Stack
from tests.recipes.roamer.spores import Spores

TURNS = 24
RADII = np.array([0.0, 0.35, 0.6, 0.75, 0.9, 1.05, 1.2, 1.4, 1.65])
"""Where profiles from the middle outward are read, in outline radii."""
INNER, OUTER = RADII < 0.95, RADII > 1.1
LEAST_DENSITY = 0.035
COLOUR_SEEN = 0.6
"""Weight of a difference in hue beside one in brightness, for blurred small things."""
LEAST_SHARE = 0.55
FLOOR = 0.01
"""Light that stray light adds to the black of a phone, as a share of full scale."""


@dataclass(frozen=True)
class Verdict:
    """For each spore: mean density over its surroundings, and whether its outline is seen."""

    contrast: NDArray[np.float64]
    seen: NDArray[np.bool_]


def densities(light: Plane) -> Plane:
    """Optical density of linear light, and as a second plane how much less blue it is than red."""
    each = -np.log10(np.maximum(light, 0) + np.float32(FLOOR))
    return np.stack([each.mean(2), COLOUR_SEEN * (each[..., 2] - each[..., 0])]).astype(np.float32)


def noise_of(rgb: NDArray[np.uint8], clean: Plane) -> Plane:
    """Spread of the photo's densities between neighbours, by place: noise grows where it is dark."""
    shown = densities(((rgb / np.float32(255)) ** np.float32(2.2)).astype(np.float32))
    rough = [
        soften(((s - soften(s, 1.2)) - (c - soften(c, 1.2))) ** 2, 8.0)
        for s, c in zip(shown, clean, strict=True)
    ]
    return np.sqrt(np.stack(rough))


def outlined(
    profile: NDArray[np.float64],
    bare: NDArray[np.bool_],
    contrast: NDArray[np.float64],
    least: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Share of directions in which the outline stands out from what lies just outside, by each spore's need."""
    around, band = (RADII > 1.0) & (RADII < 1.5), (RADII > 0.5) & INNER
    lowest, highest = profile[:, :, around].min(2), profile[:, :, around].max(2)
    body = profile[:, :, band]
    step = np.where(contrast[:, None] > 0, body.max(2) - lowest, highest - body.min(2))
    # A dark rim around a bright heart also tells a spore.
    rim = body.max(2) - np.maximum(profile[:, :, :2].mean((1, 2))[:, None], lowest)
    # Texture by what changes from one direction to the next: a single straight edge nearby hides nothing.
    ring = np.ma.masked_array(profile[:, :, OUTER], mask=~bare[:, :, OUTER])
    jumps = np.ma.abs(ring - np.ma.concatenate([ring[:, 1:], ring[:, :1]], axis=1)).reshape(len(ring), -1)
    clutter = np.ma.median(jumps, axis=1).filled(0)
    return np.asarray((np.maximum(step, rim) > (least + 2.0 * clutter)[:, None]).mean(1))


def judge(stack: Stack, spores: Spores, light: Plane, rgb: NDArray[np.uint8]) -> Verdict:
    """Read profiles across every outline in the blurred scene and weigh them against noise and clutter."""
    count = len(spores.x_px)
    if not count:
        return Verdict(np.zeros(0), np.zeros(0, bool))
    clean = densities(light / max(float(np.percentile(light, 97)), 1e-3))
    noise = noise_of(rgb, clean)
    turn = np.arange(TURNS) * 2 * np.pi / TURNS
    a, b = spores.length_um / 2 / stack.um_per_px, spores.width_um / 2 / stack.um_per_px
    dx, dy = a[:, None] * np.cos(turn), b[:, None] * np.sin(turn)
    c, s = np.cos(spores.angle_rad)[:, None], np.sin(spores.angle_rad)[:, None]
    x = spores.x_px[:, None, None] + (dx * c - dy * s)[..., None] * RADII
    y = spores.y_px[:, None, None] + (dx * s + dy * c)[..., None] * RADII
    rows, cols = stack.shape
    at = (np.clip(np.rint(y), 0, rows - 1).astype(int), np.clip(np.rint(x), 0, cols - 1).astype(int))
    bare = stack.owner[at] < 0
    on_thing = np.isin(
        stack.kind[at], (KIND["scale"], KIND["scale piece"], KIND["hair"], KIND["fibre"])
    ).mean((1, 2))
    weight = RADII[INNER] + 0.15
    shares, contrasts = [], []
    for plane, rough in zip(clean, noise, strict=True):
        profile = map_coordinates(plane, [y, x], order=1, mode="nearest").astype(float)
        ground = np.ma.masked_array(profile[:, :, OUTER], mask=~bare[:, :, OUTER]).reshape(count, -1)
        beside = np.ma.median(ground, axis=1)
        whole = np.median(profile[:, :, OUTER].reshape(count, -1), axis=1)
        mine = (profile[:, :, INNER] * weight).sum((1, 2)) / weight.sum() / TURNS
        contrasts.append(mine - np.where(np.ma.getmaskarray(beside), whole, beside.filled(0)))
        grain = rough[at].mean((1, 2)) / np.sqrt(np.clip(a * b / 12, 1, None))
        least = LEAST_DENSITY + 2.2 * grain + 0.03 * on_thing
        shares.append(outlined(profile, bare, contrasts[-1], least))
    return Verdict(contrasts[0], np.maximum(*shares) >= LEAST_SHARE)
