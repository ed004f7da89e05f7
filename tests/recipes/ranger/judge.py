"""Truth: what each spore shows after blur, and whether a careful person could count it."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates

from sporecount.simulate.truth import SporeTruth
from tests.recipes.ranger.canvas import KIND, Canvas
from tests.recipes.ranger.phone import Phone, tone
from tests.recipes.ranger.radial import Field
from tests.recipes.ranger.spores import Spore, groups
from tests.recipes.ranger.world import World

STEP_LEAST = 0.035
"""Smallest step of display value (0 to 1) that the eye finds on even ground (chosen by eye)."""
STEP_PER_CLUTTER = 1.5
ON_SCALE = 1.4
"""A spore on a scale needs a stronger step: the scale's ridges draw the eye."""
EDGE_STEP = 0.012
EDGE_SHARE = 0.35
"""Share of the outline along which an edge of at least EDGE_STEP must show."""
PLAIN_STEP = 0.035
PLAIN_SHARE = 0.6
"""With an edge of PLAIN_STEP along this share of its outline a spore is plain on any ground."""
DIRECTIONS = 24


def _edges(spores: list[Spore], shown: Field, um_per_px: float, step: float) -> NDArray[np.float64]:
    """Share of each outline along which a gap or a dark line tells the spore from what is beside it.

    On rays from the centre, the display value from within to beyond the edge must rise outwards into a gap, or
    dip at the edge between two brighter sides; or fall, where the spore is the brighter one.
    """
    theta = np.arange(DIRECTIONS) * (2 * np.pi / DIRECTIONS)
    rho = np.array([0.55, 0.75, 0.95, 1.1, 1.25, 1.4])
    radius = np.array([s.outline.radius_towards(theta - s.angle_rad) for s in spores]) / um_per_px
    centre = np.array([(s.x_px, s.y_px) for s in spores])
    x = centre[:, 0, None, None] + (radius * np.cos(theta))[..., None] * rho
    y = centre[:, 1, None, None] + (radius * np.sin(theta))[..., None] * rho
    ray = map_coordinates(shown, [y, x], order=1, mode="nearest")
    within, at, beyond = ray[..., 0], ray[..., 1:4].min(-1), ray[..., 3:].max(-1)
    gap = beyond - np.minimum(within, at) > step
    line = (within - at > step) & (beyond - at > step)
    fall = np.median(ray[..., 0], axis=1, keepdims=True) - ray[..., 3:].min(-1) > 3 * step
    lone_fall = fall & (fall.mean(1, keepdims=True) > 0.8)
    return np.asarray((gap | line | lone_fall).mean(1), np.float64)


def _beside(
    canvas: Canvas, barred: NDArray[np.bool_], box: tuple[slice, slice], mine: NDArray[np.bool_]
) -> list[tuple[float, NDArray[np.bool_]]]:
    """Pixels beside a spore to judge it against, scale and ground weighed as they are on the spore itself.

    `barred` are the pixels of spores, of their surroundings, and outside the round view; where these leave too
    little, the pixels next to spores are taken too.
    """
    free = ~barred[box]
    if free.sum() < 0.06 * free.size:
        free = canvas.kind[box] != KIND["spore"]
    scale = canvas.scale[box]
    share = float(scale[mine].mean())
    parts = [(w, free & m) for w, m in ((share, scale), (1 - share, ~scale)) if w > 0.1]
    parts = [(w, m) for w, m in parts if m.sum() > 0.03 * m.size]
    return parts or ([(1.0, free)] if free.any() else [])


