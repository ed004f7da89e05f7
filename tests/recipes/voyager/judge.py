"""The truth of each spore: how much of it shows, how blurred, how strong, and whether it can be counted."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from sporecount.simulate.truth import SporeTruth
from tests.recipes.voyager.camera import blur_variance_px2
from tests.recipes.voyager.conditions import Conditions
from tests.recipes.voyager.layout import SporePlan
from tests.recipes.voyager.stage import Stage
from tests.recipes.voyager.textures import Floats

_LEAST_PX = 4.5
"""Shorter than this a spore is a dot like any other."""


def clump_sizes(plans: list[SporePlan]) -> NDArray[np.int64]:
    """Count the spores of each one's touching group; they touch where their outlines nearly meet."""
    if not plans:
        return np.zeros(0, np.int64)
    xy = np.array([(p.x_um, p.y_um) for p in plans])
    long, wide = np.array([(p.length_um / 2, p.width_um / 2) for p in plans]).T
    turn = np.radians([p.angle_deg for p in plans])
    pairs = cKDTree(xy).query_pairs(2.2 * float(long.max()), output_type="ndarray")
    i, j = pairs[:, 0], pairs[:, 1]
    way = np.arctan2(*(xy[j] - xy[i]).T[::-1])

    def reach(k: NDArray[np.intp]) -> NDArray[np.float64]:
        lean = way - turn[k]
        return long[k] * wide[k] / np.hypot(wide[k] * np.cos(lean), long[k] * np.sin(lean))

    touch = np.hypot(*(xy[j] - xy[i]).T) <= 1.04 * (reach(i) + reach(j))
    links = coo_matrix((np.ones(touch.sum()), (i[touch], j[touch])), shape=(len(plans), len(plans)))
    group = connected_components(links, directed=False)[1]
    return np.bincount(group)[group]


def _ground_beside(log_light: Floats, beside: NDArray[np.bool_]) -> tuple[NDArray[np.float64], float]:
    """Median of the ground's log light, and how unevenly the ground looks: by its bulk, or by an edge in it."""
    ground = log_light[beside]
    level = np.median(ground, axis=0)
    grey = np.sort(ground.mean(axis=1) - level.mean())
    few = len(grey) // 10
    return level, float(max(1.48 * np.median(np.abs(grey)), 0.8 * grey[few : len(grey) - few].std()))


def _shows(core: Floats, level: NDArray[np.float64], uneven: float, length_px: float, noise: float) -> bool:
    """Tell whether a spore stands out, by its mean or by its rim, from ground that is uneven and noisy."""
    grey = core.mean(axis=1) - level.mean()
    # green and blue carry the amber; the eye sees the colour, less sharply, beside the grey
    tone = abs(float((core[:, 1:] - level[1:]).mean()))
    # an edge of the ground that runs through beneath is no rim of the spore's own
    own_rim = np.sqrt(max(float(grey.var()) - 1.5 * uneven**2, 0.0))
    signal = max(abs(float(grey.mean())), 0.8 * tone, 0.9 * own_rim)
    # unevenness counts in full where its grain is a spore's, noise averages out over the pixels
    floor = 0.03 + 1.1 * uneven + 1.2 * noise / max(length_px / 4, 1.0)
    return bool(signal > floor)


def judge(
    plans: list[SporePlan], whole_px: list[float], stage: Stage, light: Floats, conditions: Conditions
) -> tuple[SporeTruth, ...]:
    """Write the truth of every spore, from the laid scene and the light at the sensor."""
    shape, um = stage.kind.shape, conditions.um_per_px
    variance = blur_variance_px2(shape, conditions) * um**2 + conditions.shake_um**2 / 2
    log_light = np.log10(np.maximum(light, 1e-4)).astype(np.float32)
    spore_near = cv2.dilate((stage.owner >= 0).astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    truths = []
    for number, (plan, clump, whole) in enumerate(zip(plans, clump_sizes(plans), whole_px, strict=True)):
        x, y = plan.x_um / um, plan.y_um / um
        col, row = int(np.clip(round(x), 0, shape[1] - 1)), int(np.clip(round(y), 0, shape[0] - 1))
        blur_um, length_px = float(np.sqrt(variance[row, col])), plan.length_um / um
        reach = round(1.1 * length_px) + 2
        box = (slice(max(row - reach, 0), row + reach + 1), slice(max(col - reach, 0), col + reach + 1))
        mine = stage.owner[box] == number
        visible = min(1.0, float(mine.sum()) / max(whole, 1.0))
        on_scale = bool(stage.on_scale[row, col])
        ring_px = 2 * round(0.4 * length_px) + 3
        disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (ring_px, ring_px))
        ring = (cv2.dilate(mine.astype(np.uint8), disc) > 0) & ~spore_near[box]
        beside = ring if ring.sum() > 12 else ~spore_near[box]
        # a dark scale on one side doesn't hide what the bare ground on the other sides shows
        same = ring & (stage.on_scale[box] == on_scale)
        beside = same if same.sum() > max(12, 0.4 * ring.sum()) else beside
        contrast, stands_out = 0.0, False
        if mine.any() and beside.any():
            level, uneven = _ground_beside(log_light[box], beside)
            core = log_light[box][mine]
            contrast = float((level - core).mean())
            lit = max(float(10 ** level.mean()), 1e-3)
            noise = conditions.noise / np.sqrt(lit) / np.log(10) * np.sqrt(0.8 + 0.01 / lit)
            # light from below makes no spore brighter than what is beside it: what seems so is a darker thing
            fair = contrast > 0 or conditions.through < 0.5
            fair = fair and lit > 0.05 and float(core.mean()) > -1.7
            diffuse = 0.25 * max(0.0, blur_um / plan.length_um - 0.12)
            stands_out = fair and _shows(core, level, uneven + diffuse + 0.02 * on_scale, length_px, noise)
        inside = -0.5 <= x <= shape[1] - 0.5 and -0.5 <= y <= shape[0] - 0.5
        sharp = blur_um <= 0.22 * plan.length_um
        # in a solid pile a blurred spore has no outline of its own
        merged = clump >= 3 and _walled_in(stage.owner[box], mine) > 0.7 and blur_um > 0.07 * plan.length_um
        countable = inside and visible >= 0.5 and sharp and stands_out and not merged
        truths.append(
            SporeTruth(
                x_px=x,
                y_px=y,
                length_um=plan.length_um,
                width_um=plan.width_um,
                angle_deg=plan.angle_deg % 180,
                visible=visible,
                blur_um=blur_um,
                contrast=contrast,
                on_scale=on_scale,
                clump=int(clump),
                countable=bool(countable and length_px >= _LEAST_PX),
            )
        )
    return tuple(truths)


def _walled_in(owner: NDArray[np.int32], mine: NDArray[np.bool_]) -> float:
    """Share of the outline that borders on other spores."""
    border = (cv2.dilate(mine.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0) & ~mine
    return float((owner[border] >= 0).mean()) if border.any() else 0.0
