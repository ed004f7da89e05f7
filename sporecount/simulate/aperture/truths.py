"""What of each spore still shows, once optics and neighbours have had their say."""

from __future__ import annotations

import cv2
import numpy as np

from sporecount.simulate.aperture import bodies
from sporecount.simulate.aperture.scene import Array, Scene
from sporecount.simulate.aperture.seats import clump_sizes
from sporecount.simulate.truth import SporeTruth

VISIBLE_FROM = 0.5
BLUR_TO_LENGTH = 0.22
"""Above this ratio of the blur's standard deviation to the spore's length, a spore is hopelessly blurred."""
CONTRAST_FROM = 0.045
"""Weakest density over the surroundings, green, that a careful person still sees."""
LIGHT_FROM = 0.012
"""Weakest light on the sensor, relative to white, in which anything is seen."""
OVER_UNREST = 0.75
"""On a scale, a spore must stand out from the scale's own unrest by this factor."""


def _restlessness(scene: Scene, light: Array, length_um: float) -> Array:
    """Give the unrest of density on scales at the size of a spore, spores left out, (H, W)."""
    zoom = min(1.0, 9 * scene.um_per_px / length_um)
    rows, cols = scene.shape
    small = (int(cols * zoom), int(rows * zoom))

    def shrink(fine: Array) -> Array:
        return cv2.resize(fine.astype(np.float32), small, interpolation=cv2.INTER_AREA)

    od = -np.log10(np.maximum(shrink(light), 1e-4))
    size = length_um / scene.um_per_px * zoom
    band = cv2.GaussianBlur(od, (0, 0), 0.2 * size) - cv2.GaussianBlur(od, (0, 0), 0.6 * size)
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * int(0.3 * size) + 1,) * 2)
    free = cv2.erode(shrink(scene.on_scale), disc) * (cv2.dilate(shrink(scene.owner > 0), disc) < 0.1)
    weight = cv2.GaussianBlur(free, (0, 0), 1.2 * size)
    unrest = np.sqrt(cv2.GaussianBlur(band * band * free, (0, 0), 1.2 * size) / np.maximum(weight, 0.02))
    return cv2.resize(unrest, (cols, rows), interpolation=cv2.INTER_LINEAR)


def tell_truths(
    scene: Scene,
    seats: list[bodies.Seat],
    drawn: list[tuple[int, float]],
    blur_um: Array,
    light: Array,
    share: Array,
    seen: Array,
    margin: int,
) -> tuple[SporeTruth, ...]:
    """Tell of each spore what shows; `light` is on the sensor, of which `share` came from the scene."""
    rows, cols = scene.shape
    inner = np.zeros((rows, cols), bool)
    inner[margin : rows - margin, margin : cols - margin] = True
    own = np.where(inner & (seen > 0.5), scene.owner, 0).ravel()
    left = np.bincount(own, minlength=len(seats) + 1)
    passed = np.bincount(own, scene.through.ravel(), len(seats) + 1) / np.maximum(left, 1)
    clumps = clump_sizes(seats, scene.um_per_px)
    unrest = _restlessness(scene, light, seats[0].length_um) if seats else light
    truths = []
    for k, (seat, (pixels, added)) in enumerate(zip(seats, drawn, strict=True)):
        x, y = seat.x_px - margin, seat.y_px - margin
        inside = -0.5 <= x < cols - 2 * margin - 0.5 and -0.5 <= y < rows - 2 * margin - 0.5
        if not inside and not left[k + 1]:
            continue
        row, col = min(max(round(seat.y_px), 0), rows - 1), min(max(round(seat.x_px), 0), cols - 1)
        visible = min(1.0, left[k + 1] / pixels) if pixels else 0.0
        sigma = float(blur_um[row, col])
        # What blur leaves of the mean density over the outline, with Gaussians in place of outline and blur.
        kept = 1 / np.sqrt((1 + 14 * (sigma / seat.length_um) ** 2) * (1 + 14 * (sigma / seat.width_um) ** 2))
        contrast = added * float(kept * passed[k + 1] * share[row, col])
        on_scale = bool(scene.on_scale[row, col])
        truths.append(
            SporeTruth(
                x_px=x,
                y_px=y,
                length_um=seat.length_um,
                width_um=seat.width_um,
                angle_deg=seat.angle_deg,
                visible=float(visible),
                blur_um=sigma,
                contrast=contrast,
                on_scale=on_scale,
                clump=int(clumps[k]),
                countable=bool(
                    inside
                    and visible >= VISIBLE_FROM
                    and sigma <= BLUR_TO_LENGTH * seat.length_um
                    and contrast >= CONTRAST_FROM
                    and light[row, col] >= LIGHT_FROM
                    and (not on_scale or contrast >= OVER_UNREST * unrest[row, col])
                ),
            )
        )
    return tuple(truths)