def judge(
    spores: list[Spore],
    canvas: Canvas,
    world: World,
    light: Field,
    variance: Field,
    phone: Phone,
    view: Field,
) -> tuple[SporeTruth, ...]:
    """Hand over the truth of all spores.

    Parameters
    ----------
    spores, canvas, world
    light
        Linear light after blur, before the phone.
    variance
        Variance of objective, defocus and hand, px2.
    phone
    view
        1 inside the round view.
    """
    if not spores:
        return ()
    linear = (
        cv2.GaussianBlur(light * phone.gain, (0, 0), phone.smear_px)
        if phone.smear_px > 0.2
        else light * phone.gain
    )
    shown = tone(phone, linear.astype(np.float32)).mean(2)
    length_px = world.spore.length_um / world.um_per_px
    pooled = cv2.GaussianBlur(shown, (0, 0), max(0.12 * length_px, 0.5))
    # Noise left when the eye pools over a part of the spore, in display values at middle light.
    pool_px = 2 * np.sqrt(np.pi) * max(0.12 * length_px, 0.5)
    noise = 0.5 * phone.noise * min(1.0, (1 + 2 * phone.noise_px) / pool_px)
    edges = _edges(spores, shown, world.um_per_px, EDGE_STEP + noise)
    plain = _edges(spores, shown, world.um_per_px, PLAIN_STEP + 2 * noise)
    # Beside a spore its neighbours' blur darkens the ground, so pixels next to any spore are left out.
    barred = cv2.dilate((canvas.kind == KIND["spore"]).astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    barred |= view < 0.9
    clumps = groups(spores, world.um_per_px)
    rows, cols = world.shape
    owned = np.bincount(canvas.owner[canvas.owner >= 0], minlength=len(spores))
    truth = []
    for k, s in enumerate(spores):
        inside = -0.5 <= s.x_px <= cols - 0.5 and -0.5 <= s.y_px <= rows - 0.5
        x, y = int(np.clip(round(s.x_px), 0, cols - 1)), int(np.clip(round(s.y_px), 0, rows - 1))
        reach = int(np.ceil(s.length_um / world.um_per_px))
        box = (slice(max(y - reach, 0), y + reach + 1), slice(max(x - reach, 0), x + reach + 1))
        mine = canvas.owner[box] == k
        on_scale = bool(canvas.scale[y, x])
        visible = float(min(1.0, owned[k] / s.painted_px)) if s.painted_px > 0 else 0.0
        blur_um = float(np.sqrt(variance[y, x])) * world.um_per_px
        contrast, seen = 0.0, False
        beside = _beside(canvas, barred, box, mine) if mine.any() else []
        if beside:
            weights = np.array([w for w, _ in beside]) / sum(w for w, _ in beside)
            around = weights @ [np.log10(np.median(light[box][m], axis=0) + 1e-4) for _, m in beside]
            contrast = float(np.mean(around - np.log10(light[box][mine] + 1e-4).mean(axis=0)))
            middles = [float(np.median(pooled[box][m])) for _, m in beside]
            spreads = [
                1.48 * np.median(np.abs(pooled[box][m] - c))
                for (_, m), c in zip(beside, middles, strict=True)
            ]
            step = float(weights @ middles) - float(shown[box][mine].mean())
            need = STEP_LEAST + STEP_PER_CLUTTER * float(np.hypot(weights @ spreads, noise))
            seen = step > need * (ON_SCALE if on_scale else 1.0)
        seen = seen or (contrast > 0 and plain[k] >= PLAIN_SHARE * (1.2 if on_scale else 1.0))
        total_um = float(np.hypot(blur_um, phone.smear_px * world.um_per_px))
        sharp = total_um <= 0.22 * s.length_um
        countable = (
            inside and visible >= 0.5 and sharp and seen and view[y, x] > 0.5 and edges[k] >= EDGE_SHARE
        )
        truth.append(
            SporeTruth(
                x_px=float(s.x_px),
                y_px=float(s.y_px),
                length_um=s.length_um,
                width_um=s.width_um,
                angle_deg=float(np.degrees(s.angle_rad) % 180),
                visible=visible,
                blur_um=blur_um,
                contrast=contrast,
                on_scale=on_scale,
                clump=int(clumps[k]),
                countable=bool(countable),
            )
        )
    return tuple(truth)
