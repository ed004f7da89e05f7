"""Which spores a careful person could count."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from sporecount.simulate.bands.camera import Phone
from sporecount.simulate.bands.occasion import Occasion
from sporecount.simulate.bands.seats import touching_groups
from sporecount.simulate.bands.spores import Drawn, Spores
from sporecount.simulate.bands.stage import MARGIN_PX, Stage
from sporecount.simulate.truth import KIND_NAMES, SporeTruth

LEAST_VISIBLE = 0.6
MOST_BLUR = 0.17
"""Standard deviation of the blur over the length, above which outline and tips are gone."""
LEAST_CONTRAST = 0.03
"""In a sharp, unprocessed picture; blur and the calming of noise ask for more."""
LEAST_SIGNAL = 8.0
"""Contrast over noise of the whole outline; five tells that something is there (Rose 1948), a shape needs more."""
LEAST_STEP = 0.03
"""Difference of tone, full range being one, that a photo still shows: some eight grey levels."""


def _surroundings(
    luma: NDArray[np.float32], spore: NDArray[np.bool_], reach: int
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Give mean and standard deviation of log light round each place, spores left out."""
    log = np.log10(np.maximum(luma, 1e-4))
    free = (~spore).astype(np.float32)
    size = (reach, reach)
    weight = np.maximum(cv2.blur(free, size), 1e-3)
    mean = cv2.blur(log * free, size) / weight
    square = cv2.blur(log * log * free, size) / weight
    spread = np.sqrt(np.maximum(square - mean * mean, 0))
    return np.asarray(mean, np.float32), np.asarray(spread, np.float32)


def judge(
    occasion: Occasion,
    stage: Stage,
    phone: Phone,
    spores: Spores,
    drawn: Drawn,
    luma: NDArray[np.float32],
    seen: NDArray[np.bool_],
) -> tuple[SporeTruth, ...]:
    """Give the truth of all spores that show in the photo or have their centre in it.

    Parameters
    ----------
    luma : ndarray of shape (h, w)
        Light of the finished scene without noise.
    seen : ndarray of shape (h, w), bool
        Inside the round view.
    """
    if not len(spores):
        return ()
    rows, cols = occasion.shape
    px = stage.lens.um_per_px
    inner = (slice(MARGIN_PX, MARGIN_PX + rows), slice(MARGIN_PX, MARGIN_PX + cols))
    owner = np.where(seen, stage.owner[inner], -1)
    left = np.bincount(owner[owner >= 0], minlength=len(spores))
    visible = np.clip(left / np.maximum(drawn.area_px, 1), 0, 1)
    x, y = spores.x_px, spores.y_px
    inside = (x > -0.5) & (y > -0.5) & (x < cols - 0.5) & (y < rows - 0.5)
    at = (np.clip(np.round(y), 0, rows - 1).astype(int), np.clip(np.round(x), 0, cols - 1).astype(int))
    mean, uneven = _surroundings(luma, stage.kinds[inner] == KIND_NAMES.index("spore"), int(20 / px) | 1)
    light = 10.0 ** mean[at]
    contrast = drawn.contrast
    step = (np.minimum(light * phone.level, 1) ** (1 / phone.gamma)) * (1 - 10.0 ** (-contrast / phone.gamma))
    noise = np.asarray(phone.noise(light * 10.0 ** -np.maximum(contrast, 0))) / np.log(10)
    signal = contrast * np.sqrt(np.maximum(drawn.area_px, 1)) / noise
    px_blur = 0.45 * px * (1 + 0.5 * phone.denoise)
    blur = np.hypot(drawn.blur_um, px_blur)
    least = LEAST_CONTRAST * (1 + 0.8 * phone.denoise) * (1 + 0.5 * (blur / (0.1 * spores.length_um)) ** 2)
    countable = (
        inside
        & seen[at]
        & (visible >= LEAST_VISIBLE)
        & (blur <= MOST_BLUR * spores.length_um)
        & (contrast >= least)
        & (signal >= LEAST_SIGNAL)
        & (step >= LEAST_STEP * (1 + 0.4 * phone.denoise))
        & (contrast >= 0.6 * uneven[at])
    )
    clump = touching_groups(x * px, y * px, spores.length_um, spores.width_um, spores.angle_deg)
    on_scale = stage.scaled[inner][at]
    return tuple(
        SporeTruth(
            x_px=float(x[i]),
            y_px=float(y[i]),
            length_um=float(spores.length_um[i]),
            width_um=float(spores.width_um[i]),
            angle_deg=float(spores.angle_deg[i] % 180),
            visible=float(visible[i]),
            blur_um=float(blur[i]),
            contrast=float(contrast[i]),
            on_scale=bool(on_scale[i]),
            clump=int(clump[i]),
            countable=bool(countable[i]),
        )
        for i in np.flatnonzero((inside & seen[at]) | (visible > 0.02))
    )
