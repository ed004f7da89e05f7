"""What the finished photo truly shows of each spore, and whether a careful person could count it."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from sporecount.simulate.truth import SporeTruth
from tests.recipes.pilgrim.palette import Floats
from tests.recipes.pilgrim.phone import GAMMA
from tests.recipes.pilgrim.scene import KIND, Scene
from tests.recipes.pilgrim.spores import Spore, clump_sizes

LEAST_CONTRAST = 0.05
CRISP = 0.09
"""With less blur than this share of the length, an edge shows even across another spore."""
SOFT = 0.15
"""With more blur than this share of the length, a spore is told by its look as a whole only."""
SECTORS = 8


def least_open_edge(softness: float) -> float:
    """Say how much of its edge must be free or set off from its neighbours, lest it drown in its pile."""
    if softness < CRISP:
        return 0.2
    return 0.4 if softness < SOFT else 0.8


def outline_seen(own: NDArray[np.bool_], outside: NDArray[np.bool_], tone: Floats, rim_px: int) -> bool:
    """Tell whether nearly all sectors of the outline are darker, or all brighter, than what is outside."""
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * rim_px + 1, 2 * rim_px + 1))
    rim = own & (cv2.erode(own.astype(np.uint8), disc) == 0)
    y, x = np.nonzero(own)
    rows, cols = np.mgrid[0 : own.shape[0], 0 : own.shape[1]]
    turn = np.arctan2(rows - y.mean(), cols - x.mean())
    sector = ((turn / (2 * np.pi) + 0.5) * SECTORS).astype(np.int64) % SECTORS
    totals = [
        (np.bincount(sector[at], tone[at], SECTORS), np.bincount(sector[at], minlength=SECTORS))
        for at in (rim, outside)
    ]
    both = (totals[0][1] > 0) & (totals[1][1] > 0)
    step = totals[0][0][both] / totals[0][1][both] - totals[1][0][both] / totals[1][1][both]
    return bool(max((step > LEAST_CONTRAST).sum(), (step < -LEAST_CONTRAST).sum()) >= 0.75 * SECTORS)


def density_of(light: Floats) -> Floats:
    """Optical density of a linear picture."""
    return np.asarray(-np.log10(np.maximum(light, 2e-3)), np.float32)


def witness(
    scene: Scene,
    spores: list[Spore],
    areas_px: list[float],
    light: Floats,
    rgb: NDArray[np.uint8],
    variance_um2: Floats,
    view: Floats,
) -> tuple[SporeTruth, ...]:
    """Measure every spore in the exposed light and in the saved photo."""
    um, (rows, cols) = scene.um_per_px, scene.shape
    owned, clean = scene.owner, density_of(light / view[..., None])
    shot = density_of((rgb.astype(np.float32) / 255) ** GAMMA)
    # the eye sums over a small patch, about a third of a spore's width
    eyed = cv2.GaussianBlur(shot, (0, 0), max(1.0 / um, 0.5))
    sizes = clump_sizes(spores, um)
    truth = []
    for number, s in enumerate(spores):
        reach = int(1.05 * s.length_um / um) + 3
        cx, cy = round(s.x_px), round(s.y_px)
        box = (
            slice(max(cy - reach, 0), max(cy + reach + 1, 0)),
            slice(max(cx - reach, 0), max(cx + reach + 1, 0)),
        )
        own = owned[box] == number
        inside = 0 <= cx < cols and 0 <= cy < rows and view[min(cy, rows - 1), min(cx, cols - 1)] > 0.5
        blur_um = float(np.sqrt(variance_um2[min(max(cy, 0), rows - 1), min(max(cx, 0), cols - 1)]))
        visible = (
            float(min((own & (view[box] > 0.5)).sum() / max(areas_px[number], 1), 1)) if own.size else 0.0
        )
        softness = blur_um / s.length_um
        contrast, seen, open_edge, on_scale = 0.0, False, 0.0, False
        if own.any():
            on_scale = bool(scene.on_scale[box][own].mean() > 0.5)
            gap = max(round((0.6 + blur_um) / um), 1)
            disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * gap + 1, 2 * gap + 1))
            wide = cv2.dilate(own.astype(np.uint8), disc) > 0
            others = (scene.kind[box] == KIND["spore"]) & ~own
            edge = wide & ~own
            bare = ~wide & ~others & (view[box] > 0.95)
            ring = bare if bare.sum() > 12 else ~own
            around, mine = np.median(clean[box][ring], axis=0), clean[box][own]
            contrast = float((mine.mean(axis=0) - around).mean())
            # a careful eye uses the hue as well: the channel that tells most, at a discount
            apart = eyed[box][own].mean(axis=0) - np.median(eyed[box][ring], axis=0)
            # and a dark wall around a clear middle, where the mean tells little
            strong = np.sqrt(((eyed[box][own] - np.median(eyed[box][ring], axis=0)) ** 2).mean(axis=0))
            plain = float(max(abs(apart.mean()), 0.75 * np.abs(apart).max(), 0.8 * strong.mean()))
            # a shard beside it is no texture of the ground: the middle half of the values tells it
            low, high = np.percentile(eyed[box][ring].mean(axis=1), (25, 75))
            texture = float(high - low) * 0.74
            needed = max(LEAST_CONTRAST, (1.5 if on_scale else 1.15) * texture)
            needed *= 1.8 if softness > SOFT else 1.0
            seen = plain >= needed
            if not seen and softness < SOFT:
                # a thin wall, or the yellow of a pale one, shows in the blue
                tones = (shot[box].mean(axis=2), shot[box][..., 2])
                seen = any(outline_seen(own, edge & ~others, tone, max(round(0.8 / um), 1)) for tone in tones)
            seen = seen and s.width_um / um >= 2.6
            step = eyed[box].mean(axis=2) - eyed[box][own].mean()
            split = (np.abs(step) if softness < CRISP else -step) > max(0.035, 0.3 * plain)
            open_edge = float((~others | split)[edge].mean()) if edge.any() else 0.0
        countable = inside and visible >= 0.5 and blur_um <= 0.22 * s.length_um
        countable = countable and seen and open_edge >= least_open_edge(softness)
        truth.append(
            SporeTruth(
                x_px=s.x_px,
                y_px=s.y_px,
                length_um=s.length_um,
                width_um=s.width_um,
                angle_deg=s.angle_deg,
                visible=visible,
                blur_um=blur_um,
                contrast=contrast,
                on_scale=on_scale,
                clump=int(sizes[number]),
                countable=bool(countable),
            )
        )
    return tuple(truth)
