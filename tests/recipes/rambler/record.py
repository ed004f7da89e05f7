"""The truth of each spore, and whether a careful person could count it.

Contrast is measured on the light that reaches the phone, so it holds paint, blur and neighbours together.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from sporecount.simulate.truth import KIND_NAMES, SporeTruth
from tests.recipes.rambler.canvas import Canvas, Floats
from tests.recipes.rambler.spores import Spores, clump_sizes

SPORE = KIND_NAMES.index("spore")
WAYS = 32
"""Directions from the centre in which the outline is looked for."""
LEAST_DENSITY = 0.045
"""Fainter things are not told from the ground, even on even ground (by eye, on such photos)."""
LEAST_OUTLINE = 0.45
"""Share of the outline that must show against what is beside it."""
PLAIN_OUTLINE = 0.75
"""So much of an outline is enough by itself, as by hue on a scale that is just as dark."""
MOST_BLUR = 0.22
LEAST_LENGTH_PX = 5.0


def record_spores(
    canvas: Canvas,
    light: Floats,
    variance_px2: Floats,
    spores: Spores,
    whole_px: NDArray[np.float64],
    um_per_px: float,
    noise: float,
) -> tuple[SporeTruth, ...]:
    """List the spores that reach into the view.

    `light` is the blurred linear light before the phone, `whole_px` the pixels of each whole outline, `noise` the
    phone's noise of a pixel as the eye sees it.
    """
    rows, cols = canvas.shape
    hues = -np.log10(np.maximum(light, 2e-3))
    density = hues.mean(axis=2)
    # lumps smaller than a spore: what a spore could be taken for; broad shades and far edges do not count
    mean_px = float(spores.length_um.mean()) / um_per_px if len(spores) else 10.0
    lumps = np.abs(density - cv2.GaussianBlur(density, (0, 0), max(mean_px / 3, 1.0)))
    # a spore's own edge is no lump of the ground
    reach_px = 2 * int(np.ceil(0.35 * mean_px)) + 1
    bare = cv2.dilate((canvas.owner >= 0).astype(np.uint8), np.ones((reach_px, reach_px), np.uint8)) == 0
    usual = 1.48 * float(np.median(lumps[bare])) if bare.any() else 0.0
    lumps[~bare] = np.nan
    shown = np.bincount(canvas.owner[canvas.owner >= 0], minlength=len(spores))
    sizes = clump_sizes(spores, um_per_px)
    outline = _outline_steps(hues, spores, um_per_px)
    records = []
    for i in range(len(spores)):
        x, y, length_um = float(spores.x_px[i]), float(spores.y_px[i]), float(spores.length_um[i])
        inside = -0.5 <= x <= cols - 0.5 and -0.5 <= y <= rows - 0.5
        if not inside and not shown[i]:
            continue
        visible = min(float(shown[i] / max(whole_px[i], 1.0)), 1.0)
        row, col = int(np.clip(round(y), 0, rows - 1)), int(np.clip(round(x), 0, cols - 1))
        blur_um = float(np.sqrt(variance_px2[row, col])) * um_per_px
        reach = max(int(length_um / um_per_px), 3)
        box = (slice(max(row - reach, 0), row + reach + 1), slice(max(col - reach, 0), col + reach + 1))
        contrast, unrest, crowd = _contrast(canvas.owner[box], canvas.kind[box], density[box], lumps[box], i)
        unrest = usual if np.isnan(unrest) else unrest
        on_scale = bool(canvas.scale_here[row, col])
        # the tone curve makes noise weigh more in the dark; the eye averages over the spore
        grey = max(10 ** (-float(density[row, col]) / 2.2), 0.05)
        speckle = 4 * noise / grey / np.sqrt(max(float(shown[i]), 1.0))
        soft = 1 + (blur_um / length_um / 0.16) ** 2
        least = (LEAST_DENSITY + 1.2 * unrest + speckle) * soft * (1.5 if on_scale else 1.0)
        # within a pile the rims and overlaps of others look like an outline, so more of it must show
        least *= 1 + 0.5 * crowd
        seen = float((outline[i] > 0.6 * least).mean())
        countable = (
            inside
            and visible >= 0.5 + 0.2 * crowd
            and blur_um <= MOST_BLUR * length_um
            and length_um / um_per_px >= LEAST_LENGTH_PX
            and seen >= LEAST_OUTLINE + 0.25 * crowd
            and (abs(contrast) >= least or seen >= PLAIN_OUTLINE)
        )
        records.append(
            SporeTruth(
                x_px=x,
                y_px=y,
                length_um=length_um,
                width_um=float(spores.width_um[i]),
                angle_deg=float(np.degrees(spores.angle[i]) % 180),
                visible=visible,
                blur_um=blur_um,
                contrast=contrast,
                on_scale=on_scale,
                clump=int(sizes[i]),
                countable=bool(countable),
            )
        )
    return tuple(records)


def _contrast(
    owner: NDArray[np.int32], kind: NDArray[np.uint8], density: Floats, lumps: Floats, which: int
) -> tuple[float, float, float]:
    """Density of one spore over what lies beside it, how lumpy that is, and how crowded by other spores, 0 to 1.

    What lies beside is no spore, unless spores fill the whole window. Lumpiness is a robust spread, NaN where
    spores leave no ground.
    """
    mine = owner == which
    if not mine.any():
        return 0.0, 0.0, 1.0
    beside = (owner < 0) & (kind != SPORE)
    near = cv2.dilate(mine.astype(np.uint8), np.ones((3, 3), np.uint8), iterations=max(2, len(mine) // 6)) > 0
    crowd = float((owner[near & ~mine] >= 0).mean())
    # the near ring tells what the spore lies on; too little of it is left within a pile
    for ground in (beside & near, beside, ~mine):
        if ground.sum() >= 25:
            lumpy = lumps[ground & ~np.isnan(lumps)]
            spread = 1.48 * float(np.median(lumpy)) if lumpy.size >= 25 else float("nan")
            return float(density[mine].mean() - np.median(density[ground])), spread, crowd
    return 0.0, 0.0, 1.0


def _outline_steps(hues: Floats, spores: Spores, um_per_px: float) -> NDArray[np.float32]:
    """How strongly the outline shows in each direction: as a step, or as a gap or rim between two alike."""
    if not len(spores):
        return np.zeros((0, WAYS), np.float32)
    way = np.linspace(0, 2 * np.pi, WAYS, endpoint=False)
    u = np.cos(way)[None, :] * spores.length_um[:, None] / um_per_px / 2
    v = np.sin(way)[None, :] * spores.width_um[:, None] / um_per_px / 2
    cos, sin = np.cos(spores.angle)[:, None], np.sin(spores.angle)[:, None]
    dx, dy = u * cos - v * sin, u * sin + v * cos

    def at(out: float) -> NDArray[np.float32]:
        x = (spores.x_px[:, None] + out * dx).astype(np.float32)
        y = (spores.y_px[:, None] + out * dy).astype(np.float32)
        return np.asarray(cv2.remap(hues, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE))

    within, rim, beyond = (at(0.6) + at(0.75)) / 2, (at(0.95) + at(1.08)) / 2, (at(1.3) + at(1.45)) / 2
    step = np.abs(within - beyond)
    valley = np.minimum(np.abs(rim - within), np.abs(rim - beyond)) * (
        np.sign(rim - within) == np.sign(rim - beyond)
    )
    shows = np.maximum(step, 1.5 * valley)
    return np.sqrt((shows**2).mean(axis=2)).astype(np.float32)
