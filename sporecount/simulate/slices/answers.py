"""The truth of each spore, and whether a careful person could count it from the picture."""

from __future__ import annotations

import cv2
import numpy as np

from sporecount.simulate.slices.conditions import Conditions
from sporecount.simulate.slices.filling import Sown
from sporecount.simulate.slices.looking import blur_um
from sporecount.simulate.slices.places import touching
from sporecount.simulate.slices.stack import Grid, Map
from sporecount.simulate.truth import SporeTruth

SEEN_SHARE = 0.6
SHARP_ENOUGH = 0.2
"""Largest blur, in lengths, at which a spore's form can still be told from that of a speck."""
FAINTEST = 0.035
"""Least optical density over the surroundings that the eye picks out on a print."""
CLEAR_OF_NOISE = 5.0
"""Contrast over noise of the whole outline (the criterion of Rose 1948, from memory)."""


def _shown(density: Map, mine: np.ndarray, spores: np.ndarray, pad: int) -> tuple[float, float, float]:
    """Mean density over the surroundings, strength of the form within, unevenness of the surroundings."""
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * pad + 1, 2 * pad + 1))
    around = (cv2.dilate(mine.astype(np.uint8), kernel) > 0) & ~spores
    near = cv2.dilate(mine.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    ring = density[around & ~near] if (around & ~near).sum() >= 8 else density[around]
    if len(ring) < 4:
        ring = density.ravel()
    ground = float(np.median(ring))
    within = density[mine].astype(np.float64) - ground
    # Half of the ring may belong to something else: one side of an edge does not hide a spore on the other.
    spread = 1.48 * float(np.median(np.abs(ring - ground)))
    return float(within.mean()), float(np.sqrt((within**2).mean())), spread


def truths(
    sown: Sown,
    light: Map,
    seen: Map,
    focus: Map,
    noise: float,
    grid: Grid,
    here: Conditions,
    size: tuple[int, int],
) -> tuple[SporeTruth, ...]:
    """Judge each spore that reaches into the photo.

    Parameters
    ----------
    light : (rows, cols, 3), as the phone gets it, stray light and all, before noise
    seen : (rows, cols), inside the round view
    focus : (rows, cols), height in focus
    noise : optical density of one photo pixel's noise
    size : width and height of the photo in pixels
    """
    width, height = size
    ratio = here.um_per_px / grid.step_um
    density = -np.log10(np.clip(light, 1e-3, None)).mean(axis=2)
    clump = touching(sown.seats)
    frame = np.zeros((grid.rows, grid.cols), bool)
    m = grid.margin
    frame[m : m + round(height * ratio), m : m + round(width * ratio)] = True
    frame &= seen > 0.5
    out = []
    for k, laid in enumerate(sown.outlines):
        x_px = (sown.seats.xyz_um[k, 0] / grid.step_um - m + 0.5) / ratio - 0.5
        y_px = (sown.seats.xyz_um[k, 1] / grid.step_um - m + 0.5) / ratio - 0.5
        if laid is None or not laid[1].any():
            continue
        window, outline = laid
        rows, cols = window
        reach = max(3, round(0.45 * sown.seats.size_um[k, 0] / grid.step_um))
        r0, r1 = max(rows.start - reach, 0), min(rows.stop + reach, grid.rows)
        c0, c1 = max(cols.start - reach, 0), min(cols.stop + reach, grid.cols)
        box = (slice(r0, r1), slice(c0, c1))
        mine = np.zeros((r1 - r0, c1 - c0), bool)
        mine[rows.start - r0 : rows.stop - r0, cols.start - c0 : cols.stop - c0] = outline
        shown = float(np.mean(frame[window][outline]))
        if shown == 0:
            continue
        length, breadth = sown.seats.size_um[k]
        row, col = (int(np.clip(v, 0, n - 1)) for v, n in (
            (round(sown.seats.xyz_um[k, 1] / grid.step_um), grid.rows),
            (round(sown.seats.xyz_um[k, 0] / grid.step_um), grid.cols)))  # fmt: skip
        blur = float(blur_um(sown.seats.xyz_um[k, 2] - focus[row, col], here))
        contrast, form, uneven = _shown(density[box], mine, sown.layers[box] > 0, reach)
        visible = float(np.clip(shown - sown.hidden[k], 0, 1))
        alone = float(np.mean(sown.layers[window][outline] == 1))
        pixels = outline.sum() / ratio**2
        local_noise = noise * 10 ** (0.5 * float(np.median(density[box])))
        signal = max(contrast, 0.6 * form)
        countable = (
            visible >= SEEN_SHARE
            and alone >= 0.4
            and blur <= SHARP_ENOUGH * length
            and signal >= FAINTEST
            and signal * np.sqrt(pixels) >= CLEAR_OF_NOISE * local_noise
            and signal >= 1.5 * local_noise
            and signal >= 1.1 * uneven
            and bool(frame[row, col])
            and -0.5 <= x_px <= width - 0.5
            and -0.5 <= y_px <= height - 0.5
        )
        out.append(
            SporeTruth(
                x_px=float(x_px),
                y_px=float(y_px),
                length_um=float(length),
                width_um=float(breadth),
                angle_deg=float(np.degrees(sown.seats.turn[k]) % 180),
                visible=visible,
                blur_um=blur,
                contrast=round(contrast, 5),
                on_scale=sown.on_scale[k],
                clump=int(clump[k]),
                countable=bool(countable),
            )
        )  # fmt: skip
    return tuple(out)
