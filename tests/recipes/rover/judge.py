"""What a careful person could count, judged on the finished photo, where everything has had its effect."""

from __future__ import annotations

from typing import NamedTuple

import cv2
import numpy as np

from tests.recipes.rover.fields import Array
from tests.recipes.rover.sheet import KIND, Sheet
from tests.recipes.rover.spores import Spore

BLUR_LIMIT = 0.22
LEAST_STEP = 2.4
"""Least difference to what is around, in units of lightness (0-100): from memory, 1 is just seen side by side."""
LEAST_OVER_TEXTURE = 1.7
LEAST_OVER_NOISE = 0.55
LEAST_CONTRAST = 0.01
"""Optical density: below, what the photo shows there is something else."""
SEAM = 5.0
"""Lightness by which a spore's middle stands out from its rim where only the rim parts it from others."""
CHROMA = 0.5
"""Weight of a difference in colour against one in lightness, for a small thing."""


class Seen(NamedTuple):
    """How one spore shows."""

    visible: float
    contrast: float
    countable: bool


def _spread(values: Array) -> Array:
    """Deviation by the median, so that a neighbour in the ring does not hide a spore that is plain."""
    return 1.48 * np.median(np.abs(values - np.median(values, axis=0)), axis=0)


def _seam(lightness: Array, mine: Array) -> float:
    """Lightness of a spore's middle over its rim, by the depth of its pixels."""
    depth = cv2.distanceTransform(np.pad(mine, 1).astype(np.uint8), cv2.DIST_L2, 3)[1:-1, 1:-1][mine]
    inner = depth > 0.5 * depth.max()
    return float(lightness[inner].mean() - lightness[~inner].mean()) if not inner.all() else 0.0


class Judge:
    """Measures spores on the finished photo and on the noiseless light at the eyepiece."""

    def __init__(self, photo: Array, light: Array, sheet: Sheet, zoom: float) -> None:
        um_per_px = sheet.um_per_px
        self.owner, self.kind, self.um_per_px = sheet.owner, sheet.kind, um_per_px
        self.pixel_um = 0.4 * zoom * um_per_px
        self.light = np.log10(np.maximum(light, 1e-3)).mean(axis=2)
        lab = cv2.cvtColor(photo.astype(np.float32) / 255, cv2.COLOR_RGB2LAB)
        self.lab = lab * np.array((1, CHROMA, CHROMA), np.float32)
        typical = 1.6 / um_per_px
        self.smooth = cv2.GaussianBlur(self.lab, (0, 0), max(typical, 0.8))

    def look(self, spore: Spore, number: int, blur_um: float) -> Seen:
        """Tell how a spore shows, and whether it counts."""
        px = self.um_per_px
        rows, cols = self.owner.shape
        x, y = spore.x_um / px, spore.y_um / px
        reach = int(np.ceil(1.15 * spore.length_um / px)) + 2
        top, left = max(round(y) - reach, 0), max(round(x) - reach, 0)
        box = (slice(top, max(round(y) + reach + 1, 0)), slice(left, max(round(x) + reach + 1, 0)))
        owner = self.owner[box]
        mine = owner == number
        area = float(mine.sum())
        visible = min(1.0, area / spore.area_px) if spore.area_px else 0.0
        inside = -0.5 <= x <= cols - 0.5 and -0.5 <= y <= rows - 0.5
        if area < 4:
            return Seen(visible, 0.0, False)
        size = max(3, 2 * round(0.35 * spore.length_um / px) + 1)
        near = (
            cv2.dilate(mine.astype(np.uint8), cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))) > 0
        )
        free = near & (owner == 0)
        share_free = float(free.sum()) / max(1.0, float((near & ~mine).sum()))
        if free.sum() < 6:
            free = ~mine & (owner == 0) if (~mine & (owner == 0)).sum() >= 6 else ~mine
        # the eye compares with the one side on which the spore lies, or with the thin thing over it
        kind, over = self.kind[box], int(np.bincount(self.kind[box][mine]).argmax())
        mine = mine & (kind == over)
        if over != KIND["spore"]:
            if (free & (kind == over)).sum() < 6:
                return Seen(visible, 0.0, False)
            free &= kind == over
        kinds = np.bincount(kind[free])
        free &= kind == (0 if kinds[0] > 0.3 * kinds.sum() else int(kinds.argmax()))
        contrast = float(np.median(self.light[box][free]) - self.light[box][mine].mean())
        lab, beside = self.lab[box], self.lab[box][free]
        around = np.median(beside, axis=0)
        own = lab[mine]
        step = float(np.linalg.norm(own.mean(axis=0) - around))
        # a dark rim around a middle as light as the ground is seen too, if the picture shows the rim
        inner = self.smooth[box][mine]
        step = max(step, 0.6 * float(np.linalg.norm(np.abs(inner - around).mean(axis=0))))
        texture = float(np.linalg.norm(_spread(self.smooth[box][free])))
        noise = float(np.linalg.norm(_spread(beside)))
        soft = float(np.hypot(blur_um, self.pixel_um)) / spore.length_um
        plain = (
            contrast > LEAST_CONTRAST
            and step >= LEAST_STEP * (1 + 1.5 * (soft / BLUR_LIMIT) ** 2)
            and step >= LEAST_OVER_TEXTURE * (1 + 0.2 * (soft / BLUR_LIMIT) ** 2) * texture
            and step >= LEAST_OVER_NOISE * noise
            and step * area**0.5 >= 5 * noise
        )
        seam = visible > 0.8 and soft < 0.1 and _seam(own[:, 0], mine) > SEAM
        apart = share_free >= 0.22 or (seam and share_free > 0.02) or (seam and visible > 0.95)
        sharp = blur_um <= BLUR_LIMIT * spore.length_um
        return Seen(visible, contrast, bool(plain and apart and sharp and inside and visible >= 0.5))
